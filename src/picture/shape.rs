//! A mesh made ready for drawing: smooth normals, computed once for all views of it.

use glam::{DVec3, Vec3};
use rayon::prelude::*;

use crate::mesh::TriMesh;

/// A mesh with a smooth unit normal per vertex.
#[derive(Debug)]
pub struct Shape<'a> {
    pub mesh: &'a TriMesh,
    /// Mean of the outside triangles around each vertex, weighted by area; cut faces count only where nothing
    /// else meets, so that they do not round the rim they share with the skin.
    pub normals: Vec<Vec3>,
    pub low: DVec3,
    pub high: DVec3,
}

/// Two sums over halves of the triangles: as fast as two cores allow, and the same on any number of them.
const HALVES: usize = 2;

/// Weight of a cut face against skin in a vertex normal.
const CUT_WEIGHT: f32 = 1e-4;

impl<'a> Shape<'a> {
    /// Prepares a mesh. Triangles that point outside the vertex list make it a shape without triangles.
    #[must_use]
    pub fn new(mesh: &'a TriMesh) -> Self {
        let finite = mesh.positions.iter().filter(|p| p.is_finite());
        let (low, high) = finite.fold((DVec3::INFINITY, DVec3::NEG_INFINITY), |(l, h), p| (l.min(*p), h.max(*p)));
        Self { mesh, normals: smooth_normals(mesh), low, high }
    }

    /// Triangles that can be drawn.
    #[must_use]
    pub fn triangles(&self) -> &'a [[u32; 3]] {
        if self.normals.is_empty() { &[] } else { &self.mesh.triangles }
    }
}

fn smooth_normals(mesh: &TriMesh) -> Vec<Vec3> {
    let count = mesh.positions.len();
    if mesh.triangles.par_iter().flatten().any(|&v| v as usize >= count) {
        return Vec::new();
    }
    let half = mesh.triangles.len().div_ceil(HALVES).max(1);
    let sums: Vec<Vec<Vec3>> = (0..HALVES)
        .into_par_iter()
        .map(|i| {
            let mut sum = vec![Vec3::ZERO; count];
            for t in (i * half)..((i + 1) * half).min(mesh.triangles.len()) {
                let outside = mesh.origins.get(t).is_none_or(|o| o.is_outside());
                let area = mesh.area_vector(t).as_vec3() * if outside { 1.0 } else { CUT_WEIGHT };
                for v in mesh.triangles[t] {
                    sum[v as usize] += area;
                }
            }
            sum
        })
        .collect();
    (0..count).into_par_iter().map(|v| sums.iter().map(|s| s[v]).sum::<Vec3>().normalize_or_zero()).collect()
}

/// Cosines between which a corner's normal turns from its facet's own to the smooth one (45 and 25 degrees): edges
/// of 90 degrees stay sharp, those below 50 are rounded.
const CREASE: (f32, f32) = (0.70, 0.906);

/// The normal a corner is shaded with: smooth, unless the facet stands off too far from it.
#[must_use]
pub fn corner_normal(facet: Vec3, smooth: Vec3) -> Vec3 {
    let share = ((facet.dot(smooth) - CREASE.0) / (CREASE.1 - CREASE.0)).clamp(0.0, 1.0);
    facet.lerp(smooth, share * share * (3.0 - 2.0 * share))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::mesh::Origin;

    /// Two triangles at a right angle along the y axis: one faces up, one faces -x.
    fn edge() -> TriMesh {
        let p = [[0.0, 0.0, 0.0], [0.0, 1.0, 0.0], [1.0, 0.0, 0.0], [0.0, 0.0, -1.0]].map(DVec3::from);
        TriMesh::from_shape(p.to_vec(), vec![[0, 2, 1], [0, 1, 3]])
    }

    #[test]
    fn a_sharp_edge_keeps_its_facets_apart() {
        let mesh = edge();
        let shape = Shape::new(&mesh);
        let corner = corner_normal(Vec3::Z, shape.normals[0]);
        assert!(corner.normalize().dot(Vec3::Z) > 0.99, "{corner}");
    }

    #[test]
    fn a_cut_face_does_not_round_the_skin() {
        let mut mesh = edge();
        mesh.origins[1] = Origin::Cut(0);
        assert!(Shape::new(&mesh).normals[0].dot(Vec3::Z) > 0.999);
    }

    #[test]
    fn a_mesh_with_a_dangling_triangle_draws_nothing() {
        let mut mesh = edge();
        mesh.triangles[1] = [0, 1, 9];
        assert!(Shape::new(&mesh).triangles().is_empty());
    }
}
