//! How open each pixel's surface is to the sky around it, from the depth buffer alone.
//!
//! Ambient obscurance after `McGuire`, Osman, Bukowski and Hennessy, "The Alchemy screen-space ambient obscurance
//! algorithm", 2011: points on a spiral around a pixel darken it by how far they rise over its surface. The spiral
//! turns in a fixed pattern of 4x4 pixels, and a blur over 4x4 pixels takes the pattern out again.

use glam::{Vec2, Vec3};
use rayon::prelude::*;

use super::camera::{Seen, View};
use super::raster::Samples;

/// Points asked around each pixel.
const TAPS: usize = 18;
/// Turns of the spiral over all its points.
const TURNS: f32 = 5.0;
/// Reach as a share of the visible scene's extent.
const REACH: f64 = 0.055;
/// Sine of the rise below which a neighbour counts as flat.
const FLAT: f32 = 0.12;
/// Darkest that a fully enclosed pixel gets.
const DARKEST: f32 = 0.25;

/// Light left per pixel, 0 to 1.
#[must_use]
pub fn openness(samples: &Samples, view: &View, oversampling: usize) -> Vec<f32> {
    let depth = Depth::new(samples, view, oversampling);
    let raw = depth.map_rows(|x, y, row_raw| row_raw.push(depth.openness(x, y)));
    depth.map_rows(|x, y, row| row.push(depth.smoothed(&raw, x, y)))
}

/// Positions per pixel in camera axes; empty pixels are infinitely far.
struct Depth {
    width: usize,
    height: usize,
    points: Vec<Vec3>,
    /// Pixels per mm at distance 1 mm (perspective folded in per pixel).
    px_per_mm: Vec<f32>,
    reach_mm: f32,
    /// Points of the spiral at a reach of one pixel, for each of the 16 turns.
    spirals: Vec<[Vec2; TAPS]>,
}

/// The spiral for each of the 16 turns.
fn spirals() -> Vec<[Vec2; TAPS]> {
    let point = |turn: usize, tap: usize| {
        let out = (tap as f32 + 0.5) / TAPS as f32;
        Vec2::from_angle((out * TURNS + turn as f32 / 16.0) * std::f32::consts::TAU) * out
    };
    (0..16).map(|turn| std::array::from_fn(|tap| point(turn, tap))).collect()
}

impl Depth {
    fn new(samples: &Samples, view: &View, oversampling: usize) -> Self {
        let (width, height) = (samples.width / oversampling, samples.height / oversampling);
        let nearest = |x: usize, y: usize| {
            let rows = (0..oversampling).map(|dy| (y * oversampling + dy) * samples.width + x * oversampling);
            rows.flat_map(|start| &samples.near[start..start + oversampling]).fold(f32::NEG_INFINITY, |a, b| a.max(*b))
        };
        let place = |i: usize| {
            let (x, y) = (i % width, i / width);
            let near = f64::from(nearest(x, y));
            if near == f64::NEG_INFINITY {
                return (Vec3::NEG_INFINITY, 0.0);
            }
            let seen = Seen { x: x as f64 + 0.5, y: y as f64 + 0.5, near };
            (view.unproject(seen).as_vec3(), view.px_per_mm(near) as f32)
        };
        let (points, px_per_mm): (Vec<_>, Vec<_>) = (0..width * height).into_par_iter().map(place).unzip();
        let bounds = (Vec3::INFINITY, Vec3::NEG_INFINITY);
        let seen = points.iter().filter(|p| p.is_finite());
        let (low, high) = seen.fold(bounds, |(l, h), p| (l.min(*p), h.max(*p)));
        let extent = if low.x <= high.x { (high - low).truncate().max_element() } else { 1.0 };
        Self { width, height, points, px_per_mm, reach_mm: (f64::from(extent) * REACH) as f32, spirals: spirals() }
    }

    fn map_rows(&self, pixel: impl Fn(usize, usize, &mut Vec<f32>) + Sync) -> Vec<f32> {
        let row = |y: usize| {
            let mut values = Vec::with_capacity(self.width);
            (0..self.width).for_each(|x| pixel(x, y, &mut values));
            values
        };
        (0..self.height).into_par_iter().flat_map_iter(row).collect()
    }

    fn at(&self, x: isize, y: isize) -> Option<Vec3> {
        if x < 0 || y < 0 || x as usize >= self.width || y as usize >= self.height {
            return None;
        }
        Some(self.points[y as usize * self.width + x as usize]).filter(|p| p.is_finite())
    }

    /// Normal from the flatter neighbour on either side, so that silhouettes do not bend it.
    fn normal(&self, x: usize, y: usize, p: Vec3) -> Option<Vec3> {
        let (x, y) = (x as isize, y as isize);
        let along = |before: Option<Vec3>, after: Option<Vec3>| match (before, after) {
            (Some(b), Some(a)) if (p - b).z.abs() < (a - p).z.abs() => Some(p - b),
            (_, Some(a)) => Some(a - p),
            (Some(b), None) => Some(p - b),
            (None, None) => None,
        };
        let right = along(self.at(x - 1, y), self.at(x + 1, y))?;
        let up = along(self.at(x, y + 1), self.at(x, y - 1))?;
        right.cross(up).try_normalize()
    }

    fn openness(&self, x: usize, y: usize) -> f32 {
        let i = y * self.width + x;
        let p = self.points[i];
        if !p.is_finite() {
            return 1.0;
        }
        let Some(normal) = self.normal(x, y, p) else { return 1.0 };
        let reach_px = (self.reach_mm * self.px_per_mm[i]).clamp(3.0, 96.0);
        let spiral = &self.spirals[(4 * (x & 3) + (y & 3)) * 7 % 16];
        let mut hidden = 0.0;
        for offset in spiral {
            let at = Vec2::new(x as f32 + 0.5, y as f32 + 0.5) + *offset * reach_px;
            let Some(q) = self.at(at.x.floor() as isize, at.y.floor() as isize) else { continue };
            let to = q - p;
            let far2 = to.length_squared();
            let rise = to.dot(normal) / far2.sqrt().max(1e-6);
            let fade = (1.0 - far2 / (self.reach_mm * self.reach_mm)).max(0.0);
            hidden += (rise - FLAT).max(0.0) * fade;
        }
        (1.0 - 2.6 * hidden / TAPS as f32).max(DARKEST)
    }

    /// Mean over 4x4 pixels of about the same distance.
    fn smoothed(&self, raw: &[f32], x: usize, y: usize) -> f32 {
        let here = self.points[y * self.width + x];
        if !here.is_finite() {
            return 1.0;
        }
        let (mut sum, mut count) = (0.0, 0.0);
        for dy in -1..3 {
            for dx in -1..3 {
                let (u, v) = (x as isize + dx, y as isize + dy);
                if self.at(u, v).is_some_and(|p| (p.z - here.z).abs() < 0.5 * self.reach_mm) {
                    sum += raw[v as usize * self.width + u as usize];
                    count += 1.0;
                }
            }
        }
        sum / count
    }
}
