//! Very last of `clean`: edges finer than the print shows are joined, which makes all later stages quicker.

use super::Clean;
use super::size::Size;
use crate::colour::spaces::oklab_of_linear;
use crate::mesh::TriMesh;
use crate::mesh::decimate::{Target, decimate};
use crate::stage::{StageContext, StageError};

/// How far the surface may go, at figure size, mm: a quarter of a printed layer (common practice, no source).
const ERROR_MAX_MM: f64 = 0.05;

/// Distance in `OKLab` from which colours are a border: about 10 dE.
const COLOUR_STEP_MAX: f64 = 0.1;

/// Joins edges shorter than the settings want, if they want it.
pub fn coarsen(settings: &Clean, solid: TriMesh, ctx: &mut StageContext<'_>) -> Result<TriMesh, StageError> {
    if settings.edge_target_mm == 0.0 {
        return Ok(solid);
    }
    ctx.progress(0.9, "joining short edges");
    let factor = Size::of(&solid, ctx.target).factor;
    let target = Target {
        edge_mm: settings.edge_target_mm / factor,
        error_max_mm: ERROR_MAX_MM / factor,
        colour_step_max: COLOUR_STEP_MAX,
    };
    let (coarse, done) = decimate(&solid, &target, oklab_of_linear);
    ctx.figure("triangles_decimated_from", done.triangles_before as f64);
    ctx.figure("decimate_error_max_mm", done.error_max_mm);
    ctx.checkpoint()?;
    Ok(coarse)
}
