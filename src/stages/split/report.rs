//! What `split` tells: counts and sums for the log, and findings for the person who glues.

use glam::DVec3;

use super::bed::{Bed, FOOT_MIN_MM2, Shape};
use super::blocks::Model;
use super::body::Body;
use super::divide::size_words;
use super::finish::Finished;
use super::glance::{Cut, Rules};
use super::place::point_words;
use super::plan::Ranked;
use super::seams::{Plain, Seams};
use super::settings::{Keys, Split};
use super::sweep::middles;
use super::ways::WAYS;
use crate::figure::{CutPlan, Joint};
use crate::finding::{Finding, Severity};
use crate::mesh::{TriMesh, measure};
use crate::stage::StageContext;

/// Seam through what was to be avoided from which it is told, mm.
const BARRED_TOLD_MM: f64 = 5.0;

/// Joints larger than this are wide: there should be room for keys.
const WIDE_MM2: f64 = 1200.0;

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
pub(super) fn tell(ctx: &mut StageContext<'_>, finished: &Finished, whole: &TriMesh, rules: &Rules, settings: &Split) {
    let Finished { parts, joints, .. } = finished;
    let keys: usize = joints.iter().map(|j| j.keys.len()).sum();
    let volume: f64 = parts.iter().map(|p| measure::volume_mm3(&p.mesh)).sum();
    let before = measure::volume_mm3(whole);
    ctx.figure("parts", parts.len() as f64);
    ctx.figure("joints", joints.len() as f64);
    ctx.figure("keys", keys as f64);
    let wide = || joints.iter().filter(|j| j.area_mm2 > WIDE_MM2);
    ctx.figure("wide_joints", wide().count() as f64);
    ctx.figure("wide_joints_keyed", wide().filter(|j| !j.keys.is_empty()).count() as f64);
    ctx.figure("marks", joints.iter().flat_map(|j| j.marked).filter(|marked| *marked).count() as f64);
    ctx.figure("cut_area_mm2", joints.iter().map(|j| j.area_mm2).sum());
    ctx.figure("volume_error_relative", (volume + finished.taken_mm3 - before).abs() / before.abs().max(1e-300));
    let what = format!("{} parts, {} joints, {keys} keys", parts.len(), joints.len());
    ctx.finding(
        Finding::new(Severity::Note, what).hint("left and right are the figure's own, with its front along -y"),
    );
    let (bed, body) = (&rules.bed, &rules.body);
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
    tell_loose(ctx, finished, body, settings);
}

/// Notes joints without keys, with a single round one, or without marks.
fn tell_loose(ctx: &mut StageContext<'_>, finished: &Finished, body: &Body, settings: &Split) {
    let Finished { parts, joints, .. } = finished;
    let bare = |j: &Joint| j.keys.is_empty() && settings.keys != Keys::None;
    for (joint, middle) in joints.iter().zip(&finished.middles).filter(|(j, _)| bare(j)) {
        let [a, b] = [joint.a, joint.b].map(|p| parts[p].name.as_str());
        let what = format!("no key fits the joint of {a} and {b} ({:.0} mm2)", joint.area_mm2);
        let hint = "glue it with care, or add a thinner dowel to `dowel_mm`";
        let severity = if joint.area_mm2 < 100.0 { Severity::Note } else { Severity::Warning };
        ctx.finding(Finding::new(severity, what).at(point_words(body, *middle)).hint(hint).spots([*middle]));
    }
    for (joint, middle) in joints.iter().zip(&finished.middles) {
        let [key] = joint.keys.as_slice() else { continue };
        if key.pin_of.is_none() && key.filed_to_mm.is_none() {
            let [a, b] = [joint.a, joint.b].map(|p| parts[p].name.as_str());
            let what =
                format!("one dowel only has room in the joint of {a} and {b}, so it does not keep them from turning");
            let hint = "line up the skin around the joint while the glue sets, or try a smaller `clearance_mm`";
            ctx.finding(Finding::new(Severity::Note, what).at(point_words(body, *middle)).hint(hint).spots([*middle]));
        }
    }
    if settings.glue_gap_mm > 0.0 {
        ctx.figure("glue_pockets", finished.pockets as f64);
        let without = joints.len() - finished.pockets;
        if without > 0 {
            let what = format!("{without} joints are too narrow for the pocket that `glue_gap_mm` asks for");
            ctx.finding(Finding::new(Severity::Note, what).hint("put less glue on them"));
        }
    }
    let unmarked = joints.iter().flat_map(|j| j.marked).filter(|marked| !*marked).count();
    if settings.marks && unmarked > 0 {
        let faces = 2 * joints.len();
        let what = format!("{unmarked} of {faces} cut faces are too small for a number, or keys leave no room");
        ctx.finding(Finding::new(Severity::Note, what).hint("write it on the printed parts with a pencil"));
    }
}

/// Logs what the seams show, beside those of a plain grid, and notes what was cut though it should not have been.
pub(super) fn tell_seams(ctx: &mut StageContext<'_>, parts: usize, seams: &Seams, plain: &Plain, settings: &Split) {
    ctx.figure("seam_mm", seams.length_mm);
    ctx.figure("seam_shown_mm", seams.shown_mm);
    ctx.figure("grid_parts", plain.parts as f64);
    ctx.figure("grid_seam_mm", plain.seams.length_mm);
    ctx.figure("grid_seam_shown_mm", plain.seams.shown_mm);
    ctx.figure("barred_seam_mm", seams.barred_mm);
    let less = 100.0 * (1.0 - seams.shown_mm / plain.seams.shown_mm.max(1e-9));
    if less >= 1.0 {
        let what = format!("the seams show {less:.0} % less than those of a plain grid of {} parts", plain.parts);
        ctx.finding(Finding::new(Severity::Note, what));
    }
    if seams.barred_mm >= BARRED_TOLD_MM {
        let what = format!("{:.0} mm of seam run through the face or a place to avoid", seams.barred_mm);
        let hint = "set `cuts` by hand, scale the figure down, or choose a larger printer";
        ctx.finding(Finding::new(Severity::Warning, what).hint(hint));
    }
    if let Some(most) = settings.parts_max.filter(|most| parts > *most) {
        let what = format!("{parts} parts, more than `parts_max: {most}`; no plan with fewer was found");
        let hint = "set `cuts` by hand, scale the figure down, or choose a larger printer";
        ctx.finding(Finding::new(Severity::Warning, what).hint(hint));
    }
}

/// The plans there were to choose from, in words.
pub(super) fn cut_plans(ranked: &[Ranked], body: &Body, number: usize) -> Vec<CutPlan> {
    let words = |(i, r): (usize, &Ranked)| {
        let (cuts, outcome) = (r.planned.cut_pieces(), r.outcome());
        CutPlan {
            parts: outcome.parts,
            seam_shown_mm: cuts.iter().map(|(_, cut)| cut.shown_mm).sum(),
            tool_changes: outcome.tool_changes,
            price: outcome.price,
            cuts: cuts.iter().map(|(model, cut)| cut_words(body, model, cut)).collect(),
            followed: i + 1 == number.min(ranked.len()),
        }
    };
    ranked.iter().enumerate().map(words).collect()
}

/// A cut in words, such as `thigh left and thigh right, level, 612 mm up`.
fn cut_words(body: &Body, model: &Model, cut: &Cut) -> String {
    let way = WAYS[cut.way];
    let middles = middles(model, cut);
    let mut places: Vec<String> = middles.iter().map(|p| point_words(body, *p)).collect();
    places.dedup();
    let middle = middles.iter().sum::<DVec3>() / middles.len().max(1) as f64;
    let tilt_deg = way.unit().z.abs().acos().to_degrees();
    let run = match way.axis() {
        Some(2) => "level".to_owned(),
        Some(1) => "upright, from side to side".to_owned(),
        Some(_) => "upright, from front to back".to_owned(),
        None => format!("tilted by {tilt_deg:.0} degrees"),
    };
    format!("{}: {run}, {:.0} mm up", places.join(" and "), middle.z - body.low.z)
}

/// Place words of a part, from its name.
fn place_of(name: &str) -> String {
    name.split_once('-').map_or(name, |(_, place)| place).replace('-', " ")
}
