//! What a group of triangles looks like from afar: the first three terms of its solid angle's expansion
//! (Barill et al. 2018), as sums that can be moved to another centre and added.

use glam::{DVec3, Vec3};

/// A group is far when it is more than this many of its radii away (Barill et al. 2018).
const FAR: f64 = 2.0;
/// Axes of each second moment; those of axes i and j stand at i when they are equal, else at 2 + i + j.
const PAIRS: [[usize; 2]; 6] = [[0, 0], [1, 1], [2, 2], [0, 1], [0, 2], [1, 2]];
/// Axes of each third moment.
const TRIPLES: [[usize; 3]; 10] =
    [[0, 0, 0], [1, 1, 1], [2, 2, 2], [0, 0, 1], [0, 0, 2], [1, 1, 0], [1, 1, 2], [2, 2, 0], [2, 2, 1], [0, 1, 2]];

/// Sums over area vectors n at places d from a centre, made symmetric: of n, d n and d d n.
#[derive(Clone, Copy, Debug, Default)]
struct Moments {
    first: DVec3,
    second: [f64; 6],
    third: [f64; 10],
}

impl Moments {
    /// Adds sums about a centre that lies `shift` from this one.
    fn add(&mut self, other: &Self, shift: DVec3) {
        let (n, s) = (other.first, shift);
        let second = |i: usize, j: usize| other.second[if i == j { i } else { 2 + i + j }];
        self.first += n;
        for (at, [i, j]) in PAIRS.into_iter().enumerate() {
            self.second[at] += other.second[at] + 0.5 * (s[i] * n[j] + s[j] * n[i]);
        }
        for (at, [i, j, k]) in TRIPLES.into_iter().enumerate() {
            let once = s[i] * second(j, k) + s[j] * second(k, i) + s[k] * second(i, j);
            let twice = n[i] * s[j] * s[k] + n[j] * s[k] * s[i] + n[k] * s[i] * s[j];
            self.third[at] += other.third[at] + (2.0 * once + twice) / 3.0;
        }
    }

    /// Adds an area vector at a place `shift` from the centre.
    fn add_point(&mut self, area_vector: DVec3, shift: DVec3) {
        self.add(&Self { first: area_vector, ..Self::default() }, shift);
    }

    /// Adds a triangle. Its corners with a twelfth of it each and its middle with the rest have its moments.
    fn add_triangle(&mut self, corners: &[DVec3; 3], centre: DVec3) {
        let twelfth = area_vector(corners) / 12.0;
        for corner in corners {
            self.add_point(twelfth, corner - centre);
        }
        self.add_point(twelfth * 9.0, middle(corners) - centre);
    }
}

fn area_vector([a, b, c]: &[DVec3; 3]) -> DVec3 {
    (b - a).cross(c - a) / 2.0
}

fn middle([a, b, c]: &[DVec3; 3]) -> DVec3 {
    (a + b + c) / 3.0
}

/// A group of triangles: one for each node of the tree.
#[derive(Clone, Copy, Debug, Default)]
pub(super) struct Cluster {
    centre: Vec3,
    /// Squared distance from the centre beyond which the expansion serves, mm2.
    far_squared: f32,
    first: Vec3,
    second: [f32; 6],
    third: [f32; 10],
    area: f32,
    /// Nodes in the subtree; 1 for a leaf.
    pub(super) nodes: u32,
}

impl Cluster {
    pub(super) fn of_triangles(triangles: &[[DVec3; 3]]) -> Self {
        let (mut area, mut weighted) = (0.0, DVec3::ZERO);
        for corners in triangles {
            let size = area_vector(corners).length();
            area += size;
            weighted += middle(corners) * size;
        }
        let plain = triangles.first().map(middle).unwrap_or_default();
        let centre = if area > 0.0 { weighted / area } else { plain }.as_vec3();
        let about = centre.as_dvec3();
        let mut moments = Moments::default();
        for corners in triangles {
            moments.add_triangle(corners, about);
        }
        let radius = triangles.iter().flatten().map(|corner| corner.distance(about)).fold(0.0, f64::max);
        Self { area: area as f32, nodes: 1, ..Self::around(centre, radius, &moments) }
    }

    /// A group made of two, in a box from `low` to `high`.
    pub(super) fn of_two(left: &Self, right: &Self, low: DVec3, high: DVec3) -> Self {
        let area = left.area + right.area;
        let share = if area > 0.0 { right.area / area } else { 0.5 };
        let centre = left.centre.lerp(right.centre, share);
        let about = centre.as_dvec3();
        let mut moments = Moments::default();
        for part in [left, right] {
            moments.add(&part.moments(), part.centre.as_dvec3() - about);
        }
        let to_corner = (about - low).abs().max((high - about).abs()).length();
        let around = |part: &Self| part.centre.as_dvec3().distance(about) + f64::from(part.far_squared).sqrt() / FAR;
        let radius = to_corner.min(around(left).max(around(right)));
        Self { area, nodes: 1 + left.nodes + right.nodes, ..Self::around(centre, radius, &moments) }
    }

    fn around(centre: Vec3, radius: f64, moments: &Moments) -> Self {
        Self {
            centre,
            far_squared: (FAR * radius).powi(2) as f32,
            first: moments.first.as_vec3(),
            second: moments.second.map(|m| m as f32),
            third: moments.third.map(|m| m as f32),
            area: 0.0,
            nodes: 0,
        }
    }

    fn moments(&self) -> Moments {
        Moments { first: self.first.as_dvec3(), second: self.second.map(f64::from), third: self.third.map(f64::from) }
    }

    /// Solid angle from a far point, as if all was seen from there; `None` when the point is not far.
    ///
    /// With r from the point to the centre and k = 1 / |r|: k^3 first.r + k^3 trace(second) - 3 k^5 second(r, r)
    /// + (15 k^7 third(r, r, r) - 9 k^5 trace(third).r) / 2.
    #[inline]
    pub(super) fn solid_angle(&self, point: DVec3) -> Option<f64> {
        let r = self.centre.as_dvec3() - point;
        let squared = r.length_squared();
        if squared <= f64::from(self.far_squared) {
            return None;
        }
        let [xx, yy, zz, xy, xz, yz] = self.second.map(f64::from);
        let second =
            xx * r.x * r.x + yy * r.y * r.y + zz * r.z * r.z + 2.0 * (xy * r.x * r.y + xz * r.x * r.z + yz * r.y * r.z);
        let [xxx, yyy, zzz, xxy, xxz, yyx, yyz, zzx, zzy, xyz] = self.third.map(f64::from);
        let third = r.x * r.x * (xxx * r.x + 3.0 * (xxy * r.y + xxz * r.z))
            + r.y * r.y * (yyy * r.y + 3.0 * (yyx * r.x + yyz * r.z))
            + r.z * r.z * (zzz * r.z + 3.0 * (zzx * r.x + zzy * r.y))
            + 6.0 * xyz * r.x * r.y * r.z;
        let trace = (xxx + yyx + zzx) * r.x + (xxy + yyy + zzy) * r.y + (xxz + yyz + zzz) * r.z;
        let k2 = squared.recip();
        let k3 = k2 * k2.sqrt();
        Some(k3 * (self.first.as_dvec3().dot(r) + xx + yy + zz + k2 * (7.5 * k2 * third - 4.5 * trace - 3.0 * second)))
    }
}
