//! The grid of blocks: which are solid, what hangs together, and which block a point of the skin belongs to.

use glam::{DVec2, DVec3, IVec3};
use rayon::prelude::*;
use serde::{Deserialize, Serialize};

use crate::mesh::{TriMesh, outline};

/// No neighbour.
pub(super) const NONE: u32 = u32::MAX;

/// How far, in blocks, thin features may stand off the solid blocks that stand for them.
const SKIN_REACH: i32 = 3;

/// A regular grid over a part, with the solid blocks numbered in grid order.
#[derive(Clone, Debug, Serialize, Deserialize)]
pub(super) struct Grid {
    pub corner: DVec3,
    pub step_mm: f64,
    size: [usize; 3],
    /// Block of each cell, or none.
    ids: Vec<u32>,
    /// Cell of each block.
    pub cells: Vec<[u16; 3]>,
}

impl Grid {
    /// Fills the grid with a closed mesh: blocks whose middle is inside are solid.
    pub fn of(mesh: &TriMesh, corner: DVec3, high: DVec3, step_mm: f64) -> Self {
        let size = [0, 1, 2].map(|i| (((high[i] - corner[i]) / step_mm).ceil() as usize).clamp(1, 4000));
        let ids = vec![NONE; size[0] * size[1] * size[2]];
        let mut grid = Self { corner, step_mm, size, ids, cells: Vec::new() };
        grid.fill(mesh);
        grid
    }

    fn cell(&self, p: DVec3) -> IVec3 {
        let cell = ((p - self.corner) / self.step_mm).floor().as_ivec3();
        cell.clamp(IVec3::ZERO, IVec3::from_array(self.size.map(|n| n as i32 - 1)))
    }

    fn index(&self, cell: IVec3) -> Option<usize> {
        let [x, y, z] = cell.to_array();
        let inside = |v: i32, n: usize| v >= 0 && (v as usize) < n;
        let [nx, ny, nz] = self.size;
        (inside(x, nx) && inside(y, ny) && inside(z, nz)).then(|| (z as usize * ny + y as usize) * nx + x as usize)
    }

    fn solid(&self, cell: IVec3) -> Option<u32> {
        self.index(cell).map(|i| self.ids[i]).filter(|id| *id != NONE)
    }

    /// Middle of a block.
    pub fn centre(&self, block: usize) -> DVec3 {
        self.cell_centre(IVec3::from_array(self.cells[block].map(i32::from)))
    }

    fn cell_centre(&self, cell: IVec3) -> DVec3 {
        self.corner + self.step_mm * (cell.as_dvec3() + 0.5)
    }

    /// Neighbours of a block: below and above along x, y, z.
    pub fn near(&self, block: usize) -> [u32; 6] {
        let at = IVec3::from_array(self.cells[block].map(i32::from));
        [0, 1, 2, 3, 4, 5].map(|side| {
            let mut step = IVec3::ZERO;
            step[side / 2] = if side % 2 == 1 { 1 } else { -1 };
            self.solid(at + step).unwrap_or(NONE)
        })
    }

    /// The block a point of the skin counts for: its own, else the nearest solid one around it.
    pub fn block_at(&self, p: DVec3) -> Option<usize> {
        self.block_near(p, SKIN_REACH)
    }

    /// The same with another reach, in blocks.
    pub fn block_near(&self, p: DVec3, reach: i32) -> Option<usize> {
        let cell = self.cell(p);
        let own = self.solid(cell).map(|id| id as usize);
        own.or_else(|| (1..=reach).find_map(|ring| self.nearest_in_ring(p, cell, ring)))
    }

    fn nearest_in_ring(&self, p: DVec3, cell: IVec3, ring: i32) -> Option<usize> {
        let width = 2 * ring + 1;
        let mut best: Option<(f64, u32)> = None;
        for i in 0..width * width * width {
            let around = cell + IVec3::new(i % width, i / width % width, i / (width * width)) - ring;
            if let Some(id) = self.solid(around) {
                let distance = self.cell_centre(around).distance_squared(p);
                if best.is_none_or(|b| distance < b.0) {
                    best = Some((distance, id));
                }
            }
        }
        best.map(|(_, id)| id as usize)
    }

    /// Share of directions (to the 26 cells around) in which nothing solid stands before this block.
    pub fn openness(&self, block: usize) -> f64 {
        let at = IVec3::from_array(self.cells[block].map(i32::from));
        let steps = (0..27).filter(|i| *i != 13).map(|i| IVec3::new(i % 3, i / 3 % 3, i / 9) - 1);
        let is_open = |step: &IVec3| {
            let mut cell = at + 2 * *step;
            while self.index(cell).is_some() {
                if self.solid(cell).is_some() {
                    return false;
                }
                cell += *step;
            }
            true
        };
        steps.filter(is_open).count() as f64 / 26.0
    }

    /// Finds the blocks from where vertical lines meet the skin.
    fn fill(&mut self, mesh: &TriMesh) {
        let [nx, ny, nz] = self.size;
        let grid = &*self;
        let hits = |t: &[u32; 3]| grid.column_hits(t.map(|v| mesh.positions[v as usize]));
        let mut hits: Vec<(usize, f64, i32)> = mesh.triangles.par_iter().flat_map_iter(hits).collect();
        hits.par_sort_by(|a, b| a.0.cmp(&b.0).then(a.1.total_cmp(&b.1)).then(b.2.cmp(&a.2)));
        let mut inside = vec![false; self.ids.len()];
        for column in hits.chunk_by(|a, b| a.0 == b.0) {
            let mut depth = 0;
            for pair in column.windows(2) {
                depth += pair[0].2;
                if depth > 0 {
                    let layer = |z: f64| (((z - self.corner.z) / self.step_mm + 0.5).floor().max(0.0) as usize).min(nz);
                    for z in layer(pair[0].1)..layer(pair[1].1) {
                        inside[z * nx * ny + column[0].0] = true;
                    }
                }
            }
        }
        for (i, _) in inside.iter().enumerate().filter(|(_, inside)| **inside) {
            self.ids[i] = self.cells.len() as u32;
            self.cells.push([i % nx, i / nx % ny, i / (nx * ny)].map(|v| v as u16));
        }
    }

    /// Columns whose middle line passes through a triangle: column, height, and whether the solid starts (1) or ends.
    fn column_hits(&self, [a, b, c]: [DVec3; 3]) -> Vec<(usize, f64, i32)> {
        let (low, high) = (a.min(b).min(c), a.max(b).max(c));
        // A little off the middle, so that no line runs along edges of regular shapes.
        let line = |i: usize, axis: usize| {
            self.corner[axis] + self.step_mm * (i as f64 + 0.5 + 0.001_234 * (axis as f64 + 1.0))
        };
        let first = |axis: usize| ((low[axis] - self.corner[axis]) / self.step_mm - 0.51).ceil().max(0.0) as usize;
        let mut hits = Vec::new();
        for j in (first(1)..self.size[1]).take_while(|j| line(*j, 1) <= high.y) {
            for i in (first(0)..self.size[0]).take_while(|i| line(*i, 0) <= high.x) {
                let p = DVec2::new(line(i, 0), line(j, 1));
                let flat = [a, b, c].map(DVec3::truncate);
                let edges = [[0, 1], [1, 2], [2, 0]].map(|[i, j]: [usize; 2]| (flat[i], flat[j]));
                let turns = outline::winding(edges, p);
                if turns != 0 {
                    let normal = (b - a).cross(c - a);
                    let z = a.z - (normal.x * (p.x - a.x) + normal.y * (p.y - a.y)) / normal.z;
                    hits.push((j * self.size[0] + i, z, -turns));
                }
            }
        }
        hits
    }
}
