//! How `clean` words what it noticed.

use super::size::Size;
use crate::finding::{Finding, Severity};
use crate::mesh::fill::Filled;
use crate::stage::StageContext;

/// A whole number with thousands set apart: `12,345`.
pub fn grouped(value: f64) -> String {
    let digits = format!("{:.0}", value.abs());
    let mut text = if value <= -0.5 { "-".to_owned() } else { String::new() };
    for (i, digit) in digits.chars().enumerate() {
        if i > 0 && (digits.len() - i) % 3 == 0 {
            text.push(',');
        }
        text.push(digit);
    }
    text
}

/// Where a height is, in words that fit a standing body.
pub fn place(share: f64) -> String {
    let zone = match share {
        s if s >= 0.96 => "crown",
        s if s >= 0.86 => "head and neck",
        s if s >= 0.72 => "shoulders and chest",
        s if s >= 0.56 => "trunk",
        s if s >= 0.44 => "hips and hands",
        s if s >= 0.26 => "thighs and knees",
        s if s >= 0.04 => "lower legs",
        _ => "underside",
    };
    format!("{zone}, at {:.0} % of the height", 100.0 * share.clamp(0.0, 1.0))
}

/// Tells of the holes that were filled: the large ones each, the rest in one sentence.
pub fn tell_of_holes(filled: &[Filled], body_mm2: f64, size: Size, ctx: &mut StageContext<'_>) {
    /// Holes told of one by one.
    const EACH: usize = 8;
    /// Share of the body's area from which a hole is told of, and from which it is a warning (common practice, no source).
    const TOLD: f64 = 0.0003;
    const WARNED: f64 = 0.001;
    let mut large: Vec<&Filled> = filled.iter().filter(|hole| hole.area_mm2 >= TOLD * body_mm2).collect();
    large.sort_by(|a, b| b.area_mm2.total_cmp(&a.area_mm2));
    for hole in large.iter().take(EACH) {
        let share = size.share(hole.centre.z);
        let is_sole = share < SOLES;
        let severity = if hole.area_mm2 >= WARNED * body_mm2 && !is_sole { Severity::Warning } else { Severity::Note };
        let (area, rim) = (grouped(hole.area_mm2), grouped(hole.rim_mm));
        let what = format!("open surface closed: {area} mm2 inside a rim of {rim} mm");
        ctx.finding(Finding::new(severity, what).at(place(share)).hint(scan_again(share)).spots([hole.centre]));
    }
    let rest = filled.len() - large.len().min(EACH);
    if rest > 0 {
        ctx.finding(Finding::new(Severity::Note, format!("{} small holes closed", grouped(rest as f64))));
    }
}

/// Share of the height below which an opening is that of the soles, which no scanner sees.
const SOLES: f64 = 0.04;

fn scan_again(share: f64) -> String {
    match share {
        s if s >= 0.96 => "scan the top of the head again, from above".to_owned(),
        s if s < SOLES => "nothing to do: a standing person's soles cannot be scanned".to_owned(),
        s => format!("scan the body again at {:.0} % of its height; arms a hand's breadth off help", 100.0 * s),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn numbers_are_grouped_by_thousands() {
        assert_eq!(grouped(5024.4), "5,024");
        assert_eq!(grouped(-1_234_567.0), "-1,234,567");
        assert_eq!(grouped(999.0), "999");
    }

    #[test]
    fn heights_have_names() {
        assert_eq!(place(0.98), "crown, at 98 % of the height");
        assert_eq!(place(-0.01), "underside, at 0 % of the height");
    }
}
