//! Where things are on the body: head and face, trunk, arms and hands, legs. Found from the shape, so that it holds for
//! bent arms too; told in shares of the height, with the front along -y and the figure's own left along +x.

use std::collections::VecDeque;

use glam::DVec3;

use super::grid::{Grid, NONE};
use crate::mesh::topology::Sets;
use crate::mesh::{TriMesh, base, measure};

/// Blocks the body is seen in, about.
const BLOCKS: f64 = 8_000.0;
/// Spread of a standing person's volume about its axis, at most, as a share of the height (arms down about .08, held out
/// .12; seated figures and busts more: measured on our own bodies).
const STANDING_SPREAD_MAX: f64 = 0.135;
/// The chin of a standing adult, where no neck is seen (Drillis & Contini 1966).
const CHIN: f64 = 0.87;
/// Sections are looked at this far apart to find the neck.
const NECK_STEP: f64 = 0.005;
/// A neck is at most this share of the head's largest section, and what is below it at least so many times larger.
const NECK_SHARE_MAX: f64 = 0.8;
const SHOULDERS_TIMES: f64 = 1.5;
/// Heights between which arms hang, and half the width within which all is trunk (shoulder half-width .129).
const ARMS: std::ops::Range<f64> = 0.3..0.9;
const TRUNK_HALF: f64 = 0.135;
/// Lengths from the fingertips: hand .108, with the forearm .254; a shorter limb is no arm.
const HAND: f64 = 0.108;
const FOREARM: f64 = 0.254;
const ARM_MIN: f64 = 0.2;
/// Paths along blocks are longer than straight ones, by about this.
const DETOUR: f64 = 1.15;

/// A place on the body.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub(super) enum Zone {
    Foot,
    Shin,
    Thigh,
    Hips,
    Waist,
    Chest,
    UpperArm,
    Forearm,
    Hand,
    Neck,
    Head,
    Face,
    /// Of a figure that is no standing person.
    Lower,
    Middle,
    Upper,
}

/// The whole figure as places on a body.
#[derive(Clone, Debug)]
pub(super) struct Body {
    pub low: DVec3,
    pub high: DVec3,
    /// Centre of mass: arms held out do not shift it much.
    pub middle: DVec3,
    pub standing: bool,
    /// Where the head begins, as a share of the height; above 1 when there is none.
    chin: f64,
    /// Plane between face and back of the head, mm.
    ears_y: f64,
    grid: Grid,
    zones: Vec<Zone>,
}

impl Body {
    pub fn of(mesh: &TriMesh) -> Self {
        let (low, high) = measure::bounds(&mesh.positions);
        let middle = measure::centroid(mesh).unwrap_or(0.5 * (low + high));
        let step = (measure::volume_mm3(mesh).max(1e-9) / BLOCKS).cbrt();
        let grid = Grid::of(mesh, low, high, step);
        let mut body =
            Self { low, high, middle, standing: false, chin: 2.0, ears_y: middle.y, grid, zones: Vec::new() };
        body.standing = body.spread() < STANDING_SPREAD_MAX;
        body.chin = body.neck(mesh).unwrap_or(if body.standing { CHIN } else { 2.0 });
        body.ears_y = body.ears();
        body.zones = body.arms();
        body
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

    /// The place a point on or in the body belongs to.
    pub fn zone(&self, p: DVec3) -> Zone {
        match self.grid.block_at(p).map(|b| self.zones[b]) {
            Some(arm @ (Zone::UpperArm | Zone::Forearm | Zone::Hand)) => arm,
            _ => self.upright(p),
        }
    }

    /// Blocks the body is seen in.
    pub fn blocks(&self) -> usize {
        self.zones.len()
    }

    /// The block a point on the skin belongs to.
    pub fn block(&self, p: DVec3) -> Option<usize> {
        self.grid.block_at(p)
    }

    /// How freely a block can be seen, 0 to 1.
    pub fn openness(&self, block: usize) -> f64 {
        self.grid.openness(block)
    }

    /// Number of connected pieces when the body's box is cut into so many even slabs along each axis.
    pub fn pieces(&self, counts: [usize; 3]) -> usize {
        let cell = |b: usize| {
            let share = (self.grid.centre(b) - self.low) / (self.high - self.low);
            [0, 1, 2].map(|i| ((share[i] * counts[i] as f64) as usize).min(counts[i] - 1))
        };
        let mut sets = Sets::new(self.zones.len());
        for b in 0..self.zones.len() {
            for n in [1, 3, 5].map(|side| self.grid.near(b)[side]).into_iter().filter(|n| *n != NONE) {
                if cell(b) == cell(n as usize) {
                    sets.unite(b as u32, n);
                }
            }
        }
        let mut sizes = vec![0; self.zones.len()];
        for b in 0..self.zones.len() as u32 {
            sizes[sets.find(b) as usize] += 1;
        }
        // Single blocks are crumbs of the coarse view.
        sizes.into_iter().filter(|n| *n > 1).count()
    }

    /// The place by height alone (levels: Drillis & Contini 1966; neck base .82 acromion and waist .60: ANSUR II 2012).
    fn upright(&self, p: DVec3) -> Zone {
        let level = self.level(p);
        if level >= self.chin {
            let hairline = self.chin + 0.8 * (1.0 - self.chin);
            return if p.y < self.ears_y && level < hairline { Zone::Face } else { Zone::Head };
        }
        if !self.standing {
            return if level < 0.34 {
                Zone::Lower
            } else if level < 0.67 {
                Zone::Middle
            } else {
                Zone::Upper
            };
        }
        match level {
            l if l < 0.06 => Zone::Foot,
            l if l < 0.28 => Zone::Shin,
            l if l < 0.46 => Zone::Thigh,
            l if l < 0.57 => Zone::Hips,
            l if l < 0.68 => Zone::Waist,
            l if l < self.chin - 0.03 => Zone::Chest,
            _ => Zone::Neck,
        }
    }

    /// Root mean square distance of the volume from its upright axis, the wider way, as a share of the height.
    fn spread(&self) -> f64 {
        let count = self.grid.cells.len().max(1) as f64;
        let off = |b: usize| self.grid.centre(b) - self.middle;
        let sum = (0..self.grid.cells.len()).map(|b| off(b) * off(b)).sum::<DVec3>() / count;
        sum.x.max(sum.y).sqrt() / self.height_mm()
    }

    /// Level of the narrowest section between head and shoulders.
    fn neck(&self, mesh: &TriMesh) -> Option<f64> {
        let lowest = if self.standing { 0.7 } else { 0.3 };
        let count = ((1.0 - lowest) / NECK_STEP) as usize;
        let levels: Vec<f64> = (1..count).map(|i| 1.0 - NECK_STEP * i as f64).collect();
        let heights: Vec<f64> = levels.iter().rev().map(|l| self.low.z + l * self.height_mm() + 1e-4).collect();
        let areas = base::section_areas_mm2(mesh, &heights);
        let (mut head, mut neck): (f64, Option<(f64, f64)>) = (0.0, None);
        for (level, area) in levels.iter().zip(areas.iter().rev()) {
            match neck {
                Some((least, at)) if *area > SHOULDERS_TIMES * least => return Some(at + NECK_STEP),
                Some((least, _)) if *area > least => {}
                _ if *area < NECK_SHARE_MAX * head => neck = Some((*area, *level)),
                _ => head = head.max(*area),
            }
        }
        None
    }

    /// The middle of the head from front to back.
    fn ears(&self) -> f64 {
        let heads = (0..self.grid.cells.len()).map(|b| self.grid.centre(b)).filter(|p| self.level(*p) >= self.chin);
        let (count, sum) = heads.fold((0, 0.0), |(n, sum), p| (n + 1, sum + p.y));
        if count > 0 { sum / f64::from(count) } else { self.low.y }
    }

    /// Zones of all blocks; arms are followed from the fingertips to the trunk.
    fn arms(&self) -> Vec<Zone> {
        let places: Vec<DVec3> = (0..self.grid.cells.len()).map(|b| self.grid.centre(b)).collect();
        let mut zones: Vec<Zone> = places.iter().map(|p| self.upright(*p)).collect();
        if !self.standing {
            return zones;
        }
        let near: Vec<[u32; 6]> = (0..places.len()).map(|b| self.grid.near(b)).collect();
        let beside = self.beside_trunk(&near);
        for left in [false, true] {
            let arm: Vec<bool> =
                (0..places.len()).map(|b| beside[b] && (self.aside(places[b]) > 0.0) == left).collect();
            let at_trunk: Vec<u32> = (0..places.len() as u32)
                .filter(|b| {
                    let mut around = near[*b as usize].iter().filter(|n| **n != NONE);
                    arm[*b as usize] && around.any(|n| !arm[*n as usize])
                })
                .collect();
            let from_trunk = paths(&near, &arm, &at_trunk);
            let Some(tip) = (0..places.len()).filter(|b| from_trunk[*b] != NONE).max_by_key(|b| from_trunk[*b]) else {
                continue;
            };
            let length = |steps: u32| f64::from(steps) * self.grid.step_mm / DETOUR / self.height_mm();
            if length(from_trunk[tip]) < ARM_MIN {
                continue;
            }
            let from_tip = paths(&near, &arm, &[tip as u32]);
            for b in (0..places.len()).filter(|b| from_tip[*b] != NONE) {
                zones[b] = match length(from_tip[b]) {
                    l if l < HAND => Zone::Hand,
                    l if l < FOREARM => Zone::Forearm,
                    _ => Zone::UpperArm,
                };
            }
        }
        zones
    }

    /// Blocks at arm height that are not trunk: in each layer what does not hang together with the middle, or is far out.
    fn beside_trunk(&self, near: &[[u32; 6]]) -> Vec<bool> {
        let in_reach: Vec<bool> = (0..near.len()).map(|b| ARMS.contains(&self.level(self.grid.centre(b)))).collect();
        let level_near: Vec<[u32; 6]> = near.iter().map(|n| [n[0], n[1], n[2], n[3], NONE, NONE]).collect();
        let is_middle = |b: &u32| in_reach[*b as usize] && self.aside(self.grid.centre(*b as usize)).abs() < 0.06;
        let middle: Vec<u32> = (0..near.len() as u32).filter(is_middle).collect();
        let from_middle = paths(&level_near, &in_reach, &middle);
        let is_far = |b: usize| self.aside(self.grid.centre(b)).abs() > TRUNK_HALF;
        (0..near.len()).map(|b| in_reach[b] && (from_middle[b] == NONE || is_far(b))).collect()
    }
}

/// Steps from the nearest start to each block along allowed blocks; [`NONE`] where there is no way.
fn paths(near: &[[u32; 6]], allowed: &[bool], starts: &[u32]) -> Vec<u32> {
    let mut steps = vec![NONE; near.len()];
    let mut queue: VecDeque<u32> = starts.iter().copied().collect();
    for start in starts {
        steps[*start as usize] = 0;
    }
    while let Some(b) = queue.pop_front() {
        for n in near[b as usize].into_iter().filter(|n| *n != NONE && allowed[*n as usize]) {
            if steps[n as usize] == NONE {
                steps[n as usize] = steps[b as usize] + 1;
                queue.push_back(n);
            }
        }
    }
    steps
}
