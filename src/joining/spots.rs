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
    let outlines = Outlines::of(edges.clone());
    let reach = (DVec2::INFINITY, DVec2::NEG_INFINITY);
    let (low, high) = edges.iter().fold(reach, |(l, h), e| (l.min(e.0), h.max(e.0)));
    let step = (site.area_mm2 / places).sqrt().max(0.5);
    let count = ((high - low) / step).ceil().max(DVec2::ONE).min(DVec2::splat(200.0));
    let mut spots = Vec::new();
    for j in 0..=count.y as usize {
        for i in 0..=count.x as usize {
            let centre = low + (high - low) * DVec2::new(i as f64, j as f64) / count;
            let room = outlines.room(centre);
            if room >= least_mm {
                spots.push(Spot { centre, room, deep: [Vec::new(), Vec::new()] });
            }
        }
    }
    spots
}

/// Sections of a part at depths below or above a plane.
pub(super) fn sections(mesh: &TriMesh, plane: Plane, side: Side, depths_mm: &[f64]) -> Vec<Outlines> {
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
    edges.into_iter().map(Outlines::of).collect()
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

/// Outlines whose edges are gathered in cells, so that few of them are looked at for a point.
pub(super) struct Outlines {
    edges: Vec<(DVec2, DVec2)>,
    /// Edges of a cell, from and to, and the box they lie in.
    cells: Vec<(usize, usize, DVec2, DVec2)>,
}

impl Outlines {
    /// Edges of a cell, about.
    const EACH: f64 = 12.0;

    pub fn of(mut edges: Vec<(DVec2, DVec2)>) -> Self {
        let reach = (DVec2::INFINITY, DVec2::NEG_INFINITY);
        let middle = |e: &(DVec2, DVec2)| e.0.midpoint(e.1);
        let (low, high) = edges.iter().map(middle).fold(reach, |(l, h), m| (l.min(m), h.max(m)));
        // Outlines fill a row of cells rather than the whole grid.
        let across = (edges.len() as f64 / Self::EACH / 3.0).ceil().clamp(1.0, 64.0);
        let cell = |e: &(DVec2, DVec2)| {
            let at = ((middle(e) - low) / (high - low).max(DVec2::splat(1e-9)) * across).floor();
            (at.y * (across + 1.0) + at.x) as u32
        };
        edges.sort_by_key(cell);
        let mut cells: Vec<(usize, usize, DVec2, DVec2)> = Vec::new();
        for chunk in edges.chunk_by(|a, b| cell(a) == cell(b)) {
            let from = cells.last().map_or(0, |(_, to, ..)| *to);
            let (low, high) = chunk.iter().fold(reach, |(l, h), e| (l.min(e.0).min(e.1), h.max(e.0).max(e.1)));
            cells.push((from, from + chunk.len(), low, high));
        }
        Self { edges, cells }
    }

    /// Distance from a point inside to the outlines, mm; negative outside.
    pub fn room(&self, p: DVec2) -> f64 {
        let off = |(.., low, high): &(usize, usize, DVec2, DVec2)| p.distance_squared(p.clamp(*low, *high));
        let nearest_cell = self.cells.iter().min_by(|a, b| off(a).total_cmp(&off(b)));
        let mut nearest = nearest_cell.map_or(f64::INFINITY, |cell| self.squared(cell, p));
        let mut turns = 0;
        for cell in &self.cells {
            let (from, to, low, high) = *cell;
            if off(cell) < nearest {
                nearest = nearest.min(self.squared(cell, p));
            }
            if (low.y..=high.y).contains(&p.y) {
                turns += outline::winding(self.edges[from..to].iter().copied(), p);
            }
        }
        if turns > 0 { nearest.sqrt() } else { -nearest.sqrt() }
    }

    /// Squared distance to the edges of a cell.
    fn squared(&self, (from, to, ..): &(usize, usize, DVec2, DVec2), p: DVec2) -> f64 {
        let mut nearest = f64::INFINITY;
        for (a, b) in &self.edges[*from..*to] {
            let along = *b - *a;
            let t = ((p - *a).dot(along) / along.length_squared().max(1e-300)).clamp(0.0, 1.0);
            nearest = nearest.min(p.distance_squared(*a + t * along));
        }
        nearest
    }
}
