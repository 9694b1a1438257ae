//! Vertices thrown out of a dense surface by a bad measurement: single ones are pulled back to their neighbours, what holds
//! several is found to be cut out.

mod deep;

use glam::DVec3;
use rayon::prelude::*;

use super::TriMesh;

pub use deep::{Spike, deep_spikes};

/// Edges of a spike are longer than this many median edges (common practice, no source).
const SPIKE: f64 = 6.0;
/// Edges around its foot are shorter than this many.
const ORDINARY: f64 = 2.5;
/// The mean of the unit normals of triangles that face more than 100 degrees apart is shorter than this.
const APART: f64 = 0.64;

/// Pulls spikes back to the mean of their neighbours; tells how many.
///
/// A spike's edges are all more than `SPIKE` times the median edge of the mesh, the edges around its foot are ordinary,
/// and the triangles at its tip face more than 100 degrees apart (common practice, no source).
///
/// # Examples
/// ```
/// use glam::DVec3;
/// use statuary::mesh::{TriMesh, spikes::pull_back_spikes};
///
/// // A level sheet of 9 x 9 points, one of them thrown up.
/// let points = (0..81).map(|i| DVec3::new(f64::from(i % 9), f64::from(i / 9), if i == 40 { 12.0 } else { 0.0 }));
/// let squares = (0..72_u32).filter(|i| i % 9 < 8);
/// let faces = squares.flat_map(|i| [[i, i + 1, i + 10], [i, i + 10, i + 9]]).collect();
/// let mut sheet = TriMesh::from_shape(points.collect(), faces);
/// assert_eq!(pull_back_spikes(&mut sheet), 1);
/// assert_eq!(sheet.positions[40], DVec3::new(4.0, 4.0, 0.0));
/// ```
pub fn pull_back_spikes(mesh: &mut TriMesh) -> usize {
    let median = median_edge_mm(mesh);
    if stretched(mesh, SPIKE * median).is_empty() {
        return 0;
    }
    let rings = Rings::of(mesh);
    let mut pulled = Vec::new();
    for v in 0..mesh.positions.len() {
        let is_spike = rings.count[v] > 2
            && rings.shortest[v] > SPIKE * median
            && rings.longest_foot[v] < ORDINARY * median
            && rings.normals[v].length() < APART * f64::from(rings.count[v]);
        if is_spike {
            pulled.push((v, rings.sums[v] / f64::from(rings.count[v])));
        }
    }
    for (v, place) in &pulled {
        mesh.positions[*v] = *place;
    }
    pulled.len()
}

/// What is around each vertex.
struct Rings {
    count: Vec<u32>,
    sums: Vec<DVec3>,
    /// Shortest edge at the vertex, mm.
    shortest: Vec<f64>,
    /// Longest edge opposite the vertex, mm.
    longest_foot: Vec<f64>,
    /// Sum of the unit normals of its triangles: short when they face apart.
    normals: Vec<DVec3>,
}

impl Rings {
    fn of(mesh: &TriMesh) -> Self {
        let n = mesh.positions.len();
        let mut rings = Self {
            count: vec![0; n],
            sums: vec![DVec3::ZERO; n],
            shortest: vec![f64::INFINITY; n],
            longest_foot: vec![0.0; n],
            normals: vec![DVec3::ZERO; n],
        };
        for (t, triangle) in mesh.triangles.iter().enumerate() {
            let corners = mesh.corners(t);
            let normal = mesh.area_vector(t).normalize_or_zero();
            for k in 0..3 {
                let v = triangle[k] as usize;
                let [at, next, last] = [corners[k], corners[(k + 1) % 3], corners[(k + 2) % 3]];
                rings.count[v] += 1;
                rings.sums[v] += next;
                rings.shortest[v] = rings.shortest[v].min(at.distance(next)).min(at.distance(last));
                rings.longest_foot[v] = rings.longest_foot[v].max(next.distance(last));
                rings.normals[v] += normal;
            }
        }
        rings
    }
}

/// Median length of the triangles' first edges, mm; 0 without triangles.
#[must_use]
pub fn median_edge_mm(mesh: &TriMesh) -> f64 {
    let first_edge = |t: usize| {
        let [a, b, _] = mesh.corners(t);
        a.distance(b)
    };
    let mut lengths: Vec<f64> = (0..mesh.triangles.len()).into_par_iter().map(first_edge).collect();
    if lengths.is_empty() {
        return 0.0;
    }
    let middle = lengths.len() / 2;
    *lengths.select_nth_unstable_by(middle, f64::total_cmp).1
}

/// Triangles whose longest edge is longer than `reach_mm`, ascending.
pub(super) fn stretched(mesh: &TriMesh, reach_mm: f64) -> Vec<u32> {
    let is_long = |t: &u32| {
        let [a, b, c] = mesh.corners(*t as usize);
        a.distance_squared(b).max(b.distance_squared(c)).max(c.distance_squared(a)) > reach_mm * reach_mm
    };
    (0..mesh.triangles.len() as u32).into_par_iter().filter(is_long).collect()
}
