//! A sparse grid: blocks of 8 x 8 x 8 corners, only where there is something to know.

use glam::{DVec3, IVec3};
use rustc_hash::FxHashMap;

use crate::units::{LATTICE_MM, snap_mm};

/// Corners along a block's side.
const SIDE: i32 = 8;
/// Corners of a block.
pub(super) const SLOTS: usize = 512;
/// Corners along the side of a block together with the first of the next block.
pub(super) const HALO: usize = 9;
const NO_BLOCK: u32 = u32::MAX;
/// Added to coordinates in keys, so that they are not negative.
const BIAS: i32 = 1 << 19;

/// Where an edge is kept within its block: axis and slot of its lower corner.
pub(super) fn edge_slot(axis: usize, slot: usize) -> usize {
    axis * SLOTS + slot
}

fn slot_of(local: IVec3) -> usize {
    (local.x | local.y << 3 | local.z << 6) as usize
}

pub(super) fn offset_of(slot: usize) -> IVec3 {
    IVec3::new((slot & 7) as i32, (slot >> 3 & 7) as i32, (slot >> 6) as i32)
}

/// A corner, or the edge from it along an axis, as a number; sorts by block, then axis, then slot.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub(super) struct Key(u64);

impl Key {
    pub(super) fn corner(at: IVec3) -> Self {
        Self::edge(at, 0)
    }

    pub(super) fn edge(at: IVec3, axis: usize) -> Self {
        let block: IVec3 = (at + BIAS) >> 3;
        let code = (block.z as u64) << 34 | (block.y as u64) << 17 | block.x as u64;
        Self(code << 11 | edge_slot(axis, slot_of(at & 7)) as u64)
    }

    /// Lowest corner of the block.
    pub(super) fn block(self) -> IVec3 {
        let part = |shift: u32| ((self.0 >> shift & 0x1_ffff) as i32 * SIDE) - BIAS;
        IVec3::new(part(11), part(28), part(45))
    }

    pub(super) fn edge_slot(self) -> usize {
        (self.0 & 0x7ff) as usize
    }

    pub(super) fn axis(self) -> usize {
        self.edge_slot() / SLOTS
    }

    pub(super) fn at(self) -> IVec3 {
        self.block() + offset_of(self.edge_slot() % SLOTS)
    }
}

/// A corner by block and slot.
#[derive(Clone, Copy, Debug)]
pub(super) struct Corner {
    pub(super) block: usize,
    pub(super) slot: usize,
}

/// What is known about the corners of a block.
#[derive(Debug)]
pub(super) struct Block {
    /// Its lowest corner.
    pub(super) low: IVec3,
    /// The blocks around it and itself, x fastest.
    around: [u32; 27],
    /// Winding number by slot; not a number where it is not known.
    pub(super) winding: Vec<f32>,
    /// Whether that number was taken over from a neighbour, by slot.
    pub(super) copied: Vec<bool>,
}

/// The grid; corner `at` lies at `origin + voxel * at`, a point of the lattice.
#[derive(Debug)]
pub(super) struct Grid {
    pub(super) origin: DVec3,
    pub(super) voxel: f64,
    pub(super) blocks: Vec<Block>,
    index: FxHashMap<IVec3, u32>,
}

impl Grid {
    /// Most voxels along the box a grid is made for: leaves room in a key for a surface that bulges out of it.
    const LONGEST: f64 = (BIAS / 4) as f64;
    /// Below this a crossing rounded to the lattice would leave the part of its edge that is proved sound.
    const FINEST_MM: f64 = 128.0 * LATTICE_MM;

    /// An empty grid over a box; the voxel is rounded to the lattice and kept within what the grid can count.
    pub(super) fn over(low: DVec3, high: DVec3, voxel_mm: f64) -> Self {
        let least = ((high - low).max_element() / Self::LONGEST).max(Self::FINEST_MM);
        let voxel = (voxel_mm.max(least) / LATTICE_MM).ceil() * LATTICE_MM;
        let origin = DVec3::from_array(low.to_array().map(snap_mm));
        Self { origin, voxel, blocks: Vec::new(), index: FxHashMap::default() }
    }

    pub(super) fn position(&self, at: IVec3) -> DVec3 {
        self.origin + at.as_dvec3() * self.voxel
    }

    /// Adds the blocks that are missing of those the sorted keys lie in.
    pub(super) fn add_blocks(&mut self, keys: &[Key]) {
        for low in keys.chunk_by(|a, b| a.block() == b.block()).map(|same| same[0].block()) {
            if self.index.contains_key(&low) {
                continue;
            }
            let new = self.blocks.len() as u32;
            let mut around = [NO_BLOCK; 27];
            for (i, entry) in around.iter_mut().enumerate() {
                let step = IVec3::new(i as i32 % 3 - 1, i as i32 / 3 % 3 - 1, i as i32 / 9 - 1);
                if let Some(other) = self.index.get(&(low + step * SIDE)) {
                    *entry = *other;
                    self.blocks[*other as usize].around[26 - i] = new;
                }
            }
            around[13] = new;
            self.index.insert(low, new);
            self.blocks.push(Block { low, around, winding: vec![f32::NAN; SLOTS], copied: vec![false; SLOTS] });
        }
    }

    pub(super) fn block_at(&self, low: IVec3) -> Option<usize> {
        self.index.get(&low).map(|block| *block as usize)
    }

    /// The corner at a place relative to a block's lowest corner, at most one block away from the block.
    pub(super) fn corner(&self, block: usize, local: IVec3) -> Option<Corner> {
        let step: IVec3 = (local >> 3) + 1;
        let block = self.blocks[block].around[(step.x + 3 * step.y + 9 * step.z) as usize];
        (block != NO_BLOCK).then(|| Corner { block: block as usize, slot: slot_of(local & 7) })
    }

    /// The winding number at such a place, if it is known.
    pub(super) fn winding(&self, block: usize, local: IVec3) -> Option<f32> {
        let corner = self.corner(block, local)?;
        Some(self.blocks[corner.block].winding[corner.slot]).filter(|w| !w.is_nan())
    }

    /// Winding numbers of a block and of the first corners beyond it, x fastest, 9 x 9 x 9.
    pub(super) fn halo(&self, block: usize) -> Vec<f32> {
        let side = 0..HALO as i32;
        let mut values = Vec::with_capacity(HALO * HALO * HALO);
        for z in side.clone() {
            for y in side.clone() {
                let at = |x: i32| self.winding(block, IVec3::new(x, y, z)).unwrap_or(f32::NAN);
                values.extend(side.clone().map(at));
            }
        }
        values
    }
}

/// A set of a block's edges, each with a number that counts through all blocks.
#[derive(Clone, Debug)]
pub(super) struct EdgeSet {
    bits: [u64; 24],
    /// Number of the first edge of each word.
    first: [u32; 24],
    /// Number of the first edge behind this set.
    pub(super) end: u32,
}

impl EdgeSet {
    pub(super) fn new(bits: [u64; 24], start: u32) -> Self {
        let mut first = [start; 24];
        let mut end = start;
        for (number, word) in first.iter_mut().zip(bits) {
            *number = end;
            end += word.count_ones();
        }
        Self { bits, first, end }
    }

    /// Sets over consecutive blocks, numbered through.
    pub(super) fn number(all_bits: Vec<[u64; 24]>) -> Vec<Self> {
        let mut start = 0;
        all_bits
            .into_iter()
            .map(|bits| {
                let set = Self::new(bits, start);
                start = set.end;
                set
            })
            .collect()
    }

    pub(super) fn number_of(&self, edge_slot: usize) -> Option<u32> {
        let (word, bit) = (edge_slot >> 6, edge_slot & 63);
        let below = (self.bits[word] & ((1 << bit) - 1)).count_ones();
        (self.bits[word] >> bit & 1 == 1).then(|| self.first[word] + below)
    }

    /// Its edges in the order of their numbers: axis and slot.
    pub(super) fn edges(&self) -> impl Iterator<Item = (usize, usize)> {
        let holds = |edge_slot: &usize| self.bits[edge_slot >> 6] >> (edge_slot & 63) & 1 == 1;
        (0..3 * SLOTS).filter(holds).map(|edge_slot| (edge_slot / SLOTS, edge_slot % SLOTS))
    }
}
