//! Laying only those places of the surface anew that mending cannot help, or where pieces are joined.

use super::notes::place;
use super::size::Size;
use super::solidify::{fault_of, main_piece, voxel_mm};
use super::{Clean, smooth, stand};
use crate::finding::{Finding, Severity};
use crate::mesh::TriMesh;
use crate::mesh::measure::area_mm2;
use crate::mesh::wrap::local::{Patched, wrap_crossings};
use crate::stage::{StageContext, StageError};

/// Wraps closed pieces where they cross and stands the solid up; the inner error says why that does not do.
pub fn wrap_patches(
    settings: &Clean,
    pieces: &TriMesh,
    why: &str,
    ctx: &mut StageContext<'_>,
) -> Result<Result<TriMesh, String>, StageError> {
    ctx.progress(0.5, "wrapping crossing places anew");
    let size = Size::of(pieces, ctx.target);
    let whole_mm = voxel_mm(settings, size, area_mm2(pieces));
    let fine_mm = fine_voxel_mm(settings, whole_mm, pieces);
    let coarser = |reason| if fine_mm < whole_mm { Ok(whole_mm) } else { Err(reason) };
    let fine = wrap_crossings(pieces, fine_mm).map(|patched| (patched, fine_mm));
    // Wider seams forgive more.
    let done = fine.or_else(|reason| {
        let voxel_mm = coarser(reason)?;
        wrap_crossings(pieces, voxel_mm).map(|patched| (patched, voxel_mm))
    });
    let (patched, voxel_mm) = match done {
        Ok(done) => done,
        Err(reason) => return Ok(Err(reason)),
    };
    ctx.checkpoint()?;
    let (mut solid, dropped_mm2) = main_piece(&patched.mesh);
    if dropped_mm2 > 0.001 * area_mm2(&solid) {
        return Ok(Err("pieces stay apart".to_owned()));
    }
    smooth::smooth(settings, &mut solid, size, ctx);
    let solid = stand::stand(settings, solid, size, ctx);
    if let Some(fault) = fault_of(&solid) {
        return Ok(Err(fault));
    }
    ctx.figure("wrapped", 0.0);
    ctx.figure("wrap_voxel_mm", voxel_mm);
    ctx.figure("wrap_dropped_mm2", dropped_mm2);
    ctx.figure("wrapped_share", patched.share);
    ctx.figure("wrap_regions", patched.regions.len() as f64);
    ctx.figure("wrap_retries", patched.retries as f64);
    tell(&patched, voxel_mm, why, size, ctx);
    Ok(Ok(solid))
}

/// The voxel of a whole wrap, or as fine as the scan where that is finer: patches are light.
fn fine_voxel_mm(settings: &Clean, whole_mm: f64, pieces: &TriMesh) -> f64 {
    /// Finest part of the whole wrap's voxel (common practice, no source).
    const FINEST: f64 = 0.25;
    if settings.wrap_voxel_mm > 0.0 {
        return whole_mm;
    }
    // Side of an equilateral triangle of mean area.
    let edge_mm = (4.0 / 3.0_f64.sqrt() * area_mm2(pieces) / pieces.triangles.len() as f64).sqrt();
    edge_mm.max(FINEST * whole_mm).min(whole_mm)
}

/// Words which places were laid anew and why.
fn tell(patched: &Patched, voxel_mm: f64, why: &str, size: Size, ctx: &mut StageContext<'_>) {
    /// Places told of.
    const EACH: usize = 4;
    let Patched { regions, share, .. } = patched;
    let count = regions.len();
    let percent = 100.0 * share;
    let what = format!(
        "{percent:.1} % of the surface, in {count} places, laid anew with a fineness of {voxel_mm:.2} mm at scan size, \
         because {why}"
    );
    let mut places: Vec<String> = regions.iter().map(|middle| place(size.share(middle.z))).collect();
    places.dedup();
    let more = if places.len() > EACH { " and elsewhere" } else { "" };
    let at = places.iter().take(EACH).cloned().collect::<Vec<_>>().join("; ") + more;
    ctx.finding(
        Finding::new(Severity::Note, what)
            .at(at)
            .hint("compare these places with the scan")
            .spots(regions.iter().copied()),
    );
}
