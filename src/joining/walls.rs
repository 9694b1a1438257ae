//! How much solid is left around what is sunk into a part, by distance to its surface.

use std::f64::consts::TAU;

use glam::{DVec2, DVec3};

use crate::mesh::cut::Plane;
use crate::mesh::tree::TriTree;
use crate::mesh::{Origin, TriMesh};

/// Distances are found this closely, mm.
const CLOSE_MM: f64 = 0.01;

/// The surface of a part near a joint, without the joint's own face.
#[derive(Clone, Debug)]
pub struct Walls(TriTree);

/// A cone or cylinder about an axis into the part, between two radii and depths, mm; a disc when both depths are the same.
#[derive(Clone, Copy, Debug)]
pub(super) struct Band {
    pub from: (f64, f64),
    pub to: (f64, f64),
}

/// The surface of something round that is sunk into a part.
#[derive(Clone, Copy, Debug)]
pub(super) struct Bore<'a> {
    pub mouth: DVec3,
    pub plane: Plane,
    /// Unit vector into the part.
    pub inward: DVec3,
    pub bands: &'a [Band],
}

impl Walls {
    /// The surface within `reach_mm` of the box from `low` to `high`, less the triangles of `own` origins.
    #[must_use]
    pub fn of(mesh: &TriMesh, [low, high]: [DVec3; 2], reach_mm: f64, own: impl Fn(Origin) -> bool) -> Self {
        let (low, high) = (low - reach_mm, high + reach_mm);
        let near = |t: &usize| {
            let [a, b, c] = mesh.corners(*t);
            !own(mesh.origins[*t]) && a.min(b).min(c).cmple(high).all() && a.max(b).max(c).cmpge(low).all()
        };
        let triangles: Vec<[u32; 3]> = (0..mesh.triangles.len()).filter(near).map(|t| mesh.triangles[t]).collect();
        Self(TriTree::new(&mesh.positions, &triangles))
    }

    /// Least distance of the surface from a bore, as far as it is less than `up_to_mm`.
    pub(super) fn around(&self, bore: &Bore<'_>, up_to_mm: f64) -> f64 {
        let (along, across) = bore.plane.frame();
        bore.bands.iter().fold(up_to_mm, |least, band| {
            let point = |s: f64, t: f64| {
                let [radius, depth] = [0, 1].map(|i| {
                    let [a, b] = [band.from, band.to].map(|e| if i == 0 { e.0 } else { e.1 });
                    a + t * (b - a)
                });
                let way = DVec2::from_angle(TAU * s);
                bore.mouth + bore.inward * depth + radius * (way.x * along + way.y * across)
            };
            let long = TAU * band.from.0.max(band.to.0);
            let wide = (band.to.0 - band.from.0).hypot(band.to.1 - band.from.1);
            self.least(&point, [long, wide], least)
        })
    }

    /// Least distance of the surface from a parallelogram, as far as it is less than `up_to_mm`.
    #[must_use]
    pub fn beside(&self, corner: DVec3, sides: [DVec3; 2], up_to_mm: f64) -> f64 {
        let point = |s: f64, t: f64| corner + s * sides[0] + t * sides[1];
        self.least(&point, sides.map(DVec3::length), up_to_mm)
    }

    /// Branch and bound over a patch: no point of a piece is further from its middle than half its diagonal, so pieces whose
    /// middle is far enough from the surface are left alone.
    fn least(&self, point: &impl Fn(f64, f64) -> DVec3, lengths: [f64; 2], up_to_mm: f64) -> f64 {
        let mut least = up_to_mm;
        let mut pieces = vec![[0.0, 1.0, 0.0, 1.0]];
        while let Some([s0, s1, t0, t1]) = pieces.pop() {
            let [long, wide] = [(s1 - s0) * lengths[0], (t1 - t0) * lengths[1]];
            let reach = 0.5 * long.hypot(wide);
            let found = self.0.nearest(point(0.5 * (s0 + s1), 0.5 * (t0 + t1)), least + reach);
            let distance = found.map_or(f64::INFINITY, |n| n.distance);
            least = least.min(distance);
            if distance - reach < least - CLOSE_MM {
                let (s, t) = (0.5 * (s0 + s1), 0.5 * (t0 + t1));
                let halves =
                    if long > wide { [[s0, s, t0, t1], [s, s1, t0, t1]] } else { [[s0, s1, t0, t], [s0, s1, t, t1]] };
                pieces.extend(halves);
            }
        }
        least
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn cube() -> TriMesh {
        let corner = |i: u32| DVec3::new(f64::from(i & 1), f64::from(i >> 1 & 1), f64::from(i >> 2)) * 40.0;
        let quads = [[0, 2, 3, 1], [4, 5, 7, 6], [0, 1, 5, 4], [2, 6, 7, 3], [0, 4, 6, 2], [1, 3, 7, 5]];
        let triangles = quads.iter().flat_map(|[a, b, c, d]| [[*a, *b, *c], [*a, *c, *d]]).collect();
        TriMesh::from_shape((0..8).map(corner).collect(), triangles)
    }

    #[test]
    fn distances_in_a_cube_are_those_of_arithmetic() {
        let mesh = cube();
        let top = |t: &[u32; 3]| t.iter().all(|v| *v > 3);
        let mut mesh = mesh;
        mesh.origins = mesh.triangles.iter().map(|t| if top(t) { Origin::Cut(1) } else { Origin::Skin }).collect();
        let plane = Plane::new(2, 40.0);
        let ends = [DVec3::ZERO, DVec3::splat(40.0)];
        let walls = Walls::of(&mesh, ends, 1.0, |o| o == Origin::Cut(1));
        let bands = |radius: f64, depth: f64| {
            [Band { from: (radius, 0.0), to: (radius, depth) }, Band { from: (radius, depth), to: (0.0, depth) }]
        };
        let around = |x: f64, y: f64, radius: f64, depth: f64| {
            let bore = Bore { mouth: DVec3::new(x, y, 40.0), plane, inward: -DVec3::Z, bands: &bands(radius, depth) };
            walls.around(&bore, 50.0)
        };
        assert!((around(20.0, 11.0, 4.0, 30.0) - 7.0).abs() < 0.011);
        assert!((around(20.0, 20.0, 4.0, 37.5) - 2.5).abs() < 0.011);
        let beside = walls.beside(DVec3::new(5.0, 8.0, 39.4), [DVec3::X * 20.0, DVec3::Y * 6.0], 50.0);
        assert!((beside - 5.0).abs() < 0.011, "{beside}");
    }
}
