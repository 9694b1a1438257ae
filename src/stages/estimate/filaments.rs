//! Which filament goes where in a part: the coloured shell of each label, the base filament behind it, and the
//! filaments every layer needs.

use glam::{DVec3, Vec3};
use rayon::prelude::*;

use crate::mesh::label_layers::{LabelSet, Presence};
use crate::mesh::slice::Layers;

/// Triangles per piece of work: fixed, so that any number of threads gives one result.
const CHUNK: usize = 1 << 15;

/// A part standing on the bed, with its labels.
#[derive(Clone, Copy, Debug)]
pub struct Coloured<'a> {
    pub positions: &'a [DVec3],
    pub triangles: &'a [[u32; 3]],
    pub labels: &'a [u8],
    pub label_count: usize,
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
        let chunks: Vec<Vec<f64>> = (0..self.triangles.len().div_ceil(CHUNK))
            .into_par_iter()
            .map(|chunk| {
                let mut sums = vec![0.0; self.label_count];
                for i in chunk * CHUNK..((chunk + 1) * CHUNK).min(self.triangles.len()) {
                    sums[self.label(i)] += 0.5 * self.area_vector(i).length();
                }
                sums
            })
            .collect();
        chunks
            .iter()
            .fold(vec![0.0; self.label_count], |total, sums| total.iter().zip(sums).map(|(a, b)| a + b).collect())
    }

    /// Filaments each layer needs: every label where its shell of this depth reaches, the base wherever the core does.
    #[must_use]
    pub fn layer_sets(&self, layers: Layers, base: usize, depth_mm: f64) -> Vec<LabelSet> {
        let inner_mm = self.inner_heights_mm(depth_mm);
        let chunks: Vec<Presence> = (0..self.triangles.len().div_ceil(CHUNK))
            .into_par_iter()
            .map(|chunk| {
                let mut presence = Presence::new(self.label_count, layers);
                for i in chunk * CHUNK..((chunk + 1) * CHUNK).min(self.triangles.len()) {
                    let t = self.triangles[i];
                    let outer = span(t.map(|v| self.positions[v as usize].z));
                    let inner = span(t.map(|v| inner_mm[v as usize]));
                    presence.mark(self.label(i), outer.0.min(inner.0), outer.1.max(inner.1));
                    presence.mark(base, inner.0, inner.1);
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

    /// Height of the point a depth inside each vertex, along the mean normal, mm.
    fn inner_heights_mm(&self, depth_mm: f64) -> Vec<f64> {
        let mut normals = vec![Vec3::ZERO; self.positions.len()];
        for (i, t) in self.triangles.iter().enumerate() {
            let area_vector = self.area_vector(i).as_vec3();
            for &v in t {
                normals[v as usize] += area_vector;
            }
        }
        let heights = self.positions.iter().zip(&normals);
        heights.map(|(p, n)| p.z - depth_mm * f64::from(n.normalize_or_zero().z)).collect()
    }
}

/// The label with the most surface: its filament fills the part.
#[must_use]
pub fn base_label(area_mm2: &[f64]) -> usize {
    (0..area_mm2.len()).fold(0, |best, label| if area_mm2[label] > area_mm2[best] { label } else { best })
}

fn span(z: [f64; 3]) -> (f64, f64) {
    (z[0].min(z[1]).min(z[2]), z[0].max(z[1]).max(z[2]))
}

/// Surface times the shell's thickness along each normal, mm3: what the shell's volume is to first order.
#[must_use]
pub fn flat_shell_mm3(positions: &[DVec3], triangles: &[[u32; 3]], side_mm: f64, up_mm: f64) -> f64 {
    let sums: Vec<f64> = triangles
        .par_chunks(CHUNK)
        .map(|some| {
            let of = |t: &[u32; 3]| {
                let [a, b, c] = t.map(|v| positions[v as usize]);
                let n = 0.5 * (b - a).cross(c - a);
                (side_mm * n.truncate().length()).hypot(up_mm * n.z)
            };
            some.iter().map(of).sum()
        })
        .collect();
    sums.iter().sum()
}

/// Plastic of each label, mm3: coloured shells of their depths over surfaces, the base filament for the rest.
#[derive(Clone, Copy, Debug)]
pub struct Shares<'a> {
    pub area_mm2: &'a [f64],
    pub base: usize,
    pub depth_mm: f64,
    /// Thickness that is closed anyway, mm.
    pub wall_mm: f64,
    /// How much of area times thickness a shell really holds: below 1 where the part curves or is thin.
    pub fullness: f64,
    pub infill_share: f64,
    pub plastic_mm3: f64,
}

impl Shares<'_> {
    /// Plastic per label, mm3. Where colour goes deeper than the walls, the shell grows to its depth.
    #[must_use]
    pub fn volume_mm3(&self) -> Vec<f64> {
        let coloured = |label: usize| if label == self.base { 0.0 } else { self.area_mm2[label] * self.fullness };
        let labels = 0..self.area_mm2.len();
        let mut volumes: Vec<f64> = labels.clone().map(|label| coloured(label) * self.depth_mm).collect();
        let deeper_mm = (self.depth_mm - self.wall_mm).max(0.0) * (1.0 - self.infill_share);
        let total = self.plastic_mm3 + labels.map(coloured).sum::<f64>() * deeper_mm;
        let shells: f64 = volumes.iter().sum();
        if shells > total {
            for volume in &mut volumes {
                *volume *= total / shells;
            }
        }
        if let Some(base) = volumes.get_mut(self.base) {
            *base = (total - shells).max(0.0);
        }
        volumes
    }
}
