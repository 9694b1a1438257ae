//! Pictures and face colours to vertex colours. Where a picture shows more than vertex colours can, triangles are
//! refined; where it shows a flat wall, they are left alone.

use rayon::prelude::*;

use super::sampler::{Cell, Lattice, Patch, Sampler, blend};
use super::welded::Welded;
use crate::format::{NEUTRAL, RawMesh};
use crate::mesh::TriMesh;
use crate::mesh::refine::{Corner, Limits, Outcome, Surface};

/// Difference that counts as detail, as a difference of square roots of linear light: about 10 of 255 sRGB steps,
/// half of what separates two filament colours that look alike (judged by eye, no source).
const DETAIL_MIN: f32 = 0.04;
/// Linear-light difference between the colours of one vertex that is more than rounding.
const TINT_STEP: f32 = 1e-3;
/// Most cells along an edge that are compared with vertex colours.
const CELLS_MAX: usize = 32;
const CELLS_AT_FIRST: usize = 4;
/// Most samples along an edge, of a cell and of a triangle.
const CELL_SAMPLES_MAX: usize = 2;
const TRIANGLE_SAMPLES_MAX: usize = 5;
/// Largest texture coordinate that is looked up.
const UV_MAX: f32 = 1e5;
/// Triangles whose samples are in memory at a time.
const CHUNK: usize = 1 << 18;

/// What colours a triangle at its corner.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Paint {
    /// Place on the picture.
    pub uv: [f32; 2],
    /// Linear-light colour that multiplies the picture, or stands alone.
    pub tint: [f32; 3],
}

impl Corner for Paint {
    fn middle(self, other: Self) -> Self {
        let mean = |a: f32, b: f32| 0.5 * (a + b);
        Self {
            uv: [0, 1].map(|n| mean(self.uv[n], other.uv[n])),
            tint: [0, 1, 2].map(|n| mean(self.tint[n], other.tint[n])),
        }
    }
}

/// A mesh with colours at its vertices, and what making them took.
pub(super) struct Painted {
    pub mesh: TriMesh,
    /// Triangles added to show the picture.
    pub refined: usize,
    /// Whether the cap on triangles left detail out.
    pub is_capped: bool,
}

/// Brings the colours of the raw mesh to the vertices of its welded form.
pub(super) fn paint(raw: &RawMesh, welded: Welded, limits: Limits) -> Painted {
    let Welded { positions, triangles, sources } = welded;
    let corners = sources.par_iter().map(|&t| corner_paints(raw, t as usize)).collect();
    let mut surface = Surface { positions, triangles, corners, sources };
    let sampler = Sampler::new(raw);
    let before = surface.triangles.len();
    let mut outcome = Outcome::Done;
    if needs_refining(raw, &surface) {
        let mut detail = Detail { sampler: &sampler, edge: limits.edge_max, settled: Vec::new() };
        outcome = surface.refine(limits, |surface, long| detail.missing(surface, long));
    }
    let refined = surface.triangles.len() - before;
    let colours = vertex_colours(&surface, &sampler);
    let mut mesh = TriMesh::from_shape(surface.positions, surface.triangles);
    mesh.colours = colours;
    Painted { mesh, refined, is_capped: outcome == Outcome::Full }
}

/// Without pictures, only colours that differ between the triangles of one vertex call for refining.
fn needs_refining(raw: &RawMesh, surface: &Surface<Paint>) -> bool {
    if !raw.pictures.is_empty() {
        return true;
    }
    let mut first: Vec<Option<[f32; 3]>> = vec![None; surface.positions.len()];
    let corners = surface.triangles.iter().flatten().zip(surface.corners.iter().flatten());
    let differ = |a: [f32; 3], b: [f32; 3]| (0..3).any(|n| (a[n] - b[n]).abs() > TINT_STEP);
    corners.into_iter().any(|(&v, paint)| differ(*first[v as usize].get_or_insert(paint.tint), paint.tint))
}

/// Tint and picture place at the corners of a raw triangle; see [`crate::format::Material`] for the rule.
fn corner_paints(raw: &RawMesh, triangle: usize) -> [Paint; 3] {
    let uvs = raw.corner_uvs.get(triangle).copied().unwrap_or_default();
    let material = raw.face_materials.get(triangle).and_then(|&m| raw.materials.get(m as usize));
    let vertices = raw.triangles[triangle];
    let vertex_colour = |n: usize| raw.vertex_colours.get(vertices[n] as usize).copied();
    let times = |a: [f32; 3], b: [f32; 3]| [a[0] * b[0], a[1] * b[1], a[2] * b[2]];
    let face_colour = raw.face_colours.get(triangle).copied();
    [0, 1, 2].map(|n| {
        let tint = match (material, vertex_colour(n)) {
            (Some(m), Some(colour)) if m.tinted => times(m.base, colour),
            (Some(m), _) if m.picture.is_some() => m.base,
            (_, Some(colour)) => colour,
            (Some(m), None) => face_colour.unwrap_or(m.base),
            (None, None) => face_colour.unwrap_or(NEUTRAL),
        };
        // Farther out, and at NaN, a place on a picture means nothing.
        Paint { uv: uvs[n].map(|c| if c.abs() < UV_MAX { c } else { 0.0 }), tint }
    })
}

/// Mean colour around each vertex: samples of its triangles, weighted by area and by the square of their nearness.
fn vertex_colours(surface: &Surface<Paint>, sampler: &Sampler) -> Vec<[f32; 3]> {
    let mut sums = vec![[0.0_f64; 4]; surface.positions.len()];
    for start in (0..surface.triangles.len()).step_by(CHUNK) {
        let chunk = start..surface.triangles.len().min(start + CHUNK);
        let corners: Vec<[[f64; 4]; 3]> =
            chunk.clone().into_par_iter().map(|t| corner_sums(surface, sampler, t)).collect();
        for (t, corners) in chunk.zip(corners) {
            for (&v, corner) in surface.triangles[t].iter().zip(corners) {
                let sum = &mut sums[v as usize];
                *sum = [0, 1, 2, 3].map(|n| sum[n] + corner[n]);
            }
        }
    }
    let colour = |sum: &[f64; 4]| if sum[3] > 0.0 { [0, 1, 2].map(|n| (sum[n] / sum[3]) as f32) } else { NEUTRAL };
    sums.par_iter().map(colour).collect()
}

/// Weighted sums of colour, and of weights, for each corner of a triangle.
fn corner_sums(surface: &Surface<Paint>, sampler: &Sampler, triangle: usize) -> [[f64; 4]; 3] {
    let corners = &surface.corners[triangle];
    let [a, b, c] = surface.triangles[triangle].map(|v| surface.positions[v as usize]);
    // A triangle without area still colours vertices that have no other.
    let area = (b - a).cross(c - a).length().max(f64::MIN_POSITIVE);
    let patch = sampler.patch(surface.sources[triangle], corners);
    if !patch.has_picture() {
        return corners.map(|paint| {
            let [red, green, blue] = paint.tint.map(|c| f64::from(c) * area);
            [red, green, blue, area]
        });
    }
    let texels = patch.texels_along();
    let steps = texels.ceil().clamp(1.0, TRIANGLE_SAMPLES_MAX as f32) as usize;
    let share = area / (steps * steps) as f64;
    let mut sums = [[0.0; 4]; 3];
    for weights in Lattice::new(steps).centres() {
        let [red, green, blue] = patch.colour(weights, texels < steps as f32).map(f64::from);
        for (sum, weight) in sums.iter_mut().zip(weights) {
            let weight = share * f64::from(weight * weight);
            let [r, g, b, total] = *sum;
            *sum = [r + weight * red, g + weight * green, b + weight * blue, total + weight];
        }
    }
    sums
}

/// Finds the triangles whose vertex colours show less than the surface.
struct Detail<'a> {
    sampler: &'a Sampler<'a>,
    /// Size of the finest detail of interest.
    edge: f64,
    /// Corners of each triangle that was looked at and found right.
    settled: Vec<[u32; 3]>,
}

impl Detail<'_> {
    /// For each of the given triangles, whether it is to be refined.
    fn missing(&mut self, surface: &Surface<Paint>, long: &[u32]) -> Vec<bool> {
        let colours = vertex_colours(surface, self.sampler);
        self.settled.resize(surface.triangles.len(), [u32::MAX; 3]);
        let is_missing = |&t: &u32| {
            let t = t as usize;
            self.settled[t] != surface.triangles[t] && self.is_missing_in(surface, &colours, t)
        };
        let missing: Vec<bool> = long.par_iter().map(is_missing).collect();
        for (&t, _) in long.iter().zip(&missing).filter(|(_, missing)| !**missing) {
            self.settled[t as usize] = surface.triangles[t as usize];
        }
        missing
    }

    /// Whether any cell of a triangle differs visibly; a glance at few cells comes first, as it mostly decides.
    fn is_missing_in(&self, surface: &Surface<Paint>, colours: &[[f32; 3]], triangle: usize) -> bool {
        let shown = surface.triangles[triangle].map(|v| colours[v as usize]);
        let patch = self.sampler.patch(surface.sources[triangle], &surface.corners[triangle]);
        let texels = if patch.has_picture() { patch.texels_along() } else { CELLS_MAX as f32 };
        if texels <= 1.0 {
            return false;
        }
        let cells = (surface.longest_edge(triangle) / self.edge).ceil().min(f64::from(texels.ceil()));
        let cells = cells.clamp(2.0, CELLS_MAX as f64) as usize;
        let differs = |cells: usize| {
            let samples = (texels / cells as f32).ceil().clamp(1.0, CELL_SAMPLES_MAX as f32) as usize;
            let is_magnified = texels < (cells * samples) as f32;
            Lattice::new(cells).cells().any(|cell| cell_differs(&patch, cell, samples, is_magnified, &shown))
        };
        differs(cells.min(CELLS_AT_FIRST)) || (cells > CELLS_AT_FIRST && differs(cells))
    }
}

fn cell_differs(patch: &Patch, cell: Cell, samples: usize, is_magnified: bool, shown: &[[f32; 3]; 3]) -> bool {
    let mut sum = [0.0; 3];
    for weights in cell.centres(samples) {
        let colour = patch.colour(weights, is_magnified);
        sum = [0, 1, 2].map(|n| sum[n] + colour[n]);
    }
    let expected = blend(shown, cell.centre());
    let count = (samples * samples) as f32;
    (0..3).any(|n| ((sum[n] / count).max(0.0).sqrt() - expected[n].max(0.0).sqrt()).abs() > DETAIL_MIN)
}
