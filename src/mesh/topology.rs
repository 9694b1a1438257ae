//! Who shares which edge: the half-edge table every repair starts from, connected pieces, vertex fans and rims.
//!
//! Half-edge `3 t + k` runs from corner `k` of triangle `t` to corner `k + 1`. All of this is combinatorial: open,
//! crowded and flipped edges are allowed, and results depend on nothing but the order of the triangles.

use std::sync::atomic::Ordering::Relaxed;
use std::sync::atomic::{AtomicU32, AtomicU64};

use rayon::prelude::*;

/// No half-edge, no triangle, no vertex.
pub const NONE: u32 = u32::MAX;

/// The half-edge after `half` in its triangle.
#[must_use]
pub fn next(half: u32) -> u32 {
    if half % 3 == 2 { half - 2 } else { half + 1 }
}

/// The half-edge before `half` in its triangle.
#[must_use]
pub fn previous(half: u32) -> u32 {
    if half.is_multiple_of(3) { half + 2 } else { half - 1 }
}

/// Vertices a half-edge runs from and to.
#[must_use]
pub fn ends(triangles: &[[u32; 3]], half: u32) -> (u32, u32) {
    let triangle = triangles[half as usize / 3];
    let corner = half as usize % 3;
    (triangle[corner], triangle[(corner + 1) % 3])
}

/// How half-edges meet.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Edges {
    /// For each half-edge the one other half-edge on its edge, in whichever direction; `NONE` if there is none or more
    /// than one.
    pub mates: Vec<u32>,
    /// Half-edges of each edge that has more than two, ascending.
    pub crowded: Vec<Vec<u32>>,
    /// Half-edges that are alone on their edge.
    pub open: usize,
}

/// Vertices or triangles per task.
const RUN: usize = 1 << 14;

impl Edges {
    /// The table of these triangles; their indices must be below `vertices`. Linear time: a counting sort by the lower end.
    #[must_use]
    pub fn of(triangles: &[[u32; 3]], vertices: usize) -> Self {
        let (starts, mut spokes) = spokes(triangles, vertices);
        let mates = atomics(3 * triangles.len(), NONE);
        let run = |(starts, spokes): (&[u32], &mut [u64])| pair_up(starts, spokes, &mates);
        let found: Vec<(usize, Vec<Vec<u32>>)> = runs(&starts, &mut spokes).into_par_iter().map(run).collect();
        let mut edges = Self { mates: plain(mates), ..Self::default() };
        for (open, crowded) in found {
            edges.open += open;
            edges.crowded.extend(crowded);
        }
        edges
    }

    /// Whether both half-edges of a shared edge run the same way, so that one of the triangles is flipped.
    #[must_use]
    pub fn runs_alike(triangles: &[[u32; 3]], a: u32, b: u32) -> bool {
        ends(triangles, a).0 == ends(triangles, b).0
    }

    /// For each half-edge whether it is alone on its edge.
    #[must_use]
    pub fn open_halves(&self, triangles: &[[u32; 3]]) -> Vec<bool> {
        let is_open = |(half, mate): (usize, &u32)| {
            let (from, to) = ends(triangles, half as u32);
            *mate == NONE && from != to
        };
        let mut open: Vec<bool> = self.mates.par_iter().enumerate().with_min_len(RUN).map(is_open).collect();
        for half in self.crowded.iter().flatten() {
            open[*half as usize] = false;
        }
        open
    }
}

/// Numbers that tasks write side by side, each to places of its own or by adding up.
fn atomics(n: usize, value: u32) -> Vec<AtomicU32> {
    (0..n).into_par_iter().with_min_len(RUN).map(|_| AtomicU32::new(value)).collect()
}

fn plain(numbers: Vec<AtomicU32>) -> Vec<u32> {
    numbers.into_iter().map(AtomicU32::into_inner).collect()
}

/// Half-edges by lower end: bucket starts per vertex, and in each bucket, in any order, the higher end in the upper and
/// the half-edge in the lower half of a number. Half-edges that run from a vertex to itself are left out.
fn spokes(triangles: &[[u32; 3]], vertices: usize) -> (Vec<u32>, Vec<u64>) {
    let each_side = |side: &(dyn Fn(usize, u32, u32) + Sync)| {
        triangles.par_iter().enumerate().with_min_len(RUN).for_each(|(t, triangle)| {
            for k in 0..3 {
                let (from, to) = (triangle[k], triangle[(k + 1) % 3]);
                if from != to {
                    side(3 * t + k, from.min(to), from.max(to));
                }
            }
        });
    };
    let counts = atomics(vertices + 1, 0);
    each_side(&|_, low, _| {
        counts[low as usize + 1].fetch_add(1, Relaxed);
    });
    let mut starts = plain(counts);
    for v in 0..vertices {
        starts[v + 1] += starts[v];
    }
    let fill: Vec<AtomicU32> = starts.iter().map(|start| AtomicU32::new(*start)).collect();
    let spokes: Vec<AtomicU64> = (0..starts[vertices]).into_par_iter().map(|_| AtomicU64::new(0)).collect();
    each_side(&|half, low, high| {
        let place = fill[low as usize].fetch_add(1, Relaxed);
        spokes[place as usize].store(u64::from(high) << 32 | half as u64, Relaxed);
    });
    (starts, spokes.into_iter().map(AtomicU64::into_inner).collect())
}

/// The buckets of [`spokes`], by runs of vertices.
fn runs<'a>(starts: &'a [u32], mut spokes: &'a mut [u64]) -> Vec<(&'a [u32], &'a mut [u64])> {
    let vertices = starts.len() - 1;
    let mut runs = Vec::with_capacity(vertices.div_ceil(RUN));
    for first in (0..vertices).step_by(RUN) {
        let starts = &starts[first..=vertices.min(first + RUN)];
        let (run, rest) = spokes.split_at_mut((starts[starts.len() - 1] - starts[0]) as usize);
        runs.push((starts, run));
        spokes = rest;
    }
    runs
}

/// Sorts the buckets of a run and notes who is whose mate; tells how many half-edges are alone, and who are crowded.
fn pair_up(starts: &[u32], spokes: &mut [u64], mates: &[AtomicU32]) -> (usize, Vec<Vec<u32>>) {
    let (mut open, mut crowded) = (0, Vec::new());
    for range in starts.windows(2) {
        let bucket = &mut spokes[(range[0] - starts[0]) as usize..(range[1] - starts[0]) as usize];
        bucket.sort_unstable();
        for group in bucket.chunk_by(|a, b| a >> 32 == b >> 32) {
            match group {
                [_] => open += 1,
                [a, b] => {
                    mates[*a as u32 as usize].store(*b as u32, Relaxed);
                    mates[*b as u32 as usize].store(*a as u32, Relaxed);
                }
                _ => crowded.push(group.iter().map(|spoke| *spoke as u32).collect()),
            }
        }
    }
    (open, crowded)
}

/// The corners of some triangles, and so many rings of vertices around them, marked among all vertices.
#[must_use]
pub fn corners_and_rings(
    triangles: &[[u32; 3]],
    vertices: usize,
    some: impl Iterator<Item = u32>,
    rings: usize,
) -> Vec<bool> {
    let mut marked = vec![false; vertices];
    for v in some.flat_map(|t| triangles[t as usize]) {
        marked[v as usize] = true;
    }
    for _ in 0..rings {
        let core = marked.clone();
        for v in triangles.iter().filter(|t| t.iter().any(|v| core[*v as usize])).flatten() {
            marked[*v as usize] = true;
        }
    }
    marked
}

/// Disjoint sets over `0..n`; the lowest member names a set.
#[derive(Clone, Debug)]
pub struct Sets(Vec<u32>);

impl Sets {
    #[must_use]
    pub fn new(n: usize) -> Self {
        Self((0..n as u32).collect())
    }

    /// Lowest member of the set that holds `item`.
    pub fn find(&mut self, mut item: u32) -> u32 {
        while self.0[item as usize] != item {
            let above = self.0[self.0[item as usize] as usize];
            self.0[item as usize] = above;
            item = above;
        }
        item
    }

    pub fn unite(&mut self, a: u32, b: u32) {
        let (a, b) = (self.find(a), self.find(b));
        self.0[a.max(b) as usize] = a.min(b);
    }
}

/// Pieces of a mesh that hang together by edges.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Components {
    /// Piece of each triangle, numbered by first triangle.
    pub label: Vec<u32>,
    pub count: usize,
}

/// Pieces connected by shared edges; crowded edges connect too.
#[must_use]
pub fn components(triangles: &[[u32; 3]], edges: &Edges) -> Components {
    let mut sets = Sets::new(triangles.len());
    for (half, mate) in edges.mates.iter().enumerate().filter(|(_, m)| **m != NONE) {
        sets.unite(half as u32 / 3, mate / 3);
    }
    for group in &edges.crowded {
        for pair in group.windows(2) {
            sets.unite(pair[0] / 3, pair[1] / 3);
        }
    }
    let mut found = Components { label: vec![NONE; triangles.len()], count: 0 };
    for t in 0..triangles.len() {
        let root = sets.find(t as u32) as usize;
        if root == t {
            found.label[t] = found.count as u32;
            found.count += 1;
        }
        found.label[t] = found.label[root];
    }
    found
}

/// Fans: corners of one vertex that hang together across shared edges. Corner `3 t + k` gets the lowest corner of its fan.
#[must_use]
pub fn fans(triangles: &[[u32; 3]], mates: &[u32]) -> Vec<u32> {
    let mut sets = Sets::new(3 * triangles.len());
    for (half, mate) in (0_u32..).zip(mates.iter().copied()).filter(|(half, m)| *m != NONE && *half < *m) {
        let (far_a, far_b) = (next(half), next(mate));
        if Edges::runs_alike(triangles, half, mate) {
            sets.unite(half, mate);
            sets.unite(far_a, far_b);
        } else {
            sets.unite(half, far_b);
            sets.unite(far_a, mate);
        }
    }
    (0..3 * triangles.len() as u32).map(|corner| sets.find(corner)).collect()
}

/// Rims: closed walks along open half-edges, the mesh on the left, each starting at its lowest half-edge. At a vertex
/// the walk turns through the triangles of its fan. Needs shared edges that run opposite ways.
#[must_use]
pub fn rims(triangles: &[[u32; 3]], edges: &Edges) -> Vec<Vec<u32>> {
    let open = edges.open_halves(triangles);
    let mut seen = vec![false; open.len()];
    let mut rims = Vec::new();
    for start in (0..open.len()).filter(|h| open[*h]) {
        let mut rim = Vec::new();
        let mut half = start as u32;
        while !seen[half as usize] {
            seen[half as usize] = true;
            rim.push(half);
            let Some(after) = next_open(&open, &edges.mates, half) else { break };
            half = after;
        }
        if rim.len() > 2 && half == start as u32 {
            rims.push(rim);
        }
    }
    rims
}

/// The open half-edge that leaves the vertex `half` runs to; `None` when a crowded edge bars the way.
fn next_open(open: &[bool], mates: &[u32], half: u32) -> Option<u32> {
    let mut spoke = next(half);
    for _ in 0..open.len() {
        if open[spoke as usize] {
            return Some(spoke);
        }
        match mates[spoke as usize] {
            NONE => return None,
            mate => spoke = next(mate),
        }
    }
    None
}
