//! First part of `clean`: triangles become a surface whose neighbours know and agree with each other.

use super::Clean;
use super::notes::{grouped, place};
use super::size::Size;
use super::steps::{Surface, log_step};
use crate::finding::{Finding, Severity};
use crate::mesh::TriMesh;
use crate::mesh::bridges::{Bridge, find_bridges};
use crate::mesh::degenerate::flatten_out;
use crate::mesh::islands::mean_open_edge_mm;
use crate::mesh::manifold::{cut_apart_along, stitch};
use crate::mesh::measure::bounds;
use crate::mesh::orient_faces::orient_outwards_along;
use crate::mesh::spikes::{deep_spikes, pull_back_spikes};
use crate::mesh::weld::{drop_repeats_along, drop_unusable, keep_triangles, split_t_junctions, weld_equal, weld_near};
use crate::stage::{StageContext, StageError};

/// An edge- and vertex-manifold, oriented, with holes.
pub struct Gathered {
    pub surface: Surface,
    /// Why mending it is not worth trying, if so.
    pub hopeless: Option<String>,
}

/// Welds, drops what is said twice, orients, and cuts apart what is not a surface.
pub fn gather(settings: &Clean, scan: &TriMesh, ctx: &mut StageContext<'_>) -> Result<Gathered, StageError> {
    ctx.progress(0.0, "joining triangles");
    let (mesh, unusable) = drop_unusable(scan);
    if mesh.triangles.is_empty() {
        let hint = "export the scan again; a few thousand triangles are the least";
        return Err(StageError::scan("the scan holds no usable triangle", hint));
    }
    ctx.figure("triangles_unusable", unusable as f64);
    let (surface, eps_mm) = weld(settings, mesh, ctx);
    let surface = drop_flat(surface, ctx);
    let surface = close_junctions(surface, eps_mm, ctx);
    ctx.checkpoint()?;
    let surface = drop_outliers(settings, surface, ctx);

    ctx.progress(0.1, "turning triangles outwards");
    let (surface, bad_edges) = make_manifold(surface, ctx);
    let mut surface = stitch_up(surface, ctx);
    let before = surface.counts();
    let spikes = if settings.spikes_pulled { pull_back_spikes(&mut surface.mesh) } else { 0 };
    log_step("spikes", before, surface.counts(), ctx);
    ctx.figure("spikes_pulled", spikes as f64);
    ctx.checkpoint()?;
    let hopeless = hopeless(surface.mesh.triangles.len(), bad_edges);
    Ok(Gathered { surface, hopeless })
}

/// Makes vertices at one place one; tells how near that is.
fn weld(settings: &Clean, mesh: TriMesh, ctx: &mut StageContext<'_>) -> (Surface, f64) {
    let loaded = Surface::of(mesh);
    let before = loaded.counts();
    let (mesh, equal) = weld_equal(loaded.mesh);
    let surface = if equal > 0 { Surface::of(mesh) } else { Surface { mesh, edges: loaded.edges } };
    ctx.figure("open_edges_before", surface.edges.open as f64);
    ctx.figure("crowded_edges_before", surface.edges.crowded.len() as f64);
    let eps_mm = weld_mm(settings, &surface);
    let Surface { mesh, edges } = surface;
    let (mesh, near) = if edges.open > 0 { weld_near(mesh, &edges, eps_mm) } else { (mesh, 0) };
    let surface = if near > 0 { Surface::of(mesh) } else { Surface { mesh, edges } };
    ctx.figure("vertices_welded", (equal + near) as f64);
    log_step("weld", before, surface.counts(), ctx);
    (surface, eps_mm)
}

/// Drops faces said twice, and takes out those without area.
fn drop_flat(surface: Surface, ctx: &mut StageContext<'_>) -> Surface {
    let before = surface.counts();
    let Surface { mesh, edges } = surface;
    let count = mesh.triangles.len();
    let (mut mesh, repeats) = drop_repeats_along(mesh, &edges);
    let flat = flatten_out(&mut mesh);
    let is_same = mesh.triangles.len() == count && flat.turned == 0;
    let surface = if is_same { Surface { mesh, edges } } else { Surface::of(mesh) };
    ctx.figure("triangles_without_area", repeats.collapsed as f64);
    ctx.figure("duplicate_faces_removed", repeats.duplicates as f64);
    ctx.figure("needles_collapsed", flat.collapsed as f64);
    ctx.figure("caps_turned", flat.turned as f64);
    ctx.figure("degenerate_faces_left", flat.left as f64);
    log_step("degenerate", before, surface.counts(), ctx);
    surface
}

/// Splits triangles where vertices of others lie on their open edges.
fn close_junctions(surface: Surface, eps_mm: f64, ctx: &mut StageContext<'_>) -> Surface {
    let before = surface.counts();
    let has_rim = surface.edges.open > 0;
    let (surface, junctions) = match has_rim.then(|| split_t_junctions(&surface.mesh, &surface.edges, eps_mm)) {
        Some((mesh, junctions)) if junctions > 0 => (Surface::of(mesh), junctions),
        _ => (surface, 0),
    };
    ctx.figure("t_junctions_closed", junctions as f64);
    log_step("junctions", before, surface.counts(), ctx);
    surface
}

/// Takes membranes and spikes of several vertices out; the holes are closed with all others.
fn drop_outliers(settings: &Clean, surface: Surface, ctx: &mut StageContext<'_>) -> Surface {
    let before = surface.counts();
    let Surface { mesh, edges } = surface;
    let bridges = if settings.membranes_removed { find_bridges(&mesh, &edges) } else { Vec::new() };
    let spikes = if settings.spikes_pulled { deep_spikes(&mesh) } else { Vec::new() };
    ctx.figure("membranes_removed", bridges.len() as f64);
    ctx.figure("membrane_area_mm2", bridges.iter().fold(0.0, |sum, bridge| sum + bridge.area_mm2));
    ctx.figure("spikes_removed", spikes.len() as f64);
    tell_of_membranes(&mesh, &bridges, ctx);
    let found = bridges.iter().map(|bridge| &bridge.triangles).chain(spikes.iter().map(|spike| &spike.triangles));
    let mut gone = Vec::new();
    for t in found.flatten() {
        gone.resize(mesh.triangles.len(), false);
        gone[*t as usize] = true;
    }
    let surface =
        if gone.is_empty() { Surface { mesh, edges } } else { Surface::of(keep_triangles(&mesh, |t| !gone[t])) };
    log_step("membranes", before, surface.counts(), ctx);
    surface
}

/// Tells of the largest membranes.
fn tell_of_membranes(mesh: &TriMesh, bridges: &[Bridge], ctx: &mut StageContext<'_>) {
    const EACH: usize = 5;
    let mut largest: Vec<&Bridge> = bridges.iter().collect();
    largest.sort_by(|a, b| b.area_mm2.total_cmp(&a.area_mm2));
    if largest.is_empty() {
        return;
    }
    let size = Size::of(mesh, ctx.target);
    for bridge in largest.into_iter().take(EACH) {
        let what = format!("a membrane of {} mm2 between parts of the body removed", grouped(bridge.area_mm2));
        let hint = "check this place, and scan it again with arms and legs apart; `membranes_removed: false` keeps it";
        ctx.finding(
            Finding::new(Severity::Warning, what)
                .at(place(size.share(bridge.centre.z)))
                .hint(hint)
                .spots([bridge.centre]),
        );
    }
}

/// Makes neighbours agree and cuts apart what is not a surface; tells how many edges were none of one.
fn make_manifold(surface: Surface, ctx: &mut StageContext<'_>) -> (Surface, usize) {
    let before = surface.counts();
    let Surface { mut mesh, edges } = surface;
    let (turned, edges) = orient_outwards_along(&mut mesh, edges);
    let (cut, edges) = cut_apart_along(mesh, edges);
    let surface = Surface { mesh: cut.mesh, edges };
    ctx.figure("triangles_turned", turned.triangles as f64);
    ctx.figure("non_manifold_edges_cut", cut.edges_cut as f64);
    ctx.figure("vertices_parted", cut.vertices_added as f64);
    log_step("cut", before, surface.counts(), ctx);
    (surface, cut.edges_cut + turned.conflicts)
}

/// Joins again what the cut left open and fits.
fn stitch_up(surface: Surface, ctx: &mut StageContext<'_>) -> Surface {
    let before = surface.counts();
    let Surface { mesh, edges } = surface;
    let (mesh, stitched) = stitch(mesh, &edges);
    let surface = if stitched.edges > 0 { Surface::of(mesh) } else { Surface { mesh, edges } };
    ctx.figure("edges_stitched", stitched.edges as f64);
    ctx.figure("stitches_undone", stitched.undone as f64);
    log_step("stitch", before, surface.counts(), ctx);
    surface
}

/// Says so when so many edges are not those of a surface that cutting them apart leaves shreds.
fn hopeless(triangles: usize, bad_edges: usize) -> Option<String> {
    /// Share of the triangles (common practice, no source).
    const HOPELESS: f64 = 0.01;
    let is_hopeless = bad_edges > 500 && bad_edges as f64 > HOPELESS * triangles as f64;
    is_hopeless.then(|| format!("{bad_edges} edges belong to more than two triangles or to a twisted sheet"))
}

/// Distance at which rim vertices are one: from the precision of the coordinates, but well below the edges.
fn weld_mm(settings: &Clean, Surface { mesh, edges }: &Surface) -> f64 {
    if settings.weld_mm > 0.0 {
        return settings.weld_mm;
    }
    let (low, high) = bounds(&mesh.positions);
    let largest = low.abs().max(high.abs()).max_element();
    let by_precision = (2.0 * largest * f64::from(f32::EPSILON)).max(1e-6 * (high - low).length());
    by_precision.min(0.1 * mean_open_edge_mm(mesh, edges))
}
