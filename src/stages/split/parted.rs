//! Cuts in the block model, and how many parts a block model will at least come to.

use std::sync::Arc;

use glam::DVec3;

use super::bed::Shape;
use super::blocks::{Block, Model, NONE};
use super::glance::{Cut, Rules};
use super::share::share;
use super::sweep::{Bond, Lump, Lumps, regions};
use super::ways::WAYS;

impl Model {
    /// The connected pieces a cut leaves.
    pub fn parted(&self, cut: &Cut) -> Vec<Self> {
        let mut blocks = self.blocks.clone();
        let way = WAYS[cut.way];
        let plane = self.plane_mm(way, cut.level, cut.sub) as f32;
        let regions = regions(self, way, cut.level);
        let chosen = regions.iter().enumerate().filter(|(i, _)| cut.goes_through(*i));
        let bonds: Vec<Bond> = chosen.flat_map(|(_, region)| region.iter().copied()).collect();
        for (b, up) in &bonds {
            let over = std::mem::replace(&mut blocks[*b as usize].near[*up], NONE);
            for (block, side) in [(*b, *up), (over, *up ^ 1)] {
                let block = &mut blocks[block as usize];
                block.near[side] = NONE;
                match way.axis() {
                    Some(axis) => {
                        block.flat[side] = plane;
                        block.low[axis] = block.low[axis].min(plane);
                        block.high[axis] = block.high[axis].max(plane);
                    }
                    None => block.sloped = true,
                }
            }
        }
        share(self, cut, &mut blocks, &bonds);
        let mut pieces = separate(blocks);
        if let Some(axis) = way.axis() {
            for piece in &mut pieces {
                trim(piece, axis, cut.level, plane);
            }
        }
        let model = |blocks| Self { blocks, skins: Arc::clone(&self.skins), ..*self };
        pieces.into_iter().map(model).collect()
    }

    /// All blocks in one lump.
    fn lump(&self) -> Option<Lump> {
        let mut lumps = self.blocks.iter().map(Lump::of);
        let mut sum = lumps.next()?;
        lumps.for_each(|l| sum.add(&l));
        Some(sum)
    }

    /// Estimate of the parts this piece comes to, and its box: 1 if it fits; else it is cut into even slabs in thought,
    /// across the best axis, and what hangs together in each slab is counted in boxes of the printer's room.
    pub fn outlook(&self, rules: &Rules) -> (f64, Shape) {
        let Some(lump) = self.lump() else { return (0.0, Shape::default()) };
        let shape = lump.shape(self.step_mm);
        if rules.bed.holds(&shape) {
            return (1.0, shape);
        }
        let spare = (shape.size() / rules.bed.least_mm()).max(DVec3::ONE);
        let count = |axis: &usize| (shape.size()[*axis] / rules.bed.least_mm()).ceil().max(1.0);
        let mut axes = [0, 1, 2];
        axes.sort_by(|a, b| count(a).total_cmp(&count(b)));
        let mut slabs = f64::INFINITY;
        for axis in axes {
            // No slab is empty, so there are at least as many parts as slabs.
            if count(&axis).max(2.0) < slabs {
                slabs = slabs.min(self.slabs(axis, &lump, count(&axis), rules));
            }
        }
        (slabs.max(2.0) + 0.02 * spare.x * spare.y * spare.z, shape)
    }

    fn slabs(&self, axis: usize, whole: &Lump, count: f64, rules: &Rules) -> f64 {
        let (low, high) = (whole.reach.low[axis], whole.reach.high[axis]);
        let extent = f64::from(high - low);
        let slab = |b: &Block| {
            let middle = self.corner[axis] + self.step_mm * (f64::from(b.at[axis]) + 0.5);
            ((middle - f64::from(low)) / extent * count).clamp(0.0, count - 1.0) as usize
        };
        let slab_of: Vec<usize> = self.blocks.iter().map(slab).collect();
        let mut lumps = Lumps::new(&self.blocks);
        for (i, block) in self.blocks.iter().enumerate() {
            for beyond in [1, 3, 5].map(|side| block.near[side]).into_iter().filter(|b| *b != NONE) {
                if slab_of[i] == slab_of[beyond as usize] {
                    lumps.join(i as u32, beyond);
                }
            }
        }
        let boxes = |lump: &Lump| {
            let mut shape = lump.shape(self.step_mm);
            let mut has_foot = shape.has_foot();
            shape.high[axis] = shape.high[axis].min(shape.low[axis] + extent / count);
            has_foot[axis] |= count > 1.0;
            rules.bed.boxes(&shape, has_foot)
        };
        lumps.leaders().map(|l| boxes(&l)).sum()
    }
}

/// Skin of a piece on one side of the plane does not reach beyond it, even where a block stands for skin next to it.
fn trim(piece: &mut [Block], axis: usize, level: i32, plane: f32) {
    let above = |b: &Block| i32::from(b.at[axis]) > level;
    let all_above = piece.iter().all(above);
    if !all_above && piece.iter().any(above) {
        return;
    }
    for block in piece.iter_mut() {
        let (low, high) = (&mut block.low[axis], &mut block.high[axis]);
        if *low <= *high {
            (*low, *high) =
                if all_above { (low.max(plane), high.max(plane)) } else { (low.min(plane), high.min(plane)) };
        }
    }
}

/// Connected sets of blocks, each with its neighbours renumbered.
pub(super) fn separate(blocks: Vec<Block>) -> Vec<Vec<Block>> {
    let mut part_of = vec![NONE; blocks.len()];
    let mut sizes: Vec<u32> = Vec::new();
    for start in 0..blocks.len() {
        if part_of[start] != NONE {
            continue;
        }
        let part = sizes.len() as u32;
        part_of[start] = part;
        let mut stack = vec![start];
        sizes.push(0);
        while let Some(b) = stack.pop() {
            sizes[part as usize] += 1;
            for &beyond in blocks[b].near.iter().filter(|n| **n != NONE) {
                if part_of[beyond as usize] == NONE {
                    part_of[beyond as usize] = part;
                    stack.push(beyond as usize);
                }
            }
        }
    }
    let mut next = vec![0_u32; sizes.len()];
    let mut own = Vec::with_capacity(part_of.len());
    for part in &part_of {
        own.push(next[*part as usize]);
        next[*part as usize] += 1;
    }
    let mut parts: Vec<Vec<Block>> = sizes.iter().map(|n| Vec::with_capacity(*n as usize)).collect();
    for (block, part) in blocks.into_iter().zip(&part_of) {
        let near = block.near.map(|n| if n == NONE { NONE } else { own[n as usize] });
        parts[*part as usize].push(Block { near, ..block });
    }
    parts
}
