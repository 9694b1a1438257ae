//! A part as coarse blocks: the model in which cuts are searched. It knows what hangs together, how far the skin reaches,
//! where cut faces are and how much a seam would show; it is never printed.

use std::collections::BTreeMap;

use glam::{DVec2, DVec3, IVec3};
use rayon::prelude::*;

use super::bed::Shape;
use super::parted::separate;
use crate::mesh::cut::flats;
use crate::mesh::{TriMesh, measure, outline};

/// No neighbour.
pub(super) const NONE: u32 = u32::MAX;
/// Skin closer than this to a plane makes a knife edge there: cosine of 65 degrees off its normal (common practice, no source).
const FLAT_SKIN: f64 = 0.906;

/// How far, in blocks, thin features may stand off the solid blocks that stand for them.
const SKIN_REACH: i32 = 3;

/// One block of solid.
#[derive(Clone, Debug)]
pub(super) struct Block {
    pub at: [u16; 3],
    /// Reach of the skin in and beside the block; inverted inside the body.
    pub low: [f32; 3],
    pub high: [f32; 3],
    /// Coordinate of the cut face on each side (below and above along x, y, z); NaN where there is none.
    pub flat: [f32; 6],
    /// Share of the skin that runs nearly along a plane across each axis.
    pub slant: [f32; 3],
    /// How much a seam through this skin matters: 1 is plain skin.
    pub care: f32,
    pub near: [u32; 6],
}

/// A part in blocks.
#[derive(Clone, Debug)]
pub(super) struct Model {
    pub step_mm: f64,
    /// Corner of the grid, mm.
    pub corner: DVec3,
    pub blocks: Vec<Block>,
}

/// The whole figure's box: places on the body are told from it, with the front along -y.
#[derive(Clone, Copy, Debug)]
pub(super) struct Body {
    pub low: DVec3,
    pub high: DVec3,
    /// Centre of mass: arms held out do not shift it much.
    pub middle: DVec3,
}

impl Body {
    pub fn of(mesh: &TriMesh) -> Self {
        let (low, high) = measure::bounds(&mesh.positions);
        Self { low, high, middle: measure::centroid(mesh).unwrap_or(0.5 * (low + high)) }
    }

    pub fn height_mm(&self) -> f64 {
        (self.high.z - self.low.z).max(1e-9)
    }

    /// Height above the feet as a share of the figure's height.
    pub fn level(&self, p: DVec3) -> f64 {
        (p.z - self.low.z) / self.height_mm()
    }

    /// Distance from the middle as a share of the figure's height; positive on the figure's own left.
    pub fn aside(&self, p: DVec3) -> f64 {
        (p.x - self.middle.x) / self.height_mm()
    }

    /// Distance behind the middle as a share of the figure's height.
    pub fn behind(&self, p: DVec3) -> f64 {
        (p.y - self.middle.y) / self.height_mm()
    }

    /// How much a seam matters here: the face most, then the head and the hands (head from .87 of the height, fingertips
    /// to wrist .377 to .485: Drillis & Contini 1966).
    fn care(&self, p: DVec3) -> f64 {
        let level = self.level(p);
        match () {
            () if level > 0.87 && self.behind(p) < 0.01 => 6.0,
            () if level > 0.87 => 3.0,
            () if (0.377..0.485).contains(&level) && self.aside(p).abs() > 0.1 => 2.0,
            () => 1.0,
        }
    }
}

/// Grid of a model under construction.
struct Grid {
    corner: DVec3,
    step: f64,
    size: [usize; 3],
}

impl Grid {
    fn cell(&self, p: DVec3) -> IVec3 {
        let cell = ((p - self.corner) / self.step).floor().as_ivec3();
        cell.clamp(IVec3::ZERO, IVec3::from_array(self.size.map(|n| n as i32 - 1)))
    }

    fn index(&self, cell: IVec3) -> Option<usize> {
        let [x, y, z] = cell.to_array();
        let inside = |v: i32, n: usize| v >= 0 && (v as usize) < n;
        let [nx, ny, nz] = self.size;
        (inside(x, nx) && inside(y, ny) && inside(z, nz)).then(|| (z as usize * ny + y as usize) * nx + x as usize)
    }

    fn centre(&self, cell: IVec3) -> DVec3 {
        self.corner + self.step * (cell.as_dvec3() + 0.5)
    }
}

impl Model {
    /// Models a closed mesh in blocks of the given size, starting at its lowest corner.
    pub fn of(mesh: &TriMesh, step_mm: f64, body: &Body) -> Self {
        let (low, high) = measure::bounds(&mesh.positions);
        let mut corner = low;
        // The middle of the body is a plane of the grid, so that both sides can be cut alike.
        corner.x = body.middle.x - ((body.middle.x - low.x) / step_mm).ceil() * step_mm;
        let size = [0, 1, 2].map(|i| (((high[i] - corner[i]) / step_mm).ceil() as usize).clamp(1, 4000));
        let grid = Grid { corner, step: step_mm, size };
        let mut ids = vec![NONE; size[0] * size[1] * size[2]];
        let mut blocks = filled(mesh, &grid, &mut ids);
        link(&mut blocks, &grid, &ids);
        reach(mesh, &grid, &ids, &mut blocks);
        skin(mesh, &grid, &ids, &mut blocks, body);
        faces(mesh, &grid, &mut blocks);
        // What is thinner than a block may show as loose crumbs, which would look like parts.
        let crumb = blocks.len() / 100;
        let mut lumps = separate(blocks);
        lumps.retain(|l| l.len() > crumb);
        let mut blocks = Vec::new();
        for lump in lumps {
            let first = blocks.len() as u32;
            let moved = |n: u32| if n == NONE { NONE } else { n + first };
            blocks.extend(lump.into_iter().map(|b| Block { near: b.near.map(moved), ..b }));
        }
        Self { step_mm, corner, blocks }
    }

    /// Where the plane above layer `layer` lies, mm.
    pub fn plane_mm(&self, axis: usize, layer: usize) -> f64 {
        self.corner[axis] + self.step_mm * (layer + 1) as f64
    }
}

/// Blocks whose centre is inside, in grid order, from where vertical lines meet the skin.
fn filled(mesh: &TriMesh, grid: &Grid, ids: &mut [u32]) -> Vec<Block> {
    let [nx, ny, nz] = grid.size;
    let hits = |t: &[u32; 3]| column_hits(t.map(|v| mesh.positions[v as usize]), grid);
    let mut hits: Vec<(usize, f64, i32)> = mesh.triangles.par_iter().flat_map_iter(hits).collect();
    hits.par_sort_by(|a, b| a.0.cmp(&b.0).then(a.1.total_cmp(&b.1)).then(b.2.cmp(&a.2)));
    let mut inside = vec![false; ids.len()];
    for column in hits.chunk_by(|a, b| a.0 == b.0) {
        let mut depth = 0;
        for pair in column.windows(2) {
            depth += pair[0].2;
            if depth > 0 {
                let layer = |z: f64| (((z - grid.corner.z) / grid.step + 0.5).floor().max(0.0) as usize).min(nz);
                for z in layer(pair[0].1)..layer(pair[1].1) {
                    inside[z * nx * ny + column[0].0] = true;
                }
            }
        }
    }
    let mut blocks = Vec::new();
    for (i, _) in inside.iter().enumerate().filter(|(_, inside)| **inside) {
        ids[i] = blocks.len() as u32;
        let at = [i % nx, i / nx % ny, i / (nx * ny)].map(|v| v as u16);
        let (low, high) = ([f32::INFINITY; 3], [f32::NEG_INFINITY; 3]);
        blocks.push(Block { at, low, high, flat: [f32::NAN; 6], slant: [0.0; 3], care: 1.0, near: [NONE; 6] });
    }
    blocks
}

/// Columns whose middle line passes through a triangle: column, height, and whether the solid starts (1) or ends there.
fn column_hits([a, b, c]: [DVec3; 3], grid: &Grid) -> Vec<(usize, f64, i32)> {
    let (low, high) = (a.min(b).min(c), a.max(b).max(c));
    // A little off the middle, so that no line runs along edges of regular shapes.
    let line =
        |i: usize, axis: usize| grid.corner[axis] + grid.step * (i as f64 + 0.5 + 0.001_234 * (axis as f64 + 1.0));
    let first = |axis: usize| ((low[axis] - grid.corner[axis]) / grid.step - 0.51).ceil().max(0.0) as usize;
    let mut hits = Vec::new();
    for j in (first(1)..grid.size[1]).take_while(|j| line(*j, 1) <= high.y) {
        for i in (first(0)..grid.size[0]).take_while(|i| line(*i, 0) <= high.x) {
            let p = DVec2::new(line(i, 0), line(j, 1));
            let flat = [a, b, c].map(DVec3::truncate);
            let edges = [[0, 1], [1, 2], [2, 0]].map(|[i, j]: [usize; 2]| (flat[i], flat[j]));
            let turns = outline::winding(edges, p);
            if turns != 0 {
                let normal = (b - a).cross(c - a);
                let z = a.z - (normal.x * (p.x - a.x) + normal.y * (p.y - a.y)) / normal.z;
                hits.push((j * grid.size[0] + i, z, -turns));
            }
        }
    }
    hits
}

fn link(blocks: &mut [Block], grid: &Grid, ids: &[u32]) {
    for block in blocks.iter_mut() {
        let at = IVec3::from_array(block.at.map(i32::from));
        for side in 0..6 {
            let mut step = IVec3::ZERO;
            step[side / 2] = if side % 2 == 1 { 1 } else { -1 };
            block.near[side] = grid.index(at + step).map_or(NONE, |i| ids[i]);
        }
    }
}

/// The block a point of the skin counts for: its own, else the nearest solid one around it.
fn block_at(p: DVec3, grid: &Grid, ids: &[u32]) -> Option<usize> {
    let cell = grid.cell(p);
    let own = grid.index(cell).map(|i| ids[i]).filter(|id| *id != NONE);
    if let Some(id) = own {
        return Some(id as usize);
    }
    (1..=SKIN_REACH).find_map(|ring| nearest_in_ring(p, cell, ring, grid, ids))
}

/// The nearest solid block within so many cells of `cell`.
fn nearest_in_ring(p: DVec3, cell: IVec3, ring: i32, grid: &Grid, ids: &[u32]) -> Option<usize> {
    let width = 2 * ring + 1;
    let mut best: Option<(f64, u32)> = None;
    for i in 0..width * width * width {
        let around = cell + IVec3::new(i % width, i / width % width, i / (width * width)) - ring;
        if let Some(id) = grid.index(around).map(|i| ids[i]).filter(|id| *id != NONE) {
            let distance = grid.centre(around).distance_squared(p);
            if best.is_none_or(|b| distance < b.0) {
                best = Some((distance, id));
            }
        }
    }
    best.map(|(_, id)| id as usize)
}

fn reach(mesh: &TriMesh, grid: &Grid, ids: &[u32], blocks: &mut [Block]) {
    let homes: Vec<Option<usize>> = mesh.positions.par_iter().map(|p| block_at(*p, grid, ids)).collect();
    for (p, home) in mesh.positions.iter().zip(homes) {
        if let Some(block) = home.map(|h| &mut blocks[h]) {
            for axis in 0..3 {
                block.low[axis] = block.low[axis].min(p[axis] as f32);
                block.high[axis] = block.high[axis].max(p[axis] as f32);
            }
        }
    }
}

/// Sums of the skin in each block: which way it runs, and how much a seam matters.
fn skin(mesh: &TriMesh, grid: &Grid, ids: &[u32], blocks: &mut [Block], body: &Body) {
    let outside: Vec<usize> = (0..mesh.triangles.len()).filter(|t| mesh.origins[*t].is_outside()).collect();
    let at = |t: &usize| {
        let [a, b, c] = mesh.corners(*t);
        let normal = (b - a).cross(c - a);
        block_at((a + b + c) / 3.0, grid, ids).map(|block| (block, normal))
    };
    let facts: Vec<Option<(usize, DVec3)>> = outside.par_iter().map(at).collect();
    let mut sums = vec![[0.0_f64; 5]; blocks.len()];
    for (block, normal) in facts.into_iter().flatten() {
        let area = normal.length();
        let sum = &mut sums[block];
        for axis in 0..3 {
            sum[axis] += if normal[axis].abs() > FLAT_SKIN * area { area } else { 0.0 };
        }
        sum[3] += area;
        sum[4] += (-normal.y).max(0.0);
    }
    for (block, [x, y, z, area, front]) in blocks.iter_mut().zip(sums).filter(|(_, sum)| sum[3] > 0.0) {
        block.slant = [x, y, z].map(|v| (v / area) as f32);
        let place = grid.centre(IVec3::from_array(block.at.map(i32::from)));
        block.care = (body.care(place) * (0.8 + 0.6 * front / area)) as f32;
    }
}

/// Marks the blocks behind flat faces a part may stand on.
fn faces(mesh: &TriMesh, grid: &Grid, blocks: &mut [Block]) {
    let mut planes: BTreeMap<(usize, usize), f64> = BTreeMap::new();
    for flat in flats(mesh).into_iter().filter(|f| !f.plane.is_sloped()) {
        let side = 2 * flat.plane.axis + usize::from(flat.faces_up);
        // The layer whose blocks lie just inside.
        let layer = (flat.plane.offset_mm - grid.corner[side / 2]) / grid.step;
        let layer = if flat.faces_up { (layer - 1e-6).floor() } else { (layer + 1e-6).floor() };
        planes.insert((side, layer.max(0.0) as usize), flat.plane.offset_mm);
    }
    if Shape::of(mesh).feet_mm2[4] > 0.0 {
        planes.entry((4, 0)).or_insert(grid.corner.z);
    }
    for ((side, layer), offset) in planes {
        for block in blocks.iter_mut().filter(|b| b.near[side] == NONE) {
            // Where the middle of the outermost layer is already outside, the next layer counts.
            let at = usize::from(block.at[side / 2]);
            let next = if side % 2 == 1 { at + 1 } else { at.wrapping_sub(1) };
            if at == layer || next == layer {
                block.flat[side] = offset as f32;
            }
        }
    }
}
