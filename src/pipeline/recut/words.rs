//! What a recut tells its user: findings for the report, and what to do next.

use glam::DVec2;

use super::dowels::Dowel;
use super::pieces::{Cut, Rest};
use super::record::RecutRecord;
use super::{Job, plain};
use crate::finding::{Finding, Severity};

/// Cut face from which a piece holds to the bed by itself (common practice, no source), mm2.
const FACE_MIN_MM2: f64 = 200.0;

/// What holds for the whole cut.
pub fn cut_findings(job: &Job, cut: &Cut) -> Vec<Finding> {
    let (height, layer) = (plain(job.height_mm, 2), plain(job.source.layer_mm(), 3));
    let what = format!(
        "the cut lies at {height} mm, the top of layer {} of {layer} mm; {} mm were measured",
        job.layers, job.order.printed_to_mm
    );
    let hint = "plane or sand the printed half down to that height, and check it all around with callipers";
    let mut findings = vec![Finding::new(Severity::Note, what).hint(hint)];
    if cut.crumbs.0 > 0 {
        let pieces = if cut.crumbs.0 == 1 { "1 piece is".to_owned() } else { format!("{} pieces are", cut.crumbs.0) };
        let what = format!("{pieces} lower than a layer and left out: {:.1} mm3 in all", cut.crumbs.1);
        findings.push(Finding::new(Severity::Note, what).hint("mend these spots by hand"));
    }
    findings
}

/// What holds for one piece.
pub fn piece_findings(rest: &Rest, outlines: &[Vec<DVec2>], dowels: &[Dowel], wanted_mm: &[f64]) -> Vec<Finding> {
    let mut findings = Vec::new();
    let beside = rest.inside_foot_mm(outlines).filter(|inside| *inside < 0.0);
    if let Some(inside) = beside {
        let what = format!("its centre of mass is {:.0} mm beside the cut face, so it leans on its support", -inside);
        findings.push(Finding::new(Severity::Warning, what).hint("print it with a wide brim and firm support"));
    } else if rest.area_mm2 < FACE_MIN_MM2 {
        let what = format!("it stands on {:.0} mm2 only", rest.area_mm2);
        findings.push(Finding::new(Severity::Warning, what).hint("print it with a brim"));
    }
    if !wanted_mm.is_empty() && dowels.is_empty() {
        let what = "there is no room for a dowel with its walls on both sides of the cut";
        findings.push(Finding::new(Severity::Warning, what).hint("glue it without, or take a thinner dowel"));
    }
    findings
}

/// What to do next, in order.
#[must_use]
pub fn advice(recut: &RecutRecord) -> Vec<String> {
    let height = plain(recut.height_mm, 2);
    let mut all = vec![format!(
        "Let the printed half cool on the bed, then plane or sand its top flat at {height} mm, the top of layer {} of {} mm: \
         {} mm less than measured.",
        recut.layers,
        plain(recut.layer_mm, 3),
        plain(recut.measured_mm - recut.height_mm, 2)
    )];
    let several = recut.parts.len() > 1;
    for piece in &recut.parts {
        let [x, y] = piece.face_at_mm;
        let place = if several {
            format!(", about {x:.0} mm from the left and {y:.0} mm from the front of the bed")
        } else {
            String::new()
        };
        all.push(format!(
            "Print {} as it lies, cut face down, and glue that face of {} cm2 onto the half{place}.",
            piece.name,
            plain(piece.face_mm2 / 100.0, 1)
        ));
    }
    if let Some(template) = &recut.template {
        all.push(format!(
            "Drill the half after {template}, printed at 100 %; check its bar of 50 mm, and the depth with a stop on the drill."
        ));
    }
    all.push(
        "The half ends in its infill, so little of it holds: take a glue that fills gaps, such as epoxy, and bed dowels in it."
            .to_owned(),
    );
    all.push(
        "Fresh parts and the nozzle burn, cut edges and burrs are sharp: sand wet, with mask and eye protection. Glue bonds \
         skin and its fumes irritate: gloves that are not cotton, fresh air; try the fit dry first."
            .to_owned(),
    );
    all
}
