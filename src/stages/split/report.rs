//! What `split` tells: counts and sums for the log, and findings for the person who glues.

use super::bed::{Bed, FOOT_MIN_MM2, Shape};
use super::blocks::Body;
use super::divide::size_words;
use super::finish::Finished;
use super::place::point_words;
use super::settings::{Keys, Split};
use crate::figure::Joint;
use crate::finding::{Finding, Severity};
use crate::mesh::{TriMesh, measure};
use crate::stage::StageContext;

/// Parts within this of the bed's limits are pointed out, mm.
const TIGHT_MM: f64 = 1.0;

/// Tells that nothing had to be cut.
pub(super) fn kept_whole(ctx: &mut StageContext<'_>, shape: &Shape, bed: &Bed) {
    ctx.figure("parts", 1.0);
    ctx.figure("joints", 0.0);
    ctx.finding(Finding::new(Severity::Note, format!("the figure fits whole: {}", size_words(shape))));
    if !bed.holds(shape) {
        let what = format!("the figure has no flat underside of at least {FOOT_MIN_MM2} mm2 to stand on");
        let hint = "let `clean` give it a base, or print it with a brim and supports";
        ctx.finding(Finding::new(Severity::Warning, what).at("underside").hint(hint));
    }
}

/// Logs the outcome and notes what the owner should know.
pub(super) fn tell(ctx: &mut StageContext<'_>, finished: &Finished, whole: &TriMesh, bed: &Bed, settings: &Split) {
    let Finished { parts, joints, .. } = finished;
    let keys: usize = joints.iter().map(|j| j.keys.len()).sum();
    let volume: f64 = parts.iter().map(|p| measure::volume_mm3(&p.mesh)).sum();
    let before = measure::volume_mm3(whole);
    ctx.figure("parts", parts.len() as f64);
    ctx.figure("joints", joints.len() as f64);
    ctx.figure("keys", keys as f64);
    ctx.figure("cut_area_mm2", joints.iter().map(|j| j.area_mm2).sum());
    ctx.figure("volume_error_relative", (volume + finished.taken_mm3 - before).abs() / before.abs().max(1e-300));
    let what = format!("{} parts, {} joints, {keys} keys", parts.len(), joints.len());
    ctx.finding(
        Finding::new(Severity::Note, what).hint("left and right are the figure's own, with its front along -y"),
    );
    let body = Body::of(whole);
    for part in parts {
        let shape = Shape::of(&part.mesh);
        let size = shape.size();
        if !bed.holds(&Shape { low: shape.low, high: shape.high + TIGHT_MM, ..shape }) {
            let what = format!("{} leaves less than {TIGHT_MM} mm to the limits of the bed", size_words(&shape));
            let hint = "fine if the printer's volume is right; a larger `margin_mm` leaves more";
            ctx.finding(Finding::new(Severity::Note, what).on(&part.name).at(place_of(&part.name)).hint(hint));
        }
        if size.min_element() < 0.5 * settings.part_min_mm {
            let what = format!("the part is only {:.1} mm thick", size.min_element());
            let hint = "set `cuts` by hand to avoid it, or print it with more walls";
            ctx.finding(Finding::new(Severity::Warning, what).on(&part.name).at(place_of(&part.name)).hint(hint));
        }
    }
    let bare = |j: &Joint| j.keys.is_empty() && settings.keys == Keys::Dowels;
    for (joint, middle) in joints.iter().zip(&finished.middles).filter(|(j, _)| bare(j)) {
        let [a, b] = [joint.a, joint.b].map(|p| parts[p].name.as_str());
        let what = format!("no key fits the joint of {a} and {b} ({:.0} mm2)", joint.area_mm2);
        let hint = "glue it with care, or add a thinner dowel to `dowel_mm`";
        let severity = if joint.area_mm2 < 100.0 { Severity::Note } else { Severity::Warning };
        ctx.finding(Finding::new(severity, what).at(point_words(&body, *middle)).hint(hint));
    }
}

/// Place words of a part, from its name.
fn place_of(name: &str) -> &str {
    name.split_once('-').map_or(name, |(_, place)| place)
}
