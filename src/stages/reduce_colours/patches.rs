//! No patch too small to print: what is below the least area, or nothing but a line, goes to a neighbour's label.
//!
//! A patch is a set of joined faces of one part with one label. One that goes on over a joint is judged whole, as
//! long as the piece on this side is not a mere chip. Every change joins patches, so the work comes to an end.

use std::collections::BTreeMap;

use super::labels::Task;
use crate::surface::{NO_JOINT, NONE, Surface};

/// Least share of the least area for a piece of a patch that goes on over a joint.
const CHIP: f64 = 0.25;
/// A zigzag border is about this much longer than a smooth one.
const ZIGZAG: f64 = 1.25;

/// The least a patch must have.
#[derive(Clone, Copy, Debug)]
pub struct Limits {
    pub area_mm2: f64,
    /// Least mean width: twice the area over the length of the border.
    pub width_mm: f64,
}

impl Limits {
    /// Whether a patch of this area and length of border has it.
    #[must_use]
    pub fn are_met(&self, area_mm2: f64, border_mm: f64) -> bool {
        area_mm2 >= self.area_mm2 && 2.0 * area_mm2 * ZIGZAG >= self.width_mm * border_mm
    }

    /// So many times as much.
    #[must_use]
    pub fn times(self, factor: f64) -> Self {
        Self { area_mm2: factor * self.area_mm2, width_mm: factor * self.width_mm }
    }
}

#[derive(Clone, Debug, Default)]
struct Patch {
    label: u8,
    area_mm2: f64,
    /// Difference under each label.
    costs: Vec<f64>,
    /// Patches across a border in the same part: length and price of that border.
    borders: BTreeMap<u32, (f64, f64)>,
    /// Patches across a joint.
    over_joint: Vec<u32>,
    on_rim: bool,
}

/// All patches; merged ones point to the patch they became part of.
struct Patches {
    all: Vec<Patch>,
    parent: Vec<u32>,
    limits: Limits,
}

/// Gives patches that break the limits the best label among their neighbours; returns how many were changed.
pub fn settle(task: &Task, labels: &mut [u8], limits: Limits) -> usize {
    let prices = Prices {
        labels: task.labels(),
        cost: |face, label| f64::from(task.cost(face, label)),
        price: |face, edge| f64::from(task.price(face, edge)),
    };
    settle_by(task.surface, &prices, labels, limits)
}

/// What labels and borders cost on a surface.
pub struct Prices<C, P> {
    /// Number of labels.
    pub labels: usize,
    /// Difference of a face under a label.
    pub cost: C,
    /// Price of the border across an edge of a face.
    pub price: P,
}

/// The same for other prices.
pub fn settle_by(
    surface: &Surface,
    prices: &Prices<impl Fn(usize, u8) -> f64, impl Fn(usize, usize) -> f64>,
    labels: &mut [u8],
    limits: Limits,
) -> usize {
    let (patch_of, count) = surface.patches(labels);
    let mut patches = Patches::new((surface, prices), labels, (&patch_of, count), limits);
    let changed = patches.settle();
    for (label, patch) in labels.iter_mut().zip(&patch_of) {
        *label = patches.all[patches.root(*patch)].label;
    }
    changed
}

/// Number of patches, and the length of all borders between them, mm.
#[must_use]
pub fn count(surface: &Surface, labels: &[u8]) -> (usize, f64) {
    let (_, count) = surface.patches(labels);
    let mut border_mm = 0.0;
    for face in 0..surface.len() {
        for (next, length) in surface.neighbours[face].iter().zip(surface.length_mm[face]) {
            if *next != NONE && (*next as usize) > face && labels[*next as usize] != labels[face] {
                border_mm += f64::from(length);
            }
        }
    }
    (count, border_mm)
}

/// Area of the patch each face belongs to, mm2.
#[must_use]
pub fn area_of_faces(surface: &Surface, labels: &[u8]) -> Vec<f64> {
    let (patch_of, count) = surface.patches(labels);
    let areas = surface.patch_areas_mm2(&patch_of, count);
    patch_of.iter().map(|patch| areas[*patch as usize]).collect()
}

impl Patches {
    fn new(
        (surface, prices): (&Surface, &Prices<impl Fn(usize, u8) -> f64, impl Fn(usize, usize) -> f64>),
        labels: &[u8],
        (patch_of, count): (&[u32], usize),
        limits: Limits,
    ) -> Self {
        let mut patches = vec![Patch { costs: vec![0.0; prices.labels], ..Patch::default() }; count];
        for face in 0..surface.len() {
            let patch = &mut patches[patch_of[face] as usize];
            patch.label = labels[face];
            patch.area_mm2 += f64::from(surface.area_mm2[face]);
            patch.on_rim |= surface.rim[face].iter().any(|joint| *joint != NO_JOINT);
            for (cost, label) in patch.costs.iter_mut().zip(0..) {
                *cost += (prices.cost)(face, label);
            }
            for (edge, next) in surface.neighbours[face].iter().enumerate().filter(|(_, n)| **n != NONE) {
                let next = *next as usize;
                if surface.part[next] != surface.part[face] {
                    patch.over_joint.push(patch_of[next]);
                } else if patch_of[next] != patch_of[face] {
                    let (length, price) = patch.borders.entry(patch_of[next]).or_default();
                    *length += f64::from(surface.length_mm[face][edge]);
                    *price += (prices.price)(face, edge);
                }
            }
        }
        for patch in &mut patches {
            patch.over_joint.sort_unstable();
            patch.over_joint.dedup();
        }
        Self { all: patches, parent: (0..count as u32).collect(), limits }
    }

    fn root(&self, patch: u32) -> usize {
        let mut root = patch;
        while self.parent[root as usize] != root {
            root = self.parent[root as usize];
        }
        root as usize
    }

    /// Smallest first, until none breaks the limits that has a neighbour in its part.
    fn settle(&mut self) -> usize {
        let mut changed = 0;
        loop {
            let mut order: Vec<usize> = (0..self.all.len()).filter(|p| self.root(*p as u32) == *p).collect();
            order.sort_by(|x, y| self.all[*x].area_mm2.total_cmp(&self.all[*y].area_mm2).then(x.cmp(y)));
            let before = changed;
            for patch in order {
                if self.root(patch as u32) == patch && self.is_wrong(patch) && self.relabel(patch) {
                    changed += 1;
                }
            }
            if changed == before {
                return changed;
            }
        }
    }

    fn is_wrong(&self, index: usize) -> bool {
        let patch = &self.all[index];
        let area_mm2 = self.limits.area_mm2;
        if patch.on_rim && patch.area_mm2 >= CHIP * area_mm2 {
            return self.area_over_joints(index, area_mm2) < area_mm2;
        }
        let border_mm: f64 = patch.borders.values().map(|(length, _)| length).sum();
        !self.limits.are_met(patch.area_mm2, border_mm)
    }

    /// Area of a patch with all it continues to over joints; stops counting at `enough`.
    fn area_over_joints(&self, index: usize, enough: f64) -> f64 {
        let mut seen = vec![index];
        let (mut next, mut area) = (0, 0.0);
        while next < seen.len() && area < enough {
            let patch = &self.all[seen[next]];
            area += patch.area_mm2;
            for other in patch.over_joint.iter().map(|other| self.root(*other)) {
                if self.all[other].label == patch.label && !seen.contains(&other) {
                    seen.push(other);
                }
            }
            next += 1;
        }
        area
    }

    /// Gives a patch the label of the neighbour that costs least; `false` when it has none.
    fn relabel(&mut self, index: usize) -> bool {
        let patch = &self.all[index];
        let mut gains: BTreeMap<u8, f64> = BTreeMap::new();
        for (other, (_, price)) in &patch.borders {
            *gains.entry(self.all[*other as usize].label).or_default() += price;
        }
        let cost = |label: &u8| patch.costs[usize::from(*label)] - gains[label];
        let Some(label) = gains.keys().copied().min_by(|x, y| cost(x).total_cmp(&cost(y))) else {
            return false;
        };
        self.all[index].label = label;
        let same = |other: &&u32| self.all[**other as usize].label == label;
        let joined: Vec<u32> = self.all[index].borders.keys().filter(same).copied().collect();
        // The largest takes the others in, so that long lists are not copied.
        let size = |p: &u32| self.all[*p as usize].borders.len();
        let members: Vec<u32> = joined.into_iter().chain([index as u32]).collect();
        let home = members.iter().copied().max_by_key(|p| (size(p), std::cmp::Reverse(*p))).unwrap_or(index as u32);
        for member in members.into_iter().filter(|member| *member != home) {
            self.join(member, home);
        }
        true
    }

    /// Makes one patch part of another.
    fn join(&mut self, member: u32, home: u32) {
        let taken = std::mem::take(&mut self.all[member as usize]);
        self.parent[member as usize] = home;
        for (other, (length, price)) in taken.borders {
            self.all[other as usize].borders.remove(&member);
            if other == home {
                continue;
            }
            for (from, to) in [(home, other), (other, home)] {
                let border = self.all[from as usize].borders.entry(to).or_default();
                border.0 += length;
                border.1 += price;
            }
        }
        let kept = &mut self.all[home as usize];
        kept.area_mm2 += taken.area_mm2;
        kept.on_rim |= taken.on_rim;
        kept.over_joint.extend(taken.over_joint);
        for (cost, more) in kept.costs.iter_mut().zip(taken.costs) {
            *cost += more;
        }
    }
}
