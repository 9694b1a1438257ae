//! Where grid edges run through the scan's triangles.

use glam::{DVec3, IVec3};
use rayon::prelude::*;
use robust::{Coord, orient2d};

use super::grid::{EdgeSet, Grid, Key};
use super::local::Within;
use crate::mesh::TriMesh;

/// Triangles a task looks at.
const CHUNK: usize = 4096;

/// A triangle on a grid edge.
#[derive(Clone, Copy, Debug)]
pub(super) struct Hit {
    edge: Key,
    /// Place on the edge, 0 to 1.
    pub(super) t: f32,
    pub(super) triangle: u32,
    /// What the winding number gains there, going up along the edge: 1 or -1.
    pub(super) jump: f32,
}

/// All hits, by edge and going up along it.
#[derive(Debug)]
pub(super) struct Hits {
    all: Vec<Hit>,
    /// First hit of each edge, and the end.
    starts: Vec<u32>,
    /// Hit edges by block; blocks added later have none.
    sets: Vec<EdgeSet>,
}

impl Hits {
    /// Finds the hits and gives the grid the blocks they lie in.
    pub(super) fn find(mesh: &TriMesh, grid: &mut Grid) -> Self {
        Self::find_within(mesh, grid, Within::All)
    }

    /// The same, but only of edges with both ends in a region.
    pub(super) fn find_within(mesh: &TriMesh, grid: &mut Grid, region: Within<'_>) -> Self {
        let is_wanted = |edge: Key| region.holds(edge.at()) && region.holds(edge.at() + IVec3::AXES[edge.axis()]);
        let in_voxels = |v: u32| mesh.positions.get(v as usize).map_or(DVec3::NAN, |p| (p - grid.origin) / grid.voxel);
        let mut hits: Vec<Hit> = mesh
            .triangles
            .par_chunks(CHUNK)
            .enumerate()
            .flat_map_iter(|(chunk, triangles)| {
                let mut hits = Vec::new();
                for (i, triangle) in triangles.iter().enumerate() {
                    let corners = triangle.map(in_voxels);
                    let number = (chunk * CHUNK + i) as u32;
                    (0..3).for_each(|axis| add_hits(&corners, axis, number, &mut hits));
                }
                hits.retain(|hit| is_wanted(hit.edge));
                hits
            })
            .collect();
        hits.par_sort_unstable_by(|a, b| {
            a.edge.cmp(&b.edge).then(a.t.total_cmp(&b.t)).then(a.triangle.cmp(&b.triangle))
        });
        Self::sorted(hits, grid)
    }

    fn sorted(hits: Vec<Hit>, grid: &mut Grid) -> Self {
        let edges: Vec<Key> = hits.chunk_by(|a, b| a.edge == b.edge).map(|same| same[0].edge).collect();
        let mut starts = vec![0];
        starts.extend(hits.chunk_by(|a, b| a.edge == b.edge).scan(0, |end, same| {
            *end += same.len() as u32;
            Some(*end)
        }));
        grid.add_blocks(&edges);
        let bits = edges.chunk_by(|a, b| a.block() == b.block()).map(|same| {
            let mut bits = [0; 24];
            for slot in same.iter().map(|edge| edge.edge_slot()) {
                bits[slot >> 6] |= 1 << (slot & 63);
            }
            bits
        });
        let sets = EdgeSet::number(bits.collect());
        Self { all: hits, starts, sets }
    }

    /// The hit edges, sorted.
    pub(super) fn edges(&self) -> impl Iterator<Item = Key> {
        self.all.chunk_by(|a, b| a.edge == b.edge).map(|same| same[0].edge)
    }

    /// The hits of one edge, going up.
    pub(super) fn on(&self, block: usize, edge_slot: usize) -> &[Hit] {
        let Some(number) = self.sets.get(block).and_then(|set| set.number_of(edge_slot)) else { return &[] };
        &self.all[self.starts[number as usize] as usize..self.starts[number as usize + 1] as usize]
    }
}

/// Finds the grid lines along an axis that run through a triangle; corners are in voxels.
///
/// A line that runs exactly through a side or a corner counts as shifted a trifle, the same way for every triangle, so
/// that it meets one of the triangles there and not two or none.
fn add_hits(corners: &[DVec3; 3], axis: usize, triangle: u32, hits: &mut Vec<Hit>) {
    let (u, v) = ((axis + 1) % 3, (axis + 2) % 3);
    let [a, b, c] = *corners;
    let (low, high) = (a.min(b).min(c).ceil(), a.max(b).max(c).floor());
    // Also false for corners that are not finite.
    let meets = low[u] <= high[u] && low[v] <= high[v];
    if !meets {
        return;
    }
    let flat = |p: DVec3| Coord { x: p[u], y: p[v] };
    let area = orient2d(flat(a), flat(b), flat(c));
    if area == 0.0 {
        return;
    }
    let ([b, c], jump) = if area > 0.0 { ([b, c], -1.0) } else { ([c, b], 1.0) };
    for i in low[u] as i32..=high[u] as i32 {
        for j in low[v] as i32..=high[v] as i32 {
            let line = Coord { x: f64::from(i), y: f64::from(j) };
            let sides = [(b, c), (c, a), (a, b)].map(|(from, to)| left_of(flat(from), flat(to), line));
            let [Some(p), Some(q), Some(r)] = sides else { continue };
            let depth = (p * a[axis] + q * b[axis] + r * c[axis]) / (p + q + r);
            let mut at = IVec3::ZERO;
            (at[u], at[v], at[axis]) = (i, j, depth.floor() as i32);
            hits.push(Hit { edge: Key::edge(at, axis), t: (depth - depth.floor()) as f32, triangle, jump });
        }
    }
}

/// Twice the area a side spans with a point on its left or, for half of all directions, on it.
fn left_of(from: Coord<f64>, to: Coord<f64>, point: Coord<f64>) -> Option<f64> {
    let area = orient2d(from, to, point);
    let takes_rim = (to.y, to.x) > (from.y, from.x);
    (area > 0.0 || area == 0.0 && takes_rim).then_some(area)
}
