//! Building the tree: split at the cheapest of a few planes by the surface area heuristic (Wald 2007), big halves in
//! parallel.

use glam::DVec3;
use rayon::prelude::*;

use super::{Node, TriTree};

/// Most triangles in a leaf.
const LEAF: usize = 4;
/// Bins along the longest axis in which a split plane is looked for.
const BINS: usize = 16;
/// Ranges above this size are built as two tasks.
const PARALLEL: usize = 1 << 14;
/// From this depth on ranges are halved by count, which bounds the depth of the tree by 48 + 30.
const DEEP: usize = 48;
/// Room a traversal's stack needs: the greatest depth and one more.
pub(super) const STACK: usize = 80;

/// A triangle while the tree is built.
#[derive(Clone, Copy)]
struct Item {
    low: [f32; 3],
    high: [f32; 3],
    triangle: u32,
}

impl Item {
    /// Twice the centre of the box.
    fn centre(&self) -> [f32; 3] {
        [0, 1, 2].map(|axis| self.low[axis] + self.high[axis])
    }
}

/// A box that grows.
#[derive(Clone, Copy)]
struct Bounds {
    low: [f32; 3],
    high: [f32; 3],
}

impl Bounds {
    const EMPTY: Self = Self { low: [f32::INFINITY; 3], high: [f32::NEG_INFINITY; 3] };

    fn add(&mut self, low: &[f32; 3], high: &[f32; 3]) {
        for axis in 0..3 {
            // Plain comparisons: coordinates are never NaN, and this compiles to one instruction each.
            self.low[axis] = if low[axis] < self.low[axis] { low[axis] } else { self.low[axis] };
            self.high[axis] = if high[axis] > self.high[axis] { high[axis] } else { self.high[axis] };
        }
    }

    fn half_area(&self) -> f32 {
        let [x, y, z] = [0, 1, 2].map(|axis| self.high[axis] - self.low[axis]);
        x * y + y * z + z * x
    }
}

/// What a split has to know about a range of items.
#[derive(Clone, Copy)]
struct Extent {
    boxes: Bounds,
    /// Around the doubled centres.
    centres: Bounds,
    count: usize,
}

impl Extent {
    const EMPTY: Self = Self { boxes: Bounds::EMPTY, centres: Bounds::EMPTY, count: 0 };

    fn of(items: &[Item]) -> Self {
        if items.len() > PARALLEL {
            let parts: Vec<Self> = items.par_chunks(PARALLEL).map(Self::of).collect();
            return parts.iter().fold(Self::EMPTY, |mut sum, part| {
                sum.merge(part);
                sum
            });
        }
        let mut extent = Self::EMPTY;
        for item in items {
            extent.add(item);
        }
        extent
    }

    fn add(&mut self, item: &Item) {
        let centre = item.centre();
        self.boxes.add(&item.low, &item.high);
        self.centres.add(&centre, &centre);
        self.count += 1;
    }

    fn merge(&mut self, other: &Self) {
        self.boxes.add(&other.boxes.low, &other.boxes.high);
        self.centres.add(&other.centres.low, &other.centres.high);
        self.count += other.count;
    }

    fn cost(&self) -> f32 {
        self.boxes.half_area() * self.count as f32
    }

    fn leaf(&self, first: u32) -> Node {
        Node { low: self.boxes.low, high: self.boxes.high, link: first, count: self.count as u32 }
    }
}

/// The greatest `f32` that is not above.
fn round_down(value: f64) -> f32 {
    let near = value as f32;
    if f64::from(near) > value { near.next_down() } else { near }
}

fn round_up(value: f64) -> f32 {
    -round_down(-value)
}

fn item(triangle: usize, corners: [DVec3; 3]) -> Item {
    let [a, b, c] = corners;
    let (low, high) = (a.min(b).min(c), a.max(b).max(c));
    Item { low: low.to_array().map(round_down), high: high.to_array().map(round_up), triangle: triangle as u32 }
}

pub(super) fn build(positions: &[DVec3], triangles: &[[u32; 3]]) -> TriTree {
    let corners_of = |triangle: &[u32; 3]| {
        let [a, b, c] = triangle.map(|v| positions.get(v as usize).copied().filter(|p| p.is_finite()));
        Some([a?, b?, c?])
    };
    let mut items: Vec<Item> =
        triangles.par_iter().enumerate().filter_map(|(i, t)| Some(item(i, corners_of(t)?))).collect();
    if items.is_empty() {
        return TriTree::default();
    }
    let extent = Extent::of(&items);
    let nodes = grow(&mut items, extent, 0, 0);
    let corner = |v: u32| positions[v as usize];
    let corners = items.par_iter().map(|item| triangles[item.triangle as usize].map(corner)).collect();
    let order = items.par_iter().map(|item| item.triangle).collect();
    TriTree { nodes, corners, order }
}

/// Subtree over items that will fill the slots from `first` on.
fn grow(items: &mut [Item], extent: Extent, first: u32, depth: usize) -> Vec<Node> {
    if items.len() <= PARALLEL {
        let mut nodes = Vec::with_capacity(items.len());
        grow_into(&mut nodes, items, extent, first, depth);
        return nodes;
    }
    let (left_extent, right_extent) = split(items, &extent, depth);
    let (left, right) = items.split_at_mut(left_extent.count);
    let right_first = first + left.len() as u32;
    let (left, right) =
        rayon::join(|| grow(left, left_extent, first, depth + 1), || grow(right, right_extent, right_first, depth + 1));
    let mut nodes = Vec::with_capacity(1 + left.len() + right.len());
    nodes.push(Node { count: 0, ..extent.leaf(1 + left.len() as u32) });
    nodes.extend_from_slice(&left);
    nodes.extend_from_slice(&right);
    nodes
}

fn grow_into(nodes: &mut Vec<Node>, items: &mut [Item], extent: Extent, first: u32, depth: usize) {
    let at = nodes.len();
    nodes.push(extent.leaf(first));
    if items.len() <= LEAF {
        return;
    }
    let (left_extent, right_extent) = split(items, &extent, depth);
    let (left, right) = items.split_at_mut(left_extent.count);
    grow_into(nodes, left, left_extent, first, depth + 1);
    nodes[at].link = (nodes.len() - at) as u32;
    nodes[at].count = 0;
    grow_into(nodes, right, right_extent, first + left.len() as u32, depth + 1);
}

/// Reorders the items so that the two parts make a good pair of boxes, the first part in front.
fn split(items: &mut [Item], extent: &Extent, depth: usize) -> (Extent, Extent) {
    let spread = |axis: usize| extent.centres.high[axis] - extent.centres.low[axis];
    let axis = (1..3).fold(0, |best, axis| if spread(axis) > spread(best) { axis } else { best });
    let low = extent.centres.low[axis];
    let scale = BINS as f32 / spread(axis);
    if depth >= DEEP || !scale.is_finite() {
        return halve(items, axis);
    }
    let bin = |item: &Item| (((item.low[axis] + item.high[axis] - low) * scale) as usize).min(BINS - 1);
    let (last, left, right) = cheapest_split(&sorted_into_bins(items, &bin));
    partition(items, |item| bin(item) <= last);
    (left, right)
}

fn sorted_into_bins(items: &[Item], bin: &(impl Fn(&Item) -> usize + Sync)) -> [Extent; BINS] {
    let mut bins = [Extent::EMPTY; BINS];
    if items.len() > PARALLEL {
        let parts: Vec<_> = items.par_chunks(PARALLEL).map(|part| sorted_into_bins(part, bin)).collect();
        for (sum, part) in parts.iter().flat_map(|part| (0..BINS).zip(part)) {
            bins[sum].merge(part);
        }
    } else {
        for item in items {
            bins[bin(item)].add(item);
        }
    }
    bins
}

fn halve(items: &mut [Item], axis: usize) -> (Extent, Extent) {
    let middle = items.len() / 2;
    items.select_nth_unstable_by(middle, |a, b| {
        a.centre()[axis].total_cmp(&b.centre()[axis]).then(a.triangle.cmp(&b.triangle))
    });
    (Extent::of(&items[..middle]), Extent::of(&items[middle..]))
}

/// The last bin of the left side for which area times count, summed over both sides, is least; and both sides. The
/// first and the last bin are never empty, as the outermost centres fall into them.
fn cheapest_split(bins: &[Extent; BINS]) -> (usize, Extent, Extent) {
    // Empty bins, which are most in small ranges, change neither side.
    let mut rights = [(0, Extent::EMPTY); BINS];
    let mut filled = 0;
    for (at, bin) in bins.iter().enumerate().filter(|(_, bin)| bin.count > 0) {
        rights[filled] = (at, *bin);
        filled += 1;
    }
    for at in (1..filled).rev() {
        let behind = rights[at].1;
        rights[at - 1].1.merge(&behind);
    }
    let mut left = Extent::EMPTY;
    let mut best = (0, bins[0], rights[1].1);
    let mut least = f32::INFINITY;
    for at in 0..filled.saturating_sub(1) {
        let (bin, right) = (rights[at].0, &rights[at + 1].1);
        left.merge(&bins[bin]);
        let cost = left.cost() + right.cost();
        if cost < least {
            least = cost;
            best = (bin, left, *right);
        }
    }
    best
}

/// Moves the items that fit to the front.
fn partition(items: &mut [Item], fits: impl Fn(&Item) -> bool) {
    let (mut front, mut back) = (0, items.len());
    while front < back {
        if fits(&items[front]) {
            front += 1;
        } else {
            back -= 1;
            items.swap(front, back);
        }
    }
}
