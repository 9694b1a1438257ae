//! Choosing a few filaments out of many so that a surface looks as much like its scan as they allow.
//!
//! The cost of a set is the sum over all samples of weight times difference to the nearest member (discrete k-median), or to the
//! nearest mix of members where filaments are to be blended. The search is exact up to a work limit; beyond it the result comes
//! with a proven bound on what is lost.

use rayon::prelude::*;

use super::difference::ciede2000_weighted;
use super::mix::Mix;
use super::spaces::{self, Lab, Oklab};

/// Edge of the `OKLab` cells colours are grouped by, about two just noticeable differences.
pub const CELL: f64 = 0.02;

/// A colour and how much of it there is, such as mm2 times importance.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Sample {
    pub lab: Lab,
    pub weight: f64,
}

/// Groups colours by cells of `OKLab` of this edge: one sample for each cell in use, with mean colour and summed weight.
#[must_use]
pub fn histogram(cell: f64, colours: impl IntoIterator<Item = (Oklab, f64)>) -> Vec<Sample> {
    // Along each axis: lightness 0 to 1, both opponent axes -0.5 to 0.5.
    let count = (1.0 / cell) as usize + 1;
    let mut cells = vec![[0.0; 4]; count * count * count];
    for ([l, a, b], weight) in colours {
        let step = |x: f64| ((x / cell) as usize).min(count - 1);
        let cell = &mut cells[(step(l) * count + step(a + 0.5)) * count + step(b + 0.5)];
        for (sum, x) in cell.iter_mut().zip([l, a, b, 1.0]) {
            *sum += weight * x;
        }
    }
    let used = cells.into_iter().filter(|cell| cell[3] > 0.0);
    used.map(|[l, a, b, weight]| {
        let mean = [l / weight, a / weight, b / weight];
        Sample { lab: spaces::lab_of_linear(spaces::linear_of_oklab(mean)), weight }
    })
    .collect()
}

/// What each candidate would cost each sample.
#[derive(Clone, Debug)]
pub struct Costs {
    /// Weight times difference: a row for each candidate, a column for each sample.
    rows: Vec<Vec<f64>>,
    samples: usize,
    /// The same of mixes of two and of three candidates, by [`pair`] and [`triple`]; empty where nothing is blended.
    pairs: Vec<Vec<f64>>,
    triples: Vec<Vec<f64>>,
}

/// Where a mix of two or three candidates, ascending, stands among all.
fn pair(i: usize, j: usize) -> usize {
    j * j.saturating_sub(1) / 2 + i
}

fn triple(i: usize, j: usize, k: usize) -> usize {
    k * k.saturating_sub(1) * k.saturating_sub(2) / 6 + pair(i, j)
}

impl Costs {
    /// Costs by CIEDE2000 with the given divisor for lightness.
    #[must_use]
    pub fn new(samples: &[Sample], candidates: &[Lab], k_l: f64) -> Self {
        let row = |candidate: &Lab| samples.iter().map(|sample| cost(sample, *candidate, k_l)).collect();
        Self::from_rows(candidates.iter().map(row).collect())
    }

    /// With mixes of candidates to take as well, each `price_de` dearer than a filament of its colour would be.
    #[must_use]
    pub fn with_mixes(mut self, samples: &[Sample], mixes: &[Mix], (price_de, k_l): (f64, f64)) -> Self {
        let count = self.rows.len();
        self.pairs = vec![Vec::new(); pair(0, count)];
        self.triples = vec![Vec::new(); triple(0, 0, count)];
        let row = |mix: &Mix| -> Vec<f64> {
            samples.iter().map(|sample| cost(sample, mix.lab, k_l) + sample.weight * price_de).collect()
        };
        let rows: Vec<Vec<f64>> = mixes.par_iter().map(row).collect();
        for (mix, row) in mixes.iter().zip(rows) {
            let known = match *mix.parts.as_slice() {
                [(i, _), (j, _)] => self.pairs.get_mut(pair(i, j)),
                [(i, _), (j, _), (k, _)] => self.triples.get_mut(triple(i, j, k)),
                _ => None,
            };
            match known {
                Some(known) if known.is_empty() => *known = row,
                Some(known) => known.iter_mut().zip(&row).for_each(|(low, cost)| *low = low.min(*cost)),
                None => {}
            }
        }
        self
    }

    fn has_mixes(&self) -> bool {
        self.pairs.iter().any(|row| !row.is_empty())
    }

    /// Costs given as they are: a row of equal length for each candidate.
    #[must_use]
    pub fn from_rows(rows: Vec<Vec<f64>>) -> Self {
        let samples = rows.iter().map(Vec::len).min().unwrap_or(0);
        Self { rows, samples, pairs: Vec::new(), triples: Vec::new() }
    }

    /// Number of candidates.
    #[must_use]
    pub fn candidates(&self) -> usize {
        self.rows.len()
    }

    /// Cost of each sample under the best of a set.
    fn nearest(&self, set: &[usize]) -> Vec<f64> {
        let mut nearest = vec![f64::INFINITY; self.samples];
        for (place, &member) in set.iter().enumerate() {
            self.lower(&mut nearest, &set[..place], member);
        }
        nearest
    }

    /// Takes a member into a set: what it costs alone and mixed with those there.
    fn lower(&self, nearest: &mut [f64], set: &[usize], member: usize) {
        let mut lower = |row: &[f64]| nearest.iter_mut().zip(row).for_each(|(low, cost)| *low = low.min(*cost));
        lower(&self.rows[member]);
        if self.pairs.is_empty() {
            return;
        }
        for (place, &other) in set.iter().enumerate() {
            let (low, high) = (member.min(other), member.max(other));
            lower(&self.pairs[pair(low, high)]);
            for &third in &set[..place] {
                let mut three = [low, high, third];
                three.sort_unstable();
                lower(&self.triples[triple(three[0], three[1], three[2])]);
            }
        }
    }

    /// Cost of a set with one member more, given what it costs now.
    fn with(&self, nearest: &[f64], set: &[usize], member: usize) -> f64 {
        if self.pairs.is_empty() {
            return nearest.iter().zip(&self.rows[member]).map(|(a, b)| a.min(*b)).sum();
        }
        let mut lowered = nearest.to_vec();
        self.lower(&mut lowered, set, member);
        lowered.iter().sum()
    }

    /// Cost of a set without its mixes: infinite when it is empty.
    #[must_use]
    pub fn of_singles(&self, set: &[usize]) -> f64 {
        let least = |sample: usize| set.iter().map(|j| self.rows[*j][sample]).fold(f64::INFINITY, f64::min);
        if set.is_empty() { f64::INFINITY } else { (0..self.samples).map(least).sum() }
    }

    /// Cost of a set: infinite when it is empty.
    #[must_use]
    pub fn of(&self, set: &[usize]) -> f64 {
        if set.is_empty() { f64::INFINITY } else { self.nearest(set).iter().sum() }
    }
}

/// What is asked for.
#[derive(Clone, Debug, PartialEq)]
pub struct Request {
    /// Most members of the set; `must` counts.
    pub size_max: usize,
    /// Candidates that are taken whatever they cost.
    pub must: Vec<usize>,
    /// Candidates that are not taken.
    pub never: Vec<usize>,
    /// Limit of the exact search, in single cost comparisons.
    pub work_max: u64,
}

/// The chosen set.
#[derive(Clone, Debug, PartialEq)]
pub struct Choice {
    /// Candidates, ascending.
    pub picked: Vec<usize>,
    pub cost: f64,
    /// The best set of this size costs at most this much less: 0 when the search was complete.
    pub gap: f64,
}

/// The set of least cost, without members that change nothing. `None` when nothing may be taken.
#[must_use]
pub fn choose(costs: &Costs, request: &Request) -> Option<Choice> {
    let mut picked = request.must.clone();
    picked.sort_unstable();
    picked.dedup();
    let free = |j: &usize| !picked.contains(j) && !request.never.contains(j);
    let candidates: Vec<usize> = (0..costs.rows.len()).filter(free).collect();
    let slots = request.size_max.saturating_sub(picked.len()).min(candidates.len());
    let start = swapped(costs, &picked, greedy(costs, &picked, &candidates, slots), &candidates);
    if start.is_empty() {
        return None;
    }
    let mut search =
        Search { costs, cost: costs.of(&start), best: start, bound: f64::INFINITY, work: request.work_max };
    if costs.has_mixes() {
        search.enumerate(&picked, &candidates, slots);
    } else {
        search.descend(&mut picked, &candidates, slots);
    }
    let gap = (search.cost - search.bound).max(0.0);
    Some(Choice { picked: needed(costs, search.best, &request.must), cost: search.cost, gap })
}

fn cost(sample: &Sample, colour: Lab, k_l: f64) -> f64 {
    sample.weight * ciede2000_weighted(sample.lab, colour, k_l)
}

/// The members that lower the cost or must be there, ascending.
fn needed(costs: &Costs, mut set: Vec<usize>, must: &[usize]) -> Vec<usize> {
    set.sort_unstable();
    let limit = costs.of(&set) * (1.0 + 1e-12);
    for member in set.clone().into_iter().rev() {
        let others: Vec<usize> = set.iter().copied().filter(|j| *j != member).collect();
        if !must.contains(&member) && costs.of(&others) <= limit {
            set = others;
        }
    }
    set
}

/// Adds the candidate that helps most until all slots are full.
fn greedy(costs: &Costs, must: &[usize], candidates: &[usize], slots: usize) -> Vec<usize> {
    let mut set = must.to_vec();
    for _ in 0..slots {
        let nearest = costs.nearest(&set);
        let open = candidates.iter().copied().filter(|j| !set.contains(j));
        let best = open.map(|j| (costs.with(&nearest, &set, j), j)).min_by(|x, y| x.0.total_cmp(&y.0));
        set.extend(best.map(|(_, j)| j));
    }
    set
}

/// Replaces one member that is no must by one candidate as long as that lowers the cost.
fn swapped(costs: &Costs, must: &[usize], mut set: Vec<usize>, candidates: &[usize]) -> Vec<usize> {
    let mut cost = costs.of(&set);
    loop {
        let before = cost;
        for place in must.len()..set.len() {
            let mut others = set.clone();
            others.remove(place);
            let nearest = costs.nearest(&others);
            for &j in candidates.iter().filter(|j| !others.contains(j)) {
                let swapped = costs.with(&nearest, &others, j);
                if swapped < cost * (1.0 - 1e-12) {
                    cost = swapped;
                    set[place] = j;
                }
            }
        }
        if cost >= before {
            return set;
        }
    }
}

/// Depth-first branch and bound.
///
/// The cost falls by less the more members a set has, so what several candidates gain together is at most the sum of
/// what each gains alone: that bounds every set below a node.
struct Search<'a> {
    costs: &'a Costs,
    best: Vec<usize>,
    cost: f64,
    /// Least bound among nodes left unexplored.
    bound: f64,
    work: u64,
}

impl Search<'_> {
    fn descend(&mut self, picked: &mut Vec<usize>, candidates: &[usize], slots: usize) {
        let nearest = self.costs.nearest(picked);
        let cost = if picked.is_empty() { f64::INFINITY } else { nearest.iter().sum() };
        if cost < self.cost {
            self.cost = cost;
            self.best.clone_from(picked);
        }
        if slots == 0 || candidates.is_empty() {
            return;
        }
        let (ranked, floor) = self.ranked(&nearest, candidates);
        self.work = self.work.saturating_sub((nearest.len() * candidates.len()) as u64);
        for place in 0..ranked.len() {
            let together: f64 = ranked.iter().skip(place).take(slots).map(|(gain, _)| gain).sum();
            // An infinite cost less infinite gains bounds nothing.
            let bound = if cost.is_finite() { (cost - together).max(floor) } else { floor };
            if bound >= self.cost * (1.0 - 1e-12) {
                return;
            }
            if self.work == 0 {
                self.bound = self.bound.min(bound);
                return;
            }
            picked.push(ranked[place].1);
            let rest: Vec<usize> = ranked[place + 1..].iter().map(|(_, j)| *j).collect();
            self.descend(picked, &rest, slots - 1);
            picked.pop();
        }
    }

    /// Candidates by what each gains alone, best first, and the cost if all were taken.
    fn ranked(&self, nearest: &[f64], candidates: &[usize]) -> (Vec<(f64, usize)>, f64) {
        let mut lowest = nearest.to_vec();
        let gain = |j: usize| nearest.iter().zip(&self.costs.rows[j]).map(|(a, b)| (a - b).max(0.0)).sum();
        let mut ranked: Vec<(f64, usize)> = candidates.iter().map(|&j| (gain(j), j)).collect();
        if nearest.iter().any(|cost| cost.is_infinite()) {
            // Nothing is taken yet: rank by cost alone.
            ranked = candidates.iter().map(|&j| (-self.costs.rows[j].iter().sum::<f64>(), j)).collect();
        }
        ranked.sort_by(|x, y| y.0.total_cmp(&x.0).then(x.1.cmp(&y.1)));
        for &j in candidates {
            self.costs.lower(&mut lowest, &[], j);
        }
        (ranked, lowest.iter().sum())
    }

    /// Goes through all sets where filaments mix: two that gain nothing alone may gain much together, so no gain bounds another.
    fn enumerate(&mut self, must: &[usize], candidates: &[usize], slots: usize) {
        let size = must.len() + slots;
        let rows = (1 + size.saturating_sub(1) + size.saturating_sub(1) * size.saturating_sub(2) / 2) as u64;
        let sets =
            (0..slots).fold(1, |sets: u64, i| sets.saturating_mul((candidates.len() - i) as u64) / (i as u64 + 1));
        if sets.saturating_mul(rows * self.costs.samples as u64) > self.work {
            let all: Vec<usize> = must.iter().chain(candidates).copied().collect();
            self.bound = self.costs.of(&all).min(self.cost);
            return;
        }
        let from = |first: usize| {
            let mut walk = Walk { costs: self.costs, set: must.to_vec(), best: Vec::new(), cost: f64::INFINITY };
            walk.take(candidates[first], &self.costs.nearest(must), &candidates[first + 1..], slots - 1);
            (walk.cost, walk.best)
        };
        let firsts = if slots == 0 { 0 } else { candidates.len() };
        let found: Vec<(f64, Vec<usize>)> = (0..firsts).into_par_iter().map(from).collect();
        for (cost, set) in found {
            if cost < self.cost {
                (self.cost, self.best) = (cost, set);
            }
        }
    }
}

/// Every set from some members on.
struct Walk<'a> {
    costs: &'a Costs,
    set: Vec<usize>,
    best: Vec<usize>,
    cost: f64,
}

impl Walk<'_> {
    /// Goes through the sets with one more member, and so many of the rest.
    fn take(&mut self, member: usize, nearest: &[f64], rest: &[usize], slots: usize) {
        let mut lowered = nearest.to_vec();
        self.costs.lower(&mut lowered, &self.set, member);
        self.set.push(member);
        if slots == 0 {
            let cost: f64 = lowered.iter().sum();
            if cost < self.cost {
                self.cost = cost;
                self.best.clone_from(&self.set);
            }
        } else {
            for place in 0..(rest.len() + 1).saturating_sub(slots) {
                self.take(rest[place], &lowered, &rest[place + 1..], slots - 1);
            }
        }
        self.set.pop();
    }
}
