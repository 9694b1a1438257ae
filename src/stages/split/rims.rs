//! The seams of a part: where its skin meets a cut face.

use std::collections::BTreeMap;

use crate::mesh::TriMesh;
use crate::mesh::cut::{Flat, flats};

/// One edge of a seam.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Rim {
    pub face: Flat,
    /// The triangle of skin beside it.
    pub triangle: usize,
    pub length_mm: f64,
}

/// All seams of a part, in the order of its triangles.
pub(super) fn rims(mesh: &TriMesh) -> Vec<Rim> {
    let mut beside: BTreeMap<[u32; 2], Flat> = BTreeMap::new();
    let mut on_rim = vec![false; mesh.positions.len()];
    for flat in flats(mesh) {
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
