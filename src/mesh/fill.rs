//! Closing holes: each rim is triangulated, refined to the density around it, made to curve on as the surface around
//! it does, and coloured from its rim. New triangles are of origin `Fill`; rims stay as they were.

mod calm;
pub mod curve;
pub mod patch;
pub mod rim;
pub mod triangulate;

use glam::DVec3;
use rayon::prelude::*;

use super::manifold::cut_apart_along;
use super::topology::Edges;
use super::{Origin, TriMesh};
use calm::Calm;
use patch::Patch;
use rim::{Around, Rim, open_rims};

/// A hole that was closed.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Filled {
    /// Mean point of its rim, mm.
    pub centre: DVec3,
    pub rim_edges: usize,
    pub rim_mm: f64,
    pub area_mm2: f64,
}

/// Rims with fewer edges than this are only triangulated: there is nothing to curve.
const PLAIN_EDGES: usize = 6;

/// Closes every hole of an oriented mesh and keeps it a manifold; `curved` lets large patches bulge with their
/// surroundings, otherwise they are spanned as films. What is left open or crowded in the end defies closing.
///
/// # Examples
/// ```
/// use glam::DVec3;
/// use statuary::mesh::{Origin, TriMesh, fill::close_up, inspect::inspect};
///
/// // An octahedron that lacks a face.
/// let points = vec![DVec3::X, -DVec3::X, DVec3::Y, -DVec3::Y, DVec3::Z, -DVec3::Z];
/// let faces = [[0, 2, 4], [2, 1, 4], [1, 3, 4], [3, 0, 4], [2, 0, 5], [1, 2, 5], [3, 1, 5], [0, 3, 5]];
/// let mut mesh = TriMesh::from_shape(points, faces[1..].to_vec());
/// let filled = close_up(&mut mesh, true);
/// assert_eq!((filled.len(), filled[0].rim_edges), (1, 3));
/// assert!(inspect(&mesh).is_solid());
/// assert_eq!(mesh.origins[7], Origin::Fill);
/// ```
pub fn close_up(mesh: &mut TriMesh, curved: bool) -> Vec<Filled> {
    const ROUNDS: usize = 4;
    let mut filled = Vec::new();
    for round in 0..ROUNDS {
        let edges = Edges::of(&mesh.triangles, mesh.positions.len());
        if edges.open == 0 && edges.crowded.is_empty() {
            break;
        }
        let (cut, edges) = cut_apart_along(std::mem::take(mesh), edges);
        *mesh = cut.mesh;
        filled.extend(fill_rims(mesh, &edges, curved, round == 0));
    }
    filled
}

/// Closes every hole once; `curved` as in [`close_up`]. Rims that touch at a point are parted there.
///
/// The mesh must be edge- and vertex-manifold ([`super::manifold::cut_apart`]) and oriented.
pub fn fill_holes(mesh: &mut TriMesh, curved: bool) -> Vec<Filled> {
    let edges = Edges::of(&mesh.triangles, mesh.positions.len());
    fill_rims(mesh, &edges, curved, true)
}

fn fill_rims(mesh: &mut TriMesh, edges: &Edges, curved: bool, part_rims: bool) -> Vec<Filled> {
    let rims = open_rims(mesh, edges, part_rims);
    let around = Around::of(mesh, &rims);
    let calm = if curved { Calm::of(mesh, &rims, &around) } else { Calm::default() };
    let patches: Vec<Patch> = rims.par_iter().map(|rim| patch_for(mesh, rim, &around, &calm, curved)).collect();
    let filled = rims.iter().zip(&patches).map(|(rim, patch)| report(mesh, rim, patch)).collect();
    append(mesh, &rims, patches);
    filled
}

fn patch_for(mesh: &TriMesh, rim: &Rim, around: &Around, calm: &Calm, curved: bool) -> Patch {
    let outline = around.outline(mesh, rim);
    let Some(triangles) = triangulate::triangulate(&outline) else { return Patch::fan(outline.points) };
    let mut patch = Patch::over(outline.points, triangles);
    if rim.len() >= PLAIN_EDGES {
        patch.refine(&around.density(mesh, rim), &outline.barred);
        if curved {
            let place = calm.places(mesh, rim);
            let calm_rim: Vec<DVec3> = rim.vertices().map(place).collect();
            curve::bulge(&mut patch, &calm_rim, &around.outer_neighbours(rim, place));
        } else {
            curve::film(&mut patch);
        }
    }
    patch
}

fn report(mesh: &TriMesh, rim: &Rim, patch: &Patch) -> Filled {
    let points: Vec<DVec3> = rim.vertices().map(|v| mesh.positions[v as usize]).collect();
    let next = points.iter().cycle().skip(1);
    Filled {
        centre: points.iter().sum::<DVec3>() / points.len() as f64,
        rim_edges: points.len(),
        rim_mm: points.iter().zip(next).map(|(a, b)| a.distance(*b)).sum(),
        area_mm2: patch.area_mm2(),
    }
}

/// Adds the patches to the mesh and colours their inner vertices.
fn append(mesh: &mut TriMesh, rims: &[Rim], patches: Vec<Patch>) {
    let before = mesh.positions.len();
    for (rim, patch) in rims.iter().zip(patches) {
        let first = mesh.positions.len() as u32;
        let names: Vec<u32> = rim.vertices().chain(first..).take(patch.points.len()).collect();
        mesh.positions.extend(&patch.points[rim.len()..]);
        mesh.triangles.extend(patch.triangles.iter().map(|t| t.map(|v| names[v as usize])));
    }
    mesh.colours.resize(mesh.positions.len(), [0.5; 3]);
    mesh.origins.resize(mesh.triangles.len(), Origin::Fill);
    let unknown: Vec<bool> = (0..mesh.positions.len()).map(|v| v >= before).collect();
    super::inpaint::inpaint(mesh, &unknown);
}
