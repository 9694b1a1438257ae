//! Points of the skin in each block, and how a cut shares them out, so that pieces reach as far in the model as they do when
//! the cut is made.

use std::sync::Arc;

use glam::DVec3;
use rayon::prelude::*;

use super::bed::{SPANS, spans};
use super::blocks::{Block, Model, NONE};
use super::glance::Cut;
use super::grid::Grid;
use super::sweep::{Bond, Reach};
use super::ways::{WAYS, Way};
use crate::mesh::TriMesh;

/// Points of the skin, mm.
pub(super) type Points = Arc<[[f32; 3]]>;

/// Gives every block the points of the skin in and beside it.
pub(super) fn spread(mesh: &TriMesh, grid: &Grid, blocks: &mut [Block]) {
    let home = |(v, p): (usize, &DVec3)| grid.block_at(*p).map(|b| (b as u32, v as u32));
    let mut homes: Vec<(u32, u32)> = mesh.positions.par_iter().enumerate().filter_map(home).collect();
    homes.par_sort_unstable();
    let groups: Vec<&[(u32, u32)]> = homes.chunk_by(|a, b| a.0 == b.0).collect();
    let points = |group: &&[(u32, u32)]| -> Points {
        group.iter().map(|(_, v)| mesh.positions[*v as usize].as_vec3().to_array()).collect()
    };
    let found: Vec<(Points, Reach)> = groups.par_iter().map(points).map(|p| (Arc::clone(&p), reach(&p))).collect();
    for (group, (points, reach)) in groups.iter().zip(found) {
        let block = &mut blocks[group[0].0 as usize];
        (block.points, block.low, block.high) = (points, reach.low, reach.high);
    }
}

fn reach(points: &[[f32; 3]]) -> Reach {
    let mut reach = Reach::default();
    for p in points {
        for (i, span) in spans(DVec3::from_array(p.map(f64::from))).into_iter().enumerate() {
            reach.low[i] = reach.low[i].min(span as f32);
            reach.high[i] = reach.high[i].max(span as f32);
        }
    }
    reach
}

impl Block {
    /// Takes over other points; planes it was cut by stay where they are.
    fn take(&mut self, points: Points) {
        let new = reach(&points);
        for side in 0..6 {
            let (axis, flat) = (side / 2, self.flat[side]);
            let (low, high) = (&mut self.low[axis], &mut self.high[axis]);
            let edge = if side % 2 == 1 { high } else { low };
            if *edge != flat {
                *edge = if side % 2 == 1 { f32::NEG_INFINITY } else { f32::INFINITY };
            }
        }
        for span in 0..SPANS {
            let kept = if span < 3 { (self.low[span], self.high[span]) } else { (f32::INFINITY, f32::NEG_INFINITY) };
            self.low[span] = new.low[span].min(kept.0);
            self.high[span] = new.high[span].max(kept.1);
        }
        self.points = points;
    }
}

/// A cut through a model, by the block beyond it for each block next to it.
struct Shares<'a> {
    model: &'a Model,
    way: Way,
    level: i32,
    plane_mm: f64,
    partner: Vec<u32>,
}

impl Shares<'_> {
    fn is_above(&self, b: u32) -> bool {
        self.way.level(self.model.blocks[b as usize].at) > self.level
    }

    fn beyond(&self, b: u32, p: [f32; 3]) -> bool {
        let up = self.way.steps().dot(DVec3::from_array(p.map(f64::from))) - self.plane_mm;
        if self.is_above(b) { up < 0.0 } else { up > 0.0 }
    }

    fn reaches_beyond(&self, b: u32) -> bool {
        self.model.blocks[b as usize].points.iter().any(|p| self.beyond(b, *p))
    }

    /// Finds partners for blocks beside the bonds that reach beyond the plane, where the solid just ends or begins.
    fn flood(&mut self, blocks: &[Block], bonds: &[Bond]) {
        let mut queue: Vec<u32> = Vec::new();
        for (low, side) in bonds {
            let over = self.model.blocks[*low as usize].near[*side];
            for (b, other) in [(*low, over), (over, *low)] {
                if self.partner[b as usize] == NONE {
                    self.partner[b as usize] = other;
                    queue.push(b);
                }
            }
        }
        let mut next = 0;
        while let Some(&b) = queue.get(next) {
            next += 1;
            for n in blocks[b as usize].near.into_iter().filter(|n| *n != NONE) {
                let crosses =
                    || blocks[n as usize].near.iter().any(|m| *m != NONE && self.is_above(*m) != self.is_above(n));
                let is_new = self.partner[n as usize] == NONE && self.is_above(n) == self.is_above(b);
                if is_new && !crosses() && self.reaches_beyond(n) {
                    self.partner[n as usize] = self.partner[b as usize];
                    queue.push(n);
                }
            }
        }
    }
}

/// Hands the points of the skin beyond a plane to the blocks beyond it, and gives blocks the corners of their cut faces.
/// `blocks` are those of the model with the bonds already cut.
pub(super) fn share(model: &Model, cut: &Cut, blocks: &mut [Block], bonds: &[Bond]) {
    let way = WAYS[cut.way];
    let plane_mm = model.plane_mm(way, cut.level, cut.sub);
    let mut shares = Shares { model, way, level: cut.level, plane_mm, partner: vec![NONE; blocks.len()] };
    shares.flood(blocks, bonds);
    let mut gains: Vec<Vec<[f32; 3]>> = vec![Vec::new(); blocks.len()];
    let mut changed = vec![false; blocks.len()];
    for (b, partner) in shares.partner.iter().enumerate().filter(|(_, p)| **p != NONE) {
        for p in model.blocks[b].points.iter().filter(|p| shares.beyond(b as u32, **p)) {
            gains[*partner as usize].push(*p);
            (changed[b], changed[*partner as usize]) = (true, true);
        }
    }
    for (low, side) in bonds {
        for b in [*low, model.blocks[*low as usize].near[*side]] {
            let corners = corners(model, way, plane_mm, &blocks[b as usize]);
            changed[b as usize] |= !corners.is_empty();
            gains[b as usize].extend(corners);
        }
    }
    for b in (0..blocks.len()).filter(|b| changed[*b]) {
        let own = model.blocks[b].points.iter().filter(|p| !shares.beyond(b as u32, **p));
        let points: Points = own.chain(&gains[b]).copied().collect();
        blocks[b].take(points);
    }
}

/// Where the cut faces of a block deep inside meet; none for a block at the skin, whose corners are not known.
fn corners(model: &Model, way: Way, plane_mm: f64, block: &Block) -> Vec<[f32; 3]> {
    let at_skin = (0..6).any(|side| block.near[side] == NONE && block.flat[side].is_nan());
    let Some(axis) = way.axis().filter(|_| !at_skin) else { return Vec::new() };
    let centre = model.corner + model.step_mm * DVec3::from_array(block.at.map(|v| f64::from(v) + 0.5));
    let mut corners = vec![centre.as_vec3().to_array()];
    corners[0][axis] = plane_mm as f32;
    for side in (0..6).filter(|side| side / 2 != axis && !block.flat[*side].is_nan()) {
        let moved = corners.iter().map(|c| {
            let mut c = *c;
            c[side / 2] = block.flat[side];
            c
        });
        let moved: Vec<_> = moved.collect();
        corners.extend(moved);
    }
    corners
}
