//! A floor that was scanned along with the feet and hangs together with them: found, and taken away.

use glam::{DMat3, DVec3};

use super::TriMesh;
use super::measure::bounds;
use super::topology::{Edges, ends, rims};
use super::untangle::largest_piece;
use super::weld::keep_triangles;

/// Shares of the height: how high the edge of a floor may lie, how wide the floor must be at least, and what must be left
/// without it (common practice, no source).
const LOW: f64 = 0.02;
const WIDE: f64 = 0.14;
const STAYS: f64 = 0.9;

/// A floor that was taken away.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Floor {
    pub area_mm2: f64,
    /// Its height under the middle of what stood on it, mm.
    pub level_mm: f64,
}

/// Takes away a floor the mesh stands on, with all that is lower than `margin_mm` above it.
///
/// A floor is known by an open rim near the bottom, wider than feet are, along which the surface faces up: a plinth or
/// an open sole has walls there.
pub fn remove_floor(mesh: &mut TriMesh, margin_mm: f64) -> Option<Floor> {
    let (low, high) = bounds(&mesh.positions);
    let height = high.z - low.z;
    let top = low.z + LOW * height;
    if !has_level_rim(mesh, top, WIDE * height) {
        return None;
    }
    let floor = Level::fit(mesh, top)?;
    let is_above = |t: usize| mesh.corners(t).iter().all(|p| floor.above(*p) > margin_mm);
    let before = super::measure::area_mm2(mesh);
    let kept = largest_piece(&keep_triangles(mesh, is_above));
    let (kept_low, kept_high) = bounds(&kept.positions);
    if kept_high.z - kept_low.z < STAYS * height {
        return None;
    }
    *mesh = kept;
    let middle = 0.5 * (kept_low + kept_high);
    let level_mm = middle.z - floor.above(middle);
    Some(Floor { area_mm2: before - super::measure::area_mm2(mesh), level_mm })
}

/// Whether a rim below `top` spans a width and the triangles along it face up.
fn has_level_rim(mesh: &TriMesh, top: f64, width_mm: f64) -> bool {
    let edges = Edges::of(&mesh.triangles, mesh.positions.len());
    rims(&mesh.triangles, &edges).iter().any(|rim| {
        let points: Vec<DVec3> =
            rim.iter().map(|half| mesh.positions[ends(&mesh.triangles, *half).0 as usize]).collect();
        let (low, high) = bounds(&points);
        let out = rim.iter().map(|half| mesh.area_vector(*half as usize / 3));
        let (up, all) = out.fold((0.0, 0.0), |(up, all), n| (up + n.z, all + n.length()));
        high.z <= top && (high - low).truncate().min_element() >= width_mm && up > 0.85 * all
    })
}

/// A plane that is nearly level: `z = slope . (x, y, 1)`.
struct Level(DVec3);

impl Level {
    /// The plane nearest to the triangles below `top` that face up, by least squares weighted with area.
    fn fit(mesh: &TriMesh, top: f64) -> Option<Self> {
        let base = bounds(&mesh.positions).0;
        let (mut normal, mut right) = (DMat3::ZERO, DVec3::ZERO);
        for t in 0..mesh.triangles.len() {
            let (corners, out) = (mesh.corners(t), mesh.area_vector(t));
            if out.z > 0.9 * out.length() && corners.iter().all(|p| p.z <= top) {
                let middle = corners.iter().sum::<DVec3>() / 3.0 - base;
                let row = DVec3::new(middle.x, middle.y, 1.0);
                normal += DMat3::from_cols(row * row.x, row * row.y, row) * out.z;
                right += row * (middle.z * out.z);
            }
        }
        let slope = normal.inverse() * right;
        let at_origin = slope.z + base.z - slope.x * base.x - slope.y * base.y;
        slope.is_finite().then_some(Self(DVec3::new(slope.x, slope.y, at_origin)))
    }

    fn above(&self, point: DVec3) -> f64 {
        point.z - self.0.dot(DVec3::new(point.x, point.y, 1.0))
    }
}
