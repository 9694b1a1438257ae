//! Quadric error: the weighted sum of squared distances from a point to planes (Garland, Heckbert 1997).

use std::ops::Add;

use glam::DVec3;

/// `E(x) = x A x + 2 b x + c`, with `x` relative to a centre that whoever keeps the quadric knows: near the surface all
/// three terms stay small, so nothing cancels.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Quadric {
    /// Upper triangle of `A`: xx, xy, xz, yy, yz, zz.
    a: [f64; 6],
    b: DVec3,
    c: f64,
}

impl Quadric {
    /// Squared distance to the plane `normal x = offset`, times a weight; the normal has length 1.
    #[must_use]
    pub fn of_plane(normal: DVec3, offset: f64, weight: f64) -> Self {
        let (n, w) = (normal, normal * weight);
        Self {
            a: [w.x * n.x, w.x * n.y, w.x * n.z, w.y * n.y, w.y * n.z, w.z * n.z],
            b: w * -offset,
            c: weight * offset * offset,
        }
    }

    fn times(&self, x: DVec3) -> DVec3 {
        let [xx, xy, xz, yy, yz, zz] = self.a;
        DVec3::new(xx * x.x + xy * x.y + xz * x.z, xy * x.x + yy * x.y + yz * x.z, xz * x.x + yz * x.y + zz * x.z)
    }

    /// The error at a point, mm2 times the weight.
    #[must_use]
    pub fn at(&self, x: DVec3) -> f64 {
        (x.dot(self.times(x)) + 2.0 * self.b.dot(x) + self.c).max(0.0)
    }

    /// The same error about a centre moved by `step`.
    #[must_use]
    pub fn moved(&self, step: DVec3) -> Self {
        let turned = self.times(step);
        Self { a: self.a, b: self.b + turned, c: self.c + 2.0 * self.b.dot(step) + step.dot(turned) }
    }

    /// The point of least error; `None` when the planes do not meet in one point well enough.
    #[must_use]
    pub fn optimum(&self) -> Option<DVec3> {
        /// Least determinant for a mean eigenvalue of 1.
        const SINGULAR: f64 = 1e-10;
        let [xx, xy, xz, yy, yz, zz] = self.a;
        let rows = [DVec3::new(xx, xy, xz), DVec3::new(xy, yy, yz), DVec3::new(xz, yz, zz)];
        let minors = [rows[1].cross(rows[2]), rows[2].cross(rows[0]), rows[0].cross(rows[1])];
        let det = rows[0].dot(minors[0]);
        let mean = (xx + yy + zz) / 3.0;
        let is_regular = det > SINGULAR * mean * mean * mean;
        is_regular.then(|| (minors[0] * self.b.x + minors[1] * self.b.y + minors[2] * self.b.z) / -det)
    }
}

impl Add for Quadric {
    type Output = Self;

    fn add(self, other: Self) -> Self {
        let a = std::array::from_fn(|i| self.a[i] + other.a[i]);
        Self { a, b: self.b + other.b, c: self.c + other.c }
    }
}
