//! How thick the figure's walls are: rays straight in from points spread evenly over the surface. Where the far side is
//! not parallel the ray runs through a wedge, as near a rim, which is no wall.

use glam::DVec3;
use rayon::prelude::*;

use crate::finding::{Finding, Severity};
use crate::mesh::tree::TriTree;
use crate::mesh::{TriMesh, measure};

/// A far side within this angle of parallel makes a wall, degrees.
const PARALLEL_DEG: f64 = 20.0;

/// Rays start this far inside, so that they do not meet the surface they leave, mm.
const START_MM: f64 = 1e-5;

/// Share of the surface from which too thin walls are worth a warning.
const WARN_SHARE: f64 = 0.002;

/// Bands of height that places are told in.
const BANDS: usize = 20;

/// Places that are told at most.
const PLACES: usize = 3;

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
    let parallel = PARALLEL_DEG.to_radians().cos();
    let wall = |k: usize| {
        let aim = total * (k as f64 + 0.5) / samples as f64;
        let triangle = sums.partition_point(|sum| *sum < aim).min(sums.len() - 1);
        let normal = mesh.area_vector(triangle).normalize_or_zero();
        let at = point_in(mesh.corners(triangle), k);
        let hit = tree.ray(at - START_MM * normal, -normal, far_mm);
        let wall = hit.filter(|hit| {
            let far = mesh.area_vector(hit.triangle as usize).normalize_or_zero();
            hit.triangle as usize != triangle && -far.dot(normal) > parallel
        });
        Wall { at, thickness_mm: wall.map_or(f64::INFINITY, |hit| hit.distance + START_MM) }
    };
    (0..samples).into_par_iter().map(wall).collect()
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

/// One finding with the places where most thin wall is, or none.
#[must_use]
pub fn finding(walls: &[Wall], limit_mm: f64, bounds: (DVec3, DVec3)) -> Option<Finding> {
    let share = share_below(walls, limit_mm);
    if share < WARN_SHARE {
        return None;
    }
    let (low, high) = bounds;
    let what = format!("{:.1} % of the surface lies over walls thinner than {limit_mm:.2} mm", 100.0 * share);
    let print = first_percentile_mm(walls).filter(|thinnest| *thinnest < limit_mm).map_or_else(
        || "print larger".to_owned(),
        |thinnest| format!("print at {:.0} mm or more", ((high.z - low.z) * limit_mm / thinnest - 0.1).ceil()),
    );
    let hint = format!("{print}, or thicken these places before `scale`");
    Some(Finding::new(Severity::Warning, what).at(places(walls, limit_mm, low, high)).hint(hint))
}

/// The places with most thin wall, in words: height share and side seen from the middle of the surface at that height;
/// the figure faces -y.
fn places(walls: &[Wall], limit_mm: f64, low: DVec3, high: DVec3) -> String {
    let band = |wall: &Wall| (((wall.at.z - low.z) / (high.z - low.z) * BANDS as f64) as usize).min(BANDS - 1);
    let mut sums = [(DVec3::ZERO, 0.0); BANDS];
    for wall in walls {
        let sum = &mut sums[band(wall)];
        *sum = (sum.0 + wall.at, sum.1 + 1.0);
    }
    let mut counts = [[0_usize; 4]; BANDS];
    for wall in walls.iter().filter(|wall| wall.thickness_mm < limit_mm) {
        let (sum, count) = sums[band(wall)];
        counts[band(wall)][side(wall.at - sum / count)] += 1;
    }
    let mut all: Vec<(usize, usize, usize)> = (0..BANDS)
        .flat_map(|band| (0..4).map(move |side| (band, side)))
        .map(|(band, side)| (counts[band][side], band, side))
        .filter(|place| place.0 > 0)
        .collect();
    all.sort_by_key(|place| (std::cmp::Reverse(place.0), place.1, place.2));
    let word = |&(_, band, side): &(usize, usize, usize)| {
        let percent = 100.0 * (band as f64 + 0.5) / BANDS as f64;
        format!("at {percent:.0} % of the height, {}", ["front", "back", "left", "right"][side])
    };
    all.iter().take(PLACES).map(word).collect::<Vec<_>>().join("; ")
}

fn side(from_middle: DVec3) -> usize {
    match (from_middle.x.abs() > from_middle.y.abs(), from_middle.x > 0.0, from_middle.y > 0.0) {
        (true, true, _) => 2,
        (true, false, _) => 3,
        (false, _, true) => 1,
        (false, _, false) => 0,
    }
}
