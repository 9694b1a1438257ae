//! The scan of chips, taken in as `intake` does.

use std::sync::Arc;
use std::sync::atomic::AtomicBool;

use super::{Order, SwatchError, refused};
use crate::format::{self, RawMesh, ReadOptions, ScanFiles};
use crate::mesh::TriMesh;
use crate::pipeline::equipment_files::Workbench;
use crate::pipeline::plan::{Change, apply, plan};
use crate::pipeline::runner::RunError;
use crate::pipeline::scan_files::read_scan_files;
use crate::pipeline::spec::read_spec;
use crate::stage::{MemorySink, StageContext};
use crate::stages::Job;

/// The scan as a coloured surface in millimetres, its axes left as they are, and the unit it was taken for.
pub(super) fn scanned(order: &Order) -> Result<(TriMesh, String), SwatchError> {
    let files = read_scan_files(&order.scan).map_err(RunError::from)?;
    let raw = format::read(&files, ReadOptions { drop_non_finite: true, ignore_missing_picture: false })
        .map_err(|e| refused(&e.to_string(), &e.hint))?;
    if !raw.has_colour() {
        let hint = "export it as PLY with vertex colours, or as OBJ or GLB with its pictures";
        return Err(refused("the scan has no colour", hint));
    }
    let text = format!("about: chips\nstages:\n  - intake: {{up: +z, unit: {}}}\n", board_unit(&raw));
    taken_in(&files, &text, &order.changes)
}

/// The unit in which a board of chips is 40 mm to 1 m long.
fn board_unit(raw: &RawMesh) -> &'static str {
    if let Some(mm) = raw.unit_hint_mm {
        return match mm {
            m if m >= 999.0 => "m",
            m if m >= 300.0 => "ft",
            m if m >= 20.0 => "in",
            m if m >= 5.0 => "cm",
            _ => "mm",
        };
    }
    let ends = (glam::DVec3::INFINITY, glam::DVec3::NEG_INFINITY);
    let used = raw.triangles.iter().flatten().map(|v| raw.positions[*v as usize]);
    let (low, high) = used.fold(ends, |(low, high), p| (low.min(p), high.max(p)));
    match (high - low).max_element() {
        long if long < 1.0 => "m",
        long if long < 40.0 => "cm",
        _ => "mm",
    }
}

fn taken_in(files: &ScanFiles, text: &str, changes: &[Change]) -> Result<(TriMesh, String), SwatchError> {
    let mut spec = read_spec("swatch", "", text).map_err(|problem| SwatchError::Settings(vec![problem]))?;
    apply(&mut spec, changes).map_err(SwatchError::Settings)?;
    let workbench = Workbench::demo().map_err(SwatchError::Settings)?;
    let plan = plan(&spec, &workbench).map_err(SwatchError::Settings)?;
    let (mut sink, mut progress) = (MemorySink::default(), |_: f64, _: &str| {});
    let cancel = Arc::new(AtomicBool::new(false));
    let mut ctx = StageContext::new(&plan.equipment, plan.target, &mut sink, cancel, &mut progress);
    for stage in &plan.stages {
        if let Job::Intake(intake) = stage.job() {
            let failed = |source| RunError::Stage { stage: stage.name().into(), source };
            let figure = intake.read(files, &mut ctx).map_err(failed)?;
            return Ok((figure.whole.as_ref().clone(), figure.scan.unit));
        }
    }
    Ok((TriMesh::default(), String::new()))
}
