//! Which triangles of a mesh cross or touch beyond the corners they share: exact, by adaptive predicates
//! (Shewchuk 1997), so that the answer is the truth about the stored numbers.
//!
//! Triangles without area are passed over; `inspect` counts those.

use glam::DVec3;
use robust::{Coord, Coord3D};

use super::TriMesh;
use super::tree::TriTree;

type Corners = [DVec3; 3];

/// Pairs of triangles that have a point in common beyond the corners they share by index, lower index first, sorted.
///
/// Two triangles with the same three corners count as a pair.
///
/// # Examples
/// ```
/// use glam::DVec3;
/// use statuary::mesh::{TriMesh, intersect::self_intersections};
///
/// // A triangle in the plane z = 0, one that pierces it and one that shares an edge with it.
/// let point = |x: f64, y: f64, z: f64| DVec3::new(x, y, z);
/// let points = vec![
///     point(0.0, 0.0, 0.0), point(4.0, 0.0, 0.0), point(0.0, 4.0, 0.0),
///     point(1.0, 1.0, -1.0), point(1.0, 1.0, 1.0), point(1.5, 1.5, 0.5),
///     point(4.0, 4.0, -3.0),
/// ];
/// let mesh = TriMesh::from_shape(points, vec![[0, 1, 2], [3, 4, 5], [2, 1, 6]]);
/// assert_eq!(self_intersections(&mesh), [[0, 1]]);
/// ```
#[must_use]
pub fn self_intersections(mesh: &TriMesh) -> Vec<[u32; 2]> {
    first_self_intersections(mesh, usize::MAX)
}

/// At most `limit` of these pairs, always the same ones; stops looking once it has them.
#[must_use]
pub fn first_self_intersections(mesh: &TriMesh, limit: usize) -> Vec<[u32; 2]> {
    let tree = TriTree::new(&mesh.positions, &mesh.triangles);
    let pairs = tree.self_pairs(limit, |i, j| self_intersect(mesh, i, j).then_some([i, j]));
    sorted(pairs, limit)
}

/// Whether two triangles of a mesh have a point in common beyond the corners they share by index.
#[must_use]
pub fn self_intersect(mesh: &TriMesh, i: u32, j: u32) -> bool {
    self_intersect_in(&mesh.positions, &mesh.triangles, i, j)
}

/// The same for triangles that are no mesh yet.
#[must_use]
pub fn self_intersect_in(positions: &[DVec3], triangles: &[[u32; 3]], i: u32, j: u32) -> bool {
    let (t, u) = (triangles[i as usize], triangles[j as usize]);
    let at = |triangle: [u32; 3]| triangle.map(|v| positions[v as usize]);
    let shared = |v: &u32| u.contains(v);
    let meet = match t.iter().filter(|v| shared(v)).count() {
        0 => meet(&at(t), &at(u)),
        1 => {
            let t = turned(t, shared);
            meet_beyond_corner(&at(t), &at(turned(u, |v| *v == t[0])))
        }
        2 => {
            let t = turned(t, |v| !shared(v));
            meet_beyond_side(&at(t), &at(turned(u, |v| !t.contains(v))))
        }
        _ => true,
    };
    meet && has_area(&at(t)) && has_area(&at(u))
}

/// Pairs (triangle of `a`, triangle of `b`) of two meshes that have a point in common, sorted; touching counts.
#[must_use]
pub fn intersections_between(a: &TriMesh, b: &TriMesh) -> Vec<[u32; 2]> {
    pairs_between(a, b, |t, u| meet(t, u) && has_area(t) && has_area(u))
}

/// Pairs (triangle of `a`, triangle of `b`) where a side of one runs through the inside of the other, sorted:
/// faces that only touch, as two parts do at their joint, do not count.
#[must_use]
pub fn crossings_between(a: &TriMesh, b: &TriMesh) -> Vec<[u32; 2]> {
    pairs_between(a, b, |t, u| cross(t, u) && has_area(t) && has_area(u))
}

fn pairs_between(a: &TriMesh, b: &TriMesh, test: impl Fn(&Corners, &Corners) -> bool + Sync) -> Vec<[u32; 2]> {
    let (tree_a, tree_b) = (TriTree::new(&a.positions, &a.triangles), TriTree::new(&b.positions, &b.triangles));
    let pairs = tree_a
        .pairs_with(&tree_b, usize::MAX, |i, j| test(&a.corners(i as usize), &b.corners(j as usize)).then_some([i, j]));
    sorted(pairs, usize::MAX)
}

fn sorted(mut pairs: Vec<[u32; 2]>, limit: usize) -> Vec<[u32; 2]> {
    pairs.sort_unstable();
    pairs.truncate(limit);
    pairs
}

/// The triangle turned so that the first corner that fits leads.
fn turned(triangle: [u32; 3], fits: impl Fn(&u32) -> bool) -> [u32; 3] {
    let lead = triangle.iter().position(fits).unwrap_or(0);
    [0, 1, 2].map(|i| triangle[(lead + i) % 3])
}

fn orient3d(a: DVec3, b: DVec3, c: DVec3, d: DVec3) -> f64 {
    let [a, b, c, d] = [a, b, c, d].map(|p| Coord3D { x: p.x, y: p.y, z: p.z });
    robust::orient3d(a, b, c, d)
}

/// On which side of a triangle's plane points lie, exactly.
fn sides<const N: usize>(plane: &Corners, points: [DVec3; N]) -> [f64; N] {
    points.map(|p| orient3d(plane[0], plane[1], plane[2], p))
}

/// Whether all are on one side and none on the plane.
fn apart(sides: &[f64]) -> bool {
    sides.iter().all(|s| *s > 0.0) || sides.iter().all(|s| *s < 0.0)
}

fn in_plane(sides: &[f64]) -> bool {
    sides.iter().all(|s| *s == 0.0)
}

/// Whether two triangles without a shared corner have a point in common.
fn meet(t: &Corners, u: &Corners) -> bool {
    let t_sides = sides(u, *t);
    if apart(&t_sides) {
        return false;
    }
    let u_sides = sides(t, *u);
    if apart(&u_sides) {
        return false;
    }
    if in_plane(&t_sides) {
        return meet_in_plane(t, u);
    }
    [(0, 1), (1, 2), (2, 0)].into_iter().any(|(i, j)| {
        side_meets([t[i], t[j]], [t_sides[i], t_sides[j]], u) || side_meets([u[i], u[j]], [u_sides[i], u_sides[j]], t)
    })
}

/// Whether a line piece that is not in the triangle's plane meets the triangle; its ends' sides are known.
fn side_meets([from, to]: [DVec3; 2], sides: [f64; 2], u: &Corners) -> bool {
    if apart(&sides) || in_plane(&sides) {
        return false;
    }
    let turns = [(0, 1), (1, 2), (2, 0)].map(|(i, j)| orient3d(from, to, u[i], u[j]));
    turns.iter().all(|turn| *turn >= 0.0) || turns.iter().all(|turn| *turn <= 0.0)
}

/// Whether two triangles that both start with their one shared corner have more in common.
///
/// What they share then lies on the line of both planes and ends where the side opposite the corner, of one of
/// them, meets the other.
fn meet_beyond_corner(t: &Corners, u: &Corners) -> bool {
    if surely_apart_at_corner(t, u) {
        return false;
    }
    let t_sides = sides(u, [t[1], t[2]]);
    if apart(&t_sides) {
        return false;
    }
    if in_plane(&t_sides) {
        return wedges_meet(t, u);
    }
    let u_sides = sides(t, [u[1], u[2]]);
    if apart(&u_sides) {
        return false;
    }
    side_meets([t[1], t[2]], t_sides, u) || side_meets([u[1], u[2]], u_sides, t)
}

/// Whether two triangles, each with its own corner first and the shared side behind it, are folded onto each other.
fn meet_beyond_side(t: &Corners, u: &Corners) -> bool {
    if surely_unfolded(t, u) || orient3d(t[0], t[1], t[2], u[0]) != 0.0 {
        return false;
    }
    let Some(flat) = Flat::of(t) else { return false };
    let is_left = |own: DVec3| flat.turn(t[1], t[2], own) > 0.0;
    is_left(t[0]) == is_left(u[0])
}

/// Rounding of a difference is relative, so a sum of three products of differences is off by less than this times
/// the lengths multiplied; the factor is on the safe side.
const SAFE: f64 = 64.0 * f64::EPSILON;

/// Whether a plane through the common first corner plainly has one triangle on either side. Spares most exact tests.
fn surely_apart_at_corner(t: &Corners, u: &Corners) -> bool {
    let [a, b, c, d] = [t[1], t[2], u[1], u[2]].map(|p| p - t[0]);
    let lengths = [a, b, c, d].map(DVec3::length);
    if lengths.contains(&0.0) {
        return false;
    }
    // At most four long.
    let normal = a / lengths[0] + b / lengths[1] - c / lengths[2] - d / lengths[3];
    let ahead = |p: DVec3, length: f64| normal.dot(p) > 4.0 * SAFE * length;
    ahead(a, lengths[0]) && ahead(b, lengths[1]) && ahead(-c, lengths[2]) && ahead(-d, lengths[3])
}

/// Whether two triangles plainly lie on opposite sides of their shared side, which is last in both.
fn surely_unfolded(t: &Corners, u: &Corners) -> bool {
    let (along, own_t, own_u) = (t[2] - t[1], t[0] - t[1], u[0] - t[1]);
    let limit = SAFE * along.length_squared() * own_t.length() * own_u.length();
    along.cross(own_t).dot(along.cross(own_u)) < -limit
}

/// Whether a side of one triangle runs through the inside of the other.
fn cross(t: &Corners, u: &Corners) -> bool {
    let pierces = |[from, to]: [DVec3; 2], through: &Corners| {
        let [a, b] = sides(through, [from, to]);
        let turns = [(0, 1), (1, 2), (2, 0)];
        (a > 0.0 && b < 0.0 || a < 0.0 && b > 0.0)
            && apart(&turns.map(|(i, j)| orient3d(from, to, through[i], through[j])))
    };
    [(0, 1), (1, 2), (2, 0)].into_iter().any(|(i, j)| pierces([t[i], t[j]], u) || pierces([u[i], u[j]], t))
}

fn has_area(t: &Corners) -> bool {
    Flat::of(t).is_some()
}

/// A view along an axis in which a triangle keeps some area: its plane as seen there.
struct Flat {
    axis: usize,
}

impl Flat {
    /// `None` when the triangle has no area.
    fn of(t: &Corners) -> Option<Self> {
        (0..3).map(|axis| Self { axis }).find(|flat| flat.turn(t[0], t[1], t[2]) != 0.0)
    }

    /// Positive when the way from `a` over `b` to `c` turns left, exactly.
    fn turn(&self, a: DVec3, b: DVec3, c: DVec3) -> f64 {
        let (x, y) = ((self.axis + 1) % 3, (self.axis + 2) % 3);
        let [a, b, c] = [a, b, c].map(|p| Coord { x: p[x], y: p[y] });
        robust::orient2d(a, b, c)
    }

    /// The triangle so turned that it runs to the left; the first corner stays.
    fn leftward(&self, t: &Corners) -> Corners {
        if self.turn(t[0], t[1], t[2]) < 0.0 { [t[0], t[2], t[1]] } else { *t }
    }
}

/// Two triangles in one plane are apart exactly when a side of one has all of the other on its outer side.
fn meet_in_plane(t: &Corners, u: &Corners) -> bool {
    let Some(flat) = Flat::of(t) else { return false };
    let (t, u) = (flat.leftward(t), flat.leftward(u));
    let shuts_out = |t: &Corners, u: &Corners| {
        [(0, 1), (1, 2), (2, 0)].into_iter().any(|(i, j)| u.iter().all(|p| flat.turn(t[i], t[j], *p) < 0.0))
    };
    !shuts_out(&t, &u) && !shuts_out(&u, &t)
}

/// Two triangles in one plane with the same first corner have more in common exactly when a side at the corner of one
/// runs within the wedge of the other.
fn wedges_meet(t: &Corners, u: &Corners) -> bool {
    let Some(flat) = Flat::of(t) else { return false };
    let (t, u) = (flat.leftward(t), flat.leftward(u));
    let within = |p: DVec3, t: &Corners| flat.turn(t[0], t[1], p) >= 0.0 && flat.turn(t[0], p, t[2]) >= 0.0;
    within(t[1], &u) || within(t[2], &u) || within(u[1], &t) || within(u[2], &t)
}
