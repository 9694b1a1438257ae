//! What colour the scan shows at each vertex, with camera noise taken off, and how much each face matters.

use std::sync::Arc;

use glam::DVec3;
use rayon::prelude::*;

use super::surface::Surface;
use crate::colour::spaces::{self, Lab};
use crate::figure::Figure;

/// Rounds of smoothing; each reaches one ring of vertices further.
const ROUNDS: usize = 3;
/// Colours further apart than about this do not blend: 4 dE in units of `OKLab`.
const RANGE: f32 = 0.04;
/// A standing person is about this many heads tall (common practice, no source).
const HEADS: f64 = 7.5;

/// Colours of vertices after smoothing.
#[derive(Debug)]
pub struct Shades {
    pub oklab: Vec<[f32; 3]>,
    pub lab: Vec<Lab>,
}

impl Shades {
    /// Smooths the scanned colours over neighbours of similar colour (bilateral filter, Tomasi and Manduchi 1998).
    #[must_use]
    pub fn new(surface: &Surface) -> Self {
        let to_oklab = |c: &[f32; 3]| spaces::oklab_of_linear(*c).map(|x| x as f32);
        let mut oklab: Vec<[f32; 3]> = surface.linear.par_iter().map(to_oklab).collect();
        let (first, faces) = surface.faces_at_vertices();
        for _ in 0..ROUNDS {
            let smooth = |v: usize| smoothed(v, &oklab, surface, &faces[first[v] as usize..first[v + 1] as usize]);
            oklab = (0..oklab.len()).into_par_iter().map(smooth).collect();
        }
        let lab = labs(&oklab);
        Self { oklab, lab }
    }

    /// Multiplies the luminance of each vertex by a factor; hue and saturation stay.
    #[must_use]
    pub fn brightened(&self, factors: &[f64]) -> Self {
        // `OKLab` is a cube root of linear light.
        let brighten = |(colour, factor): (&[f32; 3], &f64)| colour.map(|x| x * factor.cbrt() as f32);
        let oklab: Vec<[f32; 3]> = self.oklab.par_iter().zip(factors).map(brighten).collect();
        let lab = labs(&oklab);
        Self { oklab, lab }
    }

    /// The figure with these colours on its vertices.
    #[must_use]
    pub fn painted(&self, figure: &Figure, surface: &Surface) -> Figure {
        let mut painted = figure.clone();
        let starts = surface.vertex_start.iter();
        painted.parts.par_iter_mut().zip(starts.collect::<Vec<_>>()).for_each(|(part, start)| {
            let mut mesh = part.mesh.as_ref().clone();
            for (colour, oklab) in mesh.colours.iter_mut().zip(&self.oklab[*start..]) {
                *colour = spaces::linear_of_oklab(oklab.map(f64::from)).map(|c| c.clamp(0.0, 1.0));
            }
            part.mesh = Arc::new(mesh);
        });
        painted
    }

    /// Mean colour of a face in `OKLab`.
    #[must_use]
    pub fn oklab_of_face(&self, surface: &Surface, face: usize) -> [f32; 3] {
        let [x, y, z] = surface.corners[face].map(|v| self.oklab[v as usize]);
        [0, 1, 2].map(|i| (x[i] + y[i] + z[i]) / 3.0)
    }

    /// Mean colour of a face.
    #[must_use]
    pub fn of_face(&self, surface: &Surface, face: usize) -> Lab {
        let [x, y, z] = surface.corners[face].map(|v| self.lab[v as usize]);
        Lab { l: (x.l + y.l + z.l) / 3.0, a: (x.a + y.a + z.a) / 3.0, b: (x.b + y.b + z.b) / 3.0 }
    }
}

fn labs(oklab: &[[f32; 3]]) -> Vec<Lab> {
    oklab.par_iter().map(|c| spaces::lab_of_linear(spaces::linear_of_oklab(c.map(f64::from)))).collect()
}

/// Mean over a vertex and its neighbours, by area and by how alike they are.
fn smoothed(vertex: usize, oklab: &[[f32; 3]], surface: &Surface, faces: &[u32]) -> [f32; 3] {
    let here = oklab[vertex];
    let (mut sum, mut weights) = ([0.0; 3], 0.0);
    for &face in faces {
        let area = surface.area_mm2[face as usize];
        for corner in surface.corners[face as usize] {
            let there = oklab[corner as usize];
            let off2: f32 = here.iter().zip(there).map(|(x, y)| (x - y) * (x - y)).sum();
            let weight = area * (-off2 / (2.0 * RANGE * RANGE)).exp();
            for (sum, x) in sum.iter_mut().zip(there) {
                *sum += weight * x;
            }
            weights += weight;
        }
    }
    if weights > 0.0 { sum.map(|x| x / weights) } else { here }
}

/// How much more than plain surface the eye dwells on skin and on the face.
#[derive(Clone, Copy, Debug)]
pub struct ZoneWeights {
    pub skin: f32,
    pub face: f32,
}

/// Weight of each face of the surface: 1, or more for skin and for the front of the head.
#[must_use]
pub fn zone_weights(figure: &Figure, surface: &Surface, shades: &Shades, weights: ZoneWeights) -> Vec<f32> {
    let (low, high) = figure.bounds();
    let neck_mm = high.z - (high.z - low.z) / HEADS;
    let place = |face: usize| {
        let mesh = &figure.parts[usize::from(surface.part[face])].mesh;
        let triangle = surface.triangle[face] as usize;
        (mesh.corners(triangle)[0].z > neck_mm, mesh.area_vector(triangle))
    };
    let in_head = |face: usize| place(face).0;
    let is_skin: Vec<bool> = (0..surface.len()).into_par_iter().map(|f| is_skin(shades.of_face(surface, f))).collect();

    // Where the skin of the head looks is the front.
    let bare = (0..surface.len()).filter(|f| is_skin[*f] && in_head(*f)).map(|f| place(f).1.with_z(0.0));
    let (forward, spread) = bare.fold((DVec3::ZERO, 0.0), |(sum, spread), n| (sum + n, spread + n.length()));
    let front = if forward.length() > 0.1 * spread { forward.normalize_or_zero() } else { DVec3::ZERO };
    let weight = |face: usize| {
        let (in_head, normal) = place(face);
        if in_head && (is_skin[face] || normal.dot(front) > 0.3 * normal.length()) {
            weights.face
        } else if is_skin[face] {
            weights.skin
        } else {
            1.0
        }
    };
    (0..surface.len()).into_par_iter().map(weight).collect()
}

/// Whether a colour may be skin: hue from reddish to yellowish, neither grey nor vivid (from memory, no source).
fn is_skin(lab: Lab) -> bool {
    (30.0..=80.0).contains(&lab.hue_deg()) && (8.0..=45.0).contains(&lab.chroma()) && lab.l > 15.0
}
