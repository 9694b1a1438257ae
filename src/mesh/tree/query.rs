//! Questions to the tree: nearest point, ray hits, triangles near a box.

use glam::DVec3;
use robust::{Coord, orient2d};

use super::TriTree;
use super::build::STACK;

/// The nearest point of a surface.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Nearest {
    pub triangle: u32,
    pub point: DVec3,
    pub distance: f64,
    /// Weights of the triangle's corners at the point: not negative, they add up to 1.
    pub weights: [f64; 3],
}

/// Where a ray meets a triangle.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct RayHit {
    pub triangle: u32,
    /// Distance from the origin in lengths of the direction.
    pub distance: f64,
}

impl TriTree {
    /// The point of the surface nearest to `point` and at most `within_mm` away; of equally near ones that of the
    /// triangle with the lowest index.
    #[must_use]
    pub fn nearest(&self, point: DVec3, within_mm: f64) -> Option<Nearest> {
        let root = self.nodes.first().filter(|_| point.is_finite())?;
        let mut best: Option<Nearest> = None;
        let mut limit = within_mm * within_mm;
        let mut stack = [(0_u32, 0.0_f64); STACK];
        stack[0] = (0, root.distance_squared(point));
        let mut waiting = 1;
        while waiting > 0 {
            waiting -= 1;
            let (at, distance) = stack[waiting];
            if distance > limit {
                continue;
            }
            let node = &self.nodes[at as usize];
            if !node.is_leaf() {
                let children =
                    self.children(at).map(|child| (child, self.nodes[child as usize].distance_squared(point)));
                let [near, far] = if children[1].1 < children[0].1 { [children[1], children[0]] } else { children };
                stack[waiting] = far;
                stack[waiting + 1] = near;
                waiting += 2;
                continue;
            }
            for slot in node.slots() {
                let (found, weights) = nearest_in_triangle(point, &self.corners[slot]);
                let squared = (found - point).length_squared();
                let triangle = self.order[slot];
                if squared <= limit && best.is_none_or(|b| squared < limit || triangle < b.triangle) {
                    limit = squared;
                    best = Some(Nearest { triangle, point: found, distance: squared.sqrt(), weights });
                }
            }
        }
        best
    }

    /// First triangle a ray meets within `max` lengths of its direction; of equally near ones the lowest index.
    #[must_use]
    pub fn ray(&self, origin: DVec3, direction: DVec3, max: f64) -> Option<RayHit> {
        let mut best: Option<RayHit> = None;
        self.walk_ray(origin, direction, max, |hit, limit| {
            if best.is_none_or(|b| (hit.distance, hit.triangle) < (b.distance, b.triangle)) {
                best = Some(hit);
                *limit = hit.distance;
            }
        });
        best
    }

    /// All triangles a ray meets, nearest first; through a shared edge or corner it meets every triangle there.
    #[must_use]
    pub fn ray_hits(&self, origin: DVec3, direction: DVec3, max: f64) -> Vec<RayHit> {
        let mut hits = Vec::new();
        self.walk_ray(origin, direction, max, |hit, _| hits.push(hit));
        hits.sort_by(|a, b| a.distance.total_cmp(&b.distance).then(a.triangle.cmp(&b.triangle)));
        hits
    }

    /// Visits, in a fixed order, each triangle whose bounding box touches the box from `low` to `high`.
    pub fn overlapping(&self, low: DVec3, high: DVec3, mut visit: impl FnMut(u32)) {
        let mut stack = [0_u32; STACK];
        let mut waiting = usize::from(!self.nodes.is_empty());
        while waiting > 0 {
            waiting -= 1;
            let at = stack[waiting];
            let node = &self.nodes[at as usize];
            if !boxes_touch((node.low(), node.high()), (low, high)) {
                continue;
            }
            if node.is_leaf() {
                node.slots()
                    .filter(|slot| boxes_touch(self.slot_box(*slot), (low, high)))
                    .for_each(|slot| visit(self.order[slot]));
            } else {
                let [left, right] = self.children(at);
                stack[waiting] = right;
                stack[waiting + 1] = left;
                waiting += 2;
            }
        }
    }

    /// Reports every hit up to a limit that the reporter may lower.
    fn walk_ray(&self, origin: DVec3, direction: DVec3, max: f64, mut report: impl FnMut(RayHit, &mut f64)) {
        let sound = origin.is_finite() && direction.is_finite() && direction != DVec3::ZERO;
        let ray = Ray { origin, direction, inverse: direction.recip(), axis: direction.abs().max_position() };
        let mut limit = max;
        let mut stack = [(0_u32, 0.0_f64); STACK];
        let mut waiting = usize::from(sound && !self.nodes.is_empty());
        while waiting > 0 {
            waiting -= 1;
            let (at, enters) = stack[waiting];
            if enters > limit {
                continue;
            }
            let node = &self.nodes[at as usize];
            if node.is_leaf() {
                for slot in node.slots() {
                    if let Some(distance) = ray.meets(&self.corners[slot]).filter(|d| (0.0..=limit).contains(d)) {
                        report(RayHit { triangle: self.order[slot], distance }, &mut limit);
                    }
                }
                continue;
            }
            let children = self.children(at).map(|child| {
                let node = &self.nodes[child as usize];
                (child, ray.enters(node.low(), node.high()))
            });
            let [near, far] = if children[1].1 < children[0].1 { [children[1], children[0]] } else { children };
            for child in [far, near].into_iter().filter(|(_, enters)| *enters <= limit) {
                stack[waiting] = child;
                waiting += 1;
            }
        }
    }
}

fn boxes_touch(a: (DVec3, DVec3), b: (DVec3, DVec3)) -> bool {
    a.0.cmple(b.1).all() && b.0.cmple(a.1).all()
}

/// A ray with what is the same for every triangle: the axis it mostly runs along and the shear that makes it that axis.
struct Ray {
    origin: DVec3,
    direction: DVec3,
    inverse: DVec3,
    axis: usize,
}

impl Ray {
    /// Where the ray enters a box (0 when it starts inside); infinite when it misses it.
    fn enters(&self, low: DVec3, high: DVec3) -> f64 {
        let (mut enters, mut leaves) = (0.0_f64, f64::INFINITY);
        for axis in 0..3 {
            if self.direction[axis] == 0.0 {
                if self.origin[axis] < low[axis] || self.origin[axis] > high[axis] {
                    return f64::INFINITY;
                }
                continue;
            }
            let a = (low[axis] - self.origin[axis]) * self.inverse[axis];
            let b = (high[axis] - self.origin[axis]) * self.inverse[axis];
            enters = enters.max(a.min(b));
            leaves = leaves.min(a.max(b));
        }
        // The slack covers the rounding of the two lines above, so that no hit on a box's rim is lost.
        if enters <= leaves * (1.0 + 8.0 * f64::EPSILON) { enters } else { f64::INFINITY }
    }

    /// Where the ray's line meets a triangle: corners are sheared so that the ray is an axis, then the origin is looked
    /// for in the flat triangle. A corner lands on the same flat point and a side gets the same exact sign for every
    /// triangle that has it, so nothing slips between two (after Woop, Benthin, Wald 2013).
    fn meets(&self, corners: &[DVec3; 3]) -> Option<f64> {
        let [x, y, z] = [(self.axis + 1) % 3, (self.axis + 2) % 3, self.axis];
        let flat = corners.map(|corner| {
            let p = corner - self.origin;
            let along = p[z] * self.inverse[z];
            (Coord { x: p[x] - self.direction[x] * along, y: p[y] - self.direction[y] * along }, along)
        });
        let side = |i: usize, j: usize| orient2d(flat[i].0, flat[j].0, Coord { x: 0.0, y: 0.0 });
        let (u, v, w) = (side(1, 2), side(2, 0), side(0, 1));
        if (u < 0.0 || v < 0.0 || w < 0.0) && (u > 0.0 || v > 0.0 || w > 0.0) {
            return None;
        }
        let sum = u + v + w;
        (sum != 0.0).then(|| (u * flat[0].1 + v * flat[1].1 + w * flat[2].1) / sum)
    }
}

/// The point of a triangle nearest to a point and its corner weights (Ericson 2005, by regions of the plane).
#[must_use]
pub(crate) fn nearest_in_triangle(point: DVec3, corners: &[DVec3; 3]) -> (DVec3, [f64; 3]) {
    let [a, b, c] = *corners;
    let (ab, ac) = (b - a, c - a);
    let (ap, bp, cp) = (point - a, point - b, point - c);
    let (d1, d2) = (ab.dot(ap), ac.dot(ap));
    if d1 <= 0.0 && d2 <= 0.0 {
        return (a, [1.0, 0.0, 0.0]);
    }
    let (d3, d4) = (ab.dot(bp), ac.dot(bp));
    if d3 >= 0.0 && d4 <= d3 {
        return (b, [0.0, 1.0, 0.0]);
    }
    let vc = d1 * d4 - d3 * d2;
    if vc <= 0.0 && d1 >= 0.0 && d3 <= 0.0 {
        let t = d1 / (d1 - d3);
        return (a + ab * t, [1.0 - t, t, 0.0]);
    }
    let (d5, d6) = (ab.dot(cp), ac.dot(cp));
    if d6 >= 0.0 && d5 <= d6 {
        return (c, [0.0, 0.0, 1.0]);
    }
    let vb = d5 * d2 - d1 * d6;
    if vb <= 0.0 && d2 >= 0.0 && d6 <= 0.0 {
        let t = d2 / (d2 - d6);
        return (a + ac * t, [1.0 - t, 0.0, t]);
    }
    let va = d3 * d6 - d5 * d4;
    if va <= 0.0 && d4 >= d3 && d5 >= d6 {
        let t = (d4 - d3) / ((d4 - d3) + (d5 - d6));
        return (b + (c - b) * t, [0.0, 1.0 - t, t]);
    }
    if va > 0.0 && vb > 0.0 && vc > 0.0 {
        let sum = va + vb + vc;
        let (v, w) = (vb / sum, vc / sum);
        return (a + ab * v + ac * w, [1.0 - v - w, v, w]);
    }
    nearest_on_rim(point, corners)
}

/// The same for a triangle without area, whose plane is lost in rounding.
fn nearest_on_rim(point: DVec3, corners: &[DVec3; 3]) -> (DVec3, [f64; 3]) {
    let on_side = |i: usize| {
        let (from, along) = (corners[i], corners[(i + 1) % 3] - corners[i]);
        let t = (along.dot(point - from) / along.length_squared()).clamp(0.0, 1.0);
        let t = if t.is_nan() { 0.0 } else { t };
        let mut weights = [0.0; 3];
        (weights[i], weights[(i + 1) % 3]) = (1.0 - t, t);
        (from + along * t, weights)
    };
    let nearer = |a: (DVec3, [f64; 3]), b: (DVec3, [f64; 3])| {
        if b.0.distance_squared(point) < a.0.distance_squared(point) { b } else { a }
    };
    nearer(nearer(on_side(0), on_side(1)), on_side(2))
}
