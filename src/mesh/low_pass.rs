//! Smoothing that does not shrink: steps along the umbrella operator by a positive and a slightly larger negative factor
//! in turn, which keeps low frequencies of the surface and takes out high ones (Taubin 1995).

use glam::DVec3;
use rayon::prelude::*;

use super::TriMesh;
use super::topology::{Edges, NONE};

/// Factors of the two steps of a pair.
pub const LAMBDA: f64 = 0.5;
pub const MU: f64 = -0.53;

/// Vertices per task.
const CHUNK: usize = 4096;

/// What a pair of steps leaves of a frequency `k` of the umbrella operator, 0 to 2: `(1 - lambda k) (1 - mu k)`.
#[must_use]
pub fn transfer(k: f64) -> f64 {
    (1.0 - LAMBDA * k) * (1.0 - MU * k)
}

/// The frequency above which a pair of steps weakens: `1 / lambda + 1 / mu`.
#[must_use]
pub fn pass_band() -> f64 {
    1.0 / LAMBDA + 1.0 / MU
}

/// Places of some vertices after `pairs` pairs of steps, in their order; all others stay where they are. A vertex on an
/// open edge is smoothed along the rim alone.
///
/// # Examples
/// ```
/// use glam::DVec3;
/// use statuary::mesh::{TriMesh, low_pass::low_pass, topology::Edges};
///
/// // A vertex that sticks out of a level fan comes down.
/// let points = vec![DVec3::X, DVec3::Y, -DVec3::X, -DVec3::Y, DVec3::Z];
/// let mesh = TriMesh::from_shape(points, vec![[0, 1, 4], [1, 2, 4], [2, 3, 4], [3, 0, 4]]);
/// let edges = Edges::of(&mesh.triangles, mesh.positions.len());
/// let places = low_pass(&mesh, &edges, &[4], 10);
/// assert!(places[0].z < 0.1);
/// ```
#[must_use]
pub fn low_pass(mesh: &TriMesh, edges: &Edges, vertices: &[u32], pairs: usize) -> Vec<DVec3> {
    let neighbours = neighbours(mesh, edges, vertices);
    let mut all = mesh.positions.clone();
    for factor in [LAMBDA, MU].into_iter().cycle().take(2 * pairs) {
        let step = |(v, near): (&u32, &Vec<u32>)| {
            let own = all[*v as usize];
            let mean = near.iter().map(|u| all[*u as usize]).sum::<DVec3>() / near.len().max(1) as f64;
            if near.is_empty() { own } else { own + factor * (mean - own) }
        };
        let moved: Vec<DVec3> = vertices.par_iter().zip(&neighbours).with_min_len(CHUNK).map(step).collect();
        vertices.iter().zip(moved).for_each(|(v, place)| all[*v as usize] = place);
    }
    vertices.iter().map(|v| all[*v as usize]).collect()
}

/// Neighbours of each of some vertices, ascending; of one on an open edge those along the rim.
fn neighbours(mesh: &TriMesh, edges: &Edges, vertices: &[u32]) -> Vec<Vec<u32>> {
    let mut row_of = vec![NONE; mesh.positions.len()];
    (0..).zip(vertices).for_each(|(row, v)| row_of[*v as usize] = row);
    let open = edges.open_halves(&mesh.triangles);
    let mut rows: Vec<[Vec<u32>; 2]> = vec![[Vec::new(), Vec::new()]; vertices.len()];
    for (half, is_open) in open.iter().enumerate() {
        let (triangle, k) = (mesh.triangles[half / 3], half % 3);
        let (a, b) = (triangle[k], triangle[(k + 1) % 3]);
        for (from, to) in [(a, b), (b, a)] {
            if row_of[from as usize] != NONE {
                let [all, along] = &mut rows[row_of[from as usize] as usize];
                all.push(to);
                along.extend(is_open.then_some(to));
            }
        }
    }
    let pick = |[mut all, along]: [Vec<u32>; 2]| {
        if !along.is_empty() {
            all = along;
        }
        all.sort_unstable();
        all.dedup();
        all
    };
    rows.into_iter().map(pick).collect()
}
