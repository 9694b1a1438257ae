//! Third part of `clean`: the pieces become one solid, by mending their surface or, where that fails, by wrapping it.

use super::join::Joined;
use super::notes::{grouped, place, tell_of_holes};
use super::size::Size;
use super::{Clean, WrapWhen, patch, smooth, stand};
use crate::finding::{Finding, Severity};
use crate::mesh::TriMesh;
use crate::mesh::base::close_soles;
use crate::mesh::fill::{Filled, close_up};
use crate::mesh::floor::remove_floor;
use crate::mesh::inspect::inspect;
use crate::mesh::intersect::first_self_intersections;
use crate::mesh::islands::{largest, measure};
use crate::mesh::measure::area_mm2;
use crate::mesh::slivers::remove_slivers;
use crate::mesh::topology::{Edges, components};
use crate::mesh::untangle::{Allowance, untangle};
use crate::mesh::weld::keep_triangles;
use crate::mesh::wrap::wrap;
use crate::stage::{StageContext, StageError};

/// Makes one solid that stands on z = 0.
pub fn solidify(settings: &Clean, joined: Joined, ctx: &mut StageContext<'_>) -> Result<TriMesh, StageError> {
    let Joined { mut body, others, size, ground_mm, hopeless, is_shattered } = joined;
    if is_shattered && settings.wrap != WrapWhen::Never {
        return wrap_anew(settings, &body, "the surface is in shreds", ctx);
    }
    ctx.progress(0.3, "closing holes");
    let (size, level_mm) = take_off_floor(&mut body, size, ctx);
    close_holes(settings, &mut body, size, level_mm.or(ground_mm), ctx);
    ctx.checkpoint()?;
    let is_hopeless = hopeless.is_some();
    let why_wrap = match (settings.wrap, hopeless) {
        (WrapWhen::Always, _) => Some("the settings ask for it".to_owned()),
        (_, Some(reason)) => Some(reason),
        _ if !others.is_empty() => Some("separate pieces are joined".to_owned()),
        _ => None,
    };
    let may_patch = settings.wrap == WrapWhen::Auto && !is_hopeless;
    let (why_wrap, mended) = match why_wrap {
        Some(reason) => (reason, None),
        None => match mend(settings, body.clone(), size, ctx)? {
            Ok(solid) => return Ok(solid),
            Err(Unmended { reason, body }) => (reason, Some(body)),
        },
    };
    if settings.wrap == WrapWhen::Never {
        let what = format!("the scan cannot be made one solid by mending it: {why_wrap}");
        return Err(StageError::failed(what, "set `wrap: auto`, which lays a new surface around the scan"));
    }
    let everything = others.into_iter().fold(body, |body, mut piece| {
        close_up(&mut piece, false);
        together(body, &piece)
    });
    if may_patch {
        match patch::wrap_patches(settings, mended.as_ref().unwrap_or(&everything), &why_wrap, ctx)? {
            Ok(solid) => return Ok(solid),
            Err(reason) => {
                let why = format!("{why_wrap}, and patches do not help: {reason}");
                return wrap_anew(settings, &everything, &why, ctx);
            }
        }
    }
    wrap_anew(settings, &everything, &why_wrap, ctx)
}

/// A body that mending does not make a solid.
struct Unmended {
    reason: String,
    body: TriMesh,
}

/// Removes a floor that was scanned along; tells the size of what is left, and the height of that floor.
fn take_off_floor(body: &mut TriMesh, size: Size, ctx: &mut StageContext<'_>) -> (Size, Option<f64>) {
    /// What sticks to the floor at a body's feet, mm (common practice, no source).
    const MARGIN_MM: f64 = 3.0;
    let Some(floor) = remove_floor(body, MARGIN_MM * size.body) else { return (size, None) };
    ctx.figure("attached_floor_removed_mm2", floor.area_mm2);
    let what = format!("{} mm2 of floor around the feet removed", grouped(floor.area_mm2));
    ctx.finding(Finding::new(Severity::Note, what).at("underside"));
    (Size::of(body, ctx.target), Some(floor.level_mm))
}

/// Closes soles flat and all other holes.
fn close_holes(settings: &Clean, body: &mut TriMesh, size: Size, ground_mm: Option<f64>, ctx: &mut StageContext<'_>) {
    /// Share of the height in which an open rim is that of a sole, and least length of such a rim.
    const SOLES: f64 = 0.03;
    const SOLE_RIM: f64 = 0.04;
    let body_mm2 = area_mm2(body);
    let soles = close_soles(body, SOLES * size.height_mm, SOLE_RIM * size.height_mm, ground_mm);
    let holes = close_up(body, settings.curved_holes);
    *body = keep_triangles(body, |_| true);
    let sum = |filled: &[Filled]| filled.iter().fold(0.0, |sum, hole| sum + hole.area_mm2);
    ctx.figure("soles_closed", soles.len() as f64);
    ctx.figure("sole_area_mm2", sum(&soles));
    ctx.figure("holes_filled", holes.len() as f64);
    ctx.figure("hole_area_mm2", sum(&holes));
    if !soles.is_empty() {
        let what = format!("{} open soles closed flat, {} mm2", soles.len(), grouped(sum(&soles)));
        ctx.finding(Finding::new(Severity::Note, what).at("underside"));
    }
    tell_of_holes(&holes, body_mm2, size, ctx);
}

/// Takes self-intersections out of a closed body and stands it up; the inner error says why it is no solid.
fn mend(
    settings: &Clean,
    mut body: TriMesh,
    size: Size,
    ctx: &mut StageContext<'_>,
) -> Result<Result<TriMesh, Unmended>, StageError> {
    /// Crossing pairs per triangle beyond which whole layers cross (common practice, no source).
    const TANGLED: f64 = 0.06;
    ctx.progress(0.4, "taking out self-intersections");
    let slivers = remove_slivers(&mut body, size.sliver_mm());
    let allowed = Allowance {
        rounds: settings.crossing_rounds,
        pairs_max: (TANGLED * body.triangles.len() as f64) as usize + 100,
        lost_max_mm2: settings.lost_area_max_share * area_mm2(&body),
        sliver_mm: size.sliver_mm(),
    };
    let untangled = untangle(&mut body, allowed);
    ctx.figure("slivers_removed", slivers as f64);
    ctx.figure("self_intersections_before", untangled.pairs_before as f64);
    ctx.figure("self_intersections_after", untangled.pairs_after as f64);
    ctx.figure("surface_replaced_mm2", untangled.lost_mm2);
    ctx.checkpoint()?;
    if untangled.pairs_after > 0 {
        let reason = format!("{} pairs of triangles still cross", grouped(untangled.pairs_after as f64));
        return Ok(Err(Unmended { reason, body }));
    }
    ctx.progress(0.6, "checking");
    let (mut main, _) = main_piece(&body);
    if main.triangles.is_empty() {
        return Ok(Err(Unmended { reason: "nothing of it encloses a volume".to_owned(), body }));
    }
    smooth::smooth(settings, &mut main, size, ctx);
    let main = stand::stand(settings, main, size, ctx);
    ctx.figure("wrapped", 0.0);
    Ok(match fault_of(&main) {
        None => Ok(main),
        Some(reason) => Err(Unmended { reason, body }),
    })
}

/// Lays a new closed surface around everything.
fn wrap_anew(
    settings: &Clean,
    everything: &TriMesh,
    why: &str,
    ctx: &mut StageContext<'_>,
) -> Result<TriMesh, StageError> {
    let size = Size::of(everything, ctx.target);
    let voxel_mm = voxel_mm(settings, size, area_mm2(everything));
    ctx.progress(0.6, "wrapping the surface anew");
    let mut wrapped = wrap(everything, voxel_mm);
    ctx.checkpoint()?;
    remove_slivers(&mut wrapped, size.sliver_mm());
    let (mut solid, dropped_mm2) = main_piece(&wrapped);
    if solid.triangles.is_empty() {
        let what = "the scan encloses no volume, so there is nothing to print";
        return Err(StageError::scan(what, "scan the subject from all sides"));
    }
    ctx.figure("wrapped", 1.0);
    ctx.figure("wrapped_share", 1.0);
    ctx.figure("wrap_voxel_mm", voxel_mm);
    ctx.figure("wrap_dropped_mm2", dropped_mm2);
    let what = format!("surface laid anew with a fineness of {voxel_mm:.2} mm at scan size, because {why}");
    ctx.finding(Finding::new(Severity::Note, what).hint("compare with the scan; a cleaner scan keeps finer detail"));
    if dropped_mm2 > 0.001 * area_mm2(&solid) {
        let what = format!("pieces of {} mm2 lost in wrapping, for they do not touch the body", grouped(dropped_mm2));
        ctx.finding(Finding::new(Severity::Warning, what).hint("scan what connects them"));
    }
    smooth::smooth(settings, &mut solid, size, ctx);
    ctx.progress(0.8, "checking");
    let solid = stand::stand(settings, solid, size, ctx);
    match fault_of(&solid) {
        None => Ok(solid),
        Some(fault) => {
            let hint = "set `wrap_voxel_mm` to another value, or export the scan again";
            Err(StageError::failed(format!("no solid could be made of the scan: {fault}"), hint))
        }
    }
}

/// Voxel of the wrap at scan size, mm: a printed detail, but no finer than the scan of a body is true, nor so fine that
/// the surface gets too heavy.
pub(super) fn voxel_mm(settings: &Clean, size: Size, area_mm2: f64) -> f64 {
    /// Finest detail worth having in print, mm (common practice, no source).
    const PRINTED_MM: f64 = 0.4;
    const VOXELS_PER_HEIGHT: f64 = 900.0;
    /// Triangles a wrap may have, and how many it has per voxel face of surface (measured).
    const TRIANGLES_MAX: f64 = 1.5e6;
    const TRIANGLES_PER_FACE: f64 = 2.9;
    if settings.wrap_voxel_mm > 0.0 {
        return settings.wrap_voxel_mm / size.factor;
    }
    let by_print = PRINTED_MM / size.factor;
    let by_weight = (TRIANGLES_PER_FACE * area_mm2 / TRIANGLES_MAX).sqrt();
    by_print.max(size.height_mm / VOXELS_PER_HEIGHT).max(by_weight)
}

/// The piece of largest area, and the area of all others, mm2.
pub(super) fn main_piece(mesh: &TriMesh) -> (TriMesh, f64) {
    let edges = Edges::of(&mesh.triangles, mesh.positions.len());
    let pieces = components(&mesh.triangles, &edges);
    let measures = measure(mesh, &edges, &pieces);
    let main = largest(&measures).unwrap_or(0);
    let others = measures.iter().enumerate().filter(|(i, _)| *i != main);
    let others_mm2 = others.fold(0.0, |sum, (_, piece)| sum + piece.area_mm2);
    (keep_triangles(mesh, |t| pieces.label[t] as usize == main), others_mm2)
}

/// Why a mesh is not one solid; `None` when it is.
pub(super) fn fault_of(mesh: &TriMesh) -> Option<String> {
    let faults = inspect(mesh);
    if !faults.is_solid() || faults.components != 1 {
        return Some(format!(
            "{} open, {} crowded and {} flipped edges, {} pinched vertices, {} degenerate triangles, {} pieces",
            faults.open_edges,
            faults.crowded_edges,
            faults.flipped_edges,
            faults.pinched_vertices,
            faults.degenerate,
            faults.components
        ));
    }
    let crossing = first_self_intersections(mesh, 1);
    let pair = crossing.first()?;
    let (low, high) = crate::mesh::measure::bounds(&mesh.positions);
    let share = (mesh.corners(pair[0] as usize)[0].z - low.z) / (high.z - low.z);
    Some(format!("the surface crosses itself ({})", place(share)))
}

/// Both meshes in one, nothing joined.
pub fn together(mut a: TriMesh, b: &TriMesh) -> TriMesh {
    a.append(b);
    a
}
