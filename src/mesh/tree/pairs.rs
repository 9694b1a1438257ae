//! Pairs of triangles whose boxes touch: within one tree, or between two.

use rayon::prelude::*;

use super::{Node, TriTree};

/// The walk is cut into about this many tasks, whatever the number of threads.
const TASKS: usize = 2048;
/// Tasks run between two looks at whether enough was found.
const BATCH: usize = 256;

impl TriTree {
    /// Asks `test` about every pair of this tree's triangles (lower index first) whose boxes touch and gathers its
    /// answers in a fixed order. Once `enough` answers are there it may stop, always at the same place.
    pub fn self_pairs<T: Send>(&self, enough: usize, test: impl Fn(u32, u32) -> Option<T> + Sync) -> Vec<T> {
        Pairing { a: self, b: self, within: true }.gather(enough, &|i, j| test(i.min(j), i.max(j)))
    }

    /// The same for a triangle of this tree and one of the other.
    pub fn pairs_with<T: Send>(
        &self,
        other: &Self,
        enough: usize,
        test: impl Fn(u32, u32) -> Option<T> + Sync,
    ) -> Vec<T> {
        Pairing { a: self, b: other, within: false }.gather(enough, &test)
    }
}

/// Two trees walked together, or one with itself.
struct Pairing<'a> {
    a: &'a TriTree,
    b: &'a TriTree,
    within: bool,
}

impl Pairing<'_> {
    fn gather<T: Send>(&self, enough: usize, test: &(impl Fn(u32, u32) -> Option<T> + Sync)) -> Vec<T> {
        let mut found = Vec::new();
        for batch in self.tasks().chunks(BATCH) {
            let parts: Vec<Vec<T>> = batch.par_iter().map(|task| self.run(*task, enough, test)).collect();
            found.extend(parts.into_iter().flatten());
            if found.len() >= enough {
                break;
            }
        }
        found
    }

    /// Pairs of nodes that together cover all pairs of triangles.
    fn tasks(&self) -> Vec<(u32, u32)> {
        let mut tasks = Vec::new();
        if let (Some(a), Some(b)) = (self.a.nodes.first(), self.b.nodes.first())
            && a.touches(b)
        {
            tasks.push((0, 0));
        }
        loop {
            let mut finer = Vec::with_capacity(4 * tasks.len());
            let mut descended = false;
            for task in &tasks {
                if self.descend(*task, &mut finer) {
                    descended = true;
                } else {
                    finer.push(*task);
                }
            }
            tasks = finer;
            if !descended || tasks.len() >= TASKS {
                return tasks;
            }
        }
    }

    fn run<T>(&self, task: (u32, u32), enough: usize, test: &impl Fn(u32, u32) -> Option<T>) -> Vec<T> {
        let mut found = Vec::new();
        let mut stack = vec![task];
        while let Some(pair) = stack.pop() {
            if !self.descend(pair, &mut stack) {
                self.test_leaves(pair, test, &mut found);
                if found.len() >= enough {
                    break;
                }
            }
        }
        found
    }

    /// Adds the pairs of children of a pair of nodes; `false` when both are leaves.
    fn descend(&self, (i, j): (u32, u32), into: &mut Vec<(u32, u32)>) -> bool {
        let (node_a, node_b) = (&self.a.nodes[i as usize], &self.b.nodes[j as usize]);
        if node_a.is_leaf() && node_b.is_leaf() {
            return false;
        }
        let mut add = |i: u32, j: u32| {
            if self.a.nodes[i as usize].touches(&self.b.nodes[j as usize]) {
                into.push((i, j));
            }
        };
        if self.within && i == j {
            let [left, right] = self.a.children(i);
            add(left, left);
            add(left, right);
            add(right, right);
        } else if node_b.is_leaf() || !node_a.is_leaf() && girth(node_a) >= girth(node_b) {
            self.a.children(i).into_iter().for_each(|child| add(child, j));
        } else {
            self.b.children(j).into_iter().for_each(|child| add(i, child));
        }
        true
    }

    fn test_leaves<T>(&self, (i, j): (u32, u32), test: &impl Fn(u32, u32) -> Option<T>, found: &mut Vec<T>) {
        for slot_a in self.a.nodes[i as usize].slots() {
            let (low, high) = self.a.slot_box(slot_a);
            let others = self.b.nodes[j as usize].slots();
            for slot_b in others.filter(|slot_b| !(self.within && i == j) || *slot_b > slot_a) {
                let (other_low, other_high) = self.b.slot_box(slot_b);
                if low.cmple(other_high).all() && other_low.cmple(high).all() {
                    found.extend(test(self.a.order[slot_a], self.b.order[slot_b]));
                }
            }
        }
    }
}

/// Size of a node's box: the sum of its sides, mm.
fn girth(node: &Node) -> f32 {
    (0..3).map(|axis| node.high[axis] - node.low[axis]).sum()
}
