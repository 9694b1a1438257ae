//! Undoes moves where they did harm: triangles that newly cross, turn over or become slivers get their corners back.

use glam::DVec3;
use rayon::prelude::*;

use super::super::TriMesh;
use super::super::intersect::{self_intersect, self_intersections};
use super::super::slivers::least_height;
use super::super::sound::pairs_of;
use super::super::topology::corners_and_rings;
use super::CHUNK;

/// Rounds before everything is put back, each one ring of vertices wider.
const ROUNDS: usize = 12;

/// Puts vertices back to where they were `before` until no harm is left; tells how many.
pub(super) fn put_back(mesh: &mut TriMesh, before: &[DVec3], sliver_mm: f64) -> usize {
    let old = TriMesh { positions: before.to_vec(), triangles: mesh.triangles.clone(), ..TriMesh::default() };
    let is_new = |pair: &[u32; 2]| !self_intersect(&old, pair[0], pair[1]);
    let mut back = vec![false; before.len()];
    let mut crossing: Vec<[u32; 2]> = self_intersections(mesh);
    for round in 0..ROUNDS {
        let new = crossing.iter().filter(|pair| is_new(pair)).flatten().copied();
        let mut harmed: Vec<u32> = new.chain(spoilt(mesh, &old, sliver_mm)).collect();
        harmed.sort_unstable();
        harmed.dedup();
        if harmed.is_empty() {
            return back.iter().filter(|b| **b).count();
        }
        let marked = corners_and_rings(&mesh.triangles, before.len(), harmed.into_iter(), round + 1);
        for v in (0..before.len()).filter(|v| marked[*v]) {
            back[v] = true;
            mesh.positions[v] = before[v];
        }
        // Triangles at a vertex put back may cross anew; those that crossed are all among them.
        let is_changed = |t: &u32| mesh.triangles[*t as usize].iter().any(|v| marked[*v as usize]);
        let changed: Vec<u32> = (0..mesh.triangles.len() as u32).filter(is_changed).collect();
        crossing = pairs_of(mesh, &changed);
    }
    mesh.positions.copy_from_slice(before);
    before.len()
}

/// Triangles that turned over, or fell below the height of a sliver, by moving.
fn spoilt(mesh: &TriMesh, old: &TriMesh, sliver_mm: f64) -> Vec<u32> {
    let is_spoilt = |t: &u32| {
        let at = *t as usize;
        if mesh.corners(at) == old.corners(at) {
            return false;
        }
        let height = least_height(mesh, *t);
        mesh.area_vector(at).dot(old.area_vector(at)) <= 0.0 || (height < sliver_mm && height < least_height(old, *t))
    };
    (0..mesh.triangles.len() as u32).into_par_iter().with_min_len(CHUNK).filter(is_spoilt).collect()
}
