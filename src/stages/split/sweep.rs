//! For every plane across an axis: what hangs together below and above it, and the regions in which it cuts the solid.
//! One sweep up and one down (union-find) tells it for all planes at once.

use glam::DVec3;

use super::bed::Shape;
use super::blocks::{Block, Blocks, NONE};

/// Measures of connected blocks that can be added up.
#[derive(Clone, Copy, Debug)]
pub(super) struct Lump {
    pub blocks: u32,
    pub low: [f32; 3],
    pub high: [f32; 3],
    /// Outermost cut face on each side: coordinate (NaN for none) and number of blocks behind it.
    pub flat: [(f32, u32); 6],
}

/// A connected area in which a plane cuts blocks.
#[derive(Clone, Copy, Debug, Default)]
pub(super) struct Area {
    /// Lumps of the plane it parts.
    pub below: usize,
    pub above: usize,
    pub blocks: u32,
    /// Block sides along its outline.
    pub rim: f32,
    /// Sums over the outline: skin that runs along the plane, and how much the seam matters.
    pub slant: f32,
    pub care: f32,
}

/// One plane between two layers of blocks.
#[derive(Clone, Debug, Default)]
pub(super) struct Level {
    pub layer: usize,
    pub below: Vec<Lump>,
    pub above: Vec<Lump>,
    pub areas: Vec<Area>,
}

impl Lump {
    pub fn of(block: &Block) -> Self {
        Self { blocks: 1, low: block.low, high: block.high, flat: block.flat.map(|f| (f, u32::from(!f.is_nan()))) }
    }

    pub fn add(&mut self, other: &Self) {
        self.blocks += other.blocks;
        for axis in 0..3 {
            self.low[axis] = self.low[axis].min(other.low[axis]);
            self.high[axis] = self.high[axis].max(other.high[axis]);
        }
        for side in 0..6 {
            let (own, new) = (self.flat[side], other.flat[side]);
            let further = if side % 2 == 1 { new.0 > own.0 } else { new.0 < own.0 };
            if new.0 == own.0 {
                self.flat[side].1 += new.1;
            } else if further || own.0.is_nan() {
                self.flat[side] = new;
            }
        }
    }

    /// Extents and feet, given the size of a block.
    pub fn shape(&self, step_mm: f64) -> Shape {
        let [low, high] = [self.low, self.high].map(|v| DVec3::from_array(v.map(f64::from)));
        let mut feet_mm2 = [0.0; 6];
        for side in 0..6 {
            let edge = if side % 2 == 1 { self.high } else { self.low }[side / 2];
            if (self.flat[side].0 - edge).abs() < 1e-3 {
                feet_mm2[side] = f64::from(self.flat[side].1) * step_mm * step_mm;
            }
        }
        Shape { low, high, feet_mm2 }
    }
}

/// Union-find whose sets carry lumps.
pub(super) struct Lumps {
    up: Vec<u32>,
    lumps: Vec<Lump>,
}

impl Lumps {
    pub fn new(blocks: &[Block]) -> Self {
        Self { up: (0..blocks.len() as u32).collect(), lumps: blocks.iter().map(Lump::of).collect() }
    }

    fn find(&mut self, mut b: u32) -> u32 {
        while self.up[b as usize] != b {
            let next = self.up[self.up[b as usize] as usize];
            self.up[b as usize] = next;
            b = next;
        }
        b
    }

    pub fn join(&mut self, a: u32, b: u32) {
        let (a, b) = (self.find(a), self.find(b));
        if a != b {
            let (keep, drop) =
                if self.lumps[a as usize].blocks >= self.lumps[b as usize].blocks { (a, b) } else { (b, a) };
            self.up[drop as usize] = keep;
            let other = self.lumps[drop as usize];
            self.lumps[keep as usize].add(&other);
        }
    }
}

impl Lumps {
    /// The lumps of all sets, in the order of their leaders.
    pub fn leaders(&self) -> impl Iterator<Item = Lump> {
        self.up.iter().enumerate().filter(|(i, up)| *i == **up as usize).map(|(i, _)| self.lumps[i])
    }
}

/// All planes across one axis that cut something.
pub(super) fn levels(model: &Blocks, axis: usize) -> Vec<Level> {
    let blocks = &model.blocks;
    let count = blocks.iter().map(|b| usize::from(b.at[axis]) + 1).max().unwrap_or(0);
    let mut layers: Vec<Vec<u32>> = vec![Vec::new(); count];
    for (i, block) in blocks.iter().enumerate() {
        layers[usize::from(block.at[axis])].push(i as u32);
    }
    let mut levels: Vec<Level> = (1..count).map(|i| Level { layer: i - 1, ..Level::default() }).collect();
    // For the lower block of each bond across a plane: its lump below, and the one above.
    let mut sides = vec![[NONE; 2]; blocks.len()];
    for up in [false, true] {
        let mut lumps = Lumps::new(blocks);
        for step in 0..count.saturating_sub(1) {
            let layer = if up { step } else { count - 1 - step };
            grow(&mut lumps, blocks, &layers[layer], axis, up);
            let level = &mut levels[if up { layer } else { layer - 1 }];
            let found = if up { &mut level.below } else { &mut level.above };
            let mut roots: Vec<u32> = Vec::new();
            for &b in &layers[level.layer] {
                let beyond = blocks[b as usize].near[2 * axis + 1];
                if beyond != NONE {
                    let root = lumps.find(if up { b } else { beyond });
                    let lump = roots.iter().position(|r| *r == root).unwrap_or_else(|| {
                        roots.push(root);
                        found.push(lumps.lumps[root as usize]);
                        roots.len() - 1
                    });
                    sides[b as usize][usize::from(!up)] = lump as u32;
                }
            }
        }
    }
    for level in &mut levels {
        level.areas = areas(blocks, &layers[level.layer], axis, &sides);
    }
    levels.retain(|l| !l.areas.is_empty());
    levels
}

/// Joins one more layer to what the sweep has passed.
fn grow(lumps: &mut Lumps, blocks: &[Block], layer: &[u32], axis: usize, up: bool) {
    for &b in layer {
        for side in 0..6 {
            let beyond = blocks[b as usize].near[side];
            let passed = side / 2 != axis || (side % 2 == 1) != up;
            if beyond != NONE && passed && (side / 2 == axis || side % 2 == 0) {
                lumps.join(b, beyond);
            }
        }
    }
}

/// Regions of one plane: bonds across it that are neighbours on both sides.
fn areas(blocks: &[Block], layer: &[u32], axis: usize, sides: &[[u32; 2]]) -> Vec<Area> {
    let up = 2 * axis + 1;
    let mut areas: Vec<Area> = Vec::new();
    for area in walk(blocks, layer, axis) {
        let [below, above] = sides[area[0] as usize].map(|s| s as usize);
        let mut sum = Area { below, above, blocks: area.len() as u32, ..Area::default() };
        for b in area {
            let block = &blocks[b as usize];
            let over = &blocks[block.near[up] as usize];
            for side in (0..6).filter(|s| s / 2 != axis && !bonded(blocks, b, *s, up)) {
                sum.rim += 1.0;
                // No seam shows inside an earlier cut face.
                if block.flat[side].is_nan() {
                    sum.slant += block.slant[axis].max(over.slant[axis]);
                    sum.care += 0.5 * (block.care + over.care);
                }
            }
        }
        areas.push(sum);
    }
    areas
}

/// Whether the bond above block `b` has a neighbour on side `side`.
fn bonded(blocks: &[Block], b: u32, side: usize, up: usize) -> bool {
    let beside = blocks[b as usize].near[side];
    beside != NONE && blocks[beside as usize].near[up] != NONE && {
        let over = blocks[b as usize].near[up];
        over != NONE && blocks[over as usize].near[side] == blocks[beside as usize].near[up]
    }
}

/// Blocks below each region of a plane, in the order of its areas.
pub(super) fn regions(model: &Blocks, axis: usize, layer: usize) -> Vec<Vec<u32>> {
    let here = |i: &u32| usize::from(model.blocks[*i as usize].at[axis]) == layer;
    let blocks: Vec<u32> = (0..model.blocks.len() as u32).filter(here).collect();
    walk(&model.blocks, &blocks, axis)
}

/// Connected bonds above a layer: lower blocks of each region, in the order of their first block.
fn walk(blocks: &[Block], layer: &[u32], axis: usize) -> Vec<Vec<u32>> {
    let up = 2 * axis + 1;
    let mut seen = rustc_hash::FxHashSet::default();
    let mut regions = Vec::new();
    for &start in layer {
        if blocks[start as usize].near[up] == NONE || !seen.insert(start) {
            continue;
        }
        let mut region = vec![start];
        let mut next = 0;
        while let Some(&b) = region.get(next) {
            next += 1;
            for side in (0..6).filter(|s| s / 2 != axis) {
                let beside = blocks[b as usize].near[side];
                if bonded(blocks, b, side, up) && seen.insert(beside) {
                    region.push(beside);
                }
            }
        }
        regions.push(region);
    }
    regions
}
