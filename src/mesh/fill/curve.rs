//! The shape of a patch: a film spanned over its rim, or a surface that curves on from the one around it.
//!
//! The film solves the umbrella operator `U x = 0`, the bulge minimises `|U x|^2` over patch and rim, so that curvature
//! runs on smoothly (second-order umbrella fairing, Liepa 2003; Kobbelt et al. 1998).

use glam::DVec3;

use super::patch::Patch;
use crate::mesh::solve::{Limits, conjugate_gradients};

/// Inner points up to which a patch is curved; larger ones are spanned as films.
const CURVED_POINTS: usize = 20_000;

/// Moves the inner points onto a film over the rim.
pub fn film(patch: &mut Patch) {
    let rows = neighbours(patch);
    let rim = patch.rim;
    if patch.points.len() == rim {
        return;
    }
    let (fixed, free) = patch.points.split_at_mut(rim);
    let inner = &rows[rim..];
    let sides: Vec<DVec3> =
        inner.iter().map(|row| row.iter().filter(|v| (**v as usize) < rim).map(|v| fixed[*v as usize]).sum()).collect();
    let degrees: Vec<f64> = inner.iter().map(|row| row.len() as f64).collect();
    let apply = |x: &[DVec3], y: &mut [DVec3]| {
        for (i, row) in inner.iter().enumerate() {
            let pull: DVec3 = row.iter().filter(|v| **v as usize >= rim).map(|v| x[*v as usize - rim]).sum();
            y[i] = x[i] * degrees[i] - pull;
        }
    };
    conjugate_gradients(apply, &degrees, &sides, free, Limits { rounds: 800, tolerance: 1e-6 });
}

/// Moves the inner points so that the surface curves on from `outer`, the neighbours of each rim point outside the
/// patch; stays a film where the bulge would be large or fold over. `calm_rim` and `outer` are without the scanner's
/// noise; near the rim the patch goes over to the rim as it is.
pub fn bulge(patch: &mut Patch, calm_rim: &[DVec3], outer: &[Vec<DVec3>]) {
    /// Largest bulge above the film, as share of the radius of a circle as long as the rim.
    const MAX_RISE: f64 = 0.6;
    film(patch);
    let inner = patch.points.len() - patch.rim;
    if inner == 0 || inner > CURVED_POINTS {
        return;
    }
    let mut curved = patch.clone();
    curved.points[..patch.rim].copy_from_slice(calm_rim);
    minimise_bending(&mut curved, outer);
    minimise_bending(&mut curved, outer);
    let noise: Vec<DVec3> = patch.points.iter().zip(calm_rim).map(|(rim, calm)| *rim - *calm).collect();
    fade_in(&mut curved, &noise);
    let rise = patch.points.iter().zip(&curved.points).map(|(a, b)| a.distance(*b)).fold(0.0, f64::max);
    let rim = &patch.points[..patch.rim];
    let around: f64 = (0..rim.len()).map(|i| rim[i].distance(rim[(i + 1) % rim.len()])).sum();
    if rise <= MAX_RISE * around / std::f64::consts::TAU && !folds_over(patch, &curved) {
        *patch = curved;
    }
}

/// Moves the rim by an offset each, and the inner points along, less and less from ring to ring.
fn fade_in(patch: &mut Patch, offsets: &[DVec3]) {
    /// Part of its neighbours' mean offset that a point does not follow, and rings after which nothing is left.
    const HOLDS: f64 = 0.4;
    const RINGS: usize = 12;
    let rows = neighbours(patch);
    let mut moves = offsets.to_vec();
    moves.resize(patch.points.len(), DVec3::ZERO);
    for _ in 0..RINGS {
        let mean = |row: &Vec<u32>| row.iter().map(|v| moves[*v as usize]).sum::<DVec3>() / row.len().max(1) as f64;
        let inner: Vec<DVec3> = rows[patch.rim..].iter().map(|row| mean(row) * (1.0 - HOLDS)).collect();
        moves[patch.rim..].copy_from_slice(&inner);
    }
    patch.points.iter_mut().zip(moves).for_each(|(p, way)| *p += way);
}

/// Whether more than a few of the triangles turned over against the film.
fn folds_over(film: &Patch, curved: &Patch) -> bool {
    let normal = |patch: &Patch, t: usize| {
        let [a, b, c] = patch.triangles[t].map(|v| patch.points[v as usize]);
        (b - a).cross(c - a)
    };
    let turned = (0..film.triangles.len()).filter(|t| normal(film, *t).dot(normal(curved, *t)) <= 0.0).count();
    turned * 50 > film.triangles.len()
}

/// One round of minimising the bending of patch and rim, with the edge lengths the patch has now.
fn minimise_bending(patch: &mut Patch, outer: &[Vec<DVec3>]) {
    let rim = patch.rim;
    let bends = Bends::of(patch, outer);
    let inner = patch.points.len() - rim;
    let apply = |x: &[DVec3], y: &mut [DVec3]| {
        let mut all = vec![DVec3::ZERO; rim];
        all.extend(x);
        bends.pulls(&bends.of_points(&all, false), rim, y);
    };
    let mut fixed = patch.points[..rim].to_vec();
    fixed.resize(rim + inner, DVec3::ZERO);
    let mut sides = vec![DVec3::ZERO; inner];
    bends.pulls(&bends.of_points(&fixed, true), rim, &mut sides);
    for side in &mut sides {
        *side = -*side;
    }
    let diagonal = bends.diagonal(rim);
    let rounds = (30_000_000 / inner).clamp(200, 3000);
    conjugate_gradients(apply, &diagonal, &sides, &mut patch.points[rim..], Limits { rounds, tolerance: 1e-5 });
}

/// The linear map from points to how much the surface bends at each: the umbrella with weights one over edge length, so
/// that uneven spacing is not taken for bending (Desbrun et al. 1999).
struct Bends {
    /// Per point: neighbours in the patch, the weight of the neighbour here and of this point there.
    rows: Vec<Vec<(u32, f64, f64)>>,
    /// Sum of weights, outer neighbours included.
    sums: Vec<f64>,
    /// Weighted sum of the outer neighbours of rim points.
    outside: Vec<DVec3>,
}

impl Bends {
    fn of(patch: &Patch, outer: &[Vec<DVec3>]) -> Self {
        let lists = neighbours(patch);
        let degree = |j: usize| (lists[j].len() + outer.get(j).map_or(0, Vec::len)) as f64;
        let shortest = f64::MIN_POSITIVE.sqrt();
        let entry = |i: usize, j: u32| {
            let length = patch.points[i].distance(patch.points[j as usize]).max(shortest);
            (j, 1.0 / (degree(i) * length), 1.0 / (degree(j as usize) * length))
        };
        let rows: Vec<Vec<_>> =
            lists.iter().enumerate().map(|(i, list)| list.iter().map(|j| entry(i, *j)).collect()).collect();
        let mut bends = Self { sums: vec![0.0; rows.len()], outside: vec![DVec3::ZERO; patch.rim], rows };
        for (i, row) in bends.rows.iter().enumerate() {
            bends.sums[i] = row.iter().map(|(_, weight, _)| weight).sum();
            for point in outer.get(i).into_iter().flatten() {
                let weight = 1.0 / (degree(i) * patch.points[i].distance(*point).max(shortest));
                bends.sums[i] += weight;
                bends.outside[i] += *point * weight;
            }
        }
        bends
    }

    fn of_points(&self, x: &[DVec3], with_outside: bool) -> Vec<DVec3> {
        let bend = |j: usize| {
            let inside: DVec3 = self.rows[j].iter().map(|(k, weight, _)| x[*k as usize] * *weight).sum();
            let outside = if with_outside { self.outside.get(j).copied().unwrap_or_default() } else { DVec3::ZERO };
            inside + outside - x[j] * self.sums[j]
        };
        (0..x.len()).map(bend).collect()
    }

    /// The transposed map, for the points from `first` on.
    fn pulls(&self, bends: &[DVec3], first: usize, pulls: &mut [DVec3]) {
        for (i, pull) in (first..).zip(pulls) {
            let others: DVec3 = self.rows[i].iter().map(|(j, _, weight)| bends[*j as usize] * *weight).sum();
            *pull = others - bends[i] * self.sums[i];
        }
    }

    fn diagonal(&self, first: usize) -> Vec<f64> {
        let own = |i: usize| self.sums[i].powi(2) + self.rows[i].iter().map(|(_, _, w)| w.powi(2)).sum::<f64>();
        (first..self.rows.len()).map(own).collect()
    }
}

/// Neighbours of each point within the patch, ascending.
fn neighbours(patch: &Patch) -> Vec<Vec<u32>> {
    let mut rows = vec![Vec::new(); patch.points.len()];
    for t in &patch.triangles {
        for k in 0..3 {
            rows[t[k] as usize].extend([t[(k + 1) % 3], t[(k + 2) % 3]]);
        }
    }
    for row in &mut rows {
        row.sort_unstable();
        row.dedup();
    }
    rows
}
