//! How thick the walls of a solid are: rays straight in from points spread evenly over the surface. Where the far side
//! is not parallel the ray runs through a wedge, as near a rim, which is no wall.

use glam::DVec3;
use rayon::prelude::*;

use super::tree::TriTree;
use super::{TriMesh, measure};

/// A far side within this angle of parallel makes a wall, degrees.
const PARALLEL_DEG: f64 = 20.0;

/// Rays start this far off the surface, so that they do not meet the triangle they leave, mm.
pub(super) const START_MM: f64 = 1e-5;

/// Wall at one point of the surface; every point stands for the same share of it.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Wall {
    pub at: DVec3,
    /// Infinite where the far side is not parallel.
    pub thickness_mm: f64,
}

/// Walls at points spread over the surface by area: evenly from triangle to triangle, inside one by the sequence of
/// the plastic number (Roberts 2018).
#[must_use]
pub fn walls(mesh: &TriMesh, samples: usize) -> Vec<Wall> {
    let mut total = 0.0;
    let mut sums = Vec::with_capacity(mesh.triangles.len());
    for t in 0..mesh.triangles.len() {
        total += mesh.area_vector(t).length();
        sums.push(total);
    }
    if samples == 0 || total <= 0.0 {
        return Vec::new();
    }
    let tree = TriTree::new(&mesh.positions, &mesh.triangles);
    let (low, high) = measure::bounds(&mesh.positions);
    let far_mm = low.distance(high);
    let wall = |k: usize| {
        let aim = total * (k as f64 + 0.5) / samples as f64;
        let triangle = sums.partition_point(|sum| *sum < aim).min(sums.len() - 1);
        let at = point_in(mesh.corners(triangle), k);
        Wall { at, thickness_mm: wall_behind_mm(mesh, &tree, (triangle as u32, at), far_mm, PARALLEL_DEG) }
    };
    (0..samples).into_par_iter().map(wall).collect()
}

/// Thickness of the wall behind a point of a triangle, mm; infinite when it is more than `far_mm`, or the far side is
/// farther than an angle from parallel.
pub(super) fn wall_behind_mm(
    mesh: &TriMesh,
    tree: &TriTree,
    (triangle, at): (u32, DVec3),
    far_mm: f64,
    parallel_deg: f64,
) -> f64 {
    let facing = |t: u32| mesh.area_vector(t as usize).normalize_or_zero();
    let normal = facing(triangle);
    let hit = tree.ray(at - START_MM * normal, -normal, far_mm);
    let is_wall = |t: u32| t != triangle && -facing(t).dot(normal) > parallel_deg.to_radians().cos();
    hit.filter(|hit| is_wall(hit.triangle)).map_or(f64::INFINITY, |hit| hit.distance + START_MM)
}

fn point_in([a, b, c]: [DVec3; 3], k: usize) -> DVec3 {
    const PLASTIC: f64 = 1.324_717_957_244_746;
    let turn = |step: f64| (0.5 + step * (k + 1) as f64).fract();
    let (u, v) = (turn(1.0 / PLASTIC), turn(1.0 / (PLASTIC * PLASTIC)));
    let (u, v) = if u + v > 1.0 { (1.0 - u, 1.0 - v) } else { (u, v) };
    a + u * (b - a) + v * (c - a)
}

/// Share of the surface over walls thinner than a limit.
#[must_use]
pub fn share_below(walls: &[Wall], limit_mm: f64) -> f64 {
    let thin = walls.iter().filter(|wall| wall.thickness_mm < limit_mm).count();
    thin as f64 / walls.len().max(1) as f64
}

/// Thickness that 1 % of the surface stays below, mm; `None` when that is not a wall.
#[must_use]
pub fn first_percentile_mm(walls: &[Wall]) -> Option<f64> {
    let mut sorted: Vec<f64> = walls.iter().map(|wall| wall.thickness_mm).collect();
    sorted.sort_by(f64::total_cmp);
    sorted.get(sorted.len() / 100).copied().filter(|mm| mm.is_finite())
}
