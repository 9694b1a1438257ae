//! The curve of colour against the number of filaments a part may have.

use std::fmt::Write as _;

use super::chart::Axis;
use super::words;
use crate::run_record::RunRecord;

/// Size of the picture, in its own units.
const WIDTH: f64 = 680.0;
const HEIGHT: f64 = 250.0;
/// The field of the curve within it.
const LEFT: f64 = 52.0;
const RIGHT: f64 = 650.0;
const TOP: f64 = 30.0;
const BOTTOM: f64 = 200.0;
/// Most filaments in a part that are looked for in the log.
const MOST: usize = 32;

/// The curve as a picture; `None` when the log has none. `tools` is what the printer holds.
#[must_use]
pub fn curve(run: &RunRecord, tools: usize) -> Option<String> {
    let figures = &run.stages.iter().rev().find(|stage| stage.figures.contains_key("de_mean_chosen"))?.figures;
    let mean = |size: usize| figures.get(&format!("de_mean_with_{size}_colours")).map(|mean| (size, *mean));
    let points: Vec<(usize, f64)> = (1..=MOST).filter_map(mean).filter(|(_, mean)| mean.is_finite()).collect();
    let (Some((first, most)), Some((last, _))) = (points.first(), points.last()) else { return None };
    if first == last {
        return None;
    }
    let de = Axis::around([0.0, most.max(1.0)], [BOTTOM, TOP]);
    let across = |size: usize| {
        let share = (size - first) as f64 / (last - first) as f64;
        LEFT + 30.0 + share * (RIGHT - LEFT - 60.0)
    };
    let mut svg = format!(
        "<svg viewBox=\"0 0 {WIDTH} {HEIGHT}\" role=\"img\" aria-label=\"Mean colour difference against the number of filaments in a part\">"
    );
    de.rules(&mut svg, [LEFT, RIGHT]);
    let line: Vec<String> = points.iter().map(|(k, mean)| format!("{:.1},{:.1}", across(*k), de.at(*mean))).collect();
    let _ = write!(svg, "<polyline class=\"curve\" points=\"{}\"/>", line.join(" "));
    for (size, mean) in &points {
        let (x, y) = (across(*size), de.at(*mean));
        let (class, radius) = if *size == tools { ("taken", 6.5) } else { ("spot", 3.5) };
        let _ = write!(
            svg,
            "<circle class=\"{class}\" cx=\"{x:.1}\" cy=\"{y:.1}\" r=\"{radius}\"><title>{}: {} dE</title></circle>\
             <text class=\"label\" x=\"{x:.1}\" y=\"{:.1}\" text-anchor=\"middle\">{}</text>\
             <text class=\"tick\" x=\"{x:.1}\" y=\"{:.1}\" text-anchor=\"middle\">{size}</text>",
            words::counted(*size, "filament", "filaments"),
            words::number(*mean, 1),
            y - 12.0,
            words::number(*mean, 1),
            BOTTOM + 18.0
        );
    }
    let holds = if tools <= *last { format!("; this printer holds {tools}") } else { String::new() };
    let _ = write!(
        svg,
        "<line class=\"axis\" x1=\"{LEFT}\" x2=\"{RIGHT}\" y1=\"{BOTTOM}\" y2=\"{BOTTOM}\"/>\
         <text class=\"name\" x=\"{LEFT}\" y=\"{:.1}\">Mean colour difference, dE (CIEDE2000)</text>\
         <text class=\"name\" x=\"{RIGHT}\" y=\"{:.1}\" text-anchor=\"end\">Filaments in a part{holds}</text></svg>",
        TOP - 17.0,
        BOTTOM + 38.0
    );
    Some(svg)
}
