//! How much of each label is around every vertex: fields whose borders run smoothly, and keep the area of every patch.

use rayon::prelude::*;

use crate::mesh::isoline::lone_corner;
use crate::surface::{NO_JOINT, NONE, Surface};

/// Share a vertex takes over from its neighbours in a step, half of it.
const STEPS: std::ops::RangeInclusive<usize> = 3..=40;
/// A step of smoothing carries this far, in edges: the spread of half staying and half going to the neighbours.
const STEP_EDGES: f64 = 0.5;
/// Rings that smoothing carries something to, for the square root of its steps.
const REACH: f64 = 1.5;
/// Rounds in which patches get back the area that smoothing takes from them, and how much of it in each.
const ROUNDS: usize = 4;
const GAIN: f64 = 0.7;
/// Most that a patch is favoured by, in shares of a vertex.
const FAVOUR_MAX: f32 = 0.45;
/// Crossings closer to a vertex than this share of the edge would leave slivers.
const NEAR: f32 = 0.12;

/// Fields of labels over the vertices of all parts; vertices of several parts at one place are one here.
pub struct Fields<'a> {
    surface: &'a Surface,
    labels: usize,
    /// The vertex that stands for all at its place.
    lead: Vec<u32>,
    /// Row of each leading vertex near a border, or [`NONE`].
    row: Vec<u32>,
    /// Share of each label, a row of them for each vertex near a border.
    shares: Vec<f32>,
    /// Patch whose share it is, likewise.
    patch: Vec<u32>,
    /// What each patch is favoured by.
    favour: Vec<f32>,
    /// Label of vertices far from borders.
    plain: Vec<u8>,
    /// Vertices on rims of joints, where borders run through vertices.
    on_rim: Vec<bool>,
}

/// Vertices next to each vertex near a border, by rows, with their weights, which are 1 in all.
struct Around {
    first: Vec<u32>,
    near: Vec<(u32, f32)>,
}

impl<'a> Fields<'a> {
    /// Fields of so many labels, smoothed over about this length.
    pub fn new(surface: &'a Surface, labels: &[u8], count: usize, smooth_mm: f64) -> Self {
        let lead = leads(surface);
        let edges = surface.length_mm.iter().flatten().map(|l| f64::from(*l)).sum::<f64>();
        let edge_mm = (edges / (3 * surface.len()).max(1) as f64).max(1e-9);
        let steps = ((smooth_mm / edge_mm / STEP_EDGES).powi(2) as usize).clamp(*STEPS.start(), *STEPS.end());
        let mut on_rim = vec![false; lead.len()];
        let mut plain = vec![0; lead.len()];
        for (face, label) in labels.iter().enumerate() {
            for (i, v) in surface.corners[face].into_iter().enumerate() {
                plain[lead[v as usize] as usize] = *label;
                on_rim[v as usize] |= [i, (i + 2) % 3].iter().any(|e| surface.rim[face][*e] != NO_JOINT);
            }
        }
        let rings = (REACH * (steps as f64).sqrt()).ceil() as usize + 2;
        let near = near_borders(surface, labels, &lead, rings);
        let mut row = vec![NONE; lead.len()];
        let mut rows = 0;
        for v in (0..lead.len()).filter(|v| near[*v]) {
            row[v] = rows;
            rows += 1;
        }
        let (patch_of, patches) = surface.patches(labels);
        let mut fields = Self {
            surface,
            labels: count,
            lead,
            row,
            shares: vec![0.0; rows as usize * count],
            patch: vec![NONE; rows as usize * count],
            favour: vec![0.0; patches],
            plain,
            on_rim,
        };
        fields.gather(labels, &patch_of);
        let around = fields.around();
        for _ in 0..steps {
            fields.smooth(&around);
        }
        fields.balance(labels, &patch_of, smooth_mm.max(edge_mm));
        fields
    }

    /// The label of a vertex in a part that may use only some.
    pub fn label(&self, vertex: u32, allowed: &[u8]) -> u8 {
        let lead = self.lead[vertex as usize] as usize;
        if self.row[lead] == NONE && allowed.contains(&self.plain[lead]) {
            return self.plain[lead];
        }
        let best = allowed.iter().max_by(|a, b| self.share(lead, **a).total_cmp(&self.share(lead, **b)).then(b.cmp(a)));
        best.copied().unwrap_or_default()
    }

    /// Where the border between the labels of two vertices crosses the edge between them, as a share of it.
    pub fn crossing(&self, [i, j]: [u32; 2], [from, to]: [u8; 2]) -> f64 {
        let [p, q] = [i, j].map(|v| self.lead[v as usize] as usize);
        if p > q {
            // Both parts at a rim must come to the same end.
            return 1.0 - self.crossing([j, i], [to, from]);
        }
        let share = self.tie([p, q], [from, to]);
        if self.on_rim[i as usize] && self.on_rim[j as usize] {
            return f64::from(share).round();
        }
        f64::from(share.clamp(NEAR, 1.0 - NEAR))
    }

    /// Where two labels tie between two vertices, one of which has the first label and the other the second, as a share of the
    /// way.
    fn tie(&self, [p, q]: [usize; 2], [from, to]: [u8; 2]) -> f32 {
        let ahead = |v: usize| self.share(v, from) - self.share(v, to);
        let (start, end) = (ahead(p).max(0.0), ahead(q).min(0.0));
        if start - end > 0.0 { start / (start - end) } else { 0.5 }
    }

    fn share(&self, lead: usize, label: u8) -> f32 {
        let row = self.row[lead] as usize;
        if row == NONE as usize {
            return if self.plain[lead] == label { 1.0 } else { 0.0 };
        }
        let at = row * self.labels + usize::from(label);
        self.shares[at] + self.favour.get(self.patch[at] as usize).copied().unwrap_or(0.0)
    }

    /// Shares of the faces around each vertex.
    fn gather(&mut self, labels: &[u8], patch_of: &[u32]) {
        let mut sums = vec![0.0_f32; self.shares.len() / self.labels.max(1)];
        for (face, label) in labels.iter().enumerate() {
            for v in self.surface.corners[face] {
                let row = self.row[self.lead[v as usize] as usize];
                if row != NONE {
                    let at = row as usize * self.labels + usize::from(*label);
                    self.shares[at] += self.surface.area_mm2[face];
                    self.patch[at] = self.patch[at].min(patch_of[face]);
                    sums[row as usize] += self.surface.area_mm2[face];
                }
            }
        }
        for (shares, sum) in self.shares.chunks_mut(self.labels).zip(sums).filter(|(_, sum)| *sum > 0.0) {
            for share in shares {
                *share /= sum;
            }
        }
    }

    /// Weights go with one over the distance: then fields that rise evenly stay as they are where vertices lie unevenly.
    fn around(&self) -> Around {
        let mut pairs: Vec<(u32, u32, f32)> = Vec::new();
        for (corners, lengths) in self.surface.corners.iter().zip(&self.surface.length_mm) {
            let rows = corners.map(|v| self.row[self.lead[v as usize] as usize]);
            for (e, length) in lengths.iter().enumerate() {
                let (a, b) = (rows[e], rows[(e + 1) % 3]);
                if a != NONE && b != NONE {
                    let weight = 1.0 / length.max(1e-3);
                    pairs.extend([(a, b, weight), (b, a, weight)]);
                }
            }
        }
        pairs.par_sort_unstable_by(|x, y| (x.0, x.1).cmp(&(y.0, y.1)).then(x.2.total_cmp(&y.2)));
        pairs.dedup_by_key(|pair| (pair.0, pair.1));
        let count = self.shares.len() / self.labels.max(1);
        let mut first = vec![0_u32; count + 1];
        for (row, ..) in &pairs {
            first[*row as usize + 1] += 1;
        }
        (0..count).for_each(|row| first[row + 1] += first[row]);
        for around in pairs.chunk_by_mut(|x, y| x.0 == y.0) {
            let sum: f32 = around.iter().map(|pair| pair.2).sum();
            for pair in around {
                pair.2 /= sum;
            }
        }
        Around { first, near: pairs.into_iter().map(|(_, other, weight)| (other, weight)).collect() }
    }

    /// Moves every vertex half way to the mean of its neighbours; new labels bring their patch along.
    fn smooth(&mut self, around: &Around) {
        let k = self.labels;
        let (shares, patch) = (&self.shares, &self.patch);
        let mut new_shares = vec![0.0_f32; shares.len()];
        let mut new_patch = vec![NONE; patch.len()];
        let rows = new_shares.par_chunks_mut(k).zip(new_patch.par_chunks_mut(k)).enumerate();
        rows.for_each(|(row, (new, home))| {
            let others = &around.near[around.first[row] as usize..around.first[row + 1] as usize];
            for label in 0..k {
                let own = shares[row * k + label];
                let sum: f32 = others.iter().map(|(other, w)| w * shares[*other as usize * k + label]).sum();
                new[label] = if others.is_empty() { own } else { 0.5 * (own + sum) };
                let near = others.iter().map(|(other, _)| *other as usize * k + label).chain([row * k + label]);
                let best = near.filter(|at| patch[*at] != NONE).max_by(|a, b| shares[*a].total_cmp(&shares[*b]));
                home[label] = if patch[row * k + label] == NONE {
                    best.map_or(NONE, |at| patch[at])
                } else {
                    patch[row * k + label]
                };
            }
        });
        (self.shares, self.patch) = (new_shares, new_patch);
    }

    /// Favours patches until each has about the area it had before.
    fn balance(&mut self, labels: &[u8], patch_of: &[u32], reach_mm: f64) {
        let mut wanted = vec![0.0_f64; self.favour.len()];
        let mut border_mm = vec![0.0_f64; self.favour.len()];
        for face in 0..self.surface.len() {
            let patch = patch_of[face] as usize;
            wanted[patch] += f64::from(self.surface.area_mm2[face]);
            for (next, length) in self.surface.neighbours[face].iter().zip(self.surface.length_mm[face]) {
                if *next != NONE && labels[*next as usize] != labels[face] {
                    border_mm[patch] += f64::from(length);
                }
            }
        }
        for _ in 0..ROUNDS {
            let gained = self.gained(patch_of);
            for patch in 0..self.favour.len() {
                let missing = -gained[patch] / (border_mm[patch] * reach_mm).max(1e-9);
                let more = GAIN * missing.clamp(-1.0, 1.0);
                self.favour[patch] = (self.favour[patch] + more as f32).clamp(-FAVOUR_MAX, FAVOUR_MAX);
            }
        }
    }

    /// Area each patch has more than its faces, mm2.
    fn gained(&self, patch_of: &[u32]) -> Vec<f64> {
        let mut gained = vec![0.0; self.favour.len()];
        for face in 0..self.surface.len() {
            let leads = self.surface.corners[face].map(|v| self.lead[v as usize] as usize);
            if leads.iter().all(|v| self.row[*v] == NONE) {
                continue;
            }
            let area = f64::from(self.surface.area_mm2[face]);
            gained[patch_of[face] as usize] -= area;
            for (patch, share) in self.shares_of_face(leads) {
                let home = if patch == NONE { patch_of[face] } else { patch };
                gained[home as usize] += area * share;
            }
        }
        gained
    }

    /// Patches that share a face, and their shares of its area.
    fn shares_of_face(&self, leads: [usize; 3]) -> Vec<(u32, f64)> {
        let best = |v: usize| {
            let labels = 0..self.labels as u8;
            labels.max_by(|a, b| self.share(v, *a).total_cmp(&self.share(v, *b)).then(b.cmp(a))).unwrap_or(0)
        };
        let labels = leads.map(best);
        let home = |i: usize| match self.row[leads[i]] {
            NONE => NONE,
            row => self.patch[row as usize * self.labels + usize::from(labels[i])],
        };
        let [a, b, c] = labels;
        if a == b && b == c {
            return vec![(home(0), 1.0)];
        }
        if a != b && b != c && c != a {
            return [0, 1, 2].map(|i| (home(i), 1.0 / 3.0)).to_vec();
        }
        let lone = lone_corner(labels);
        let (next, before) = ((lone + 1) % 3, (lone + 2) % 3);
        let cut = |other: usize| f64::from(self.tie([leads[lone], leads[other]], [labels[lone], labels[other]]));
        let corner = cut(next) * cut(before);
        vec![(home(lone), corner), (home(next), 1.0 - corner)]
    }
}

/// For each vertex the first one at its place: those of two parts at the rim of a joint.
fn leads(surface: &Surface) -> Vec<u32> {
    let mut lead: Vec<u32> = (0..surface.linear.len() as u32).collect();
    for face in 0..surface.len() {
        for e in (0..3).filter(|e| surface.rim[face][*e] != NO_JOINT) {
            let next = surface.neighbours[face][e];
            if next == NONE || surface.part[next as usize] == surface.part[face] {
                continue;
            }
            let other = next as usize;
            let Some(over) = surface.neighbours[other].iter().position(|n| *n as usize == face) else { continue };
            // The rim runs the other way round in the other part.
            let ends = [
                (surface.corners[face][e], surface.corners[other][(over + 1) % 3]),
                (surface.corners[face][(e + 1) % 3], surface.corners[other][over]),
            ];
            for (a, b) in ends {
                let first = root(&mut lead, a).min(root(&mut lead, b));
                for v in [a, b] {
                    let top = root(&mut lead, v);
                    lead[top as usize] = first;
                }
            }
        }
    }
    (0..lead.len() as u32).map(|v| root(&mut lead, v)).collect()
}

fn root(lead: &mut [u32], mut v: u32) -> u32 {
    while lead[v as usize] != v {
        lead[v as usize] = lead[lead[v as usize] as usize];
        v = lead[v as usize];
    }
    v
}

/// Leading vertices within so many rings of a border.
fn near_borders(surface: &Surface, labels: &[u8], lead: &[u32], rings: usize) -> Vec<bool> {
    let mut near = vec![false; lead.len()];
    for face in 0..surface.len() {
        let differs = |n: &u32| *n != NONE && labels[*n as usize] != labels[face];
        if surface.neighbours[face].iter().any(differs) {
            surface.corners[face].iter().for_each(|v| near[lead[*v as usize] as usize] = true);
        }
    }
    // Labels may also meet in a vertex only.
    let mut first = vec![NONE; lead.len()];
    for (face, label) in labels.iter().enumerate() {
        for v in surface.corners[face].map(|v| lead[v as usize] as usize) {
            near[v] |= first[v] != NONE && first[v] != u32::from(*label);
            first[v] = u32::from(*label);
        }
    }
    for _ in 0..rings {
        let mut wider = near.clone();
        for corners in &surface.corners {
            let leads = corners.map(|v| lead[v as usize] as usize);
            if leads.iter().any(|v| near[*v]) {
                for v in leads {
                    wider[v] = true;
                }
            }
        }
        near = wider;
    }
    near
}
