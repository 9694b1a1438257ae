//! The colour of one chip: that of most of its surface, whatever lies in shadow or shines.

use super::Tone;
use super::view::View;
use crate::colour::difference::ciede2000;
use crate::colour::spaces::{Lab, Linear, lab_of_linear};

/// Rounds of leaving out, and from how many times the middle distance on, but no less than this CIEDE2000.
const ROUNDS: usize = 5;
const FAR_TIMES: f64 = 3.0;
const FAR_MIN: f64 = 1.5;

/// The middle of the colours of all cells in Lab; then, round by round, of those not far off. The result is their mean in
/// linear light.
pub fn tone(view: &View, cells: &[usize]) -> Tone {
    let labs: Vec<Lab> = cells.iter().map(|c| lab_of_linear(view.lights[*c])).collect();
    let mut kept: Vec<usize> = (0..cells.len()).collect();
    for _ in 0..ROUNDS {
        let middle = middle_lab(&labs, &kept);
        let off: Vec<f64> = labs.iter().map(|lab| ciede2000(*lab, middle)).collect();
        let usual = middle_of(kept.iter().map(|i| off[*i]).collect());
        let far = (FAR_TIMES * usual).max(FAR_MIN);
        let next: Vec<usize> = (0..cells.len()).filter(|i| off[*i] <= far).collect();
        if next == kept || next.is_empty() {
            break;
        }
        kept = next;
    }
    let count = kept.len().max(1) as f64;
    let light: Linear =
        [0, 1, 2].map(|i| (kept.iter().map(|k| f64::from(view.lights[cells[*k]][i])).sum::<f64>() / count) as f32);
    let own = lab_of_linear(light);
    Tone {
        light,
        spread: middle_of(labs.iter().map(|lab| ciede2000(*lab, own)).collect()),
        left_out: 1.0 - kept.len() as f64 / cells.len().max(1) as f64,
        area_mm2: cells.len() as f64 * view.cell_mm * view.cell_mm,
    }
}

fn middle_lab(labs: &[Lab], of: &[usize]) -> Lab {
    let middle = |value: fn(&Lab) -> f64| middle_of(of.iter().map(|i| value(&labs[*i])).collect());
    Lab { l: middle(|lab| lab.l), a: middle(|lab| lab.a), b: middle(|lab| lab.b) }
}

/// The median; 0 of nothing.
fn middle_of(mut values: Vec<f64>) -> f64 {
    if values.is_empty() {
        return 0.0;
    }
    let middle = values.len() / 2;
    *values.select_nth_unstable_by(middle, f64::total_cmp).1
}
