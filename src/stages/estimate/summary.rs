//! What all parts together take, and what the owner should know before printing.

use glam::DVec3;

use super::part::PartWork;
use super::stability::{Stance, stance};
use super::{Estimate, materials};
use crate::equipment::Filament;
use crate::figure::{Figure, PartEstimate};
use crate::finding::{Finding, Severity};
use crate::stage::StageContext;

/// Tilt a standing figure should bear: appliances must not overturn on a plane inclined by this (IEC 60335-1, 20.1).
const TIP_MIN_DEG: f64 = 10.0;

/// Figures from this height on are fixed, however they stand: children pull at them (common practice, no source), mm.
const FIX_FROM_MM: f64 = 800.0;

/// Height of the shoulders as a share of stature (Drillis and Contini 1966, from memory).
const SHOULDER_SHARE: f64 = 0.82;

/// Standard gravity, m/s2.
const GRAVITY: f64 = 9.806_65;

/// Logs sums and tells what stands out.
pub fn report(settings: &Estimate, figure: &Figure, works: &[PartWork], ctx: &mut StageContext<'_>) {
    log_sums(works, ctx);
    tell_materials(figure, works, ctx);
    tell_spools(figure, works, ctx);
    tell_changes(settings, figure, works, ctx);
    tell_stance(figure, works, ctx);
}

fn log_sums(works: &[PartWork], ctx: &mut StageContext<'_>) {
    let sum = |of: fn(&PartEstimate) -> f64| works.iter().map(|work| of(&work.estimate)).sum::<f64>();
    ctx.figure("volume_mm3", sum(|e| e.volume_mm3));
    ctx.figure("mass_g", sum(|e| e.mass_g));
    ctx.figure("support_g", sum(|e| e.support_g));
    ctx.figure("purge_g", sum(|e| e.purge_g));
    ctx.figure("hours", sum(|e| e.seconds) / 3600.0);
    ctx.figure("layers", sum(|e| e.layers as f64));
    ctx.figure("tool_changes", sum(|e| e.tool_changes as f64));
    ctx.figure("tool_changes_unordered", sum(|e| e.tool_changes_unordered as f64));
    ctx.figure("overhang_mm2", sum(|e| e.overhang_mm2));
}

/// One finding per reason, naming all parts it holds for.
fn tell_materials(figure: &Figure, works: &[PartWork], ctx: &mut StageContext<'_>) {
    let mut told: Vec<(Finding, Vec<&str>)> = Vec::new();
    for (part, work) in figure.parts.iter().zip(works) {
        let used: Vec<&Filament> = work.used.iter().filter_map(|&label| figure.palette.get(label)).collect();
        for finding in materials::clashes(&used, &ctx.equipment.printer) {
            match told.iter_mut().find(|(known, _)| *known == finding) {
                Some((_, parts)) => parts.push(&part.name),
                None => told.push((finding, vec![&part.name])),
            }
        }
    }
    for (finding, parts) in told {
        ctx.finding(finding.at(format!("part {}", parts.join(", "))));
    }
}

fn tell_spools(figure: &Figure, works: &[PartWork], ctx: &mut StageContext<'_>) {
    for (label, entry) in figure.palette.iter().enumerate() {
        let need = works.iter().fold(materials::Need::default(), |need, work| {
            let g = work.need_g.get(label).copied().unwrap_or(0.0);
            materials::Need { all_g: need.all_g + g, most_in_part_g: need.most_in_part_g.max(g) }
        });
        let on_shelf = ctx.equipment.shelf.iter().find(|filament| filament.name == entry.name);
        if let Some(finding) = materials::spool(on_shelf.unwrap_or(entry), need) {
            ctx.finding(finding);
        }
    }
}

fn tell_changes(settings: &Estimate, figure: &Figure, works: &[PartWork], ctx: &mut StageContext<'_>) {
    let many = |work: &&PartWork| work.estimate.tool_changes > settings.changes_max;
    let changes: usize = works.iter().filter(many).map(|work| work.estimate.tool_changes).sum();
    if changes == 0 {
        return;
    }
    let parts: Vec<&str> =
        figure.parts.iter().zip(works).filter(|(_, work)| many(work)).map(|(part, _)| part.name.as_str()).collect();
    let printer = &ctx.equipment.printer;
    let (hours, grams) = (changes as f64 * printer.change_secs / 3600.0, changes as f64 * printer.change_g);
    let what = format!("{changes} tool changes take {hours:.1} h and {grams:.0} g of purge");
    let hint = "use thicker layers or fewer filaments, or lay borders of colour level";
    ctx.finding(Finding::new(Severity::Warning, what).at(format!("part {}", parts.join(", "))).hint(hint));
}

fn tell_stance(figure: &Figure, works: &[PartWork], ctx: &mut StageContext<'_>) {
    let mass_g: f64 = works.iter().map(|work| work.estimate.mass_g).sum();
    if mass_g <= 0.0 {
        return;
    }
    let centre = works.iter().map(|work| work.estimate.mass_g * work.centre).sum::<DVec3>() / mass_g;
    let (low, high) = figure.bounds();
    let height_mm = high.z - low.z;
    let points = figure.parts.iter().flat_map(|part| &part.mesh.positions);
    let stance = stance(points, centre);
    if let Some(stance) = stance {
        ctx.figure("tip_deg", stance.tip_deg);
        ctx.figure("centre_of_mass_mm", stance.centre_mm);
    }
    if let Some(finding) = stance_finding(stance, height_mm, mass_g) {
        ctx.finding(finding.at("whole figure"));
    }
}

/// Warns when the figure tips too easily, or is so tall that it has to be fixed anyway.
fn stance_finding(stance: Option<Stance>, height_mm: f64, mass_g: f64) -> Option<Finding> {
    let fix = "fix it to the wall or the floor";
    let Some(stance) = stance else {
        let what = "the figure has no flat foot to stand on";
        return Some(Finding::new(Severity::Warning, what).hint("give it a base plate or a stand"));
    };
    if stance.tip_deg < TIP_MIN_DEG {
        let half_depth_mm = stance.centre_mm * TIP_MIN_DEG.to_radians().tan();
        let what = if stance.tip_deg > 0.0 {
            format!(
                "the glued figure falls over when tilted by {:.1} degrees {}, expected {TIP_MIN_DEG:.0}",
                stance.tip_deg,
                direction(stance)
            )
        } else {
            format!("the glued figure does not stand by itself: it falls {}", direction(stance))
        };
        let plate = format!("give it a base plate that reaches {half_depth_mm:.0} mm from its centre of mass");
        let hint = if height_mm > FIX_FROM_MM { format!("{plate} and {fix}") } else { plate };
        return Some(Finding::new(Severity::Warning, what).hint(hint));
    }
    (height_mm > FIX_FROM_MM).then(|| {
        let lever_mm = stance.centre_mm * stance.tip_deg.to_radians().tan();
        let push_n = mass_g / 1000.0 * GRAVITY * lever_mm / (SHOULDER_SHARE * height_mm);
        let what = format!("a push of {push_n:.0} N at shoulder height tips the figure");
        Finding::new(Severity::Warning, what).hint(fix)
    })
}

/// Direction of the fall in words; the figure faces -y.
fn direction(stance: Stance) -> &'static str {
    let d = stance.towards;
    if d.x.abs() > d.y.abs() {
        if d.x > 0.0 { "to its left" } else { "to its right" }
    } else if d.y > 0.0 {
        "backwards"
    } else {
        "forwards"
    }
}
