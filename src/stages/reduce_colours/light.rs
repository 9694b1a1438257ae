//! Finds the light that is baked into the scan's colours, as far as it depends on which way the surface faces and on how open
//! it is to the sky.
//!
//! The logarithm of luminance is taken for albedo plus a smooth function of the normal, of nine spherical harmonics
//! (Ramamoorthi, Hanrahan 2001), plus a multiple of the logarithm of openness. Only neighbouring spots of like hue are compared, so that a dark coat over light
//! trousers is not taken for shadow (as in the Retinex theory of 1971).

use std::collections::BTreeSet;

use glam::DVec3;
use rayon::prelude::*;

use super::shades::Shades;
use crate::figure::Figure;
use crate::mesh::openness::openness;
use crate::surface::{NONE, Surface};

/// Spots the surface is divided into.
const SPOTS: f32 = 4000.0;
/// Hues count as alike up to this difference of opponent axes over lightness.
const LIKE_HUE: f32 = 0.03;
/// Lightness within a spot differs from its seed by no more than this share.
const LIKE_LIGHTNESS: f32 = 0.1;
/// Rounds of fitting; each leaves out what the one before could not explain.
const ROUNDS: usize = 8;
/// Logarithm of luminance by which neighbours may be off and still count.
const OUTLIER: f64 = 0.3;
/// Share of the surface that is lit less than the level to which all is evened.
const LEVEL: f64 = 0.85;
/// Most that luminance is raised or lowered, as logarithms.
const RAISE_MAX: f64 = 1.6;
const LOWER_MAX: f64 = 0.3;

/// Least light from any side, as a share of the mean.
const DARKEST: f64 = 0.1;

/// Terms of the normal; one more is for openness.
const TERMS: usize = 8;
const ALL_TERMS: usize = TERMS + 1;
/// Openness counts as at least this, and its exponent is at most that.
const OPEN_MIN: f64 = 0.15;
const EXPONENT_MAX: f64 = 1.5;

/// Light as a function of the normal and of openness.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Light {
    /// Coefficients of the basis.
    coefficients: [f64; TERMS],
    /// Power of openness that the light goes with.
    exponent: f64,
    /// Logarithm of the light to which all is evened.
    level: f64,
    /// How each vertex can be lit.
    vertices: Vec<Lit>,
}

/// How a place can be lit.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
struct Lit {
    normal: DVec3,
    /// Logarithm of its openness.
    log_open: f64,
}

/// A small piece of surface of one colour.
#[derive(Clone, Copy, Debug, Default)]
struct Spot {
    area: f64,
    lit: Lit,
    log_luminance: f64,
    hue: [f64; 2],
}

impl Light {
    /// Fits the light to a figure's colours.
    #[must_use]
    pub fn fit(figure: &Figure, surface: &Surface, shades: &Shades) -> Self {
        let vertices = lit_vertices(figure, surface);
        let (spots, pairs) = spots(figure, (surface, &vertices), shades);
        let mut light = Self { vertices, ..Self::default() };
        for _ in 0..ROUNDS {
            // One step of Gauss and Newton on the differences of neighbours.
            let row = |&(a, b): &(u32, u32)| {
                let (a, b) = (&spots[a as usize], &spots[b as usize]);
                let (x, y) = (light.slope(a.lit), light.slope(b.lit));
                let expected = light.raw(b.lit) - light.raw(a.lit);
                let off = b.log_luminance - a.log_luminance - expected;
                (std::array::from_fn(|i| y[i] - x[i]), off, a.area.min(b.area))
            };
            let close = pairs.iter().map(row).filter(|row| row.1.abs() < OUTLIER);
            let Some(step) = least_squares(close) else { break };
            light.coefficients = std::array::from_fn(|i| light.coefficients[i] + step[i]);
            light.exponent = (light.exponent + step[TERMS]).clamp(0.0, EXPONENT_MAX);
        }
        let mut lit: Vec<(f64, f64)> = spots.iter().map(|s| (light.raw(s.lit), s.area)).collect();
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

    /// Light on a surface with this normal.
    fn strength(&self, normal: DVec3) -> f64 {
        (1.0 + dot(&basis(normal), &self.coefficients)).max(DARKEST)
    }

    fn raw(&self, lit: Lit) -> f64 {
        self.strength(lit.normal).ln() + self.exponent * lit.log_open
    }

    /// How the logarithm of the light changes with each coefficient and with the exponent.
    fn slope(&self, lit: Lit) -> [f64; ALL_TERMS] {
        let (basis, strength) = (basis(lit.normal), self.strength(lit.normal));
        std::array::from_fn(|i| basis.get(i).map_or(lit.log_open, |term| term / strength))
    }

    /// Factor that takes the light off the luminance of a surface that is lit so.
    fn evening(&self, lit: Lit) -> f64 {
        (self.level - self.raw(lit)).clamp(-LOWER_MAX, RAISE_MAX).exp()
    }

    /// Share of the light to take off: `wanted`, less if that would take off more than `contrast_max` to 1.
    #[must_use]
    pub fn share(&self, wanted: f64, contrast_max: f64) -> f64 {
        let (most, all) = (contrast_max.ln(), wanted * self.contrast().ln());
        if all > most { wanted * most / all } else { wanted }
    }

    /// Factors for the luminance of all vertices; `share` of the light is taken off.
    #[must_use]
    pub fn factors(&self, figure: &Figure, surface: &Surface, share: f64) -> Vec<f64> {
        let mut is_lit = vec![true; surface.linear.len()];
        let plate = plate_from(figure);
        for (face, corners) in surface.corners.iter().enumerate() {
            for corner in corners {
                is_lit[*corner as usize] = usize::from(surface.part[face]) < plate;
            }
        }
        let factor = |(lit, is_lit): (&Lit, &bool)| if *is_lit { self.evening(*lit).powf(share) } else { 1.0 };
        self.vertices.par_iter().zip(&is_lit).map(factor).collect()
    }

    /// Power of the openness to the sky that the light goes with: 0 where hollows are no darker than the rest.
    #[must_use]
    pub fn exponent(&self) -> f64 {
        self.exponent
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
            .map(|i| self.evening(Lit { normal: direction(i), log_open: 0.0 }))
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

/// First part of the base plate, whose colour was given and bears no light.
fn plate_from(figure: &Figure) -> usize {
    figure.parts.len() - figure.base.as_ref().map_or(0, |base| base.parts.min(figure.parts.len()))
}

/// How the vertices of all parts can be lit when the figure stands as a whole.
fn lit_vertices(figure: &Figure, surface: &Surface) -> Vec<Lit> {
    let mut normals = vec![DVec3::ZERO; surface.linear.len()];
    let mut positions = Vec::with_capacity(surface.linear.len());
    figure.parts.iter().for_each(|part| positions.extend_from_slice(&part.mesh.positions));
    for (face, corners) in surface.corners.iter().enumerate() {
        let normal = surface.area_vector(figure, face);
        for corner in corners {
            normals[*corner as usize] += normal;
        }
    }
    normals.par_iter_mut().for_each(|normal| *normal = normal.normalize_or_zero());
    let open = openness(&positions, &normals);
    let lit = |(normal, open): (DVec3, f32)| Lit { normal, log_open: f64::from(open).max(OPEN_MIN).ln() };
    normals.into_iter().zip(open).map(lit).collect()
}

/// Divides the surface into spots of one colour and lists neighbours of like hue.
fn spots(figure: &Figure, (surface, vertices): (&Surface, &[Lit]), shades: &Shades) -> (Vec<Spot>, Vec<(u32, u32)>) {
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
    let plate = plate_from(figure);
    // Spots of the plate stay without area, so that they say nothing about the light.
    for (face, &spot) in spot_of.iter().enumerate().filter(|(face, _)| usize::from(surface.part[*face]) < plate) {
        let spot = &mut spots[spot as usize];
        let area = f64::from(surface.area_mm2[face]);
        let [l, a, b] = colours[face].map(|x| f64::from(x.max(-1.0)));
        let l = l.max(0.05);
        spot.area += area;
        spot.lit.normal += surface.area_vector(figure, face);
        let open = surface.corners[face].map(|v| vertices[v as usize].log_open);
        spot.lit.log_open += area * open.iter().sum::<f64>() / 3.0;
        // Lightness of `OKLab` is about the cube root of luminance.
        spot.log_luminance += area * 3.0 * l.ln();
        spot.hue[0] += area * a / l;
        spot.hue[1] += area * b / l;
    }
    for spot in spots.iter_mut().filter(|spot| spot.area > 0.0) {
        spot.lit.normal = spot.lit.normal.normalize_or_zero();
        spot.lit.log_open /= spot.area;
        spot.log_luminance /= spot.area;
        spot.hue = spot.hue.map(|x| x / spot.area);
    }
    let least = f64::from(area_max) / 10.0;
    let mut pairs = BTreeSet::new();
    for face in 0..surface.len() {
        for next in surface.neighbours[face].into_iter().filter(|n| *n != NONE) {
            let (a, b) = (spot_of[face], spot_of[next as usize]);
            if a < b {
                let (x, y) = (&spots[a as usize], &spots[b as usize]);
                let off = (x.hue[0] - y.hue[0]).abs().max((x.hue[1] - y.hue[1]).abs());
                if off < f64::from(LIKE_HUE) && x.area > least && y.area > least {
                    pairs.insert((a, b));
                }
            }
        }
    }
    (spots, pairs.into_iter().collect())
}

/// Solves the normal equations, a little damped; `None` without data.
fn least_squares(rows: impl Iterator<Item = ([f64; ALL_TERMS], f64, f64)>) -> Option<[f64; ALL_TERMS]> {
    let mut matrix = [[0.0; ALL_TERMS + 1]; ALL_TERMS];
    let mut weights = 0.0;
    for (x, y, weight) in rows {
        weights += weight;
        for (line, left) in matrix.iter_mut().zip(x) {
            for (entry, right) in line.iter_mut().zip(x.iter().chain([&y])) {
                *entry += weight * left * right;
            }
        }
    }
    if weights <= 0.0 {
        return None;
    }
    for (i, line) in matrix.iter_mut().enumerate() {
        line[i] += 1e-3 * weights;
    }
    for i in 0..ALL_TERMS {
        // Damping keeps the pivots of this positive definite matrix away from zero.
        let pivot = matrix[i];
        for (_, line) in matrix.iter_mut().enumerate().filter(|(j, _)| *j != i) {
            let factor = line[i] / pivot[i];
            line.iter_mut().zip(pivot).for_each(|(entry, p)| *entry -= factor * p);
        }
    }
    Some(std::array::from_fn(|i| matrix[i][ALL_TERMS] / matrix[i][i]))
}
