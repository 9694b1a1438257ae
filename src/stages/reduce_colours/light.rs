//! Finds the light that is baked into the scan's colours, as far as it depends on which way the surface faces.
//!
//! The logarithm of luminance is taken for albedo plus a smooth function of the normal, of nine spherical harmonics
//! (Ramamoorthi, Hanrahan 2001). Only neighbouring spots of like hue are compared, so that a dark coat over light
//! trousers is not taken for shadow (after Land, McCann 1971).

use std::collections::BTreeMap;

use glam::DVec3;
use rayon::prelude::*;

use super::shades::Shades;
use super::surface::{NONE, Surface};
use crate::figure::Figure;

/// Spots the surface is divided into.
const SPOTS: f32 = 4000.0;
/// Hues count as alike up to this difference of opponent axes over lightness.
const LIKE_HUE: f32 = 0.03;
/// Lightness within a spot differs from its seed by no more than this share.
const LIKE_LIGHTNESS: f32 = 0.1;
/// Rounds of fitting; each leaves out what the one before could not explain.
const ROUNDS: usize = 4;
/// Logarithm of luminance by which neighbours may be off and still count.
const OUTLIER: f64 = 0.3;
/// Share of the surface that is lit less than the level to which all is evened.
const LEVEL: f64 = 0.75;
/// Most that luminance is raised or lowered, as logarithms.
const RAISE_MAX: f64 = 1.6;
const LOWER_MAX: f64 = 0.3;

const TERMS: usize = 8;

/// Light as a function of the normal: coefficients of the basis, logarithm of luminance.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Light {
    coefficients: [f64; TERMS],
    level: f64,
}

/// A small piece of surface of one colour.
#[derive(Clone, Copy, Debug, Default)]
struct Spot {
    area: f64,
    normal: DVec3,
    log_luminance: f64,
    hue: [f64; 2],
}

impl Light {
    /// Fits the light to a figure's colours.
    #[must_use]
    pub fn fit(figure: &Figure, surface: &Surface, shades: &Shades) -> Self {
        let (spots, pairs) = spots(figure, surface, shades);
        let rows: Vec<([f64; TERMS], f64, f64)> = pairs
            .iter()
            .map(|&(a, b)| {
                let (a, b) = (&spots[a as usize], &spots[b as usize]);
                let (x, y) = (basis(a.normal), basis(b.normal));
                let difference = std::array::from_fn(|i| y[i] - x[i]);
                (difference, b.log_luminance - a.log_luminance, a.area.min(b.area))
            })
            .collect();
        let mut light = Self::default();
        for _ in 0..ROUNDS {
            let close = rows.iter().filter(|row| (row.1 - dot(&row.0, &light.coefficients)).abs() < OUTLIER);
            let Some(coefficients) = least_squares(close) else { break };
            light.coefficients = coefficients;
        }
        let mut lit: Vec<(f64, f64)> = spots.iter().map(|s| (light.raw(s.normal), s.area)).collect();
        lit.sort_by(|x, y| x.0.total_cmp(&y.0));
        let all: f64 = lit.iter().map(|l| l.1).sum();
        let mut below = 0.0;
        let reaches = |l: &&(f64, f64)| {
            below += l.1;
            below >= LEVEL * all
        };
        light.level = lit.iter().find(reaches).map_or(0.0, |l| l.0);
        light
    }

    fn raw(&self, normal: DVec3) -> f64 {
        dot(&basis(normal), &self.coefficients)
    }

    /// Factor that takes the light off the luminance of a surface with this normal.
    #[must_use]
    pub fn evening(&self, normal: DVec3) -> f64 {
        (self.level - self.raw(normal)).clamp(-LOWER_MAX, RAISE_MAX).exp()
    }

    /// Brightest over darkest light among all directions.
    #[must_use]
    pub fn contrast(&self) -> f64 {
        let direction = |i: i32| {
            // Points of a spiral cover the sphere evenly.
            let z = 1.0 - (2.0 * f64::from(i) + 1.0) / 500.0;
            let turn = f64::from(i) * 2.399_963;
            DVec3::new(turn.cos(), turn.sin(), 0.0) * (1.0 - z * z).sqrt() + DVec3::Z * z
        };
        let (low, high) = (0..500)
            .map(|i| self.evening(direction(i)))
            .fold((f64::INFINITY, 0.0_f64), |(low, high), x| (low.min(x), high.max(x)));
        high / low
    }
}

/// Spherical harmonics of the first and second degree, but for constant factors.
fn basis(n: DVec3) -> [f64; TERMS] {
    [n.x, n.y, n.z, n.x * n.y, n.y * n.z, n.z * n.x, n.x * n.x - n.y * n.y, 3.0 * n.z * n.z - 1.0]
}

fn dot(x: &[f64; TERMS], y: &[f64; TERMS]) -> f64 {
    x.iter().zip(y).map(|(x, y)| x * y).sum()
}

/// Divides the surface into spots of one colour and lists neighbours of like hue.
fn spots(figure: &Figure, surface: &Surface, shades: &Shades) -> (Vec<Spot>, Vec<(u32, u32)>) {
    let colours: Vec<[f32; 3]> = (0..surface.len()).into_par_iter().map(|f| shades.oklab_of_face(surface, f)).collect();
    let alike = |x: usize, y: usize| {
        let (x, y) = (colours[x], colours[y]);
        let (lx, ly) = (x[0].max(0.05), y[0].max(0.05));
        let off = (x[1] / lx - y[1] / ly).abs().max((x[2] / lx - y[2] / ly).abs());
        off < LIKE_HUE && (lx - ly).abs() < LIKE_LIGHTNESS * lx
    };
    let area_max = surface.area_mm2.iter().sum::<f32>() / SPOTS;
    let (spot_of, count) = surface.flood(area_max, alike);
    let mut spots = vec![Spot::default(); count];
    for (face, &spot) in spot_of.iter().enumerate() {
        let spot = &mut spots[spot as usize];
        let area = f64::from(surface.area_mm2[face]);
        let [l, a, b] = colours[face].map(|x| f64::from(x.max(-1.0)));
        let l = l.max(0.05);
        spot.area += area;
        spot.normal += surface.area_vector(figure, face);
        // Lightness of `OKLab` is about the cube root of luminance.
        spot.log_luminance += area * 3.0 * l.ln();
        spot.hue[0] += area * a / l;
        spot.hue[1] += area * b / l;
    }
    for spot in spots.iter_mut().filter(|spot| spot.area > 0.0) {
        spot.normal = spot.normal.normalize_or_zero();
        spot.log_luminance /= spot.area;
        spot.hue = spot.hue.map(|x| x / spot.area);
    }
    let least = f64::from(area_max) / 10.0;
    let mut pairs = BTreeMap::new();
    for face in 0..surface.len() {
        for next in surface.neighbours[face].into_iter().filter(|n| *n != NONE) {
            let (a, b) = (spot_of[face], spot_of[next as usize]);
            if a < b {
                let (x, y) = (&spots[a as usize], &spots[b as usize]);
                let off = (x.hue[0] - y.hue[0]).abs().max((x.hue[1] - y.hue[1]).abs());
                if off < f64::from(LIKE_HUE) && x.area > least && y.area > least {
                    pairs.insert((a, b), ());
                }
            }
        }
    }
    (spots, pairs.into_keys().collect())
}

/// Solves the normal equations, a little damped; `None` without data.
fn least_squares<'a>(rows: impl Iterator<Item = &'a ([f64; TERMS], f64, f64)>) -> Option<[f64; TERMS]> {
    let mut matrix = [[0.0; TERMS + 1]; TERMS];
    let mut weights = 0.0;
    for (x, y, weight) in rows {
        weights += weight;
        for i in 0..TERMS {
            for j in 0..TERMS {
                matrix[i][j] += weight * x[i] * x[j];
            }
            matrix[i][TERMS] += weight * x[i] * y;
        }
    }
    if weights <= 0.0 {
        return None;
    }
    for i in 0..TERMS {
        matrix[i][i] += 1e-3 * weights;
    }
    for i in 0..TERMS {
        for j in (0..TERMS).filter(|j| *j != i) {
            let factor = matrix[j][i] / matrix[i][i];
            for k in i..=TERMS {
                matrix[j][k] -= factor * matrix[i][k];
            }
        }
    }
    Some(std::array::from_fn(|i| matrix[i][TERMS] / matrix[i][i]))
}
