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
            let saved = before.saturating_sub(part.layers.changes(&after));
            let colour = moves::colour_loss(part, labels, &relabelled);
            let rims = moves::rim_loss(part, index, &self.labels, &relabelled);
            (saved > 0).then_some(Move { relabelled, saved, colour, rims })
        };
        let found = if before == 0 { Vec::new() } else { moves::candidates(part, labels) };
        self.moves[index] = found.into_par_iter().filter_map(weigh).collect();
    }

    /// The best there is: least price, then most saved, then the first.
    fn best(&self) -> Option<(usize, usize)> {
        let all =
            self.moves.iter().enumerate().flat_map(|(part, moves)| moves.iter().enumerate().map(move |m| (part, m)));
        let better = |x: &Move, y: &Move| x.price().total_cmp(&y.price()).then(y.saved.cmp(&x.saved));
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
