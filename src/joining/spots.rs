//! Places on a joint with room around them, and sections of the parts beside it.

use glam::{DVec2, DVec3};

use super::{Side, Site};
use crate::mesh::cut::Plane;
use crate::mesh::{TriMesh, outline};

/// A place for a key or mark.
#[derive(Clone, Debug)]
pub(super) struct Spot {
    pub centre: DVec2,
    /// Distance to the joint's outline, mm.
    pub room: f64,
    /// Least distance to the outlines of the part below and above, down to each depth looked at, mm.
    pub deep: [Vec<f64>; 2],
}

/// Grid points on a joint with at least some room, about as many as `places`, and that room.
pub(super) fn spots(site: &Site, places: f64, least_mm: f64) -> Vec<Spot> {
    let edges = site.edges();
    let reach = (DVec2::INFINITY, DVec2::NEG_INFINITY);
    let (low, high) = edges.iter().fold(reach, |(l, h), e| (l.min(e.0), h.max(e.0)));
    let step = (site.area_mm2 / places).sqrt().max(0.5);
    let count = ((high - low) / step).ceil().max(DVec2::ONE).min(DVec2::splat(200.0));
    let mut spots = Vec::new();
    for j in 0..=count.y as usize {
        for i in 0..=count.x as usize {
            let centre = low + (high - low) * DVec2::new(i as f64, j as f64) / count;
            let room = room(&edges, centre);
            if room >= least_mm {
                spots.push(Spot { centre, room, deep: [Vec::new(), Vec::new()] });
            }
        }
    }
    spots
}

/// Sections of a part at depths below or above a plane, as edges with material to the left.
pub(super) fn sections(mesh: &TriMesh, plane: Plane, side: Side, depths_mm: &[f64]) -> Vec<Vec<(DVec2, DVec2)>> {
    let sign = if side == Side::Above { 1.0 } else { -1.0 };
    let mut edges = vec![Vec::new(); depths_mm.len()];
    for corners in mesh.triangles.iter().map(|t| t.map(|v| mesh.positions[v as usize])) {
        let depth = corners.map(|p| sign * plane.above_mm(p));
        let (low, high) = depth.iter().fold((f64::MAX, f64::MIN), |(l, h), d| (l.min(*d), h.max(*d)));
        let first = depths_mm.partition_point(|d| *d < low);
        for (at, edges) in depths_mm.iter().zip(&mut edges).skip(first).take_while(|(at, _)| **at <= high) {
            edges.extend(segment(corners, depth, *at, plane));
        }
    }
    if side == Side::Below {
        edges.iter_mut().flatten().for_each(|e| *e = (e.1, e.0));
    }
    edges
}

/// The segment in which a triangle crosses a depth.
fn segment(corners: [DVec3; 3], depth: [f64; 3], at: f64, plane: Plane) -> Option<(DVec2, DVec2)> {
    let mut ends = [None; 2];
    for i in 0..3 {
        let j = (i + 1) % 3;
        if (depth[i] < at) != (depth[j] < at) {
            let t = (at - depth[i]) / (depth[j] - depth[i]);
            ends[usize::from(depth[i] < at)] = Some(plane.within(corners[i].lerp(corners[j], t)));
        }
    }
    Some((ends[0]?, ends[1]?))
}

/// Distance from a point inside to the outlines, mm; negative outside.
pub(super) fn room(edges: &[(DVec2, DVec2)], p: DVec2) -> f64 {
    let mut nearest = f64::INFINITY;
    for (a, b) in edges {
        let along = *b - *a;
        let t = ((p - *a).dot(along) / along.length_squared().max(1e-300)).clamp(0.0, 1.0);
        nearest = nearest.min(p.distance_squared(*a + t * along));
    }
    if outline::winding(edges.iter().copied(), p) > 0 { nearest.sqrt() } else { -nearest.sqrt() }
}
