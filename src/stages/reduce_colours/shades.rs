//! What colour the scan shows at each vertex, with camera noise taken off, and how much each face matters.

use std::sync::Arc;

use rayon::prelude::*;

use crate::colour::spaces::{self, Lab};
use crate::figure::Figure;
use crate::surface::Surface;
use crate::surface::zones::ZoneWeights;

/// Rounds of smoothing; each reaches one ring of vertices further.
const ROUNDS: usize = 3;
/// Colours further apart than about this do not blend: 4 dE in units of `OKLab`.
const RANGE: f32 = 0.04;

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

/// Weight of each face of the surface: 1, or more for skin and for the front of the head.
#[must_use]
pub fn zone_weights(figure: &Figure, surface: &Surface, shades: &Shades, weights: ZoneWeights) -> Vec<f32> {
    surface.zone_weights(figure, |face| shades.of_face(surface, face), weights)
}
