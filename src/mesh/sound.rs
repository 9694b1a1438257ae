//! Which triangles are known to cross no other, so that after a change only the others are looked at.

use std::hash::{Hash, Hasher};

use rayon::prelude::*;
use rustc_hash::{FxHashMap, FxHashSet, FxHasher};

use super::intersect::self_intersect;
use super::tree::TriTree;
use super::{Origin, TriMesh};

/// Triangles known to cross no other of their mesh: the hash of the places of their corners, in the mesh's order; 0 for
/// the others.
#[derive(Clone, Debug)]
pub struct Sound(Vec<u64>);

/// Names a triangle by the places of its corners.
fn place_hash(mesh: &TriMesh, t: usize) -> u64 {
    let mut hasher = FxHasher::default();
    mesh.corners(t).map(|p| p.to_array().map(f64::to_bits)).hash(&mut hasher);
    hasher.finish()
}

fn place_hashes(mesh: &TriMesh) -> Vec<u64> {
    (0..mesh.triangles.len()).into_par_iter().map(|t| place_hash(mesh, t)).collect()
}

impl Sound {
    /// All triangles of a mesh but those of the pairs that cross.
    #[must_use]
    pub fn of(mesh: &TriMesh, pairs: &[[u32; 2]]) -> Self {
        let mut hashes = place_hashes(mesh);
        pairs.iter().flatten().for_each(|t| hashes[*t as usize] = 0);
        Self(hashes)
    }

    /// Triangles of a mesh that are not among these, ascending.
    fn others(&self, mesh: &TriMesh) -> Vec<u32> {
        let hashes = place_hashes(mesh);
        let mut others = out_of_step(&self.0, &hashes);
        let wanted: FxHashSet<u64> = others.iter().map(|t| hashes[*t as usize]).collect();
        let found: Vec<u64> = self.0.par_iter().filter(|hash| wanted.contains(hash)).copied().collect();
        let found: FxHashSet<u64> = found.into_iter().collect();
        others.retain(|t| !found.contains(&hashes[*t as usize]));
        others
    }
}

/// Places in `hashes` that have no like in `known` where both lists, gone through side by side, would have it: few where
/// one list is the other with some entries changed, some gone, and some behind.
fn out_of_step(known: &[u64], hashes: &[u64]) -> Vec<u32> {
    /// How far the lists may be out of step, and how far apart the entries are by which they get in step again.
    const SLACK: usize = 16;
    const APART: usize = 64;
    let landmarks: FxHashMap<u64, usize> = (0..known.len()).step_by(APART).map(|place| (known[place], place)).collect();
    let (mut at, mut found) = (0_usize, Vec::new());
    for (t, hash) in (0_u32..).zip(hashes) {
        let near = || known.get(at..known.len().min(at + SLACK))?.iter().position(|k| k == hash);
        if let Some(place) = near().map(|ahead| at + ahead).or_else(|| landmarks.get(hash).copied()) {
            at = place + 1;
        } else {
            found.push(t);
            at += 1;
        }
    }
    found
}

/// Pairs that cross, given the triangles known not to cross each other: all pairs of a mesh that only moved, lost and
/// got triangles since.
#[must_use]
pub fn pairs_beside(mesh: &TriMesh, sound: &Sound) -> Vec<[u32; 2]> {
    pairs_of(mesh, &sound.others(mesh))
}

/// Pairs that cross and have one of these triangles, lower index first, sorted.
#[must_use]
pub fn pairs_of(mesh: &TriMesh, changed: &[u32]) -> Vec<[u32; 2]> {
    let triangles: Vec<[u32; 3]> = changed.iter().map(|t| mesh.triangles[*t as usize]).collect();
    let tree = TriTree::new(&mesh.positions, &triangles);
    // A cut face is filled from outlines that do not cross, so its triangles cannot lie over each other.
    let of_one_face = |t: u32, other: u32| {
        let [t, other] = [t, other].map(|t| mesh.origins[t as usize]);
        matches!(t, Origin::Cut(_)) && t == other
    };
    let crossings = |t: u32| {
        let [a, b, c] = mesh.corners(t as usize);
        let mut found = Vec::new();
        tree.overlapping(a.min(b).min(c), a.max(b).max(c), |slot| {
            let other = changed[slot as usize];
            if other != t && !of_one_face(t, other) && self_intersect(mesh, t.min(other), t.max(other)) {
                found.push([t.min(other), t.max(other)]);
            }
        });
        found
    };
    let mut pairs: Vec<[u32; 2]> = (0..mesh.triangles.len() as u32).into_par_iter().flat_map_iter(crossings).collect();
    pairs.sort_unstable();
    pairs.dedup();
    pairs
}
