//! Which grid corners are inside: winding numbers wherever the surface may pass, holes of the scan included.

use glam::IVec3;
use rayon::prelude::*;

use super::grid::{Grid, Key, edge_slot, offset_of};
use super::hits::Hits;
use super::local::Within;
use crate::mesh::winding::Winding;

/// A winding number this near a whole number is that of a closed piece of surface.
const CLEAR: f32 = 0.1;
/// Rounds of spreading in which a corner may take its neighbour's value over.
const COPYING_ROUNDS: usize = 2;

/// Whether a corner with this winding number is inside.
pub(super) fn is_inside(winding: f32) -> bool {
    winding > 0.5
}

/// Whether a winding number is that of closed surface, not of a place near a hole.
pub(super) fn is_clear(winding: f32) -> bool {
    (winding - winding.round()).abs() < CLEAR
}

/// Fills the grid so that every edge between an inside and an outside corner has all corners of the four cells around
/// it known: then the surface between them is closed. Returns -1 for a scan that is inside out, whose winding
/// numbers were turned over, else 1.
pub(super) fn fill(grid: &mut Grid, hits: &Hits, winding: &Winding) -> f32 {
    fill_within(grid, hits, winding, Within::All)
}

/// The same for a region only, at whose border the surface stays open; there it is not asked what is inside out.
pub(super) fn fill_within(grid: &mut Grid, hits: &Hits, winding: &Winding, region: Within<'_>) -> f32 {
    let mut filler = Filler { grid, hits, winding, region, sign: 1.0 };
    let mut known = filler.ends_of_hit_edges();
    filler.grid.add_blocks(&known);
    // One corner of eight is worked out; most others differ from a neighbour by what lies between them.
    for odd in 0..=3 {
        let class: Vec<Key> = known.iter().copied().filter(|key| (key.at() & 1).element_sum() == odd).collect();
        filler.learn(&class, odd > 0);
    }
    filler.amend(&known);
    if matches!(region, Within::All) {
        filler.turn_if_inside_out();
    }
    let mut fresh = known.clone();
    for round in 0.. {
        fresh = filler.missing_around(&fresh);
        if fresh.is_empty() {
            break;
        }
        filler.grid.add_blocks(&fresh);
        filler.learn(&fresh, round < COPYING_ROUNDS);
        if round < COPYING_ROUNDS {
            known.extend(&fresh);
            fresh.extend(filler.amend(&known));
            fresh.sort_unstable();
        }
    }
    filler.sign
}

struct Filler<'a> {
    grid: &'a mut Grid,
    hits: &'a Hits,
    winding: &'a Winding,
    region: Within<'a>,
    sign: f32,
}

impl Filler<'_> {
    fn ends_of_hit_edges(&self) -> Vec<Key> {
        let ends = |edge: Key| [edge.at(), edge.at() + IVec3::AXES[edge.axis()]].map(Key::corner);
        let mut corners: Vec<Key> = self.hits.edges().flat_map(ends).collect();
        corners.par_sort_unstable();
        corners.dedup();
        corners
    }

    /// Works corners out, or takes them over from clear neighbours where that is allowed and nothing speaks against it.
    fn learn(&mut self, corners: &[Key], copying: bool) {
        if !copying {
            return self.work_out(corners);
        }
        let copy = |key: &Key| self.copied(self.grid.block_at(key.block())?, offset_of(key.edge_slot()));
        let copies: Vec<Option<f32>> = corners.par_iter().map(copy).collect();
        for (key, copy) in corners.iter().zip(&copies) {
            self.set(*key, copy.unwrap_or(f32::NAN), true);
        }
        let rest = corners.iter().zip(&copies).filter(|(_, copy)| copy.is_none()).map(|(key, _)| *key);
        self.work_out(&rest.collect::<Vec<Key>>());
    }

    fn work_out(&mut self, corners: &[Key]) {
        let at = |key: &Key| self.sign * self.winding.at(self.grid.position(key.at())) as f32;
        let values: Vec<f32> = corners.par_iter().map(at).collect();
        for (key, value) in corners.iter().zip(values) {
            self.set(*key, if value.is_nan() { 0.0 } else { value }, false);
        }
    }

    fn set(&mut self, corner: Key, winding: f32, copied: bool) {
        if let Some(block) = self.grid.block_at(corner.block()) {
            let block = &mut self.grid.blocks[block];
            block.winding[corner.edge_slot()] = winding;
            block.copied[corner.edge_slot()] = copied;
        }
    }

    /// Works out what was copied across a gap or a turned triangle: there it contradicts other neighbours. Returns the
    /// corners that changed.
    fn amend(&mut self, known: &[Key]) -> Vec<Key> {
        let mut amended = Vec::new();
        let mut doubtful: Vec<Key> = known.par_iter().copied().filter(|key| self.is_doubtful(*key)).collect();
        while !doubtful.is_empty() {
            self.work_out(&doubtful);
            let around = |key: &Key| {
                let at = key.at();
                IVec3::AXES.into_iter().flat_map(move |step| [Key::corner(at + step), Key::corner(at - step)])
            };
            let mut next: Vec<Key> = doubtful.iter().flat_map(around).filter(|key| self.is_doubtful(*key)).collect();
            next.sort_unstable();
            next.dedup();
            amended.append(&mut doubtful);
            doubtful = next;
        }
        amended
    }

    /// Whether a copied value is far from what a neighbour's value says.
    fn is_doubtful(&self, corner: Key) -> bool {
        let Some(block) = self.grid.block_at(corner.block()) else { return false };
        let (slot, known) = (corner.edge_slot(), &self.grid.blocks[block]);
        let here = known.winding[slot];
        known.copied[slot] && self.implied(block, offset_of(slot)).any(|(_, implied)| (implied - here).abs() > 0.5)
    }

    /// The value the clear ones among the neighbours imply; `None` when there are none or they differ.
    fn copied(&self, block: usize, local: IVec3) -> Option<f32> {
        let mut clear = self.implied(block, local).filter(|(there, _)| is_clear(*there));
        let (_, first) = clear.next()?;
        clear.all(|(_, implied)| (implied - first).abs() < 0.5).then_some(first)
    }

    /// The values of the known neighbours of a corner and what it then has, by the hits in between.
    fn implied(&self, block: usize, local: IVec3) -> impl Iterator<Item = (f32, f32)> {
        let sides = (0..3).flat_map(|axis| [(axis, true), (axis, false)]);
        sides.filter_map(move |(axis, up)| {
            let step = if up { IVec3::AXES[axis] } else { -IVec3::AXES[axis] };
            let there = self.grid.winding(block, local + step)?;
            let lower = self.grid.corner(block, if up { local } else { local + step })?;
            let gained: f32 = self.hits.on(lower.block, edge_slot(axis, lower.slot)).iter().map(|hit| hit.jump).sum();
            Some((there, if up { there - self.sign * gained } else { there + self.sign * gained }))
        })
    }

    fn turn_if_inside_out(&mut self) {
        let known = self.grid.blocks.iter().flat_map(|block| &block.winding);
        let balance: i64 = known.map(|w| i64::from(*w > 0.5) - i64::from(*w < -0.5)).sum();
        if balance < 0 {
            self.sign = -1.0;
            self.grid.blocks.iter_mut().flat_map(|block| &mut block.winding).for_each(|w| *w = -*w);
        }
    }

    /// Corners not yet known of the cells around edges that leave fresh corners and change sides.
    fn missing_around(&self, fresh: &[Key]) -> Vec<Key> {
        let groups: Vec<&[Key]> = fresh.chunk_by(|a, b| a.block() == b.block()).collect();
        let missing = groups.par_iter().flat_map_iter(|group| self.missing_around_block(group));
        let mut missing: Vec<Key> = missing.collect();
        missing.par_sort_unstable();
        missing.dedup();
        missing
    }

    fn missing_around_block(&self, group: &[Key]) -> Vec<Key> {
        let mut missing = Vec::new();
        let Some(block) = group.first().and_then(|key| self.grid.block_at(key.block())) else { return missing };
        // From one corner below the block to one above: as far as cells around its corners' edges reach.
        let mut seen = [false; 1000];
        for key in group {
            let local = offset_of(key.edge_slot());
            let Some(here) = self.grid.winding(block, local) else { continue };
            for axis in 0..3 {
                for low in [local, local - IVec3::AXES[axis]] {
                    let other = if low == local { local + IVec3::AXES[axis] } else { low };
                    let there = self.grid.winding(block, other);
                    if there.is_none_or(|there| is_inside(there) == is_inside(here)) {
                        continue;
                    }
                    for corner in corners_around(low, axis) {
                        let place = corner + 1;
                        let seen = &mut seen[(place.x + 10 * place.y + 100 * place.z) as usize];
                        if !*seen
                            && self.region.holds(corner + key.block())
                            && self.grid.winding(block, corner).is_none()
                        {
                            missing.push(Key::corner(corner + key.block()));
                        }
                        *seen = true;
                    }
                }
            }
        }
        missing
    }
}

/// Corners of the four cells around the edge that goes up an axis from a corner.
fn corners_around(low: IVec3, axis: usize) -> impl Iterator<Item = IVec3> {
    let (along, u, v) = (IVec3::AXES[axis], IVec3::AXES[(axis + 1) % 3], IVec3::AXES[(axis + 2) % 3]);
    (0..18).map(move |i| low + along * (i % 2) + u * (i / 2 % 3 - 1) + v * (i / 6 - 1))
}
