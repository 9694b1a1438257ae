//! What a figure stands on: open soles closed flat, and a flat foot cut where there is too little of it.

use glam::{DVec2, DVec3};
use rayon::prelude::*;

use super::cut::{CutError, Plane, halves};
use super::fill::Filled;
use super::fill::rim::{Rim, open_rims};
use super::measure::bounds;
use super::topology::{Edges, ends, next, previous};
use super::{Origin, TriMesh, outline};
use crate::units::snap_between_mm;

/// Closes rims that lie in the lowest `band_mm` of the mesh: walls straight down from the rim, and a flat floor, at
/// `ground_mm` where that is known and at most a band below the mesh, else right under the rims.
///
/// Only rims that face down, are at least `least_rim_mm` long and have, once smoothed, a simple outline on the floor are
/// closed; tells which.
pub fn close_soles(mesh: &mut TriMesh, band_mm: f64, least_rim_mm: f64, ground_mm: Option<f64>) -> Vec<Filled> {
    let (low, _) = bounds(&mesh.positions);
    let edges = Edges::of(&mesh.triangles, mesh.positions.len());
    let mut rims = open_rims(mesh, &edges, true);
    let is_sole = |rim: &Rim| {
        let span = span(mesh, rim);
        points(mesh, rim).all(|p| p.z <= low.z + band_mm)
            && length_mm(mesh, rim) >= least_rim_mm
            && span.z <= -0.7 * span.length()
    };
    rims.retain(is_sole);
    let steps: usize = rims.iter().map(Rim::len).sum();
    let step_mm = rims.iter().map(|rim| length_mm(mesh, rim)).sum::<f64>() / steps.max(1) as f64;
    // A little lower than all else, so that no wall is without height.
    let lowest = low.z - 0.25 * step_mm;
    let ground = ground_mm.filter(|ground| *ground >= low.z - band_mm);
    let floor = ground.map_or(lowest, |ground| ground.min(lowest));
    rims.iter().filter_map(|rim| close_sole(mesh, rim, floor)).collect()
}

fn points<'a>(mesh: &'a TriMesh, rim: &'a Rim) -> impl Iterator<Item = DVec3> + Clone + 'a {
    rim.steps().iter().map(|(v, _)| mesh.positions[*v as usize])
}

fn length_mm(mesh: &TriMesh, rim: &Rim) -> f64 {
    let next = points(mesh, rim).cycle().skip(1);
    points(mesh, rim).zip(next).map(|(a, b)| a.distance(b)).sum()
}

/// Closes one rim down to the floor; `None` when it has no simple outline there.
fn close_sole(mesh: &mut TriMesh, rim: &Rim, floor: f64) -> Option<Filled> {
    let n = rim.len() as u32;
    // The floor faces down: seen from above its rim runs clockwise, so it is filled turned round.
    let edges: Vec<[u32; 2]> = (0..n).map(|i| [(i + 1) % n, i]).collect();
    let (outline, filled) = simple_outline(drawn_in(mesh, rim, floor), &edges)?;
    let report = Filled {
        centre: points(mesh, rim).sum::<DVec3>() / f64::from(n),
        rim_edges: rim.len(),
        rim_mm: length_mm(mesh, rim),
        area_mm2: filled.areas_mm2.iter().sum(),
    };
    let first = mesh.positions.len() as u32;
    let vertices: Vec<u32> = rim.vertices().collect();
    for (v, place) in vertices.iter().zip(&outline) {
        mesh.positions.push(place.extend(floor));
        mesh.colours.push(mesh.colours[*v as usize]);
    }
    for i in 0..n {
        let (a, b) = (vertices[i as usize], vertices[((i + 1) % n) as usize]);
        let (below_a, below_b) = (first + i, first + (i + 1) % n);
        mesh.triangles.extend([[a, b, below_b], [a, below_b, below_a]]);
    }
    mesh.triangles.extend(filled.triangles.iter().map(|[a, b, c]| [first + a, first + c, first + b]));
    mesh.origins.resize(mesh.triangles.len(), Origin::Fill);
    Some(report)
}

/// The rim carried on to the floor as steeply as the surface runs along it: straight down below a plinth, drawn in below a
/// foot whose sole is round.
fn drawn_in(mesh: &TriMesh, rim: &Rim, floor: f64) -> Vec<DVec2> {
    /// Corners on either side that a rim's direction is measured over, and most that it is drawn in per mm of height.
    const BESIDE: usize = 4;
    const MOST: f64 = 0.7;
    let places: Vec<DVec3> = points(mesh, rim).collect();
    let n = places.len();
    // The rim runs clockwise seen from above, with the figure on its right.
    let inward = |i: usize| {
        let way = places[(i + BESIDE) % n] - places[(i + n - BESIDE % n) % n];
        -way.truncate().perp().normalize_or_zero()
    };
    let (mut sideways, mut down) = (0.0, 0.0);
    for (i, (_, half)) in rim.steps().iter().enumerate() {
        let (from, to, apex) = (*half, next(*half), previous(*half));
        let corner = |half: u32| mesh.positions[ends(&mesh.triangles, half).0 as usize];
        let edge = corner(to) - corner(from);
        let out = (corner(from) - corner(apex)).reject_from(edge) * edge.length();
        sideways += out.truncate().dot(inward(i));
        down -= out.z;
    }
    let slope = if down > 0.0 { (sideways / down).clamp(0.0, MOST) } else { 0.0 };
    (0..n).map(|i| places[i].truncate() + inward(i) * (slope * (places[i].z - floor))).collect()
}

/// Smooths a closed outline until it can be filled; tells both.
fn simple_outline(mut outline: Vec<DVec2>, edges: &[[u32; 2]]) -> Option<(Vec<DVec2>, outline::Filled)> {
    const TRIES: usize = 8;
    const ROUNDS: usize = 4;
    for _ in 0..TRIES {
        if let Ok(filled) = outline::fill(&outline, edges) {
            return Some((outline, filled));
        }
        for _ in 0..ROUNDS {
            let n = outline.len();
            let mean = |i: usize| (outline[(i + n - 1) % n] + 2.0 * outline[i] + outline[(i + 1) % n]) / 4.0;
            outline = (0..n).map(mean).collect();
        }
    }
    None
}

/// Vector whose length is the area a rim spans and whose direction is that of its patch, mm2.
fn span(mesh: &TriMesh, rim: &Rim) -> DVec3 {
    let middle = points(mesh, rim).sum::<DVec3>() / rim.len() as f64;
    let next = points(mesh, rim).cycle().skip(1);
    points(mesh, rim).zip(next).map(|(a, b)| 0.5 * (a - middle).cross(b - middle)).sum()
}

/// Area at the very bottom that is flat to within `rough_mm`: what the mesh stands on, mm2.
#[must_use]
pub fn standing_area_mm2(mesh: &TriMesh, rough_mm: f64) -> f64 {
    let (low, _) = bounds(&mesh.positions);
    let area = |t: usize| {
        let is_bottom = mesh.corners(t).iter().all(|p| p.z <= low.z + rough_mm);
        if is_bottom { (-0.5 * mesh.area_vector(t).z).max(0.0) } else { 0.0 }
    };
    (0..mesh.triangles.len()).map(area).sum()
}

/// Area of the section of a closed mesh at each height, mm2.
#[must_use]
pub fn section_areas_mm2(mesh: &TriMesh, heights: &[f64]) -> Vec<f64> {
    /// Triangles summed up at a time.
    const CHUNK: usize = 1 << 14;
    let mut order: Vec<usize> = (0..heights.len()).collect();
    order.sort_by(|a, b| heights[*a].total_cmp(&heights[*b]));
    let chunk = |chunk: usize| {
        let mut sums = vec![0.0; heights.len()];
        for corners in (CHUNK * chunk..mesh.triangles.len().min(CHUNK * (chunk + 1))).map(|t| mesh.corners(t)) {
            let (low, high) = corners.iter().fold((f64::MAX, f64::MIN), |(l, h), p| (l.min(p.z), h.max(p.z)));
            let first = order.partition_point(|i| heights[*i] <= low);
            for i in order[first..].iter().take_while(|i| heights[**i] <= high) {
                sums[*i] += 0.5 * sweep(&corners, heights[*i]);
            }
        }
        sums
    };
    let chunks: Vec<Vec<f64>> = (0..mesh.triangles.len().div_ceil(CHUNK)).into_par_iter().map(chunk).collect();
    (0..heights.len()).map(|i| chunks.iter().map(|sums| sums[i]).sum()).collect()
}

/// Cross product of the ends of the segment in which a plane at height `z` crosses a triangle, the inside on its left.
fn sweep(corners: &[DVec3; 3], z: f64) -> f64 {
    let mut ends = [DVec2::ZERO; 2];
    let mut crossed = 0;
    for k in 0..3 {
        let (a, b) = (corners[k], corners[(k + 1) % 3]);
        if (a.z < z) != (b.z < z) {
            crossed += 1;
            ends[usize::from(a.z < z)] = a.lerp(b, (z - a.z) / (b.z - a.z)).truncate();
        }
    }
    if crossed == 2 { ends[0].perp_dot(ends[1]) } else { 0.0 }
}

/// Heights at which a level cut leaves enough to stand on, best first: the lowest, at most `rise_max_mm` above the bottom,
/// where the section of a closed mesh has `wanted_mm2`, or else where it is largest; then ones a little beside it.
#[must_use]
pub fn cut_heights(mesh: &TriMesh, wanted_mm2: f64, rise_max_mm: f64) -> Vec<f64> {
    const HEIGHTS: usize = 96;
    const NEARBY: usize = 12;
    let (low, _) = bounds(&mesh.positions);
    let heights: Vec<f64> = (1..=HEIGHTS).map(|i| low.z + rise_max_mm * i as f64 / HEIGHTS as f64).collect();
    let areas = section_areas_mm2(mesh, &heights);
    let largest = (0..HEIGHTS).reduce(|best, i| if areas[i] > areas[best] { i } else { best }).unwrap_or(0);
    let chosen = heights[areas.iter().position(|area| *area >= wanted_mm2).unwrap_or(largest)];
    let step = rise_max_mm / (HEIGHTS * 2 * NEARBY) as f64;
    (0..NEARBY).map(|i| snap_between_mm(chosen - step * i as f64)).collect()
}

/// The part of a closed mesh above a level plane, closed by a flat face of origin `Fill`.
///
/// # Errors
/// When the section is not clean; a plane slightly beside it may do.
pub fn cut_flat(mesh: &TriMesh, height: f64) -> Result<TriMesh, CutError> {
    let mut above = halves(mesh, Plane::new(2, height), 0)?.above.mesh;
    let is_cut = |origin: &&mut Origin| **origin == Origin::Cut(0);
    above.origins.iter_mut().filter(is_cut).for_each(|origin| *origin = Origin::Fill);
    Ok(above)
}
