//! Cutting planes, sloped or across an axis. A plane is a height over the two axes beside its dominant one: flattening drops
//! that axis, so that places within the plane stay exact.

use glam::{DVec2, DVec3};

use crate::units::{LATTICE_MM, snap_between_mm, snap_mm};

/// Slopes are multiples of this, so that heights are exact.
const SLOPE_STEP: f64 = 1.0 / 1024.0;
/// An axis is taken for the dominant one when its share of the normal is this close to the largest, so that rounding does
/// not decide between equals.
const DOMINANT: f64 = 0.999;
/// How far rim points may lie off a sloped plane: they are lattice points, and may have to lie in an earlier plane too.
const OFF_PLANE_MM: f64 = 2.0 * LATTICE_MM;

/// A plane: points with `height(p) == offset_mm`.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Plane {
    /// The dominant axis: 0, 1 or 2 for x, y or z.
    pub axis: usize,
    /// Height at which the plane meets its axis, mm.
    pub offset_mm: f64,
    /// By how much heights grow along the two axes after the dominant one; zero for a plane across an axis.
    pub slope: DVec2,
}

impl Plane {
    /// A plane across an axis.
    #[must_use]
    pub fn new(axis: usize, offset_mm: f64) -> Self {
        Self { axis, offset_mm, slope: DVec2::ZERO }
    }

    /// The plane through (nearly) a point and (nearly) across a normal, whose length does not matter: slopes are rounded to
    /// 1/1024 and the offset to a place no vertex on the lattice or in a plane across an axis can have.
    #[must_use]
    pub fn across(normal: DVec3, point: DVec3) -> Self {
        let most = normal.abs().max_element();
        let axis = (0..3).find(|i| normal[*i].abs() >= DOMINANT * most).unwrap_or(2);
        let slope = DVec2::new(normal[(axis + 1) % 3], normal[(axis + 2) % 3]) / normal[axis];
        let slope = (slope / SLOPE_STEP).round() * SLOPE_STEP;
        let slope = if slope.is_finite() { slope + 0.0 } else { DVec2::ZERO };
        let plane = Self { axis, offset_mm: 0.0, slope };
        Self { offset_mm: plane.height(point), ..plane }.moved(0.0)
    }

    /// The parallel plane this far along the normal, mm, at the nearest place no vertex can have.
    #[must_use]
    pub fn moved(&self, by_mm: f64) -> Self {
        let offset = self.offset_mm + by_mm * self.stretch();
        // Heights of vertices are multiples of half a lattice step times the step of slopes.
        let finer = 0.5 * SLOPE_STEP;
        let offset_mm =
            if self.is_sloped() { finer * snap_between_mm(offset / finer) } else { snap_between_mm(offset) };
        Self { offset_mm, ..*self }
    }

    /// Whether the plane is not across an axis.
    #[must_use]
    pub fn is_sloped(&self) -> bool {
        self.slope != DVec2::ZERO
    }

    /// Height of a point along the dominant axis, measured along the slope, mm; exact for lattice points.
    #[must_use]
    pub fn height(&self, p: DVec3) -> f64 {
        p[self.axis] + self.slope.dot(self.flatten(p))
    }

    /// Whether a point lies above the plane.
    #[must_use]
    pub fn lies_under(&self, p: DVec3) -> bool {
        self.height(p) > self.offset_mm
    }

    /// Distance of a point from the plane, mm, positive on the side its axis points to.
    #[must_use]
    pub fn above_mm(&self, p: DVec3) -> f64 {
        (self.height(p) - self.offset_mm) / self.stretch()
    }

    /// Whether a rim point of a cut in this plane may lie here: on the plane, or within its rounding where it is sloped.
    #[must_use]
    pub fn holds(&self, p: DVec3) -> bool {
        let off = (self.height(p) - self.offset_mm).abs();
        off <= if self.is_sloped() { OFF_PLANE_MM } else { 0.0 }
    }

    /// Coordinates over the plane: the two axes after its own, so that counter-clockwise looks along the axis' positive end.
    /// They are exact, but lengths and areas are not true where the plane is sloped; see [`Self::within`].
    #[must_use]
    pub fn flatten(&self, p: DVec3) -> DVec2 {
        DVec2::new(p[(self.axis + 1) % 3], p[(self.axis + 2) % 3])
    }

    /// The point of the plane with these coordinates over it.
    #[must_use]
    pub fn lift(&self, p: DVec2) -> DVec3 {
        let mut lifted = DVec3::ZERO;
        lifted[self.axis] = self.offset_mm - self.slope.dot(p);
        lifted[(self.axis + 1) % 3] = p.x;
        lifted[(self.axis + 2) % 3] = p.y;
        lifted
    }

    /// The same for a vertex: rounded to the lattice where the plane is sloped, so that files can hold it exactly.
    #[must_use]
    pub fn lift_to_lattice(&self, p: DVec2) -> DVec3 {
        let mut lifted = self.lift(p);
        if self.is_sloped() {
            lifted[self.axis] = snap_mm(lifted[self.axis]) + 0.0;
        }
        lifted
    }

    /// True area over flattened area.
    #[must_use]
    pub fn stretch(&self) -> f64 {
        (1.0 + self.slope.length_squared()).sqrt()
    }

    /// Unit normal, towards the positive end of the axis.
    #[must_use]
    pub fn normal(&self) -> DVec3 {
        let mut normal = DVec3::AXES[self.axis];
        normal[(self.axis + 1) % 3] = self.slope.x;
        normal[(self.axis + 2) % 3] = self.slope.y;
        normal / self.stretch()
    }

    /// Distance of the plane from the origin along its unit normal, mm.
    #[must_use]
    pub fn unit_offset_mm(&self) -> f64 {
        self.offset_mm / self.stretch()
    }

    /// Two directions in the plane, orthonormal; with the normal they turn right. The axes after its own where it is not
    /// sloped.
    #[must_use]
    pub fn frame(&self) -> (DVec3, DVec3) {
        let mut along = DVec3::AXES[(self.axis + 1) % 3];
        along[self.axis] = -self.slope.x;
        let along = along.normalize() + 0.0;
        (along, self.normal().cross(along) + 0.0)
    }

    /// Coordinates in [`Self::frame`], mm: true lengths and areas.
    #[must_use]
    pub fn within(&self, p: DVec3) -> DVec2 {
        let (along, across) = self.frame();
        DVec2::new(along.dot(p), across.dot(p))
    }

    /// The point of the plane with these coordinates in [`Self::frame`].
    #[must_use]
    pub fn at(&self, p: DVec2) -> DVec3 {
        let (along, across) = self.frame();
        self.unit_offset_mm() * self.normal() + p.x * along + p.y * across
    }
}

#[cfg(test)]
#[expect(clippy::float_cmp, reason = "heights are exact")]
mod tests {
    use super::*;

    #[test]
    fn heights_are_exact_and_no_vertex_lies_on_a_plane() {
        let normal = DVec3::new(0.3, -0.71, 0.64);
        let point = DVec3::new(812.3, -217.8, 1604.9);
        let plane = Plane::across(normal, point);
        assert_eq!(plane.axis, 1);
        assert!(plane.normal().dot(normal.normalize()) < -0.999_999);
        assert!(plane.above_mm(point).abs() < 1e-6);
        for i in 0..1000 {
            // Also in planes across an axis, half a lattice step off it.
            let off = DVec3::new(f64::from(i), f64::from(i * 7 % 31), 0.0) * 0.5 * LATTICE_MM;
            let uv = plane.flatten((point / LATTICE_MM).round() * LATTICE_MM + off);
            assert_eq!(plane.height(plane.lift(uv)), plane.offset_mm);
            let vertex = plane.lift_to_lattice(uv);
            assert!(plane.height(vertex) != plane.offset_mm && plane.holds(vertex));
        }
    }

    #[test]
    fn the_frame_keeps_lengths_and_is_the_flat_one_across_axes() {
        let p = DVec3::new(13.25, -7.5, 41.0);
        for axis in 0..3 {
            let plane = Plane::new(axis, 3.5);
            assert_eq!(plane.within(p), plane.flatten(p));
            assert_eq!(plane.at(plane.flatten(p)), plane.lift(plane.flatten(p)));
            assert_eq!((plane.stretch(), plane.normal()), (1.0, DVec3::AXES[axis]));
        }
        let plane = Plane::across(DVec3::new(1.0, 1.0, -1.0), p);
        let (u, v) = plane.frame();
        assert!((u.cross(v) - plane.normal()).length() < 1e-15);
        let (a, b) = (plane.lift(DVec2::new(2.0, 9.0)), plane.lift(DVec2::new(-14.0, 5.0)));
        assert!((plane.within(a).distance(plane.within(b)) - a.distance(b)).abs() < 1e-12);
        assert!((plane.at(plane.within(a)) - a).length() < 1e-12);
    }
}
