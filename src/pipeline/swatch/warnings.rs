//! What makes a chip's colour doubtful.

use super::{Swatch, Taken};
use crate::chips::matched::{FAR, LEFT_OUT_MAX, SPREAD_MAX};
use crate::colour::spaces::{Lab, linear_of_lab};

/// Less surface says little about a colour, mm2.
const AREA_MIN_MM2: f64 = 60.0;
/// Light at which scanners end.
const BRIGHT: f32 = 0.985;
pub(super) fn warnings(chip: &Swatch) -> Vec<String> {
    let number = chip.number;
    let mut found = Vec::new();
    if chip.spread > SPREAD_MAX {
        found.push(format!("chip {number} is not of one colour (spread {:.1}): light it evenly", chip.spread));
    }
    if chip.left_out > LEFT_OUT_MAX {
        let share = 100.0 * chip.left_out;
        found.push(format!("{share:.0} % of chip {number} were left out as shadow, shine or specks: scan it again"));
    }
    if chip.area_mm2 < AREA_MIN_MM2 {
        found.push(format!("chip {number} is small: only {:.0} mm2 away from its rim", chip.area_mm2));
    }
    if brightest(chip) > BRIGHT {
        found.push(format!("chip {number} is as bright as the scan can show: expose it less"));
    }
    match &chip.filament {
        Some(Taken { name, rival: Some(rival), .. }) => {
            found.push(format!("chip {number} may be {name} or {rival}: their colours on the shelf leave it open"));
        }
        Some(taken) if taken.is_doubtful => {
            let far = format!("{:.1}, more than {FAR}", taken.distance);
            found.push(format!("chip {number} looks like no filament: {} is the nearest, off by {far}", taken.name));
        }
        _ => {}
    }
    found
}

fn brightest(chip: &Swatch) -> f32 {
    let [l, a, b] = chip.lab;
    let light = linear_of_lab(Lab { l, a, b });
    light.into_iter().fold(0.0, f32::max)
}
