//! Undoes moves where they did harm: triangles that newly cross, turn over or become slivers get their corners back.

use glam::DVec3;
use rayon::prelude::*;

use super::TriMesh;
use super::intersect::{self_intersect, self_intersections};
use super::slivers::least_height;
use super::sound::pairs_of;
use super::topology::corners_and_rings;

/// Triangles per task.
const CHUNK: usize = 4096;

/// Rounds before everything is put back, each one ring of vertices wider.
const ROUNDS: usize = 12;

/// Puts vertices back to where they were `before` until no harm is left; tells which.
pub(super) fn put_back(mesh: &mut TriMesh, before: &[DVec3], sliver_mm: f64) -> Vec<bool> {
    let old = TriMesh { positions: before.to_vec(), triangles: mesh.triangles.clone(), ..TriMesh::default() };
    let is_new = |pair: &[u32; 2]| !self_intersect(&old, pair[0], pair[1]);
    let mut back = vec![false; before.len()];
    let mut crossing = pairs_moved(mesh, &old);
    for round in 0..ROUNDS {
        let new = crossing.iter().filter(|pair| is_new(pair)).flatten().copied();
        let mut harmed: Vec<u32> = new.chain(spoilt(mesh, &old, sliver_mm)).collect();
        harmed.sort_unstable();
        harmed.dedup();
        if harmed.is_empty() {
            return back;
        }
        let marked = corners_and_rings(&mesh.triangles, before.len(), harmed.into_iter(), round + 1);
        for v in (0..before.len()).filter(|v| marked[*v]) {
            back[v] = true;
            mesh.positions[v] = before[v];
        }
        // Triangles at a vertex put back may cross anew; those that crossed are all among them.
        crossing = pairs_of(mesh, &triangles_with(mesh, |v| marked[v]));
    }
    mesh.positions.copy_from_slice(before);
    vec![true; before.len()]
}

/// Pairs that cross, at least one of which moved.
fn pairs_moved(mesh: &TriMesh, old: &TriMesh) -> Vec<[u32; 2]> {
    let moved = triangles_with(mesh, |v| mesh.positions[v] != old.positions[v]);
    if 2 * moved.len() > mesh.triangles.len() { self_intersections(mesh) } else { pairs_of(mesh, &moved) }
}

fn triangles_with(mesh: &TriMesh, is_it: impl Fn(usize) -> bool + Sync) -> Vec<u32> {
    let has = |t: &u32| mesh.triangles[*t as usize].iter().any(|v| is_it(*v as usize));
    (0..mesh.triangles.len() as u32).into_par_iter().with_min_len(CHUNK).filter(has).collect()
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
