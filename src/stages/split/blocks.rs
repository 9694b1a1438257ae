//! A part as coarse blocks: the model in which cuts are searched. It knows what hangs together, how far the skin reaches,
//! where cut faces are and how much a seam would show; it is never printed.

use std::collections::BTreeMap;
use std::sync::Arc;

use glam::DVec3;

use super::bed::{SPANS, Shape};
use super::body::Body;
use super::care::Care;
use super::glance::Cut;
use super::grid::Grid;
pub(super) use super::grid::NONE;
use super::parted::separate;
use super::share::{Points, spread};
use super::skin::{Skin, skins};
use super::ways::{WAYS, Way};
use crate::mesh::cut::{Plane, flats};
use crate::mesh::{TriMesh, measure};

/// Places tried for a plane across an axis within one block, each so far from the next.
pub(super) const SUBS: i32 = 8;

/// One block of solid.
#[derive(Clone, Debug)]
pub(super) struct Block {
    pub at: [u16; 3],
    /// Its skin, by number in the model.
    pub skin: u32,
    /// Reach of the skin in and beside the block along each span; inverted inside the body.
    pub low: [f32; SPANS],
    pub high: [f32; SPANS],
    /// Coordinate of the cut face on each side (below and above along x, y, z); NaN where there is none.
    pub flat: [f32; 6],
    /// Whether a tilted cut face is on it.
    pub sloped: bool,
    pub near: [u32; 6],
    pub points: Points,
}

/// A part in blocks.
#[derive(Clone, Debug)]
pub(super) struct Model {
    pub step_mm: f64,
    /// Corner of the grid, mm.
    pub corner: DVec3,
    pub blocks: Vec<Block>,
    pub skins: Arc<Vec<Skin>>,
}

/// A part and where its triangles lie on the whole figure.
#[derive(Clone, Copy, Debug)]
pub(super) struct Piece<'a> {
    pub mesh: &'a TriMesh,
    pub source: &'a [u32],
}

impl Model {
    /// Models a closed mesh in blocks of the given size, starting at its lowest corner.
    pub fn of(piece: Piece<'_>, step_mm: f64, body: &Body, care: &Care) -> Self {
        let mesh = piece.mesh;
        let (low, high) = measure::bounds(&mesh.positions);
        let mut corner = low;
        // The middle of the body is a plane of the grid, so that both sides can be cut alike.
        corner.x = body.middle.x - ((body.middle.x - low.x) / step_mm).ceil() * step_mm;
        let grid = Grid::of(mesh, corner, high, step_mm);
        let mut blocks: Vec<Block> = (0..grid.cells.len()).map(|b| plain(&grid, b)).collect();
        spread(mesh, &grid, &mut blocks);
        faces(mesh, &grid, &mut blocks);
        let skins = Arc::new(skins(piece, &grid, care));
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
        Self { step_mm, corner, blocks, skins }
    }

    /// Tells pieces of one part apart: which blocks, how far they reach, and where they are cut.
    pub fn key(&self) -> [u8; 32] {
        let mut hasher = blake3::Hasher::new();
        let mut bytes = Vec::with_capacity(128 * self.blocks.len());
        for block in &self.blocks {
            bytes.extend(block.skin.to_le_bytes());
            bytes.extend(block.near.map(|n| u8::from(n == NONE)));
            bytes
                .extend(block.low.iter().chain(&block.high).chain(&block.flat).flat_map(|v| v.to_bits().to_le_bytes()));
        }
        hasher.update(&bytes);
        *hasher.finalize().as_bytes()
    }

    /// Where the plane above `level` lies along a way, in units of its steps, mm; `sub` moves it by parts of a block.
    pub fn plane_mm(&self, way: Way, level: i32, sub: i32) -> f64 {
        let steps = way.steps();
        let blocks = f64::from(level) + 0.5 + 0.5 * steps.element_sum() + f64::from(sub) / f64::from(SUBS);
        steps.dot(self.corner) + self.step_mm * blocks
    }

    /// The plane of a cut.
    pub fn plane(&self, cut: &Cut) -> Plane {
        let way = WAYS[cut.way];
        let steps = way.steps();
        let through = self.plane_mm(way, cut.level, cut.sub) / steps.length_squared() * steps;
        Plane::across(steps, through)
    }

    pub fn skin(&self, block: u32) -> &Skin {
        &self.skins[self.blocks[block as usize].skin as usize]
    }
}

fn plain(grid: &Grid, b: usize) -> Block {
    let (low, high) = ([f32::INFINITY; SPANS], [f32::NEG_INFINITY; SPANS]);
    let (near, points) = (grid.near(b), Points::default());
    Block { at: grid.cells[b], skin: b as u32, low, high, flat: [f32::NAN; 6], sloped: false, near, points }
}

/// Marks the blocks behind flat faces a part may stand on.
fn faces(mesh: &TriMesh, grid: &Grid, blocks: &mut [Block]) {
    let mut planes: BTreeMap<(usize, usize), f64> = BTreeMap::new();
    for flat in flats(mesh).into_iter().filter(|f| !f.plane.is_sloped()) {
        let side = 2 * flat.plane.axis + usize::from(flat.faces_up);
        // The layer whose blocks lie just inside.
        let layer = (flat.plane.offset_mm - grid.corner[side / 2]) / grid.step_mm;
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

/// Number of ways in use.
pub(super) const WAYS_COUNT: usize = WAYS.len();
