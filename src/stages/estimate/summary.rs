//! What all parts together take, and what the owner should know before printing.

use super::sharing::PartWork;
use super::{Estimate, materials, stability};
use crate::equipment::{Filament, Printer};
use crate::figure::{Figure, PartEstimate};
use crate::finding::{Finding, Severity};
use crate::schedule::Schedule;
use crate::stage::StageContext;

/// Logs sums and tells what stands out.
pub fn report(
    settings: &Estimate,
    figure: &Figure,
    (works, schedule): (&[PartWork], &Schedule),
    ctx: &mut StageContext<'_>,
) {
    log_sums(works, ctx);
    if let Some(ends_s) = schedule.ends_s() {
        ctx.figure("hours_with_spools", ends_s / 3600.0);
    }
    ctx.figure("spools_put_in", schedule.spools_put_in() as f64);
    tell_materials(figure, works, ctx);
    tell_spools(figure, works, ctx);
    tell_changes(settings, figure, works, ctx);
    tell_towers(figure, works, ctx);
    stability::tell(figure, works, ctx);
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
        let printer = ctx.equipment.printers().nth(work.printer).unwrap_or(&ctx.equipment.printer);
        for finding in materials::clashes(&used, printer) {
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
            let g = work.estimate.need_g.get(label).copied().unwrap_or(0.0);
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
    let printers: Vec<&Printer> = ctx.equipment.printers().collect();
    let sum = |of: fn(&Printer) -> f64| -> f64 {
        let each =
            |work: &PartWork| work.estimate.tool_changes as f64 * printers.get(work.printer).map_or(0.0, |p| of(p));
        works.iter().filter(many).map(each).sum()
    };
    let (hours, grams) = (sum(|printer| printer.change_secs) / 3600.0, sum(|printer| printer.change_g));
    let parts: Vec<&str> =
        figure.parts.iter().zip(works).filter(|(_, work)| many(work)).map(|(part, _)| part.name.as_str()).collect();
    let what = format!("{changes} tool changes take {hours:.1} h and {grams:.0} g of purge");
    let hint = "use thicker layers or fewer filaments, or lay borders of colour level";
    ctx.finding(Finding::new(Severity::Warning, what).at(format!("part {}", parts.join(", "))).hint(hint));
}

/// Parts beside which there is no room for the purge tower.
fn tell_towers(figure: &Figure, works: &[PartWork], ctx: &mut StageContext<'_>) {
    let tight = figure.parts.iter().zip(works).filter(|(_, work)| !work.tower_fits);
    for (part, tower) in tight.filter_map(|(part, work)| Some((part, work.estimate.tower?))) {
        let [width, depth, height] = tower.size_mm;
        let what = format!("no room on the bed for its purge tower of {width:.0} x {depth:.0} mm, {height:.0} mm high");
        let hint = "cut smaller parts (a smaller `volume_mm` of the printer), make the tower narrower, or have fewer tool changes";
        ctx.finding(Finding::new(Severity::Warning, what).on(part.name.clone()).hint(hint));
    }
}
