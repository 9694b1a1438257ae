//! Which filaments a part needs at which height: each layer with more than one costs tool changes.

use std::fmt::Write as _;

use super::words;
use crate::colour::spaces::format_hex;
use crate::figure::{Figure, Part};

/// Size of the picture, in its own units.
const WIDTH: f64 = 240.0;
const ROW: f64 = 9.0;
const BAR: f64 = 7.0;

/// A bar for each filament from the bed to the top, fainter where only some layers need it; `None` without an estimate.
#[must_use]
pub fn chart(figure: &Figure, part: &Part) -> Option<String> {
    let estimate = part.estimate.as_ref()?;
    let rows: Vec<(usize, &Vec<u8>)> =
        estimate.in_layers.iter().enumerate().filter(|(_, shares)| shares.iter().any(|share| *share > 0)).collect();
    if rows.len() < 2 {
        return None;
    }
    let height = ROW * rows.len() as f64;
    let changes = words::counted(estimate.tool_changes, "tool change", "tool changes");
    let mut svg = format!(
        "<svg class=\"layers\" viewBox=\"0 0 {WIDTH} {height}\" role=\"img\" aria-label=\"Filaments by height, {changes}\">"
    );
    for (row, (label, shares)) in rows.iter().enumerate() {
        let filament = figure.palette.get(*label)?;
        let colour = filament.srgb().map_or_else(|| "#808080".to_owned(), format_hex);
        let _ = write!(svg, "<g fill=\"{colour}\">");
        let step = WIDTH / shares.len().max(1) as f64;
        let mut from = 0;
        for bars in shares.chunk_by(|a, b| level(*a) == level(*b)) {
            if level(bars[0]) > 0 {
                let _ = write!(
                    svg,
                    "<rect x=\"{:.1}\" y=\"{:.0}\" width=\"{:.1}\" height=\"{BAR}\" fill-opacity=\"{}\"/>",
                    from as f64 * step,
                    row as f64 * ROW,
                    bars.len() as f64 * step,
                    [0.0, 0.35, 0.65, 1.0][level(bars[0])]
                );
            }
            from += bars.len();
        }
        svg.push_str("</g>");
    }
    svg.push_str("</svg>");
    Some(svg)
}

/// None, few, many or nearly all of the layers.
fn level(percent: u8) -> usize {
    match percent {
        0 => 0,
        1..=33 => 1,
        34..=80 => 2,
        _ => 3,
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::figure::PartEstimate;

    #[test]
    fn bars_of_like_layers_are_drawn_as_one() {
        let filament = |colour: &str| {
            let text = format!(
                "{{name: x, material: PLA, colour: '{colour}', nozzle_c: [200, 220], bed_c: [50, 60], \
                 density_g_per_cm3: 1.2, left_g: 1}}"
            );
            serde_yaml::from_str(&text).unwrap()
        };
        let figure = Figure { palette: vec![filament("#102030"), filament("#C0B0A0")], ..Figure::default() };
        let part = |in_layers: Vec<Vec<u8>>| Part {
            number: 1,
            name: String::new(),
            mesh: std::sync::Arc::default(),
            labels: None,
            pose: None,
            estimate: Some(PartEstimate { in_layers, tool_changes: 7, ..PartEstimate::default() }),
        };
        let svg = chart(&figure, &part(vec![vec![100, 99, 95, 100], vec![0, 20, 30, 70]])).unwrap();
        assert_eq!(svg.matches("<rect").count(), 3, "{svg}");
        assert!(svg.contains("#102030") && svg.contains("#C0B0A0") && svg.contains("tool changes\""), "{svg}");
        assert_eq!(chart(&figure, &part(vec![vec![100; 4], vec![0; 4]])), None, "one filament changes nothing");
    }
}
