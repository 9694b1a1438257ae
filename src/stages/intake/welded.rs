//! One vertex for each position: seams of pictures and unwelded files become whole surfaces.

use glam::DVec3;
use rayon::prelude::*;

use crate::format::{ExactWeld, RawMesh};
use crate::mesh::order::{by_place, number_by_use};

/// A mesh of fewer triangles fits into the caches in any order.
const LARGE: usize = 1 << 17;

/// The raw mesh with one vertex for each position, without unused vertices and collapsed triangles.
pub(super) struct Welded {
    pub positions: Vec<DVec3>,
    pub triangles: Vec<[u32; 3]>,
    /// Raw triangle each was made from.
    pub sources: Vec<u32>,
}

impl Welded {
    pub fn of(raw: &RawMesh) -> Self {
        let mut is_used = vec![false; raw.positions.len()];
        raw.triangles.iter().flatten().for_each(|&v| is_used[v as usize] = true);
        let mut weld = ExactWeld::with_capacity(raw.positions.len());
        let vertex = |(p, is_used): (&DVec3, &bool)| if *is_used { weld.vertex(*p) } else { 0 };
        let vertices: Vec<u32> = raw.positions.iter().zip(&is_used).map(vertex).collect();
        let mut triangles = Vec::with_capacity(raw.triangles.len());
        let mut sources = Vec::with_capacity(raw.triangles.len());
        for (triangle, source) in raw.triangles.iter().zip(0..) {
            let [a, b, c] = triangle.map(|v| vertices[v as usize]);
            if a != b && b != c && c != a {
                triangles.push([a, b, c]);
                sources.push(source);
            }
        }
        let welded = Self { positions: weld.into_positions(), triangles, sources };
        if welded.triangles.len() < LARGE { welded } else { welded.ordered() }
    }

    /// The same with near triangles and vertices near in memory: all later stages then run up to twice as fast.
    fn ordered(self) -> Self {
        let order = by_place(&self.positions, &self.triangles);
        let mut triangles: Vec<[u32; 3]> = order.par_iter().map(|t| self.triangles[*t as usize]).collect();
        let vertices = number_by_use(&mut triangles, self.positions.len());
        Self {
            positions: vertices.par_iter().map(|v| self.positions[*v as usize]).collect(),
            triangles,
            sources: order.par_iter().map(|t| self.sources[*t as usize]).collect(),
        }
    }
}
