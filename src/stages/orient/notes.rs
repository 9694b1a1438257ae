//! What a person should know about the parts as they lie on the bed.

use super::{FOOT_MIN_MM2, Laid};
use crate::figure::Figure;
use crate::finding::{Finding, Severity};
use crate::stage::StageContext;

/// Parts that are told by name.
const PARTS_TOLD: usize = 5;

/// Space to support from which a part is told of, cm3.
const SUPPORT_TOLD_CM3: f64 = 1.0;

/// Height over width from which a part sways on the bed (common practice, no source).
const SLENDER: f64 = 6.0;

/// Contact under which a part comes loose easily (common practice, no source), cm2.
const CONTACT_MIN_CM2: f64 = 2.0;

/// Figures of the stage and what to know about each part.
pub(super) fn report(figure: &Figure, laid: &[Laid], ctx: &mut StageContext<'_>) {
    ctx.figure("parts_turned", laid.iter().filter(|best| best.turned).count() as f64);
    ctx.figure("parts_turned_finely", laid.iter().filter(|best| !best.pose.is_by_quarters()).count() as f64);
    ctx.figure("support_space_mm3", laid.iter().map(|best| best.support_mm3).sum());
    if let Some(least) = laid.iter().map(|best| best.contact_mm2).min_by(f64::total_cmp) {
        ctx.figure("contact_least_mm2", least);
    }
    for (part, best) in figure.parts.iter().zip(laid) {
        for finding in findings(best) {
            ctx.finding(finding.on(&part.name));
        }
    }
    if let Some(finding) = support_note(figure, laid) {
        ctx.finding(finding);
    }
}

/// All support in one note, with the parts that need most of it.
fn support_note(figure: &Figure, laid: &[Laid]) -> Option<Finding> {
    let mut by_part: Vec<(f64, &str)> =
        laid.iter().zip(&figure.parts).map(|(best, part)| (best.support_mm3 / 1000.0, part.name.as_str())).collect();
    let all_cm3: f64 = by_part.iter().map(|(cm3, _)| cm3).sum();
    by_part.retain(|(cm3, _)| *cm3 >= SUPPORT_TOLD_CM3);
    by_part.sort_by(|a, b| b.0.total_cmp(&a.0).then(a.1.cmp(b.1)));
    if by_part.is_empty() {
        return None;
    }
    let word = |(cm3, name): &(f64, &str)| format!("{name} ({cm3:.0} cm3)");
    let most = by_part.iter().take(PARTS_TOLD).map(word).collect::<Vec<_>>().join(", ");
    let what = format!("overhangs of {} parts stand over {all_cm3:.0} cm3 to be filled with support", by_part.len());
    Some(Finding::new(Severity::Note, what).at(most).hint("switch support on for these parts"))
}

/// What to know about a part as it lies.
fn findings(best: &Laid) -> Vec<Finding> {
    let mut all = Vec::new();
    let contact_cm2 = best.contact_mm2 / 100.0;
    if best.contact_mm2 < FOOT_MIN_MM2 {
        let what = format!("the part has no flat face to lie on, {:.0} mm2 touch the bed", best.contact_mm2);
        let hint = "let `clean` give the figure a flat base, or print it on a raft of support";
        all.push(Finding::new(Severity::Warning, what).hint(hint));
    } else if contact_cm2 < CONTACT_MIN_CM2 {
        let what = format!("only {contact_cm2:.2} cm2 lie on the bed, expected at least {CONTACT_MIN_CM2} cm2");
        all.push(Finding::new(Severity::Warning, what).hint("print it with a brim"));
    }
    if let Some(outside_mm) = best.inside_foot_mm.map(|inside| -inside).filter(|outside| *outside > 0.0) {
        let what = format!(
            "its centre of mass is {outside_mm:.0} mm beside the face it stands on, so it leans on its support"
        );
        all.push(Finding::new(Severity::Warning, what).hint("print it with a wide brim and firm support"));
    }
    let slender = best.size_mm.z / best.size_mm.truncate().min_element().max(1e-9);
    if slender > SLENDER {
        let what = format!("the part is {slender:.1} times as high as wide and may sway or tip on the bed");
        all.push(Finding::new(Severity::Warning, what).hint("print it with a brim and slower towards the top"));
    }
    if best.head_marks_mm2 >= 100.0 {
        let what = format!("support touches {:.0} cm2 of the head", best.head_marks_mm2 / 100.0);
        all.push(Finding::new(Severity::Note, what).hint("use support that comes off cleanly, and sand with care"));
    }
    all
}
