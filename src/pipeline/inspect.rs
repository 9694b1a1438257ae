//! Inspection of a scan: `intake` and `clean` without a run folder, then the survey of what came out.

use std::collections::BTreeMap;
use std::path::Path;
use std::sync::Arc;
use std::sync::atomic::AtomicBool;

use glam::DVec3;

use super::equipment_files::Workbench;
use super::plan::{Change, apply, plan};
use super::runner::RunError;
use super::scan_files::read_scan_files;
use super::spec::read_spec;
use crate::figure::Figure;
use crate::format::write_ply::{ScannedSurface, write_surface};
use crate::mesh::{Origin, TriMesh};
use crate::problem::Problem;
use crate::stage::{MemorySink, StageContext};
use crate::stages::Job;
use crate::survey::{Survey, pictures, survey};

/// The stages an inspection runs; smoothing changes nothing that is told of.
const STAGES: &str = "about: inspection\nstages:\n  - intake\n  - clean: {denoise: 0}\n";

/// Why a scan could not be inspected.
#[derive(Debug, thiserror::Error)]
pub enum InspectError {
    #[error("the settings have faults")]
    Settings(Vec<Problem>),
    #[error(transparent)]
    Run(#[from] RunError),
    #[error("the picture cannot be made: {0}")]
    Picture(String),
}

/// A survey, and the files that were asked for.
#[derive(Debug)]
pub struct Inspection {
    pub survey: Survey,
    pub picture: Option<Vec<u8>>,
    pub solid: Option<Vec<u8>>,
}

/// Files to be made besides.
#[derive(Clone, Copy, Debug, Default)]
pub struct Wanted {
    /// The marked views, PNG.
    pub picture: bool,
    /// The solid that `clean` made in the colours of the scan, PLY.
    pub solid: bool,
}

/// Inspects a scan with some settings of `intake` and `clean` changed.
///
/// # Errors
/// When settings are wrong, or the scan cannot be read or made solid.
pub fn inspect(scan: &Path, changes: &[Change], wanted: Wanted) -> Result<Inspection, InspectError> {
    let mut spec = read_spec("inspection", "", STAGES).map_err(|problem| InspectError::Settings(vec![problem]))?;
    apply(&mut spec, changes).map_err(InspectError::Settings)?;
    let workbench = Workbench::demo().map_err(InspectError::Settings)?;
    let plan = plan(&spec, &workbench).map_err(InspectError::Settings)?;
    let files = read_scan_files(scan).map_err(RunError::from)?;
    let (mut logged, mut figure) = (BTreeMap::new(), None::<Figure>);
    for stage in &plan.stages {
        let failed = |source| RunError::Stage { stage: stage.name().into(), source };
        let (mut sink, mut progress) = (MemorySink::default(), |_: f64, _: &str| {});
        let cancel = Arc::new(AtomicBool::new(false));
        let mut ctx = StageContext::new(&plan.equipment, plan.target, &mut sink, cancel, &mut progress);
        figure = match (stage.job(), figure) {
            (Job::Intake(intake), _) => Some(intake.read(&files, &mut ctx).map_err(failed)?),
            (Job::Transform(transform), Some(before)) => Some(transform.run(&before, &mut ctx).map_err(failed)?),
            (_, before) => before,
        };
        logged.extend(ctx.into_notes().1);
    }
    let figure = figure.unwrap_or_default();
    let draw = || wanted.picture.then(|| pictures::views(&figure).png()).transpose();
    let (survey, picture) = rayon::join(|| survey(&figure, &logged), draw);
    let picture = picture.map_err(|error| InspectError::Picture(error.to_string()))?;
    let solid = wanted.solid.then(|| write_surface(&surface(&figure.whole)));
    Ok(Inspection { survey, picture, solid })
}

fn surface(mesh: &TriMesh) -> ScannedSurface {
    ScannedSurface {
        positions: mesh.positions.iter().map(DVec3::to_array).collect(),
        colours: mesh.colours.clone(),
        triangles: mesh.triangles.clone(),
        filled: mesh.origins.iter().map(|origin| *origin == Origin::Fill).collect(),
    }
}
