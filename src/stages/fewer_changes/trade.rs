//! The trade: gives up, one after another, what saves most tool changes for its colour, from nothing to one filament in every
//! part. Changes are counted anew after each step. A greedy search, as for any budgeted cover; how near it comes to the best is
//! measured in the tests.

use rayon::prelude::*;

use super::gather::Patches;
use super::moves::{self, Move, Relabelling};

/// The figure after some steps.
#[derive(Clone, Debug, PartialEq)]
pub struct Point {
    /// Tool changes of all parts.
    pub changes: usize,
    /// Colour given up, weighed, rims of joints included, dE mm2.
    pub loss: f64,
    /// Colour difference of all parts, dE mm2.
    pub difference: f64,
}

/// What was given up in one step.
#[derive(Clone, Debug, PartialEq)]
pub struct Step {
    pub part: usize,
    pub relabelled: Relabelling,
    /// Where it led.
    pub to: Point,
}

/// The whole way.
#[derive(Clone, Debug, PartialEq)]
pub struct Way {
    pub start: Point,
    pub steps: Vec<Step>,
}

impl Way {
    /// The figure after so many steps.
    #[must_use]
    pub fn point(&self, steps: usize) -> &Point {
        steps.checked_sub(1).and_then(|last| self.steps.get(last)).map_or(&self.start, |step| &step.to)
    }

    /// The labels after so many steps.
    #[must_use]
    pub fn labels(&self, parts: &[Patches], steps: usize) -> Vec<Vec<u8>> {
        let mut labels: Vec<Vec<u8>> = parts.iter().map(|part| part.labels.clone()).collect();
        for step in self.steps.iter().take(steps) {
            relabel(&mut labels[step.part], &step.relabelled);
        }
        labels
    }
}

fn relabel(labels: &mut [u8], relabelled: &[(u32, u8)]) {
    for (patch, label) in relabelled {
        labels[*patch as usize] = *label;
    }
}

struct Search<'a> {
    parts: &'a [Patches],
    labels: Vec<Vec<u8>>,
    changes: Vec<usize>,
    moves: Vec<Vec<Move>>,
    point: Point,
}

/// Gives up all there is, the best first. `go_on` is asked before every step.
///
/// # Errors
/// What `go_on` gives.
pub fn trade<E>(parts: &[Patches], mut go_on: impl FnMut() -> Result<(), E>) -> Result<Way, E> {
    let labels: Vec<Vec<u8>> = parts.iter().map(|part| part.labels.clone()).collect();
    let changes: Vec<usize> = parts.par_iter().map(|part| part.layers.changes(&part.labels)).collect();
    let own = |part: &Patches| -> f64 {
        part.costs.iter().zip(&part.labels).map(|(costs, label)| costs[usize::from(*label)].plain).sum()
    };
    let start = Point { changes: changes.iter().sum(), loss: 0.0, difference: parts.iter().map(own).sum() };
    let mut search = Search { parts, labels, changes, moves: vec![Vec::new(); parts.len()], point: start.clone() };
    (0..parts.len()).for_each(|part| search.look(part));
    let mut steps = Vec::new();
    loop {
        go_on()?;
        let Some((part, best)) = search.best() else { break };
        steps.push(search.take(part, best));
    }
    Ok(Way { start, steps })
}

impl Search<'_> {
    /// Finds what can be given up in a part.
    fn look(&mut self, index: usize) {
        let (part, labels, before) = (&self.parts[index], &self.labels[index], self.changes[index]);
        let weigh = |relabelled: Relabelling| {
            let mut after = labels.clone();
            relabel(&mut after, &relabelled);
            if moves::leaves_speck(part, labels, &after, &relabelled) {
                return None;
            }
            let saved = before.saturating_sub(part.layers.changes(&after));
            let colour = moves::colour_loss(part, labels, &relabelled);
            let rims = moves::rim_loss(part, index, &self.labels, &relabelled);
            (saved > 0).then_some(Move { relabelled, saved, colour, rims })
        };
        let found = if before == 0 { Vec::new() } else { moves::candidates(part, labels) };
        self.moves[index] = found.into_par_iter().filter_map(weigh).collect();
    }

    /// The best there is: least price, of about equal ones the smallest step, so that the curve has the points between, then
    /// the first.
    fn best(&self) -> Option<(usize, usize)> {
        let all =
            self.moves.iter().enumerate().flat_map(|(part, moves)| moves.iter().enumerate().map(move |m| (part, m)));
        // To one part in some 30,000, so that sums in another order do not tell equal ones apart.
        let rough = |price: f64| f32::from_bits((price as f32).to_bits() & !0xff);
        let better = |x: &Move, y: &Move| rough(x.price()).total_cmp(&rough(y.price())).then(x.saved.cmp(&y.saved));
        all.min_by(|(_, (_, x)), (_, (_, y))| better(x, y)).map(|(part, (index, _))| (part, index))
    }

    fn take(&mut self, index: usize, chosen: usize) -> Step {
        let Move { relabelled, saved, colour, rims } = self.moves[index].swap_remove(chosen);
        let part = &self.parts[index];
        for (patch, label) in &relabelled {
            let (costs, now) = (&part.costs[*patch as usize], self.labels[index][*patch as usize]);
            self.point.difference += costs[usize::from(*label)].plain - costs[usize::from(now)].plain;
        }
        relabel(&mut self.labels[index], &relabelled);
        self.changes[index] -= saved;
        self.point.changes -= saved;
        self.point.loss += colour + rims;
        self.look(index);
        let beside: Vec<usize> = {
            let mut beside: Vec<usize> = part.across.iter().flatten().map(|across| across.part).collect();
            beside.sort_unstable();
            beside.dedup();
            beside
        };
        for other in beside {
            let mut moves = std::mem::take(&mut self.moves[other]);
            for found in &mut moves {
                found.rims = moves::rim_loss(&self.parts[other], other, &self.labels, &found.relabelled);
            }
            self.moves[other] = moves;
        }
        Step { part: index, relabelled, to: self.point.clone() }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::mesh::patch_layers::{PatchLayers, Patched};
    use crate::mesh::slice::Layers;
    use crate::mesh::tree::TriTree;
    use crate::stages::fewer_changes::gather::Cost;
    use glam::{DVec2, DVec3};

    /// Numbers drawn by a linear congruential generator.
    struct Dice(u64);

    impl Dice {
        fn below(&mut self, n: u64) -> usize {
            self.0 = self.0.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
            ((self.0 >> 33) % n) as usize
        }
    }

    /// A column in bands of two halves each, with labels and differences drawn.
    fn column(dice: &mut Dice, bands: usize, label_count: usize) -> Patches {
        let sides = 8_u32;
        let mut heights = vec![0.0];
        (0..bands).for_each(|band| heights.push(heights[band] + 0.4 * (1 + dice.below(12)) as f64));
        let ring = |z: &f64| {
            let on = |i: u32| 5.0 * DVec2::from_angle(std::f64::consts::TAU * f64::from(i) / f64::from(sides));
            (0..sides).map(|i| on(i).extend(*z)).collect::<Vec<DVec3>>()
        };
        let positions: Vec<DVec3> = heights.iter().flat_map(ring).collect();
        let (mut triangles, mut patch_of) = (Vec::new(), Vec::new());
        for (band, i) in (0..bands as u32).flat_map(|band| (0..sides).map(move |i| (band, i))) {
            let [a, b] = [i, (i + 1) % sides].map(|i| band * sides + i);
            triangles.extend([[a, b, b + sides], [a, b + sides, a + sides]]);
            patch_of.extend([2 * band + u32::from(i >= 5); 2]);
        }
        let count = 2 * bands;
        let patched = Patched { positions: &positions, triangles: &triangles, patch_of: &patch_of, patch_count: count };
        let tree = TriTree::new(&positions, &triangles);
        let layers = PatchLayers::new(patched, &tree, Layers::up_to(heights[bands], 0.2), &vec![0.5; label_count]);
        let labels: Vec<u8> = (0..count).map(|_| dice.below(label_count as u64) as u8).collect();
        let costs = labels.iter().zip(layers.area_mm2()).map(|(own, area)| {
            let cost = |label: usize| {
                let plain = area * if label == usize::from(*own) { 1.0 } else { 2.0 + dice.below(30) as f64 };
                Cost { plain, weighed: plain }
            };
            (0..label_count).map(cost).collect()
        });
        let costs = costs.collect();
        let beside = |patch: u32| {
            let near = [Some(patch ^ 1), patch.checked_sub(2), Some(patch + 2)];
            near.into_iter().flatten().filter(|other| (*other as usize) < count).collect()
        };
        let borders = (0..count as u32).map(beside).collect();
        Patches { layers, labels, costs, least_mm2: 0.0, borders, across: vec![Vec::new(); count] }
    }

    fn all_labellings(count: usize, label_count: usize) -> impl Iterator<Item = Vec<u8>> {
        let all = (label_count as u32).pow(count as u32);
        (0..all).map(move |mut code| {
            let mut digit = || {
                let digit = code % label_count as u32;
                code /= label_count as u32;
                digit as u8
            };
            (0..count).map(|_| digit()).collect()
        })
    }

    /// Against every labelling there is, also those no row of steps leads to: most often the best, and never far from it.
    #[test]
    fn greed_comes_near_the_best_of_all_labellings() {
        let mut dice = Dice(42);
        let (mut cases, mut best_found, mut worst, mut sum) = (0, 0, 1.0_f64, 0.0);
        for _ in 0..40 {
            let part = column(&mut dice, 4, 3);
            let way = trade::<()>(std::slice::from_ref(&part), || Ok(())).unwrap();
            let weighed: Vec<(usize, f64)> = all_labellings(8, 3)
                .map(|labels| {
                    let to: Relabelling = (0..).zip(labels.iter().copied()).collect();
                    (part.layers.changes(&labels), moves::colour_loss(&part, &part.labels, &to))
                })
                .collect();
            for price in [10.0, 60.0, 300.0] {
                let total = |(changes, loss): (usize, f64)| price * changes as f64 + loss;
                let best = weighed.iter().map(|w| total(*w)).fold(f64::INFINITY, f64::min);
                let points = (0..=way.steps.len()).map(|steps| way.point(steps));
                let found = points.map(|p| total((p.changes, p.loss))).fold(f64::INFINITY, f64::min);
                assert!(found >= best - 1e-6, "{found} {best}");
                let ratio = if best > 0.0 { found / best } else { 1.0 };
                cases += 1;
                best_found += usize::from(ratio < 1.0 + 1e-9);
                worst = worst.max(ratio);
                sum += ratio;
            }
        }
        let mean = sum / f64::from(cases);
        println!("{best_found} of {cases} best, mean {mean}, worst {worst}");
        assert!(
            best_found * 10 >= cases as usize * 8 && mean < 1.02 && worst < 1.5,
            "{best_found} of {cases}, {mean}, {worst}"
        );
    }

    /// What the way says of its points is what their labels come to.
    #[test]
    fn every_point_is_counted_exactly() {
        let mut dice = Dice(7);
        let parts = [column(&mut dice, 9, 4), column(&mut dice, 12, 4)];
        let way = trade::<()>(&parts, || Ok(())).unwrap();
        assert!(way.steps.len() > 5, "{}", way.steps.len());
        for steps in 0..=way.steps.len() {
            let labels = way.labels(&parts, steps);
            let changes: usize = parts.iter().zip(&labels).map(|(part, labels)| part.layers.changes(labels)).sum();
            let cost = |(part, labels): (&Patches, &Vec<u8>)| -> f64 {
                part.costs.iter().zip(labels).map(|(costs, label)| costs[usize::from(*label)].plain).sum()
            };
            let difference: f64 = parts.iter().zip(&labels).map(cost).sum();
            assert_eq!(way.point(steps).changes, changes);
            assert!((way.point(steps).difference - difference).abs() < 1e-6 * difference);
        }
        assert_eq!(way.point(way.steps.len()).changes, 0, "one filament in each part");
        let falls = (1..=way.steps.len()).all(|steps| way.point(steps).changes < way.point(steps - 1).changes);
        assert!(falls);
    }
}
