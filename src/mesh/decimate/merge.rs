//! One edge collapse: what it costs, where the vertex goes, and whether the surface stays what it is.

use glam::DVec3;

use super::quadric::Quadric;
use super::surface::{Merge, Surface, Vertex, apart};
use super::{Look, Target};
use crate::mesh::topology::{next, previous};

/// Cosine of the angle a triangle may turn by, 60 degrees.
const TURN_COS: f64 = 0.5;

/// Height over longest edge from which a triangle is a sliver, unless there was a worse one before.
const SLIVER: f64 = 0.1;

/// Longest new edge over the target edge.
const LONGEST: f64 = 4.0 / 3.0;

/// Distance, as share of the edge, that the length of an edge counts for: on flat surfaces short edges go first.
const LENGTH_COUNTS: f64 = 0.01;

/// Share of the colour term that orders collapses: shape comes first, as limits on colour hold in any order.
const COLOUR_COUNTS: f64 = 0.01;

/// Both ends of an edge, seen from its middle.
struct Pair<'a> {
    ends: [&'a Vertex; 2],
    middle: DVec3,
    length: f64,
    quadric: Quadric,
}

impl<'a> Pair<'a> {
    fn of(surface: &'a Surface, half: u32) -> Self {
        let ends = [surface.vertex(surface.start(half)), surface.vertex(surface.end(half))];
        let middle = 0.5 * (ends[0].place + ends[1].place);
        let [a, b] = ends.map(|end| end.quadric.moved(middle - end.place));
        Self { ends, middle, length: ends[0].place.distance(ends[1].place), quadric: a + b }
    }

    fn error_at(&self, place: DVec3) -> f64 {
        self.quadric.at(place - self.middle)
    }

    /// The end that the other must come to: a locked one, or the only one on the lowest plane.
    fn fixed(&self, low: f64) -> Option<&'a Vertex> {
        let [a, b] = self.ends;
        let is_fixed = |end: &Vertex, other: &Vertex| {
            end.is_locked || (!other.is_locked && end.place.z <= low && other.place.z > low)
        };
        if is_fixed(a, b) {
            Some(a)
        } else if is_fixed(b, a) {
            Some(b)
        } else {
            None
        }
    }

    /// Where both go: the point of least error if it is well defined and near, else the best of middle and ends.
    fn place(&self, low: f64) -> DVec3 {
        if let Some(end) = self.fixed(low) {
            return end.place;
        }
        let [a, b] = self.ends.map(|end| end.place);
        let best = match self.quadric.optimum() {
            Some(step) if step.length() <= self.length && self.middle.z + step.z >= low => self.middle + step,
            _ => [a, b]
                .into_iter()
                .fold(self.middle, |best, end| if self.error_at(end) < self.error_at(best) { end } else { best }),
        };
        // What lies on one level, as a flat foot does, stays on it exactly.
        if a.z.total_cmp(&b.z).is_eq() { best.with_z(a.z) } else { best }
    }
}

/// What a collapse costs, mm2 times mm2; `None` when it is out of the question. The rest is for [`merge`] to look at.
pub(super) fn cost(surface: &Surface, half: u32, target: &Target) -> Option<f64> {
    let [a, b] = [surface.vertex(surface.start(half)), surface.vertex(surface.end(half))];
    let step = apart(a.look, b.look);
    let is_short = a.place.distance_squared(b.place) < target.edge_mm * target.edge_mm;
    if !is_short || (a.is_locked && b.is_locked) || f64::from(step) > target.colour_step_max {
        return None;
    }
    let pair = Pair::of(surface, half);
    let area = a.area + b.area;
    let error = pair.error_at(pair.place(surface.low));
    if error > area * target.error_max_mm * target.error_max_mm {
        return None;
    }
    // The largest step of colour counts like a step aside by the target edge (Garland, Heckbert 1998, weigh alike).
    let aside = target.edge_mm * f64::from(step) / target.colour_step_max.max(f64::MIN_POSITIVE);
    let length = LENGTH_COUNTS * pair.length;
    Some(error + area * (aside * aside * COLOUR_COUNTS + length * length))
}

/// The collapse of an edge, if the surface stays manifold, keeps its side, its place and its colour.
pub(super) fn merge(surface: &Surface, half: u32, target: &Target, look: Look<'_>) -> Option<Merge> {
    if !is_linked(surface, half) {
        return None;
    }
    let pair = Pair::of(surface, half);
    let place = pair.place(surface.low);
    let [a, b] = pair.ends;
    let colour = match pair.fixed(surface.low) {
        Some(end) if end.is_locked => end.colour,
        _ => mean_colour(a, b),
    };
    let seen = look(colour).map(|x| x as f32);
    let drift = (a.drift + apart(a.look, seen)).max(b.drift + apart(b.look, seen));
    if f64::from(drift) > target.colour_step_max {
        return None;
    }
    let error = a.error.max(b.error) + distance(surface, half, place, target)?;
    if error > target.error_max_mm {
        return None;
    }
    let quadric = pair.quadric.moved(place - pair.middle);
    let is_locked = a.is_locked || b.is_locked;
    let vertex = Vertex { place, quadric, area: a.area + b.area, error, colour, look: seen, drift, is_locked };
    Some(Merge { half, vertex })
}

/// Mean in linear light, by area.
fn mean_colour(a: &Vertex, b: &Vertex) -> [f32; 3] {
    let share = if a.area + b.area > 0.0 { (b.area / (a.area + b.area)) as f32 } else { 0.5 };
    std::array::from_fn(|i| a.colour[i] + share * (b.colour[i] - a.colour[i]))
}

/// Link condition (Dey et al. 1999): the ends have no neighbours in common but the tips of the two triangles at the
/// edge, and it is not the edge of a tetrahedron.
fn is_linked(surface: &Surface, half: u32) -> bool {
    let (a, b) = (surface.start(half), surface.end(half));
    let (mut common, mut spokes) = (0, 0);
    for s in surface.spokes(a) {
        let near = surface.end(s);
        common += usize::from(surface.spokes(b).any(|t| surface.end(t) == near));
        spokes += 1;
    }
    common == 2 && spokes + surface.spokes(b).count() >= 7
}

/// How far the surface goes from what it is now, mm: the distance of the new vertex from the planes of the triangles
/// that change. `None` when one of them turns, gets a sliver or too long an edge.
fn distance(surface: &Surface, half: u32, place: DVec3, target: &Target) -> Option<f64> {
    let mate = surface.mates[half as usize];
    let doomed = [half / 3, mate / 3];
    let longest = LONGEST * target.edge_mm;
    let mut most: f64 = 0.0;
    for own in [half, mate] {
        for s in surface.spokes(surface.start(own)) {
            let [p, q, r] = [s, next(s), previous(s)].map(|h| surface.vertex(surface.start(h)).place);
            let before = (q - p).cross(r - p);
            let size = before.length();
            if size > 0.0 {
                most = most.max(((place - p).dot(before) / size).abs());
            }
            if doomed.contains(&(s / 3)) {
                continue;
            }
            let after = (q - place).cross(r - place);
            let reach = place.distance_squared(q);
            let is_long = reach > longest * longest && reach > p.distance_squared(q);
            let turns = before.dot(after) < TURN_COS * size * after.length();
            if is_long || turns || most > target.error_max_mm || is_sliver([p, q, r], size, place, after.length()) {
                return None;
            }
        }
    }
    Some(most)
}

/// Whether a triangle whose first corner goes to `place` gets flat, and flatter than it was; `before` and `after` are
/// twice its area, mm2.
fn is_sliver([p, q, r]: [DVec3; 3], before: f64, place: DVec3, after: f64) -> bool {
    let longest = |p: DVec3| p.distance_squared(q).max(q.distance_squared(r)).max(r.distance_squared(p));
    let now = longest(place);
    after <= 0.0 || (after < SLIVER * now && after * longest(p) < before * now)
}
