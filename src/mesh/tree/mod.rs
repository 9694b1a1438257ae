//! A tree of boxes over triangles: nearest point, rays, boxes and touching pairs without looking at every triangle.
//!
//! It keeps its own copy of the corners and comes out alike on any number of threads. Triangles with a corner that is
//! missing or not finite are left out and never found.

mod build;
mod pairs;
mod query;

use glam::DVec3;

pub(super) use query::nearest_in_triangle;
pub use query::{Nearest, RayHit};

/// A box and what is in it, 32 bytes; nodes lie in depth-first order, so a left child follows its parent.
#[derive(Clone, Copy, Debug)]
pub(super) struct Node {
    low: [f32; 3],
    high: [f32; 3],
    /// Leaf: its first slot. Branch: how far behind it its right child lies.
    link: u32,
    /// Slots of a leaf; 0 for a branch.
    count: u32,
}

impl Node {
    pub(super) fn is_leaf(&self) -> bool {
        self.count > 0
    }

    pub(super) fn slots(&self) -> std::ops::Range<usize> {
        self.link as usize..(self.link + self.count) as usize
    }

    pub(super) fn low(&self) -> DVec3 {
        glam::Vec3::from_array(self.low).as_dvec3()
    }

    pub(super) fn high(&self) -> DVec3 {
        glam::Vec3::from_array(self.high).as_dvec3()
    }

    /// Squared distance from a point to the box, 0 inside, mm2.
    fn distance_squared(&self, point: DVec3) -> f64 {
        (point.clamp(self.low(), self.high()) - point).length_squared()
    }

    fn touches(&self, other: &Self) -> bool {
        (0..3).all(|axis| self.low[axis] <= other.high[axis] && other.low[axis] <= self.high[axis])
    }
}

/// The tree; see the module.
#[derive(Clone, Debug, Default)]
pub struct TriTree {
    pub(super) nodes: Vec<Node>,
    /// Corners by slot: triangles in the order of the leaves.
    pub(super) corners: Vec<[DVec3; 3]>,
    /// Triangle in each slot.
    order: Vec<u32>,
}

impl TriTree {
    /// Builds the tree, in parallel.
    #[must_use]
    pub fn new(positions: &[DVec3], triangles: &[[u32; 3]]) -> Self {
        build::build(positions, triangles)
    }

    /// Number of triangles in the tree.
    #[must_use]
    pub fn len(&self) -> usize {
        self.order.len()
    }

    /// Whether there is nothing to find.
    #[must_use]
    pub fn is_empty(&self) -> bool {
        self.order.is_empty()
    }

    /// Box around everything, mm, rounded outward to single precision; `None` when the tree is empty.
    #[must_use]
    pub fn bounds(&self) -> Option<(DVec3, DVec3)> {
        self.nodes.first().map(|root| (root.low(), root.high()))
    }

    pub(super) fn children(&self, node: u32) -> [u32; 2] {
        [node + 1, node + self.nodes[node as usize].link]
    }

    /// Box around one slot's triangle, mm.
    fn slot_box(&self, slot: usize) -> (DVec3, DVec3) {
        let [a, b, c] = self.corners[slot];
        (a.min(b).min(c), a.max(b).max(c))
    }
}
