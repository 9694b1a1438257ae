//! Stitching after a cut: open edges that fit each other are joined again (Gueziec et al. 2001, "Cutting and stitching").

use rayon::prelude::*;
use rustc_hash::FxHashMap;

use super::super::TriMesh;
use super::super::topology::{Edges, NONE, Sets, ends};
use super::super::weld::merge_pairs;

/// What was stitched.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Stitched {
    /// Pairs of open edges that are one edge now.
    pub edges: usize,
    /// Pairs that fit but stay open, for joined they would pinch the surface.
    pub undone: usize,
}

/// Joins open edges at the same place that run opposite ways, where exactly two meet. An edge- and vertex-manifold, of
/// which `edges` is the table, stays one.
///
/// # Examples
/// ```
/// use glam::DVec3;
/// use statuary::mesh::topology::Edges;
/// use statuary::mesh::{TriMesh, manifold::stitch};
///
/// // A square cut along its diagonal.
/// let points = [DVec3::ZERO, DVec3::X, DVec3::Y, DVec3::X, DVec3::new(1.0, 1.0, 0.0), DVec3::Y].to_vec();
/// let mesh = TriMesh::from_shape(points, vec![[0, 1, 2], [3, 4, 5]]);
/// let edges = Edges::of(&mesh.triangles, 6);
/// let (square, done) = stitch(mesh, &edges);
/// assert_eq!((done.edges, done.undone, square.positions.len()), (1, 0, 4));
/// assert_eq!(square.triangles, [[0, 1, 2], [1, 3, 2]]);
/// ```
#[must_use]
pub fn stitch(mesh: TriMesh, edges: &Edges) -> (TriMesh, Stitched) {
    let mut pairs = fitting_pairs(&mesh, edges);
    let fit = pairs.len();
    while !pairs.is_empty() {
        let joins = joined_ends(&mesh, &pairs);
        let faulty = faulty_vertices(&mesh, &joins);
        let sound = |pair: &[u32; 2]| {
            let (from, to) = ends(&mesh.triangles, pair[0]);
            !faulty[from as usize] && !faulty[to as usize]
        };
        let before = pairs.len();
        pairs.retain(sound);
        if pairs.len() == before {
            return (merge_pairs(mesh, &joins), Stitched { edges: before, undone: fit - before });
        }
    }
    (mesh, Stitched { edges: 0, undone: fit })
}

/// Pairs of open half-edges that fit, lower first, ascending.
fn fitting_pairs(mesh: &TriMesh, edges: &Edges) -> Vec<[u32; 2]> {
    // Adding zero makes -0.0 and 0.0 the same bits.
    let bits = |v: u32| (mesh.positions[v as usize] + 0.0).to_array().map(f64::to_bits);
    let open: Vec<u32> =
        edges.mates.par_iter().enumerate().filter(|(_, mate)| **mate == NONE).map(|(half, _)| half as u32).collect();
    let mut at_place: FxHashMap<_, Vec<u32>> = FxHashMap::default();
    let mut places = Vec::new();
    for half in open {
        let (from, to) = ends(&mesh.triangles, half);
        let (a, b) = (bits(from), bits(to));
        let halves = at_place.entry((a.min(b), a.max(b))).or_default();
        if halves.is_empty() {
            places.push((a.min(b), a.max(b)));
        }
        halves.push(half);
    }
    let fits = |place| match at_place[place][..] {
        [a, b] => {
            let (one, other) = (ends(&mesh.triangles, a), ends(&mesh.triangles, b));
            (bits(one.0) == bits(other.1) && bits(one.0) != bits(one.1)).then_some([a, b])
        }
        _ => None,
    };
    places.iter().filter_map(fits).collect()
}

/// Vertices that become one.
fn joined_ends(mesh: &TriMesh, pairs: &[[u32; 2]]) -> Vec<(u32, u32)> {
    let both = |[a, b]: &[u32; 2]| {
        let (one, other) = (ends(&mesh.triangles, *a), ends(&mesh.triangles, *b));
        [(one.0, other.1), (one.1, other.0)]
    };
    pairs.iter().flat_map(both).collect()
}

/// For each vertex whether, joined, it is at a crowded edge, at one whose triangles disagree, or twice in a triangle. Each
/// vertex has one fan still, for what is joined is joined along an edge.
fn faulty_vertices(mesh: &TriMesh, joins: &[(u32, u32)]) -> Vec<bool> {
    let mut sets = Sets::new(mesh.positions.len());
    for (a, b) in joins {
        sets.unite(*a, *b);
    }
    let name: Vec<u32> = (0..mesh.positions.len() as u32).map(|v| sets.find(v)).collect();
    let triangles: Vec<[u32; 3]> = mesh.triangles.par_iter().map(|t| t.map(|v| name[v as usize])).collect();
    let edges = Edges::of(&triangles, name.len());
    let mut faulty = vec![false; name.len()];
    let mut mark = |half: u32| {
        let (from, to) = ends(&triangles, half);
        faulty[from as usize] = true;
        faulty[to as usize] = true;
    };
    for half in edges.crowded.iter().flatten() {
        mark(*half);
    }
    for (half, mate) in (0_u32..).zip(&edges.mates).filter(|(_, mate)| **mate != NONE) {
        if Edges::runs_alike(&triangles, half, *mate) {
            mark(half);
        }
    }
    for (t, [a, b, c]) in (0_u32..).zip(&triangles) {
        if a == b || b == c || c == a {
            for half in 3 * t..3 * t + 3 {
                mark(half);
            }
        }
    }
    name.iter().map(|v| faulty[*v as usize]).collect()
}
