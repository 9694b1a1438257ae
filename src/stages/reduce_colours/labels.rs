//! A filament for each face: true to the scan, with short borders where the scan changes colour.
//!
//! Minimises area times colour difference plus a price for the length of borders. Small faces are first joined to
//! clusters; afterwards the borders are found again face by face.

use rayon::prelude::*;

use super::shades::Shades;
use crate::colour::difference::ciede2000_weighted;
use crate::colour::expansion::{FORBIDDEN, Labelling};
use crate::colour::spaces::Lab;
use crate::surface::{NONE, Surface};

/// Whole-number energy of 1 dE on 1 mm2.
const UNIT: f64 = 65536.0;
/// Contrast, dE, of a round patch of the smoothing radius that just breaks even with its border.
const PATCH_CONTRAST: f64 = 10.0;
/// Share of the border price that is left where the scan's colour jumps.
const AT_EDGES: f32 = 0.15;
/// Rounds of moves over all labels.
const ROUNDS: usize = 4;

/// What labelling works on.
#[derive(Debug)]
pub struct Task<'a> {
    pub surface: &'a Surface,
    /// Labels each part may use.
    pub of_part: &'a [Vec<u8>],
    /// Difference of each vertex from each label: label `l` of vertex `v` at `v * labels + l`.
    differences: Vec<f32>,
    labels: usize,
    /// Area times importance of each face, mm2.
    weights: Vec<f32>,
    /// Price of a border where the scan does not change, dE mm.
    pub per_mm: f32,
    /// Price of the border across each edge of each face, dE mm2.
    prices: Vec<[f32; 3]>,
}

impl<'a> Task<'a> {
    /// Prepares differences and border prices.
    #[must_use]
    pub fn new(
        (surface, shades): (&'a Surface, &Shades),
        zones: &[f32],
        (palette, of_part): (&[Lab], &'a [Vec<u8>]),
        lightness_divisor: f64,
        smoothing_mm: f64,
    ) -> Self {
        let mut differences = vec![0.0; shades.lab.len() * palette.len()];
        differences.par_chunks_mut(palette.len().max(1)).zip(&shades.lab).for_each(|(row, lab)| {
            for (difference, filament) in row.iter_mut().zip(palette) {
                *difference = ciede2000_weighted(*lab, *filament, lightness_divisor) as f32;
            }
        });
        let weights = surface.area_mm2.iter().zip(zones).map(|(area, zone)| area * zone).collect();
        let per_mm = (PATCH_CONTRAST * smoothing_mm / 2.0) as f32;
        let prices = border_prices(surface, shades, per_mm);
        Self { surface, of_part, differences, labels: palette.len(), weights, per_mm, prices }
    }

    /// Number of labels.
    #[must_use]
    pub fn labels(&self) -> usize {
        self.labels
    }

    /// Weighted difference of a face under a label: the mean over its corners, so that a face on a colour edge is
    /// not taken for a colour in between.
    #[must_use]
    pub fn cost(&self, face: usize, label: u8) -> f32 {
        let corners = self.surface.corners[face];
        let sum: f32 = corners.iter().map(|v| self.differences[*v as usize * self.labels + usize::from(label)]).sum();
        self.weights[face] * sum / 3.0
    }

    /// Whether some corner of a face is more like `other` than like `label`: then the border may run on either side.
    #[must_use]
    pub fn is_between(&self, face: usize, label: u8, other: u8) -> bool {
        let row = |corner: u32| &self.differences[corner as usize * self.labels..][..self.labels];
        let corners = self.surface.corners[face].into_iter().map(row);
        corners.into_iter().any(|row| row[usize::from(other)] < row[usize::from(label)])
    }

    /// Price of the border across an edge, dE mm2.
    #[must_use]
    pub fn price(&self, face: usize, edge: usize) -> f32 {
        self.prices[face][edge]
    }

    /// Area times importance of a face, mm2.
    #[must_use]
    pub fn weight(&self, face: usize) -> f32 {
        self.weights[face]
    }

    /// Labels a face may have.
    #[must_use]
    pub fn allowed(&self, face: usize) -> &[u8] {
        &self.of_part[usize::from(self.surface.part[face])]
    }

    /// The best label of each face on its own.
    #[must_use]
    pub fn nearest(&self) -> Vec<u8> {
        let best = |face: usize| {
            let costs = self.allowed(face).iter().map(|label| (self.cost(face, *label), *label));
            costs.min_by(|x, y| x.0.total_cmp(&y.0)).map_or(0, |(_, label)| label)
        };
        (0..self.surface.len()).into_par_iter().map(best).collect()
    }

    /// Labels with short borders.
    #[must_use]
    pub fn solve(&self, smoothing_mm: f64) -> Vec<u8> {
        let mut labels = self.nearest();
        let cluster_mm2 = (smoothing_mm / 2.0).powi(2) as f32;
        let (cluster_of, count) = self.surface.flood(cluster_mm2, |x, y| labels[x] == labels[y]);
        self.improve(&mut labels, &cluster_of, count);
        if count < self.surface.len() {
            for _ in 0..2 {
                let (cluster_of, count) = self.band(&labels, smoothing_mm);
                if !self.improve(&mut labels, &cluster_of, count) {
                    break;
                }
            }
        }
        labels
    }

    /// Each face near a border for itself; faces far from any are left out.
    fn band(&self, labels: &[u8], smoothing_mm: f64) -> (Vec<u32>, usize) {
        let surface = self.surface;
        let edges = surface.length_mm.iter().flatten().map(|l| f64::from(*l)).sum::<f64>();
        let mean_mm = edges / (3 * surface.len().max(1)) as f64;
        let rings = (smoothing_mm / mean_mm.max(1e-9)).clamp(3.0, 12.0) as usize;
        let is_border = |face: &usize| {
            let others = surface.neighbours[*face].iter().filter(|n| **n != NONE);
            others.into_iter().any(|n| labels[*n as usize] != labels[*face])
        };
        let mut inside = vec![false; surface.len()];
        let mut ring: Vec<usize> = (0..surface.len()).into_par_iter().filter(is_border).collect();
        for _ in 0..=rings {
            for &face in &ring {
                inside[face] = true;
            }
            let reached = ring.iter().flat_map(|face| surface.neighbours[*face]).filter(|n| *n != NONE);
            let mut next: Vec<usize> = reached.map(|n| n as usize).filter(|n| !inside[*n]).collect();
            next.sort_unstable();
            next.dedup();
            ring = next;
        }
        let mut count = 0;
        let number = |inside: &bool| {
            let number = if *inside { count } else { NONE };
            count += u32::from(*inside);
            number
        };
        let numbers = inside.iter().map(number).collect();
        (numbers, count as usize)
    }

    /// Improves the labels of clusters whose faces all have one label; faces without a cluster keep theirs. Tells
    /// whether anything changed.
    fn improve(&self, labels: &mut [u8], cluster_of: &[u32], count: usize) -> bool {
        let mut starts = vec![0_u8; count];
        for (&label, &cluster) in labels.iter().zip(cluster_of).filter(|(_, cluster)| **cluster != NONE) {
            starts[cluster as usize] = label;
        }
        let before = starts.clone();
        self.problem(labels, cluster_of, count).improve(&mut starts, ROUNDS);
        for (label, cluster) in labels.iter_mut().zip(cluster_of).filter(|(_, cluster)| **cluster != NONE) {
            *label = starts[*cluster as usize];
        }
        starts != before
    }

    /// The labelling problem of clusters; faces without a cluster count as they are.
    fn problem(&self, labels: &[u8], cluster_of: &[u32], count: usize) -> Labelling {
        let mut data = vec![0_i64; count * self.labels];
        let mut edges = Vec::new();
        let whole = |cost: f32| (f64::from(cost) * UNIT) as i64;
        for face in (0..cluster_of.len()).filter(|face| cluster_of[*face] != NONE) {
            let cluster = cluster_of[face];
            let costs = &mut data[cluster as usize * self.labels..][..self.labels];
            for (cost, label) in costs.iter_mut().zip(0..) {
                let is_allowed = self.allowed(face).contains(&label);
                *cost = if is_allowed { *cost + whole(self.cost(face, label)) } else { FORBIDDEN };
            }
            for (edge, &next) in self.surface.neighbours[face].iter().enumerate().filter(|(_, next)| **next != NONE) {
                let (next, price) = (next as usize, whole(self.prices[face][edge]));
                let other = cluster_of[next];
                if other == NONE {
                    let differing =
                        costs.iter_mut().enumerate().filter(|(label, _)| *label != usize::from(labels[next]));
                    differing.for_each(|(_, cost)| *cost += price);
                } else if cluster < other {
                    edges.push((cluster, other, price));
                }
            }
        }
        Labelling::new(self.labels, data, &merged(edges))
    }
}

/// Edges between the same two clusters made one.
fn merged(mut edges: Vec<(u32, u32, i64)>) -> Vec<(u32, u32, i64)> {
    edges.par_sort_unstable();
    edges.dedup_by(|next, kept| {
        let same = (next.0, next.1) == (kept.0, kept.1);
        kept.2 += if same { next.2 } else { 0 };
        same
    });
    edges
}

/// Price of a border for each edge: its length, less where the scan's colour changes across it (Boykov, Jolly 2001).
fn border_prices(surface: &Surface, shades: &Shades, per_mm: f32) -> Vec<[f32; 3]> {
    let jump2 = |face: usize, edge: usize| {
        let next = surface.neighbours[face][edge];
        if next == NONE {
            return 0.0;
        }
        let here = shades.oklab[surface.corners[face][(edge + 2) % 3] as usize];
        let there = shades.oklab[surface.apex_towards(next as usize, face) as usize];
        here.iter().zip(there).map(|(x, y)| (x - y) * (x - y)).sum::<f32>()
    };
    let jumps: Vec<[f32; 3]> =
        (0..surface.len()).into_par_iter().map(|face| [0, 1, 2].map(|edge| jump2(face, edge))).collect();
    let sum: f64 = jumps.iter().flatten().map(|jump| f64::from(*jump)).sum();
    let mean2 = (sum / (3 * jumps.len().max(1)) as f64) as f32;
    let price = |(jumps, lengths): (&[f32; 3], &[f32; 3])| {
        [0, 1, 2].map(|edge| {
            let like = if mean2 > 0.0 { (-jumps[edge] / (2.0 * mean2)).exp() } else { 1.0 };
            per_mm * lengths[edge] * (AT_EDGES + (1.0 - AT_EDGES) * like)
        })
    };
    jumps.par_iter().zip(&surface.length_mm).map(price).collect()
}
