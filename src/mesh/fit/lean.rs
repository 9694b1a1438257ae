//! Any rotation under which points fit a room. The direction that is turned down is searched for, on a sphere; how to turn
//! about it has an exact answer.

use std::f64::consts::{PI, TAU};

use glam::{DMat3, DVec2, DVec3};

use super::{TURNS, Turn, about_vertical, fits, min_max, most_room, stand, turn_down};
use crate::mesh::hull::convex_hull;

/// Directions that are tried first, spread evenly over half a sphere: about 10 degrees apart.
const DIRECTIONS: usize = 220;

/// No direction is farther from a tried one than this, radians.
const SPACING: f64 = 0.14;

/// Tried directions a search starts from.
const STARTS: usize = 5;

/// Steps from a direction in a round of the search.
const SIDES: usize = 12;

/// A search ends when its steps are shorter than this, radians.
const STEP_MIN: f64 = 1e-6;

/// The mean width over the tried directions may be off by this share.
const MEAN_ERROR: f64 = 0.02;

/// Rounds in which points that stand out are added to those the search knows.
const ROUNDS: usize = 24;

/// A proper rotation under which the points' extents fit `room`, mm; `None` when a search finds none.
///
/// Directions on a grid of about 10 degrees, from the best ones a pattern search with steps halved down to a millionth of
/// a radian; for each direction the best turn about it is exact. A set that fits only in a niche smaller than the grid may
/// be missed; what is found fits. The axes of the figure come first.
#[must_use]
pub fn lean(points: &[DVec3], room: DVec3) -> Option<DMat3> {
    let grid = half_sphere();
    if points.is_empty() || !points.iter().all(|p| p.is_finite()) {
        return None;
    }
    if let Some(rotation) = TURNS.iter().find_map(|turn| stand(points, -turn.row(2), room)) {
        return Some(rotation);
    }
    let spans: Vec<Span> = grid.iter().map(|d| Span::of(points, *d)).collect();
    let longest_mm = spans.iter().map(|span| span.width_mm).fold(0.0, f64::max);
    let mean_mm = spans.iter().map(|span| span.width_mm).sum::<f64>() / spans.len() as f64;
    // What lies inside of something convex has no larger mean width; that of a box is half the sum of its sides.
    if longest_mm > room.length() || mean_mm > (0.5 + MEAN_ERROR) * room.element_sum() {
        return None;
    }
    let mut known: Vec<usize> = spans.iter().flat_map(|span| span.ends).collect();
    for _ in 0..ROUNDS {
        known.sort_unstable();
        known.dedup();
        let few: Vec<DVec3> = known.iter().map(|i| points[*i]).collect();
        let rotation = Search { points: &few, room, longest_mm }.run(&grid)?;
        if fits(points, rotation, room) {
            return Some(rotation);
        }
        let before = known.len();
        let ends = [0, 1, 2].map(|axis| Span::of(points, rotation.row(axis)).ends);
        known.extend(ends.into_iter().flatten().filter(|end| known.binary_search(end).is_err()).collect::<Vec<_>>());
        if known.len() == before {
            return None;
        }
    }
    None
}

/// Directions spread evenly over the half of a sphere above z = 0, along a spiral of golden sections.
fn half_sphere() -> Vec<DVec3> {
    let golden = PI * (3.0 - 5.0_f64.sqrt());
    let direction = |i: usize| {
        let z = (i as f64 + 0.5) / DIRECTIONS as f64;
        let flat = DVec2::from_angle(golden * i as f64) * (1.0 - z * z).sqrt();
        flat.extend(z)
    };
    (0..DIRECTIONS).map(direction).collect()
}

/// How far points reach along a direction, and the two that reach farthest.
struct Span {
    width_mm: f64,
    ends: [usize; 2],
}

impl Span {
    fn of(points: &[DVec3], direction: DVec3) -> Self {
        let (mut low, mut high) = ((f64::INFINITY, 0), (f64::NEG_INFINITY, 0));
        for (i, p) in points.iter().enumerate() {
            let along = direction.dot(*p);
            if along < low.0 {
                low = (along, i);
            }
            if along > high.0 {
                high = (along, i);
            }
        }
        Self { width_mm: high.0 - low.0, ends: [low.1, high.1] }
    }
}

/// A direction turned down, the rotation that lays the points best in it, and the room left along the tightest side.
#[derive(Clone, Copy, Debug)]
struct Leaning {
    down: DVec3,
    rotation: DMat3,
    left_mm: f64,
}

struct Search<'a> {
    points: &'a [DVec3],
    room: DVec3,
    longest_mm: f64,
}

impl Search<'_> {
    fn run(&self, grid: &[DVec3]) -> Option<DMat3> {
        let mut tried: Vec<Leaning> = grid.iter().map(|down| self.lay(*down)).collect();
        tried.sort_by(|a, b| b.left_mm.total_cmp(&a.left_mm));
        // An extent changes by no more than the longest one times the angle.
        tried.retain(|leaning| leaning.left_mm >= -SPACING * self.longest_mm);
        let found = tried.iter().take(STARTS).find_map(|start| self.climb(*start));
        found.map(|leaning| leaning.rotation)
    }

    /// Steps to neighbours that leave more room until the points fit; `None` when they never do.
    fn climb(&self, start: Leaning) -> Option<Leaning> {
        let (mut best, mut step, mut round) = (start, SPACING, 0_u32);
        while best.left_mm < 0.0 {
            if step < STEP_MIN || best.left_mm < -3.0 * step * self.longest_mm {
                return None;
            }
            // Turned from round to round, so that no ridge lies between the same steps for ever.
            let first = f64::from(round);
            round += 1;
            let to_plane = turn_down(best.down).transpose();
            let neighbour = |i: usize| {
                let side = DVec2::from_angle(first + TAU * i as f64 / SIDES as f64);
                self.lay((best.down + step * (to_plane * side.extend(0.0))).normalize())
            };
            let next = (0..SIDES).map(neighbour).reduce(|a, b| if b.left_mm > a.left_mm { b } else { a });
            match next.filter(|next| next.left_mm > best.left_mm) {
                Some(next) => best = next,
                None => step *= 0.5,
            }
        }
        Some(best)
    }

    fn lay(&self, down: DVec3) -> Leaning {
        let turn = turn_down(down);
        let (x, y, up) = (turn.row(0), turn.row(1), turn.row(2));
        let (low, high) = self.points.iter().map(|p| up.dot(*p)).fold((f64::INFINITY, f64::NEG_INFINITY), min_max);
        let flat = self.points.iter().map(|p| DVec2::new(x.dot(*p), y.dot(*p))).collect();
        let [a, b] = [self.room.x, self.room.y];
        let on_bed = most_room(&convex_hull(flat), [a, b]).unwrap_or(Turn { angle: 0.0, left_mm: a.min(b) });
        let left_mm = on_bed.left_mm.min(self.room.z - (high - low));
        Leaning { down, rotation: about_vertical(on_bed.angle) * turn, left_mm }
    }
}
