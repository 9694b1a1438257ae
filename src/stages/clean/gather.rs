//! First part of `clean`: triangles become a surface whose neighbours know and agree with each other.

use super::Clean;
use crate::mesh::TriMesh;
use crate::mesh::islands::mean_open_edge_mm;
use crate::mesh::manifold::cut_apart;
use crate::mesh::measure::bounds;
use crate::mesh::orient_faces::orient_outwards;
use crate::mesh::spikes::pull_back_spikes;
use crate::mesh::topology::Edges;
use crate::mesh::weld::{drop_repeats, drop_unusable, split_t_junctions, weld_equal, weld_near};
use crate::stage::{StageContext, StageError};

/// An edge- and vertex-manifold, oriented, with holes.
pub struct Gathered {
    pub mesh: TriMesh,
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
    let (mesh, equal) = weld_equal(mesh);
    let edges = Edges::of(&mesh.triangles, mesh.positions.len());
    let (open_edges, crowded_edges) = (edges.open, edges.crowded.len());
    let eps_mm = weld_mm(settings, &mesh, &edges);
    let (mesh, near) = if open_edges > 0 { weld_near(mesh, &edges, eps_mm) } else { (mesh, 0) };
    drop(edges);
    let (mesh, repeats) = drop_repeats(&mesh);
    let (mesh, junctions) = if open_edges > 0 { split_t_junctions(&mesh, eps_mm) } else { (mesh, 0) };
    ctx.checkpoint()?;

    ctx.progress(0.1, "turning triangles outwards");
    let mut mesh = mesh;
    let turned = orient_outwards(&mut mesh);
    let cut = cut_apart(mesh);
    let mut mesh = cut.mesh;
    let spikes = if settings.spikes_pulled { pull_back_spikes(&mut mesh) } else { 0 };
    let counts = [
        ("triangles_unusable", unusable),
        ("vertices_welded", equal + near),
        ("open_edges_before", open_edges),
        ("crowded_edges_before", crowded_edges),
        ("triangles_without_area", repeats.collapsed),
        ("duplicate_faces_removed", repeats.duplicates),
        ("t_junctions_closed", junctions),
        ("triangles_turned", turned.triangles),
        ("non_manifold_edges_cut", cut.edges_cut),
        ("spikes_pulled", spikes),
    ];
    for (name, count) in counts {
        ctx.figure(name, count as f64);
    }
    ctx.checkpoint()?;
    let hopeless = hopeless(mesh.triangles.len(), cut.edges_cut + turned.conflicts);
    Ok(Gathered { mesh, hopeless })
}

/// Says so when so many edges are not those of a surface that cutting them apart leaves shreds.
fn hopeless(triangles: usize, bad_edges: usize) -> Option<String> {
    /// Share of the triangles (common practice, no source).
    const HOPELESS: f64 = 0.01;
    let is_hopeless = bad_edges > 500 && bad_edges as f64 > HOPELESS * triangles as f64;
    is_hopeless.then(|| format!("{bad_edges} edges belong to more than two triangles or to a twisted sheet"))
}

/// Distance at which rim vertices are one: from the precision of the coordinates, but well below the edges.
fn weld_mm(settings: &Clean, mesh: &TriMesh, edges: &Edges) -> f64 {
    if settings.weld_mm > 0.0 {
        return settings.weld_mm;
    }
    let (low, high) = bounds(&mesh.positions);
    let largest = low.abs().max(high.abs()).max_element();
    let by_precision = (2.0 * largest * f64::from(f32::EPSILON)).max(1e-6 * (high - low).length());
    by_precision.min(0.1 * mean_open_edge_mm(mesh, edges))
}
