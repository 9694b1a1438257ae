//! Largest flow and smallest cut in a sparse graph with whole-number capacities.
//!
//! Two search trees grow from source and sink and are kept from one augmenting path to the next (Boykov, Kolmogorov
//! 2004). Queues run in fixed order, so the same graph always gives the same cut.

use std::collections::VecDeque;

const NONE: u32 = u32::MAX;
/// Parent of a node that hangs on its terminal directly.
const TERMINAL: u32 = u32::MAX - 1;
/// Parent of a node whose way to the terminal has just been cut.
const ORPHAN: u32 = u32::MAX - 2;

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Tree {
    Free,
    Source,
    Sink,
}

#[derive(Clone, Debug)]
struct Node {
    /// First arc that leaves the node.
    first: u32,
    /// Arc from the node to its parent in the tree, or a mark.
    parent: u32,
    /// Room left on the arc from the source (positive) or to the sink (negative).
    spare: i64,
    /// When `distance` was last found right.
    stamp: u32,
    /// Arcs to the terminal, as known at `stamp`.
    distance: u32,
    tree: Tree,
    queued: bool,
}

/// One direction of an edge; its sister has the same index but for the lowest bit.
#[derive(Clone, Debug)]
struct Arc {
    head: u32,
    next: u32,
    room: i64,
}

/// A graph between a source and a sink.
#[derive(Clone, Debug, Default)]
pub struct FlowGraph {
    nodes: Vec<Node>,
    arcs: Vec<Arc>,
    flow: i64,
    active: VecDeque<u32>,
    orphans: VecDeque<u32>,
    now: u32,
}

impl FlowGraph {
    /// Starts anew with this many nodes and no edge; memory is used again.
    pub fn reset(&mut self, nodes: usize) {
        let node = Node { first: NONE, parent: NONE, spare: 0, stamp: 0, distance: 0, tree: Tree::Free, queued: false };
        self.nodes.clear();
        self.nodes.resize(nodes, node);
        self.arcs.clear();
        self.active.clear();
        self.orphans.clear();
        (self.flow, self.now) = (0, 0);
    }

    /// Adds room from the source to a node and from the node to the sink; neither may be negative.
    pub fn add_terminals(&mut self, node: u32, from_source: i64, to_sink: i64) {
        let spare = &mut self.nodes[node as usize].spare;
        // What can pass straight through is flow at once.
        let (in_room, out_room) = (from_source + (*spare).max(0), to_sink + (-*spare).max(0));
        self.flow += in_room.min(out_room);
        *spare = in_room - out_room;
    }

    /// Adds an edge with room in both directions; neither may be negative.
    pub fn add_edge(&mut self, a: u32, b: u32, room: i64, room_back: i64) {
        for (from, head, room) in [(a, b, room), (b, a, room_back)] {
            let index = self.arcs.len() as u32;
            let next = std::mem::replace(&mut self.nodes[from as usize].first, index);
            self.arcs.push(Arc { head, next, room });
        }
    }

    /// Lets as much flow through as will go; returns how much that is.
    pub fn max_flow(&mut self) -> i64 {
        self.plant();
        while let Some(node) = self.next_active() {
            // The node is looked at again until no path starts from it.
            while let Some(bridge) = self.grow(node) {
                self.now += 1;
                self.augment(bridge);
                self.adopt();
            }
        }
        self.flow
    }

    /// Whether a node is on the sink's side of the smallest cut; undecided nodes are not.
    #[must_use]
    pub fn is_sink_side(&self, node: u32) -> bool {
        self.nodes[node as usize].tree == Tree::Sink
    }

    /// Roots both trees at the nodes their terminals reach.
    fn plant(&mut self) {
        for index in 0..self.nodes.len() {
            let node = &mut self.nodes[index];
            if node.spare == 0 {
                continue;
            }
            node.tree = if node.spare > 0 { Tree::Source } else { Tree::Sink };
            (node.parent, node.distance) = (TERMINAL, 1);
            self.activate(index as u32);
        }
    }

    fn activate(&mut self, node: u32) {
        let queued = &mut self.nodes[node as usize].queued;
        if !*queued {
            *queued = true;
            self.active.push_back(node);
        }
    }

    fn next_active(&mut self) -> Option<u32> {
        while let Some(node) = self.active.pop_front() {
            self.nodes[node as usize].queued = false;
            if self.nodes[node as usize].tree != Tree::Free {
                return Some(node);
            }
        }
        None
    }

    /// Whether flow can pass along an arc away from the source's tree or towards the sink's.
    fn is_open(&self, arc: u32, tree: Tree) -> bool {
        let along = if tree == Tree::Source { arc } else { arc ^ 1 };
        self.arcs[along as usize].room > 0
    }

    /// Takes free neighbours into the node's tree; returns an arc from the source's tree to the sink's if one is met.
    fn grow(&mut self, node: u32) -> Option<u32> {
        let Node { tree, stamp, distance, mut first, .. } = self.nodes[node as usize];
        if tree == Tree::Free {
            return None;
        }
        while first != NONE {
            let arc = first;
            let Arc { head, next, .. } = self.arcs[arc as usize];
            first = next;
            if !self.is_open(arc, tree) {
                continue;
            }
            let other = &mut self.nodes[head as usize];
            if other.tree == Tree::Free {
                (other.tree, other.parent) = (tree, arc ^ 1);
                (other.stamp, other.distance) = (stamp, distance + 1);
                self.activate(head);
            } else if other.tree != tree {
                return Some(if tree == Tree::Source { arc } else { arc ^ 1 });
            } else if other.stamp <= stamp && other.distance > distance + 1 {
                // A shorter way to the terminal.
                (other.parent, other.stamp, other.distance) = (arc ^ 1, stamp, distance + 1);
            }
        }
        None
    }

    /// Sends as much as fits along the path through `bridge`; arcs that are full then leave orphans.
    fn augment(&mut self, bridge: u32) {
        let (tail, head) = (self.arcs[(bridge ^ 1) as usize].head, self.arcs[bridge as usize].head);
        let room = self.arcs[bridge as usize].room;
        let amount = room.min(self.room_to_root(tail)).min(self.room_to_root(head));
        self.push(bridge, amount);
        self.push_to_root(tail, amount);
        self.push_to_root(head, amount);
        self.flow += amount;
    }

    /// Least room on the way between a node and its terminal.
    fn room_to_root(&self, mut node: u32) -> i64 {
        let mut least = i64::MAX;
        loop {
            let Node { parent, spare, tree, .. } = self.nodes[node as usize];
            if parent == TERMINAL {
                return least.min(spare.abs());
            }
            // Flow runs from parent to child in the source's tree.
            let along = if tree == Tree::Source { parent ^ 1 } else { parent };
            least = least.min(self.arcs[along as usize].room);
            node = self.arcs[parent as usize].head;
        }
    }

    fn push_to_root(&mut self, mut node: u32, amount: i64) {
        loop {
            let Node { parent, tree, .. } = self.nodes[node as usize];
            if parent == TERMINAL {
                let spare = &mut self.nodes[node as usize].spare;
                *spare -= if tree == Tree::Source { amount } else { -amount };
                if *spare == 0 {
                    self.orphan(node);
                }
                return;
            }
            let along = if tree == Tree::Source { parent ^ 1 } else { parent };
            self.push(along, amount);
            let above = self.arcs[parent as usize].head;
            if self.arcs[along as usize].room == 0 {
                self.orphan(node);
            }
            node = above;
        }
    }

    fn push(&mut self, arc: u32, amount: i64) {
        self.arcs[arc as usize].room -= amount;
        self.arcs[(arc ^ 1) as usize].room += amount;
    }

    fn orphan(&mut self, node: u32) {
        self.nodes[node as usize].parent = ORPHAN;
        self.orphans.push_back(node);
    }

    /// Finds each orphan a new parent in its tree, or sets it free.
    fn adopt(&mut self) {
        while let Some(node) = self.orphans.pop_front() {
            let tree = self.nodes[node as usize].tree;
            let mut best: Option<(u32, u32)> = None;
            let mut arc = self.nodes[node as usize].first;
            while arc != NONE {
                let Arc { head, next, .. } = self.arcs[arc as usize];
                if self.nodes[head as usize].tree == tree
                    && self.is_open(arc ^ 1, tree)
                    && let Some(distance) = self.distance_to_root(head)
                    && best.is_none_or(|(_, least)| distance < least)
                {
                    best = Some((arc, distance));
                }
                arc = next;
            }
            if let Some((arc, distance)) = best {
                let now = self.now;
                let node = &mut self.nodes[node as usize];
                (node.parent, node.stamp, node.distance) = (arc, now, distance + 1);
            } else {
                self.set_free(node, tree);
            }
        }
    }

    /// Arcs between a node and its terminal, if it still hangs on it; marks the way as known.
    fn distance_to_root(&mut self, start: u32) -> Option<u32> {
        let (mut node, mut steps) = (start, 0);
        let total = loop {
            let Node { parent, stamp, distance, .. } = self.nodes[node as usize];
            if stamp == self.now && parent != ORPHAN && parent != NONE {
                break steps + distance;
            }
            match parent {
                TERMINAL => break steps + 1,
                ORPHAN | NONE => return None,
                _ => node = self.arcs[parent as usize].head,
            }
            steps += 1;
        };
        let (mut node, mut distance) = (start, total);
        loop {
            let now = self.now;
            let this = &mut self.nodes[node as usize];
            if this.stamp == now {
                return Some(total);
            }
            (this.stamp, this.distance) = (now, distance);
            if this.parent == TERMINAL {
                return Some(total);
            }
            node = self.arcs[this.parent as usize].head;
            distance -= 1;
        }
    }

    /// Gives up a node: its children become orphans, and neighbours that could take it in become active.
    fn set_free(&mut self, node: u32, tree: Tree) {
        let mut arc = self.nodes[node as usize].first;
        while arc != NONE {
            let Arc { head, next, .. } = self.arcs[arc as usize];
            if self.nodes[head as usize].tree == tree {
                if self.is_open(arc ^ 1, tree) {
                    self.activate(head);
                }
                let parent = self.nodes[head as usize].parent;
                if parent < ORPHAN && self.arcs[parent as usize].head == node {
                    self.orphan(head);
                }
            }
            arc = next;
        }
        let freed = &mut self.nodes[node as usize];
        (freed.tree, freed.parent) = (Tree::Free, NONE);
    }
}
