//! Grain of a scan: how far its points lie off the smooth surface, and how close they lie.

use glam::DVec3;
use rayon::prelude::*;
use serde::Serialize;

use super::missing::Body;
use crate::mesh::TriMesh;
use crate::mesh::topology::Edges;
use crate::mesh::weld::{drop_unusable, weld_equal};

/// Noise and spacing of the points of a region.
#[derive(Clone, Copy, Debug, Default, PartialEq, Serialize)]
pub struct Grain {
    /// Standard deviation of the points across the surface, mm.
    pub noise_mm: f64,
    /// Median distance of neighbouring points, mm.
    pub spacing_mm: f64,
}

/// White noise of 1 mm on an even lattice of triangles leaves this much after taking off the mean of the six neighbours
/// twice: the root of the squared weights 1.3611 + 6 x 0.0772 + 6 x 0.0008 + 6 x 0.0031 (own arithmetic).
const LEFT: f64 = 1.359;
/// Median of the absolute value of a normal variable of deviation 1 (from memory).
const MEDIAN: f64 = 0.6745;

/// Grain over the body and in the face; zeros where there are no points. `solid` tells where the face is.
#[must_use]
pub fn grain(scan: &TriMesh, solid: &TriMesh) -> (Grain, Grain) {
    let (mesh, _) = weld_equal(drop_unusable(scan).0);
    let body = Body::of(solid);
    // The solid stands on the floor, the scan where it was: the highest points agree.
    let shift = DVec3::Z * (top(solid) - top(&mesh));
    let rings = Rings::of(&mesh);
    let normals = normals(&mesh);
    let heights: Vec<DVec3> =
        (0..mesh.positions.len()).into_par_iter().map(|v| mesh.positions[v] - rings.mean(v, &mesh.positions)).collect();
    let off: Vec<f64> = (0..mesh.positions.len())
        .into_par_iter()
        .map(|v| (heights[v] - rings.mean(v, &heights)).dot(normals[v]).abs())
        .collect();
    let of = |chosen: &(dyn Fn(usize) -> bool + Sync)| {
        let points: Vec<usize> =
            (0..mesh.positions.len()).into_par_iter().filter(|v| rings.is_inner(*v) && chosen(*v)).collect();
        let spacing = |v: &usize| {
            let around = rings.of_vertex(*v).iter().map(|n| mesh.positions[*n as usize].distance(mesh.positions[*v]));
            around.sum::<f64>() / rings.of_vertex(*v).len().max(1) as f64
        };
        Grain {
            noise_mm: median(points.par_iter().map(|v| off[*v]).collect()) / MEDIAN / LEFT,
            spacing_mm: median(points.par_iter().map(spacing).collect()),
        }
    };
    (of(&|_| true), of(&|v| body.is_face(mesh.positions[v] + shift)))
}

fn top(mesh: &TriMesh) -> f64 {
    mesh.positions.iter().fold(f64::NEG_INFINITY, |top, p| top.max(p.z))
}

fn median(mut values: Vec<f64>) -> f64 {
    let middle = values.len() / 2;
    if values.is_empty() { 0.0 } else { *values.select_nth_unstable_by(middle, f64::total_cmp).1 }
}

fn normals(mesh: &TriMesh) -> Vec<DVec3> {
    let mut normals = vec![DVec3::ZERO; mesh.positions.len()];
    for (t, corners) in mesh.triangles.iter().enumerate() {
        let area = mesh.area_vector(t);
        for v in corners {
            normals[*v as usize] += area;
        }
    }
    normals.par_iter_mut().for_each(|n| *n = n.normalize_or_zero());
    normals
}

/// Neighbours of each vertex, each once for every triangle side that leaves it.
struct Rings {
    start: Vec<u32>,
    neighbours: Vec<u32>,
    /// Whether a vertex lies on an open edge.
    open: Vec<bool>,
}

impl Rings {
    fn of(mesh: &TriMesh) -> Self {
        let mut start = vec![0_u32; mesh.positions.len() + 1];
        mesh.triangles.iter().flatten().for_each(|v| start[*v as usize + 1] += 1);
        for v in 1..start.len() {
            start[v] += start[v - 1];
        }
        let mut next = start.clone();
        let mut neighbours = vec![0; 3 * mesh.triangles.len()];
        for t in &mesh.triangles {
            for k in 0..3 {
                let place = &mut next[t[k] as usize];
                neighbours[*place as usize] = t[(k + 1) % 3];
                *place += 1;
            }
        }
        let edges = Edges::of(&mesh.triangles, mesh.positions.len());
        let mut open = vec![false; mesh.positions.len()];
        for (half, _) in edges.open_halves(&mesh.triangles).iter().enumerate().filter(|(_, open)| **open) {
            let t = mesh.triangles[half / 3];
            open[t[half % 3] as usize] = true;
            open[t[(half % 3 + 1) % 3] as usize] = true;
        }
        Self { start, neighbours, open }
    }

    fn of_vertex(&self, v: usize) -> &[u32] {
        &self.neighbours[self.start[v] as usize..self.start[v + 1] as usize]
    }

    fn is_inner(&self, v: usize) -> bool {
        !self.open[v] && !self.of_vertex(v).is_empty()
    }

    fn mean(&self, v: usize, of: &[DVec3]) -> DVec3 {
        let around = self.of_vertex(v);
        if around.is_empty() {
            return of[v];
        }
        around.iter().map(|n| of[*n as usize]).sum::<DVec3>() / around.len() as f64
    }
}
