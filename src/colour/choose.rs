//! Choosing a few filaments out of many so that a surface looks as much like its scan as they allow.
//!
//! The cost of a set is the sum over all samples of weight times difference to the nearest member (discrete k-median).
//! The search is exact up to a work limit; beyond it the result comes with a proven bound on what is lost.

use super::difference::ciede2000_weighted;
use super::spaces::{self, Lab, Oklab};

/// Edge of the `OKLab` cells colours are grouped by, about two just noticeable differences.
const CELL: f64 = 0.02;
/// Cells along each axis: lightness 0 to 1, both opponent axes -0.5 to 0.5.
const CELLS: usize = 51;

/// A colour and how much of it there is, such as mm2 times importance.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Sample {
    pub lab: Lab,
    pub weight: f64,
}

/// Groups colours by cells of `OKLab`: one sample for each cell in use, with mean colour and summed weight.
#[must_use]
pub fn histogram(colours: impl IntoIterator<Item = (Oklab, f64)>) -> Vec<Sample> {
    let mut cells = vec![[0.0; 4]; CELLS * CELLS * CELLS];
    for ([l, a, b], weight) in colours {
        let step = |x: f64| ((x / CELL) as usize).min(CELLS - 1);
        let cell = &mut cells[(step(l) * CELLS + step(a + 0.5)) * CELLS + step(b + 0.5)];
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
}

impl Costs {
    /// Costs by CIEDE2000 with the given divisor for lightness.
    #[must_use]
    pub fn new(samples: &[Sample], candidates: &[Lab], k_l: f64) -> Self {
        let cost = |sample: &Sample, candidate| sample.weight * ciede2000_weighted(sample.lab, candidate, k_l);
        let row = |candidate: &Lab| samples.iter().map(|sample| cost(sample, *candidate)).collect();
        Self::from_rows(candidates.iter().map(row).collect())
    }

    /// Costs given as they are: a row of equal length for each candidate.
    #[must_use]
    pub fn from_rows(rows: Vec<Vec<f64>>) -> Self {
        let samples = rows.iter().map(Vec::len).min().unwrap_or(0);
        Self { rows, samples }
    }

    /// Number of candidates.
    #[must_use]
    pub fn candidates(&self) -> usize {
        self.rows.len()
    }

    /// Cost of each sample under the best of a set.
    fn nearest(&self, set: &[usize]) -> Vec<f64> {
        let mut nearest = vec![f64::INFINITY; self.samples];
        for &member in set {
            self.lower(&mut nearest, member);
        }
        nearest
    }

    fn lower(&self, nearest: &mut [f64], member: usize) {
        for (low, cost) in nearest.iter_mut().zip(&self.rows[member]) {
            *low = low.min(*cost);
        }
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
    search.descend(&mut picked, &candidates, slots);
    let gap = (search.cost - search.bound).max(0.0);
    Some(Choice { picked: needed(costs, search.best, &request.must), cost: search.cost, gap })
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

/// Least cost for each size from the number of musts (at least 1) to the largest asked for.
#[must_use]
pub fn gain_curve(costs: &Costs, request: &Request) -> Vec<(usize, f64)> {
    let sizes = request.must.len().max(1)..=request.size_max;
    let at = |size| choose(costs, &Request { size_max: size, ..request.clone() }).map(|choice| (size, choice.cost));
    sizes.filter_map(at).collect()
}

/// Adds the candidate that helps most until all slots are full.
fn greedy(costs: &Costs, must: &[usize], candidates: &[usize], slots: usize) -> Vec<usize> {
    let mut set = must.to_vec();
    for _ in 0..slots {
        let nearest = costs.nearest(&set);
        let cost_with = |j: usize| nearest.iter().zip(&costs.rows[j]).map(|(a, b)| a.min(*b)).sum::<f64>();
        let open = candidates.iter().copied().filter(|j| !set.contains(j));
        let best = open.map(|j| (cost_with(j), j)).min_by(|x, y| x.0.total_cmp(&y.0));
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
                let swapped: f64 = nearest.iter().zip(&costs.rows[j]).map(|(a, b)| a.min(*b)).sum();
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
            self.costs.lower(&mut lowest, j);
        }
        (ranked, lowest.iter().sum())
    }
}
