//! Whether points fit a room under rotation: turned on a bed, standing on a given side, or leaning any way.

mod lean;

use std::f64::consts::{FRAC_PI_2, PI};

use glam::{DMat3, DVec2, DVec3, Vec2Swizzles};

pub use lean::lean;

use super::hull::convex_hull;
use super::measure;

/// A direction that is off an axis by less than this is taken for the axis.
const AXIS: f64 = 1e-9;

/// Rotations that turn -z, +z, +x, -x, +y, -y down.
pub const TURNS: [DMat3; 6] = [
    DMat3::IDENTITY,
    DMat3::from_cols(DVec3::X, DVec3::NEG_Y, DVec3::NEG_Z),
    DMat3::from_cols(DVec3::NEG_Z, DVec3::Y, DVec3::X),
    DMat3::from_cols(DVec3::Z, DVec3::Y, DVec3::NEG_X),
    DMat3::from_cols(DVec3::X, DVec3::NEG_Z, DVec3::Y),
    DMat3::from_cols(DVec3::X, DVec3::Z, DVec3::NEG_Y),
];

/// A quarter turn about the vertical.
const QUARTER: DMat3 = DMat3::from_cols(DVec3::Y, DVec3::NEG_X, DVec3::Z);

/// The angle about the vertical, radians counter-clockwise, by which points fit a rectangle of these sides, mm: 0, else a
/// quarter turn, else the one that leaves the most room; `None` when there is none.
///
/// Exact but for rounding: between angles at which an edge of the convex hull lies along a side both extents are
/// sinusoids, concave where they are positive, so the most room is at such an angle or where both leave as much.
#[must_use]
pub fn turn_on_bed(points: &[DVec2], sides: [f64; 2]) -> Option<f64> {
    let room = DVec2::from(sides);
    if !points.iter().all(|p| p.is_finite()) {
        return None;
    }
    let size = extent(points);
    if size.cmple(room).all() {
        return Some(0.0);
    }
    if size.cmple(room.yx()).all() {
        return Some(FRAC_PI_2);
    }
    // Neither side may be longer than the diagonal; it takes no hull to see that.
    if !room.cmpge(DVec2::ZERO).all() || size.max_element() > room.length() {
        return None;
    }
    let hull = convex_hull(points.to_vec());
    // What lies inside of something convex has no longer hull (Cauchy).
    let around: f64 = hull.iter().zip(hull.iter().cycle().skip(1)).map(|(a, b)| a.distance(*b)).sum();
    if around > 2.0 * (room.x + room.y) {
        return None;
    }
    most_room(&hull, sides).filter(|turn| turn.left_mm >= 0.0).map(|turn| turn.angle)
}

/// The proper rotation that turns the unit vector `down` to -z and then about the vertical so that the points' extents fit
/// `room`, mm; quarter turns come first, and along an axis they are exact.
#[must_use]
pub fn stand(points: &[DVec3], down: DVec3, room: DVec3) -> Option<DMat3> {
    let turn = turn_down(down);
    let up = turn.row(2);
    let (low, high) = points.iter().map(|p| up.dot(*p)).fold((f64::INFINITY, f64::NEG_INFINITY), min_max);
    if high - low > room.z {
        return None;
    }
    let (x, y) = (turn.row(0), turn.row(1));
    let flat: Vec<DVec2> = points.iter().map(|p| DVec2::new(x.dot(*p), y.dot(*p))).collect();
    let angle = turn_on_bed(&flat, [room.x, room.y])?;
    Some(about_vertical(angle) * turn)
}

/// A rotation that turns a unit vector to -z: one of [`TURNS`] along an axis, else one that leaves a direction of the plane
/// across the least component level.
fn turn_down(down: DVec3) -> DMat3 {
    if let Some(turn) = TURNS.iter().find(|turn| (**turn * down - DVec3::NEG_Z).abs().max_element() < AXIS) {
        return *turn;
    }
    let up = -down.normalize_or(DVec3::NEG_Z);
    let axis = [DVec3::X, DVec3::Y, DVec3::Z].into_iter().min_by(|a, b| up.dot(*a).abs().total_cmp(&up.dot(*b).abs()));
    let x = (axis.unwrap_or(DVec3::X)).reject_from_normalized(up).normalize();
    DMat3::from_cols(x, up.cross(x), up).transpose()
}

/// Turned by an angle, radians; by 0 and a quarter exactly.
#[expect(clippy::float_cmp, reason = "quarter turns are said by the very constant")]
fn about_vertical(angle: f64) -> DMat3 {
    if angle == 0.0 {
        DMat3::IDENTITY
    } else if angle == FRAC_PI_2 {
        QUARTER
    } else {
        DMat3::from_rotation_z(angle)
    }
}

fn min_max((low, high): (f64, f64), x: f64) -> (f64, f64) {
    (low.min(x), high.max(x))
}

fn extent(points: &[DVec2]) -> DVec2 {
    let start = (DVec2::INFINITY, DVec2::NEG_INFINITY);
    let (low, high) = points.iter().fold(start, |(low, high), p| (low.min(*p), high.max(*p)));
    if points.is_empty() { DVec2::ZERO } else { high - low }
}

/// How points lie in a rectangle when turned by `angle`: `left_mm` is the room left along the tighter side.
#[derive(Clone, Copy, Debug)]
struct Turn {
    angle: f64,
    left_mm: f64,
}

/// The turn that leaves the most room, the first of equal ones; `None` when the hull is a point.
fn most_room(hull: &[DVec2], [a, b]: [f64; 2]) -> Option<Turn> {
    let edges = hull.iter().zip(hull.iter().cycle().skip(1)).map(|(p, q)| *q - *p);
    let mut level: Vec<f64> =
        edges.flat_map(|edge| [0.0, FRAC_PI_2].map(|add| (add - edge.to_angle()).rem_euclid(PI))).collect();
    level.sort_by(f64::total_cmp);
    let first = *level.first()?;
    let mut far = Farthest::new(hull);
    let mut best: Option<Turn> = None;
    for (&from, to) in level.iter().zip(level.iter().skip(1).copied().chain([first + PI])) {
        let [x, y] = far.spans(0.5 * (from + to));
        let mut take = |angle: f64| {
            let [along_x, along_y] = sides_at(angle);
            let left_mm = (a - x.dot(along_x)).min(b - y.dot(along_y));
            if best.is_none_or(|best| left_mm > best.left_mm) {
                best = Some(Turn { angle: angle.rem_euclid(PI), left_mm });
            }
        };
        take(from);
        equal_room(x, y, a - b).into_iter().flatten().for_each(|angle| {
            let angle = from + (angle - from).rem_euclid(2.0 * PI);
            if angle < to {
                take(angle);
            }
        });
    }
    best
}

/// Directions that lie along x and y after a turn.
fn sides_at(angle: f64) -> [DVec2; 2] {
    let (sin, cos) = angle.sin_cos();
    [DVec2::new(cos, -sin), DVec2::new(sin, cos)]
}

/// Angles at which the span `x` along x is longer than the span `y` along y by `more`.
fn equal_room(x: DVec2, y: DVec2, more: f64) -> [Option<f64>; 2] {
    let wave = DVec2::new(x.x - y.y, -(x.y + y.x));
    let ratio = more / wave.length();
    if !(-1.0..=1.0).contains(&ratio) {
        return [None; 2];
    }
    [1.0, -1.0].map(|sign| Some(wave.to_angle() + sign * ratio.acos()))
}

/// Hull corners that are farthest along the four sides; they move on from corner to corner as the angle grows.
struct Farthest<'a> {
    hull: &'a [DVec2],
    at: [usize; 4],
}

impl<'a> Farthest<'a> {
    fn new(hull: &'a [DVec2]) -> Self {
        let [x, y] = sides_at(0.0);
        let at = [x, -x, y, -y].map(|side| {
            let far = |i: &usize| hull[*i].dot(side);
            (0..hull.len()).max_by(|i, j| far(i).total_cmp(&far(j))).unwrap_or(0)
        });
        Self { hull, at }
    }

    /// From the nearest to the farthest corner along either side.
    fn spans(&mut self, angle: f64) -> [DVec2; 2] {
        let [x, y] = sides_at(angle);
        for (at, side) in self.at.iter_mut().zip([x, -x, y, -y]) {
            let count = self.hull.len();
            for step in [count - 1, 1] {
                for _ in 0..count {
                    let next = (*at + step) % count;
                    if self.hull[next].dot(side) <= self.hull[*at].dot(side) {
                        break;
                    }
                    *at = next;
                }
            }
        }
        let [east, west, north, south] = self.at.map(|i| self.hull[i]);
        [east - west, north - south]
    }
}

/// Whether points fit a room as they are turned, mm.
fn fits(points: &[DVec3], rotation: DMat3, room: DVec3) -> bool {
    let turned: Vec<DVec3> = points.iter().map(|p| rotation * *p).collect();
    let (low, high) = measure::bounds(&turned);
    (high - low).cmple(room).all()
}
