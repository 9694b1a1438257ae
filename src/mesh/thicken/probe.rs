//! How much wall lies behind a triangle and how much room before a vertex.

use glam::DVec3;
use rayon::prelude::*;

use super::super::TriMesh;
use super::super::fans::Fans;
use super::super::tree::TriTree;
use super::super::walls::{START_MM, wall_behind_mm};
use super::CHUNK;

/// A far side within this angle of parallel makes a wall, degrees: wider than where walls are told, so that a thickened
/// wall is not found thin again.
const PARALLEL_DEG: f64 = 30.0;

/// Side looks into a gap lean this much off the normal, as a tangent.
const LEAN: f64 = 0.8;

/// Most rounds of smoothing normals.
const SMOOTHING_MAX: usize = 8;

/// Unit normals by vertex, smoothed over about `reach_mm`, so that both sides of a rough wall move as one.
pub fn normals(mesh: &TriMesh, fans: &Fans, reach_mm: f64) -> Vec<DVec3> {
    let count = mesh.positions.len();
    let edge_mm = |t: &[u32; 3]| mesh.positions[t[0] as usize].distance(mesh.positions[t[1] as usize]);
    let edge_mm = mesh.triangles.iter().map(edge_mm).sum::<f64>() / mesh.triangles.len().max(1) as f64;
    let rounds = (reach_mm / edge_mm.max(f64::MIN_POSITIVE)).ceil().clamp(1.0, SMOOTHING_MAX as f64) as usize;
    let normal = |v: usize| fans.normal(mesh, v as u32);
    let mut normals: Vec<DVec3> = (0..count).into_par_iter().with_min_len(CHUNK).map(normal).collect();
    for _ in 1..rounds {
        let mean = |v: usize| {
            let around = fans.around(v as u32).iter().flat_map(|t| mesh.triangles[*t as usize]);
            around.map(|u| normals[u as usize]).sum::<DVec3>().normalize_or_zero()
        };
        normals = (0..count).into_par_iter().with_min_len(CHUNK).map(mean).collect();
    }
    normals
}

/// Looks from the surface of a mesh.
pub struct Probe<'a> {
    pub mesh: &'a TriMesh,
    pub tree: &'a TriTree,
    pub normals: &'a [DVec3],
}

impl Probe<'_> {
    /// Thickness of the wall behind the middle of a triangle, mm; infinite when thicker than `max_mm` or no wall.
    pub fn wall_mm(&self, triangle: u32, max_mm: f64) -> f64 {
        let middle = self.mesh.corners(triangle as usize).into_iter().sum::<DVec3>() / 3.0;
        wall_behind_mm(self.mesh, self.tree, (triangle, middle), max_mm, PARALLEL_DEG)
    }

    /// How far a vertex may go along its normal, at most `way_mm`, when what it faces comes as far towards it and
    /// `gap_min_mm` must stay between.
    pub fn room_mm(&self, vertex: usize, way_mm: f64, gap_min_mm: f64) -> f64 {
        let (at, normal) = (self.mesh.positions[vertex], self.normals[vertex]);
        let (u, v) = normal.any_orthonormal_pair();
        let leans = [DVec3::ZERO, u, -u, v, -v];
        let room = |lean: &DVec3| {
            let look = normal + LEAN * *lean;
            let hit = self.tree.ray(at + START_MM * normal, look, 2.0 * way_mm + gap_min_mm)?;
            let faces = self.facing(hit.triangle).dot(look.normalize()) < -0.5;
            faces.then_some(0.5 * (hit.distance - gap_min_mm))
        };
        leans.iter().filter_map(room).fold(way_mm, f64::min).max(0.0)
    }

    fn facing(&self, triangle: u32) -> DVec3 {
        self.mesh.area_vector(triangle as usize).normalize_or_zero()
    }
}
