//! Which labels each layer holds, and the order of labels that takes the fewest changes when the order inside a layer
//! is free and the last label carries over to the next layer.

use super::slice::Layers;

/// Labels of one layer, one bit each.
pub type LabelSet = u64;

/// Labels a set can hold.
pub const LABELS_MAX: usize = LabelSet::BITS as usize;

/// Collects which labels are present in which layer, from the heights that pieces of surface or solid span.
#[derive(Clone, Debug)]
pub struct Presence {
    layers: Layers,
    /// Per label: how many spans begin at a layer, less those that ended before it.
    begins: Vec<Vec<i32>>,
}

impl Presence {
    /// # Panics
    /// When `label_count` is above [`LABELS_MAX`].
    #[must_use]
    pub fn new(label_count: usize, layers: Layers) -> Self {
        assert!(label_count <= LABELS_MAX, "a label set holds {LABELS_MAX} labels, not {label_count}");
        Self { layers, begins: vec![vec![0; layers.count + 1]; label_count] }
    }

    /// Marks a label in every layer whose middle lies between two heights.
    pub fn mark(&mut self, label: usize, low_mm: f64, high_mm: f64) {
        let (first, end) = (self.layers.below(low_mm), self.layers.below(high_mm));
        if let Some(begins) = self.begins.get_mut(label).filter(|_| first < end) {
            begins[first] += 1;
            begins[end] -= 1;
        }
    }

    /// Adds what another collection over the same layers holds.
    pub fn merge(&mut self, other: &Self) {
        for (mine, theirs) in self.begins.iter_mut().zip(&other.begins) {
            mine.iter_mut().zip(theirs).for_each(|(a, b)| *a += b);
        }
    }

    /// The labels of each layer, bottom first.
    #[must_use]
    pub fn sets(&self) -> Vec<LabelSet> {
        let mut sets = vec![0; self.layers.count];
        for (label, begins) in self.begins.iter().enumerate() {
            let mut open = 0;
            for (set, begin) in sets.iter_mut().zip(begins) {
                open += begin;
                *set |= LabelSet::from(open > 0) << label;
            }
        }
        sets
    }
}

/// How often labels have to be changed, and which.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Changes {
    pub count: usize,
    /// Changes to each label; the first loading is not a change.
    pub to_label: Vec<usize>,
    /// For each layer the labels changed to.
    pub loaded: Vec<LabelSet>,
}

/// The fewest changes that print all layers: dynamic programming over the label a layer ends with.
///
/// Ending layer `S` with `x` after `y` costs `|S| - 1` changes when `y` can go first, that is when it is in `S` and is
/// not also the end of a longer order, and `|S|` otherwise.
#[must_use]
pub fn fewest_changes(layers: &[LabelSet]) -> Changes {
    let used: Vec<LabelSet> = layers.iter().copied().filter(|&set| set != 0).collect();
    let Some((&first, rest)) = used.split_first() else {
        return Changes { loaded: vec![0; layers.len()], ..Changes::default() };
    };
    let mut cost: Vec<(usize, usize)> = members(first).map(|x| (x, first.count_ones() as usize - 1)).collect();
    let mut before: Vec<Vec<usize>> = vec![Vec::new()];
    for &set in rest {
        let ends = members(set).map(|x| {
            let total = |(i, &(y, c)): (usize, &(usize, usize))| (c + loads(set, y, x), i);
            cost.iter().enumerate().map(total).min().map_or((x, 0, 0), |(c, i)| (x, c, i))
        });
        let ends: Vec<_> = ends.collect();
        before.push(ends.iter().map(|end| end.2).collect());
        cost = ends.iter().map(|end| (end.0, end.1)).collect();
    }
    let mut changes = trace_back(&used, &cost, &before);
    let mut loaded = changes.loaded.iter();
    changes.loaded = layers.iter().map(|set| if *set == 0 { 0 } else { *loaded.next().unwrap_or(&0) }).collect();
    changes
}

/// The count of [`fewest_changes`] alone, from runs of layers with the same labels, as `(labels, layers)`; empty layers are
/// skipped.
///
/// In a run the costs of ending with each label repeat, but for a constant, after three layers: with two labels they swap in
/// every layer, with more they are all alike after two.
#[must_use]
pub fn fewest_in_runs(runs: impl IntoIterator<Item = (LabelSet, usize)>) -> usize {
    let mut costs = [0_usize; LABELS_MAX];
    let mut last: LabelSet = 0;
    for (set, count) in runs.into_iter().filter(|&(set, count)| set != 0 && count > 0) {
        let inside = set.count_ones() as usize - 1;
        let mut left = count;
        if last == 0 {
            members(set).for_each(|x| costs[x] = inside);
            left -= 1;
        } else if last != set {
            add_layer(&mut costs, last, set);
            left -= 1;
        }
        let walked = if left > 3 { 2 + left % 2 } else { left };
        for _ in 0..walked {
            add_layer(&mut costs, set, set);
        }
        members(set).for_each(|x| costs[x] += (left - walked) * inside);
        last = set;
    }
    members(last).map(|x| costs[x]).min().unwrap_or(0)
}

/// Takes the costs of ending each label of one layer to those of the next.
fn add_layer(costs: &mut [usize; LABELS_MAX], last: LabelSet, set: LabelSet) {
    let before = *costs;
    for x in members(set) {
        costs[x] = members(last).map(|y| before[y] + loads(set, y, x)).min().unwrap_or(0);
    }
}

/// Changes needed to print a layer after `y` so that it ends with `x`.
fn loads(set: LabelSet, y: usize, x: usize) -> usize {
    set.count_ones() as usize - usize::from(carries(set, y, x))
}

fn carries(set: LabelSet, y: usize, x: usize) -> bool {
    set >> y & 1 == 1 && (set.is_power_of_two() || y != x)
}

fn trace_back(used: &[LabelSet], cost: &[(usize, usize)], before: &[Vec<usize>]) -> Changes {
    let last = (0..cost.len()).min_by_key(|&i| cost[i].1).unwrap_or(0);
    let mut to_label = vec![0; LABELS_MAX];
    let mut loaded = vec![0; used.len()];
    let mut end = last;
    for layer in (0..used.len()).rev() {
        let set = used[layer];
        let Some(x) = members(set).nth(end) else { break };
        let (first, previous) = if layer == 0 {
            (members(set).find(|&y| carries(set, y, x)), 0)
        } else {
            let previous = before[layer][end];
            (members(used[layer - 1]).nth(previous).filter(|&y| carries(set, y, x)), previous)
        };
        for label in members(set).filter(|&label| Some(label) != first) {
            to_label[label] += 1;
            loaded[layer] |= 1 << label;
        }
        end = previous;
    }
    Changes { count: cost.get(last).map_or(0, |c| c.1), to_label, loaded }
}

/// Changes when every layer goes through its labels in ascending order.
#[must_use]
pub fn changes_in_order(layers: &[LabelSet]) -> usize {
    let used = || layers.iter().copied().filter(|&set| set != 0);
    let inside: usize = used().map(|set| set.count_ones() as usize - 1).sum();
    let highest = |set: LabelSet| LabelSet::BITS - 1 - set.leading_zeros();
    let between = used().zip(used().skip(1)).filter(|&(a, b)| highest(a) != b.trailing_zeros()).count();
    inside + between
}

fn members(mut set: LabelSet) -> impl Iterator<Item = usize> {
    std::iter::from_fn(move || {
        let lowest = (set != 0).then_some(set.trailing_zeros() as usize);
        set &= set.wrapping_sub(1);
        lowest
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    fn sets(words: &str) -> Vec<LabelSet> {
        words.split(' ').map(|word| word.bytes().map(|b| 1 << (b - b'A')).sum()).collect()
    }

    /// Orders, optimum and sum(|S| - 1) found by full enumeration of all orders in a separate program.
    #[test]
    fn the_table_of_worked_cases_comes_out() {
        let table = [
            ("AB AB AB AB", 7, 4),
            ("A B A B", 3, 3),
            ("AB BC C AC", 4, 3),
            ("ABC ABC ABC", 8, 6),
            ("AB AB CD CD", 7, 5),
            ("AB A AB B AB", 5, 3),
            ("ABCD ABCD ABCD ABCD ABCD", 19, 15),
        ];
        for (layers, naive, optimum) in table {
            let layers = sets(layers);
            assert_eq!(changes_in_order(&layers), naive, "{layers:?}");
            let best = fewest_changes(&layers);
            assert_eq!(best.count, optimum, "{layers:?}");
            assert_eq!(best.to_label.iter().sum::<usize>(), optimum, "{layers:?}");
        }
    }

    #[test]
    fn runs_of_layers_count_like_layers() {
        let mut seed = 99_u64;
        let mut next = move || {
            seed = seed.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
            seed >> 40
        };
        for case in 0..2000 {
            let runs: Vec<(LabelSet, usize)> = (0..=next() % 6).map(|_| (next() % 32, next() as usize % 9)).collect();
            let layers: Vec<LabelSet> = runs.iter().flat_map(|&(set, count)| vec![set; count]).collect();
            assert_eq!(fewest_in_runs(runs.iter().copied()), fewest_changes(&layers).count, "case {case}: {runs:?}");
        }
    }

    #[test]
    fn nothing_to_print_needs_no_change() {
        assert_eq!(fewest_changes(&[0, 0]).count, 0);
        assert_eq!(changes_in_order(&[]), 0);
    }

    /// Full enumeration of every order of every layer.
    fn by_enumeration(layers: &[LabelSet], last: Option<usize>) -> usize {
        let Some((&set, rest)) = layers.split_first() else { return 0 };
        let labels: Vec<usize> = members(set).collect();
        if labels.is_empty() {
            return by_enumeration(rest, last);
        }
        orders(&labels)
            .iter()
            .map(|order| {
                let enter = usize::from(last.is_some_and(|last| last != order[0]));
                enter + order.len() - 1 + by_enumeration(rest, order.last().copied())
            })
            .min()
            .unwrap()
    }

    fn orders(labels: &[usize]) -> Vec<Vec<usize>> {
        if labels.len() < 2 {
            return vec![labels.to_vec()];
        }
        let mut all = Vec::new();
        for (i, &first) in labels.iter().enumerate() {
            let others: Vec<usize> = labels.iter().enumerate().filter(|&(j, _)| j != i).map(|(_, &l)| l).collect();
            all.extend(orders(&others).into_iter().map(|tail| [vec![first], tail].concat()));
        }
        all
    }

    #[test]
    fn the_optimum_equals_full_enumeration() {
        let mut seed = 12345_u64;
        for case in 0..300 {
            let layers: Vec<LabelSet> = (0..4)
                .map(|_| {
                    seed = seed.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
                    seed >> 60
                })
                .collect();
            let best = fewest_changes(&layers);
            assert_eq!(best.count, by_enumeration(&layers, None), "case {case}: {layers:?}");
            let loaded: u32 = best.loaded.iter().map(|set| set.count_ones()).sum();
            assert_eq!((best.loaded.len(), loaded as usize), (layers.len(), best.count), "case {case}: {layers:?}");
            assert_eq!(best.to_label.iter().sum::<usize>(), best.count, "case {case}: {layers:?}");
            assert!(best.count <= changes_in_order(&layers));
        }
    }
}
