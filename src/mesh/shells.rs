//! Which label goes where in a part: the coloured shell of each label, the base label behind it, and the labels every
//! layer needs.

use std::ops::Range;

use glam::DVec3;
use rayon::prelude::*;

use super::label_layers::{LabelSet, Presence};
use super::slice::Layers;
use super::solids::SEEN_MIN;
use super::tree::TriTree;

/// Triangles per piece of work: fixed, so that any number of threads gives one result.
const CHUNK: usize = 1 << 15;

/// Share of the part's thickness a shell may take, so that a core stays between two of them.
const THICKNESS_SHARE: f64 = 0.45;

/// Rays start this far inside, so that they do not meet the surface they leave, mm.
const START_MM: f64 = 1e-5;

/// A part standing on the bed, with its labels.
#[derive(Clone, Copy, Debug)]
pub struct Coloured<'a> {
    pub positions: &'a [DVec3],
    pub triangles: &'a [[u32; 3]],
    pub labels: &'a [u8],
    pub label_count: usize,
    /// Triangles whose shells go straight in; none when empty.
    pub level: &'a [bool],
}

impl Coloured<'_> {
    fn label(&self, triangle: usize) -> usize {
        self.labels.get(triangle).map_or(0, |&l| usize::from(l)).min(self.label_count.saturating_sub(1))
    }

    fn area_vector(&self, triangle: usize) -> DVec3 {
        let [a, b, c] = self.triangles[triangle].map(|v| self.positions[v as usize]);
        (b - a).cross(c - a)
    }

    /// Surface of each label, mm2.
    #[must_use]
    pub fn area_mm2(&self) -> Vec<f64> {
        self.sum_by_label(|i| 0.5 * self.area_vector(i).length())
    }

    /// Where the coloured shells end: the point its label's depth inside each vertex, no further than the part is thick
    /// there. The base has no shell: its vertices stay.
    #[must_use]
    pub fn inner_positions(&self, base: usize, depth_mm: &[f64]) -> Vec<DVec3> {
        let mut depths = vec![0.0_f64; self.positions.len()];
        for (i, t) in self.triangles.iter().enumerate() {
            let label = self.label(i);
            for &v in t.iter().filter(|_| label != base) {
                depths[v as usize] = depths[v as usize].max(depth_mm[label]);
            }
        }
        if depths.iter().all(|depth| *depth <= 0.0) {
            return self.positions.to_vec();
        }
        let tree = TriTree::new(self.positions, self.triangles);
        let inside = Inside::of(self.positions, self.triangles, &tree).level_under(self.triangles, self.level);
        let inner = |v: usize| {
            let depth = depths[v];
            if depth <= 0.0 { self.positions[v] } else { inside.point(v, depth, inside.room_mm(v, depth)) }
        };
        (0..self.positions.len()).into_par_iter().map(inner).collect()
    }

    /// Volume of each label's shell between the surface and its inner side, mm3; 0 for the base.
    #[must_use]
    pub fn shell_mm3(&self, base: usize, inner: &[DVec3]) -> Vec<f64> {
        self.sum_by_label(|i| if self.label(i) == base { 0.0 } else { self.prism_mm3(i, inner) })
    }

    /// Volume of each label's shell in equal steps from the bed to `top_mm`, mm3: each piece spread evenly over the heights it
    /// spans.
    #[must_use]
    pub fn shell_by_height_mm3(&self, base: usize, inner: &[DVec3], top_mm: f64, steps: usize) -> Vec<Vec<f64>> {
        let step_mm = top_mm / steps as f64;
        let spread = |some: Range<usize>| {
            let mut by_step = vec![vec![0.0; steps]; self.label_count];
            for i in some.filter(|i| self.label(*i) != base) {
                let heights = self.triangles[i].map(|v| [self.positions[v as usize].z, inner[v as usize].z]);
                let (low, high) = span(heights.map(|z| z[0].min(z[1])));
                let high = high.max(span(heights.map(|z| z[0].max(z[1]))).1);
                let step_of = |z: f64| ((z / step_mm).max(0.0) as usize).min(steps - 1);
                let (first, last) = (step_of(low), step_of(high));
                let volume = self.prism_mm3(i, inner);
                let spanned = by_step[self.label(i)].iter_mut().enumerate().take(last + 1).skip(first);
                for (step, sum) in spanned {
                    let from = if step == first { low } else { step as f64 * step_mm };
                    let to = if step == last { high } else { (step + 1) as f64 * step_mm };
                    *sum += volume * if high > low { (to - from) / (high - low) } else { 1.0 };
                }
            }
            by_step
        };
        let chunks: Vec<Vec<Vec<f64>>> = self.chunks().map(spread).collect();
        let mut total = vec![vec![0.0; steps]; self.label_count];
        for (sum, some) in chunks.iter().flatten().enumerate() {
            let into = &mut total[sum % self.label_count];
            into.iter_mut().zip(some).for_each(|(a, b)| *a += b);
        }
        total
    }

    /// Between a triangle and its inner side: three tetrahedra.
    fn prism_mm3(&self, triangle: usize, inner: &[DVec3]) -> f64 {
        let t = self.triangles[triangle];
        let [a, b, c] = t.map(|v| self.positions[v as usize]);
        let [d, e, f] = t.map(|v| inner[v as usize]);
        let six = |p: DVec3, q: DVec3, r: DVec3, s: DVec3| (q - p).cross(r - p).dot(p - s);
        ((six(a, b, c, d) + six(b, c, d, e) + six(c, d, e, f)) / 6.0).max(0.0)
    }

    /// Filaments each layer needs: every label where its shell is, the base where its surface or the core is.
    #[must_use]
    pub fn layer_sets(&self, layers: Layers, base: usize, inner: &[DVec3]) -> Vec<LabelSet> {
        let chunks: Vec<Presence> = self
            .chunks()
            .map(|some| {
                let mut presence = Presence::new(self.label_count, layers);
                for i in some {
                    let outer = span(self.triangles[i].map(|v| self.positions[v as usize].z));
                    let label = self.label(i);
                    if label == base {
                        presence.mark(base, outer.0, outer.1);
                    } else {
                        let below = span(self.triangles[i].map(|v| inner[v as usize].z));
                        presence.mark(label, outer.0.min(below.0), outer.1.max(below.1));
                        presence.mark(base, below.0, below.1);
                    }
                }
                presence
            })
            .collect();
        let mut presence = Presence::new(self.label_count, layers);
        for chunk in &chunks {
            presence.merge(chunk);
        }
        presence.sets()
    }

    fn chunks(&self) -> impl IndexedParallelIterator<Item = Range<usize>> {
        let count = self.triangles.len();
        (0..count.div_ceil(CHUNK)).into_par_iter().map(move |i| i * CHUNK..((i + 1) * CHUNK).min(count))
    }

    /// Sums something over the triangles of each label, in a fixed order.
    fn sum_by_label(&self, of: impl Fn(usize) -> f64 + Sync) -> Vec<f64> {
        let sums = |some: Range<usize>| {
            let mut sums = vec![0.0; self.label_count];
            for i in some {
                sums[self.label(i)] += of(i);
            }
            sums
        };
        let chunks: Vec<Vec<f64>> = self.chunks().map(sums).collect();
        let add = |total: Vec<f64>, sums: &Vec<f64>| total.iter().zip(sums).map(|(a, b)| a + b).collect();
        chunks.iter().fold(vec![0.0; self.label_count], add)
    }
}

/// How deep a shell can go at each vertex of a part.
pub(super) struct Inside<'a> {
    positions: &'a [DVec3],
    /// Unit normals of vertices; zero where there is none.
    normals: Vec<DVec3>,
    tree: &'a TriTree,
}

impl<'a> Inside<'a> {
    /// `tree` holds the part's surface.
    pub fn of(positions: &'a [DVec3], triangles: &[[u32; 3]], tree: &'a TriTree) -> Self {
        let mut normals = vec![DVec3::ZERO; positions.len()];
        for t in triangles {
            let [a, b, c] = t.map(|v| positions[v as usize]);
            let area_vector = (b - a).cross(c - a);
            for &v in t {
                normals[v as usize] += area_vector;
            }
        }
        normals.par_iter_mut().for_each(|normal| *normal = normal.normalize_or_zero());
        Self { positions, normals, tree }
    }

    /// Lets the shells under some triangles go straight in, but beside flat faces, along which they would run.
    pub fn level_under(mut self, triangles: &[[u32; 3]], level: &[bool]) -> Self {
        if level.len() != triangles.len() {
            return self;
        }
        let laid: Vec<DVec3> = self.normals.par_iter().map(|normal| normal.with_z(0.0).normalize_or_zero()).collect();
        let mut under = vec![false; laid.len()];
        for v in triangles.iter().zip(level).filter(|(_, level)| **level).flat_map(|(t, _)| *t) {
            under[v as usize] = true;
        }
        for t in triangles {
            let [a, b, c] = t.map(|v| self.positions[v as usize]);
            let unit = (b - a).cross(c - a).normalize_or_zero();
            for v in t.iter().map(|v| *v as usize) {
                under[v] &= unit.dot(laid[v]) > SEEN_MIN;
            }
        }
        for ((normal, laid), _) in self.normals.iter_mut().zip(laid).zip(under).filter(|(_, under)| *under) {
            *normal = laid;
        }
        self
    }

    /// Most a shell may take here, mm; without end where the part goes on for longer than a shell of `depth_mm` asks for.
    pub fn room_mm(&self, vertex: usize, depth_mm: f64) -> f64 {
        let (p, normal) = (self.positions[vertex], self.normals[vertex]);
        if normal == DVec3::ZERO {
            return 0.0;
        }
        let hit = self.tree.ray(p - START_MM * normal, -normal, depth_mm / THICKNESS_SHARE);
        THICKNESS_SHARE * hit.map_or(f64::INFINITY, |hit| hit.distance)
    }

    /// Lowest and highest that a shell of up to so deep can end at, whatever room there is, and the vertex itself.
    pub fn reach(&self, vertex: usize, depth_mm: f64) -> [f64; 2] {
        let (z, drop) = (self.positions[vertex].z, depth_mm * self.normals[vertex].z);
        [z.min(z - drop), z.max(z - drop)]
    }

    /// The point where a shell ends.
    pub fn point(&self, vertex: usize, depth_mm: f64, room_mm: f64) -> DVec3 {
        self.positions[vertex] - depth_mm.min(room_mm) * self.normals[vertex]
    }
}

fn span(z: [f64; 3]) -> (f64, f64) {
    (z[0].min(z[1]).min(z[2]), z[0].max(z[1]).max(z[2]))
}
