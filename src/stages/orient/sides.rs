//! Sides of a part that may be turned down.

use std::collections::BTreeMap;

use glam::DVec3;

use super::FOOT_MIN_MM2;
use crate::mesh::{Origin, TriMesh, fit};

/// A cut face counts as lying across an axis when its normal is off it by less than this.
const AXIS: f64 = 1e-9;

/// A direction of the figure that may be turned down.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Side {
    pub down: DVec3,
    /// Whether the figure's own up is left.
    pub turned: bool,
}

/// The six axis directions, the figure's own down first, then the outward normals of cut faces that lie across no axis and
/// are large enough to stand on, in the order of their joints.
pub fn sides(mesh: &TriMesh) -> Vec<Side> {
    let axes = fit::TURNS.iter().enumerate().map(|(i, turn)| Side { down: -turn.row(2), turned: i > 0 });
    let mut area_vectors = BTreeMap::<u16, DVec3>::new();
    for (t, origin) in mesh.origins.iter().enumerate() {
        if let Origin::Cut(joint) = origin {
            *area_vectors.entry(*joint).or_default() += 0.5 * mesh.area_vector(t);
        }
    }
    let sloped = area_vectors.into_values().filter(|area| area.length() >= FOOT_MIN_MM2).map(DVec3::normalize);
    let sloped = sloped.filter(|normal| normal.abs().max_element() < 1.0 - AXIS);
    axes.chain(sloped.map(|down| Side { down, turned: true })).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn large_sloped_cut_faces_follow_the_axes() {
        let corners = [DVec3::ZERO, DVec3::X, DVec3::Y, DVec3::Z].map(|p| 20.0 * p);
        let mut mesh = TriMesh::from_shape(corners.to_vec(), vec![[0, 2, 1], [0, 1, 3], [0, 3, 2], [1, 2, 3]]);
        let downs: Vec<DVec3> = sides(&mesh).iter().map(|side| side.down).collect();
        assert_eq!(downs, [DVec3::NEG_Z, DVec3::Z, DVec3::X, DVec3::NEG_X, DVec3::Y, DVec3::NEG_Y]);
        mesh.origins = vec![Origin::Cut(3), Origin::Skin, Origin::Key(2), Origin::Cut(2)];
        let all = sides(&mesh);
        assert_eq!(all.len(), 7, "the level cut is an axis already: {all:?}");
        assert!(all[6].turned && all[6].down.abs_diff_eq(DVec3::splat(3.0_f64.sqrt() / 3.0), 1e-15));
        mesh.positions.iter_mut().for_each(|p| *p *= 0.1);
        assert_eq!(sides(&mesh).len(), 6, "too small to stand on");
    }
}
