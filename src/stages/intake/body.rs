//! What of a scan is its subject: specks of floor and dust around it must not decide its size, axis or place.

use glam::DVec3;
use rayon::prelude::*;

/// Smallest share of the surface a connected piece needs to count as subject.
const PIECE_MIN: f64 = 0.01;
/// Share of vertices beyond each end that does not count for size.
const OUTLIERS: f64 = 0.001;
/// Share of the extent by which true ends may lie beyond those of most vertices.
const BEYOND_MAX: f64 = 0.02;

/// A triangle, as far as it matters here.
#[derive(Clone, Copy, Debug)]
pub(super) struct Speck {
    pub centre: DVec3,
    pub area: f64,
}

/// The subject, in the unit and axes of the file.
#[derive(Debug)]
pub(super) struct Body {
    pub specks: Vec<Speck>,
    /// Ends of all but a thousandth of the vertices.
    pub low: DVec3,
    pub high: DVec3,
    /// Ends of the whole subject, spikes cut.
    pub floor: DVec3,
    pub ceiling: DVec3,
    /// Share of the surface in pieces too small to count.
    pub stray_share: f64,
}

impl Body {
    /// Finds the subject of a mesh that has triangles.
    pub fn of(positions: &[DVec3], triangles: &[[u32; 3]]) -> Self {
        let speck = |t: &[u32; 3]| {
            let [a, b, c] = t.map(|v| positions[v as usize]);
            Speck { centre: (a + b + c) / 3.0, area: (b - a).cross(c - a).length() / 2.0 }
        };
        let specks: Vec<Speck> = triangles.par_iter().map(speck).collect();
        let pieces = pieces(positions.len(), triangles);
        let mut areas = vec![0.0; positions.len()];
        for (t, speck) in triangles.iter().zip(&specks) {
            areas[pieces[t[0] as usize] as usize] += speck.area;
        }
        let total: f64 = areas.iter().sum();
        let mut is_kept: Vec<bool> = areas.iter().map(|&area| area >= PIECE_MIN * total).collect();
        let kept: f64 = areas.iter().filter(|&&area| area >= PIECE_MIN * total).sum();
        // A scan all in crumbs is taken as it is.
        if kept < 0.5 * total {
            is_kept.fill(true);
        }
        let is_subject = |v: u32| is_kept[pieces[v as usize] as usize];
        let points: Vec<DVec3> =
            (0..positions.len() as u32).filter(|&v| is_subject(v)).map(|v| positions[v as usize]).collect();
        let specks = triangles.iter().zip(specks).filter(|(t, _)| is_subject(t[0])).map(|(_, s)| s).collect();
        let (low, high) = most(&points);
        let ends = (DVec3::INFINITY, DVec3::NEG_INFINITY);
        let (floor, ceiling) = points.iter().fold(ends, |(low, high), p| (low.min(*p), high.max(*p)));
        let beyond = BEYOND_MAX * (high - low);
        let stray_share = if total > 0.0 { 1.0 - areas_kept(&areas, &is_kept) / total } else { 0.0 };
        Self { specks, low, high, floor: floor.max(low - beyond), ceiling: ceiling.min(high + beyond), stray_share }
    }
}

fn areas_kept(areas: &[f64], is_kept: &[bool]) -> f64 {
    areas.iter().zip(is_kept).filter(|(_, kept)| **kept).map(|(area, _)| area).sum()
}

/// Ends along each axis of all but the outermost points.
fn most(points: &[DVec3]) -> (DVec3, DVec3) {
    let outliers = (OUTLIERS * points.len() as f64) as usize;
    let ends: Vec<(f64, f64)> = (0..3)
        .into_par_iter()
        .map(|axis| {
            let mut values: Vec<f64> = points.iter().map(|p| p[axis]).collect();
            let last = values.len() - 1 - outliers;
            let high = *values.select_nth_unstable_by(last, f64::total_cmp).1;
            let low = *values.select_nth_unstable_by(outliers, f64::total_cmp).1;
            (low, high)
        })
        .collect();
    (DVec3::from_array([0, 1, 2].map(|n| ends[n].0)), DVec3::from_array([0, 1, 2].map(|n| ends[n].1)))
}

/// The connected piece of each vertex, named after one of its vertices.
fn pieces(vertices: usize, triangles: &[[u32; 3]]) -> Vec<u32> {
    let mut parents: Vec<u32> = (0..vertices as u32).collect();
    for &[a, b, c] in triangles {
        join(&mut parents, a, b);
        join(&mut parents, b, c);
    }
    (0..vertices as u32).map(|v| root(&mut parents, v)).collect()
}

fn root(parents: &mut [u32], mut vertex: u32) -> u32 {
    while parents[vertex as usize] != vertex {
        let above = parents[parents[vertex as usize] as usize];
        parents[vertex as usize] = above;
        vertex = above;
    }
    vertex
}

fn join(parents: &mut [u32], a: u32, b: u32) {
    let (a, b) = (root(parents, a), root(parents, b));
    // The lower number wins, whatever the order of the triangles.
    parents[a.max(b) as usize] = a.min(b);
}
