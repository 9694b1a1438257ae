//! The seams of a part: where its skin meets a cut face.

use std::collections::BTreeMap;

use super::joints::plane_of;
use crate::mesh::TriMesh;
use crate::mesh::cut::{Flat, Plane, flats_in};

/// One edge of a seam.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Rim {
    pub face: Flat,
    /// The triangle of skin beside it.
    pub triangle: usize,
    pub length_mm: f64,
}

/// All seams of a part, in the order of its triangles, given the plane of each cut.
pub(super) fn rims(mesh: &TriMesh, cuts: &[Option<Plane>]) -> Vec<Rim> {
    let mut beside: BTreeMap<[u32; 2], Flat> = BTreeMap::new();
    let mut on_rim = vec![false; mesh.positions.len()];
    for flat in flats_in(mesh, |cut| plane_of(cuts, cut)) {
        for [a, b] in flat.rim(mesh) {
            beside.insert([b, a], flat);
            on_rim[a as usize] = true;
        }
    }
    let mut rims = Vec::new();
    let near = |t: &[u32; 3]| t.iter().filter(|v| on_rim[**v as usize]).count() > 1;
    for (triangle, [a, b, c]) in mesh.triangles.iter().enumerate().filter(|(_, t)| near(t)) {
        for edge in [[*a, *b], [*b, *c], [*c, *a]] {
            if let Some(face) = beside.get(&edge).filter(|_| mesh.origins[triangle].is_outside()) {
                let [p, q] = edge.map(|v| mesh.positions[v as usize]);
                rims.push(Rim { face: *face, triangle, length_mm: p.distance(q) });
            }
        }
    }
    rims
}
