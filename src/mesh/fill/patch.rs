//! A patch over one rim, refined to the density of the surface around it (Liepa 2003).

use std::f64::consts::SQRT_2;

use glam::DVec3;
use rustc_hash::FxHashSet;

use crate::mesh::topology::{Edges, NONE, next};

/// Triangles over the points of a rim (the first `rim` points, in order) and new points inside it.
#[derive(Clone, Debug, PartialEq)]
pub struct Patch {
    pub points: Vec<DVec3>,
    pub rim: usize,
    pub triangles: Vec<[u32; 3]>,
}

/// Triangles a patch may have before its target density is lowered.
const MAX_TRIANGLES: f64 = 12_000.0;

impl Patch {
    #[must_use]
    pub fn over(rim: Vec<DVec3>, triangles: Vec<[u32; 3]>) -> Self {
        Self { rim: rim.len(), points: rim, triangles }
    }

    /// A fan over a new point amid the rim: what always works.
    #[must_use]
    pub fn fan(rim: Vec<DVec3>) -> Self {
        let n = rim.len();
        let middle = rim.iter().sum::<DVec3>() / n as f64;
        let triangles = (0..n).map(|i| [i as u32, ((i + 1) % n) as u32, n as u32]).collect();
        let points = rim.into_iter().chain([middle]).collect();
        Self { points, rim: n, triangles }
    }

    #[must_use]
    pub fn area_mm2(&self) -> f64 {
        self.triangles.iter().map(|t| 0.5 * self.cross(*t).length()).sum()
    }

    fn cross(&self, triangle: [u32; 3]) -> DVec3 {
        let [a, b, c] = triangle.map(|v| self.points[v as usize]);
        (b - a).cross(c - a)
    }

    /// Adds points where triangles are larger than `density` (mean edge length at each rim point, mm) asks for, and
    /// flips edges that are not Delaunay; `barred` lists rim points each rim point must get no edge to.
    pub fn refine(&mut self, density: &[f64], barred: &[Vec<u32>]) {
        const ROUNDS: usize = 24;
        let mean = density.iter().sum::<f64>() / density.len() as f64;
        let wished = self.area_mm2() / (0.433 * mean * mean).max(f64::MIN_POSITIVE);
        let coarser = (wished / MAX_TRIANGLES).sqrt().max(1.0);
        let mut size: Vec<f64> = density.iter().map(|d| d * coarser).collect();
        for _ in 0..ROUNDS {
            let added = self.insert_middles(&mut size);
            self.relax(barred);
            if added == 0 {
                return;
            }
        }
    }

    fn insert_middles(&mut self, size: &mut Vec<f64>) -> usize {
        let before = self.triangles.len();
        for t in 0..before {
            let [a, b, c] = self.triangles[t];
            let corners = [a, b, c].map(|v| self.points[v as usize]);
            let sizes = [a, b, c].map(|v| size[v as usize]);
            let (middle, wanted) = (corners.iter().sum::<DVec3>() / 3.0, sizes.iter().sum::<f64>() / 3.0);
            let is_coarse = |k: usize| SQRT_2 * middle.distance(corners[k]) > wanted.max(sizes[k]);
            if (0..3).all(is_coarse) {
                let new = self.points.len() as u32;
                self.points.push(middle);
                size.push(wanted);
                self.triangles[t] = [a, b, new];
                self.triangles.extend([[b, c, new], [c, a, new]]);
            }
        }
        (self.triangles.len() - before) / 2
    }

    /// Flips inner edges until none is against Delaunay, or for so many sweeps.
    fn relax(&mut self, barred: &[Vec<u32>]) {
        const SWEEPS: usize = 12;
        for _ in 0..SWEEPS {
            if self.flip_sweep(barred) == 0 {
                return;
            }
        }
    }

    fn flip_sweep(&mut self, barred: &[Vec<u32>]) -> usize {
        let edges = Edges::of(&self.triangles, self.points.len());
        let pair = |a: u32, b: u32| (a.min(b), a.max(b));
        let sides = |t: &[u32; 3]| [pair(t[0], t[1]), pair(t[1], t[2]), pair(t[2], t[0])];
        let mut drawn: FxHashSet<(u32, u32)> = self.triangles.iter().flat_map(sides).collect();
        let mut touched = vec![false; self.triangles.len()];
        let mut flips = 0;
        for half in 0..edges.mates.len() as u32 {
            let mate = edges.mates[half as usize];
            if mate == NONE || mate < half || touched[half as usize / 3] || touched[mate as usize / 3] {
                continue;
            }
            let tip = |h: u32| self.triangles[h as usize / 3][next(next(h)) as usize % 3];
            let (a, b) = (
                self.triangles[half as usize / 3][half as usize % 3],
                self.triangles[mate as usize / 3][mate as usize % 3],
            );
            let (c, d) = (tip(half), tip(mate));
            let is_barred = (c as usize) < self.rim && barred[c as usize].contains(&d);
            if c == d || is_barred || drawn.contains(&pair(c, d)) || !self.gains_by_flip([a, b, c, d]) {
                continue;
            }
            self.triangles[half as usize / 3] = [a, d, c];
            self.triangles[mate as usize / 3] = [d, b, c];
            touched[half as usize / 3] = true;
            touched[mate as usize / 3] = true;
            drawn.remove(&pair(a, b));
            drawn.insert(pair(c, d));
            flips += 1;
        }
        flips
    }

    /// Whether edge `ab` between `abc` and `bad` should become `cd`: its opposite angles add up to more than half a
    /// turn, and neither new triangle would fold over.
    fn gains_by_flip(&self, [a, b, c, d]: [u32; 4]) -> bool {
        const MARGIN: f64 = 1e-9;
        let cotangent = |tip: u32| {
            let tip = self.points[tip as usize];
            let (u, v) = (self.points[a as usize] - tip, self.points[b as usize] - tip);
            u.dot(v) / u.cross(v).length().max(f64::MIN_POSITIVE)
        };
        if cotangent(c) + cotangent(d) >= -MARGIN {
            return false;
        }
        let out = self.cross([a, b, c]) + self.cross([b, a, d]);
        self.cross([a, d, c]).dot(out) > 0.0 && self.cross([d, b, c]).dot(out) > 0.0
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_square_is_refined_to_its_density_and_keeps_its_area() {
        let side = 20;
        let along = |from: DVec3, to: DVec3| (0..side).map(move |i| from.lerp(to, f64::from(i) / f64::from(side)));
        let corners = [DVec3::ZERO, DVec3::X, DVec3::X + DVec3::Y, DVec3::Y];
        let rim: Vec<DVec3> = (0..4).flat_map(|k| along(corners[k], corners[(k + 1) % 4])).collect();
        let n = rim.len();
        let outline = super::super::triangulate::Loop {
            points: rim.clone(),
            beyond: vec![Some(DVec3::Z); n],
            barred: vec![Vec::new(); n],
        };
        let mut patch = Patch::over(rim, super::super::triangulate::triangulate(&outline).unwrap());
        patch.refine(&vec![0.05; n], &vec![Vec::new(); n]);
        assert!((patch.area_mm2() - 1.0).abs() < 1e-9);
        assert!(patch.triangles.iter().all(|t| patch.cross(*t).z > 0.0));
        let inner = patch.points.len() - n;
        assert!((100..800).contains(&inner), "{inner} inner points");
    }
}
