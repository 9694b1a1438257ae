//! Stripes, hems and hairlines go on through a hole: colours are carried along the lines on which they do not change.
//!
//! How colours change at the rim (the structure tensor: Di Zenzo 1986, Förstner and Gülch 1987) is spread smoothly over
//! the hole. Where it has a clear direction, the line of equal colour through a vertex is followed over the triangles to
//! the rim on both sides, and the vertex takes the colours there, the nearer one more (after the coherence transport of
//! Bornemann and März 2007). Nothing but means of known colours comes out, so the maximum principle holds.

use glam::DVec3;
use rayon::prelude::*;

use super::super::TriMesh;
use super::super::fans::Fans;
use super::System;
use super::change::Changes;

/// Most that lines count against the smooth solution, and the clearness of direction at which they count half of that.
const LINES_MOST: f64 = 0.95;
const CLEAR: f64 = 0.1;

/// Triangles a line crosses at most.
const STEPS: usize = 600;

/// Least share of a step that goes into the next triangle, so that a line does not creep along an edge.
const INWARD: f64 = 0.05;

/// Carries colours along lines, given the smooth solution by row.
pub(super) fn carry(
    mesh: &TriMesh,
    system: &System,
    solved: &mut [DVec3],
    colour: impl Fn(u32) -> DVec3 + Copy + Sync,
) {
    let fans = Fans::of(mesh);
    let changes = Changes::of(mesh, &fans, system);
    let lines = Lines { mesh, fans: &fans, system, changes: &changes };
    let carried = |(row, smooth): (usize, &DVec3)| {
        let (mut sum, mut clearness, mut weights) = (DVec3::ZERO, 0.0, 0.0);
        for end in [1.0, -1.0].into_iter().filter_map(|sign| lines.follow(row, sign)) {
            let ([(a, share), (b, rest)], weight) = (end.colours, 1.0 / end.length_mm.max(1e-9));
            sum += (colour(a) * share + colour(b) * rest) * weight;
            clearness += end.clearness * weight;
            weights += weight;
        }
        if weights == 0.0 {
            return *smooth;
        }
        let clearness = clearness / weights;
        smooth.lerp(sum / weights, LINES_MOST * clearness / (clearness + CLEAR))
    };
    let carried: Vec<DVec3> = solved.par_iter().enumerate().map(carried).collect();
    solved.copy_from_slice(&carried);
}

/// Where a line reached known colours.
struct End {
    /// Two known vertices with weights that add up to 1.
    colours: [(u32, f64); 2],
    length_mm: f64,
    /// How clear the direction was on the way, 0 to 1.
    clearness: f64,
}

struct Lines<'a> {
    mesh: &'a TriMesh,
    fans: &'a Fans,
    system: &'a System,
    changes: &'a Changes,
}

/// A point on an edge, `share` of the way from the edge's second end to its first, and the triangle it was reached in.
#[derive(Clone, Copy)]
struct Crossing {
    edge: [u32; 2],
    share: f64,
    triangle: u32,
}

impl Lines<'_> {
    /// Follows the line through the vertex of a row to where both ends of an edge it crosses are known; `None` when there is
    /// no direction, or the line runs out of the surface or in circles.
    fn follow(&self, row: usize, sign: f64) -> Option<End> {
        let (along, clear_here) = self.changes.line(row)?;
        let v = self.system.vertices[row];
        let mut heading = along * sign;
        let mut at = self.leave(v, heading)?;
        let (mut length_mm, mut clear) = (self.place(&at).distance(self.at(v)), 0.0);
        for steps in 1..=STEPS {
            if at.edge.iter().all(|u| self.system.row(*u).is_none()) {
                let [a, b] = at.edge;
                let clearness = if clear > 0.0 { clear / (steps - 1).max(1) as f64 } else { clear_here };
                return Some(End { colours: [(a, at.share), (b, 1.0 - at.share)], length_mm, clearness });
            }
            let next = self.across(&at)?;
            let (line, clearness) = self.line_in(next, heading).unwrap_or((heading, 0.0));
            let from = self.place(&at);
            let (to, straight) = self.cross(&at, next, line)?;
            length_mm += from.distance(self.place(&to));
            clear += clearness;
            (at, heading) = (to, straight);
        }
        None
    }

    fn at(&self, v: u32) -> DVec3 {
        self.mesh.positions[v as usize]
    }

    fn place(&self, at: &Crossing) -> DVec3 {
        self.at(at.edge[1]).lerp(self.at(at.edge[0]), at.share)
    }

    /// The triangle beyond an edge.
    fn across(&self, at: &Crossing) -> Option<u32> {
        let [a, b] = at.edge;
        let beyond = |t: &&u32| **t != at.triangle && self.mesh.triangles[**t as usize].contains(&b);
        self.fans.around(a).iter().find(beyond).copied()
    }

    /// Direction of the line in a triangle, from that at its unknown corners, and how clear it is; onwards along `heading`.
    fn line_in(&self, t: u32, heading: DVec3) -> Option<(DVec3, f64)> {
        let rows = self.mesh.triangles[t as usize].into_iter().filter_map(|v| self.system.row(v));
        let unknown = rows.filter_map(|row| self.changes.line(row));
        let onwards = |(line, clear): (DVec3, f64)| (if line.dot(heading) < 0.0 { -line } else { line }, clear);
        let (sum, clear, count) =
            unknown.map(onwards).fold((DVec3::ZERO, 0.0, 0.0), |(sum, most, count), (line, clear)| {
                (sum + line * clear, most + clear, count + 1.0)
            });
        (count > 0.0 && sum != DVec3::ZERO).then(|| (sum.normalize(), clear / count))
    }

    /// Where a line from a vertex leaves the triangles around it.
    fn leave(&self, v: u32, heading: DVec3) -> Option<Crossing> {
        let origin = self.at(v);
        self.fans.around(v).iter().find_map(|t| {
            let triangle = self.mesh.triangles[*t as usize];
            let k = triangle.iter().position(|u| *u == v)?;
            let (a, b) = (triangle[(k + 1) % 3], triangle[(k + 2) % 3]);
            let normal = self.mesh.area_vector(*t as usize);
            let (u, w) = (self.at(a) - origin, self.at(b) - origin);
            let (of_a, of_b) = (normal.dot(heading.cross(w)), normal.dot(u.cross(heading)));
            let sum = of_a + of_b;
            let is_between = of_a >= 0.0 && of_b >= 0.0 && sum > 0.0;
            is_between.then(|| Crossing { edge: [a, b], share: of_a / sum, triangle: *t })
        })
    }

    /// From a point on an edge through a triangle to another edge; with the direction taken there.
    fn cross(&self, at: &Crossing, t: u32, heading: DVec3) -> Option<(Crossing, DVec3)> {
        let [a, b] = at.edge;
        let c = self.mesh.triangles[t as usize].into_iter().find(|v| *v != a && *v != b)?;
        let (from, apex) = (self.place(at), self.at(c));
        let side = (self.at(b) - self.at(a)).normalize_or_zero();
        let inward = (apex - from).reject_from_normalized(side).normalize_or_zero();
        let flat = side * heading.dot(side) + inward * heading.dot(inward).max(INWARD);
        // The apex divides the lines that leave over its two edges.
        let (to_apex, onward) = (apex - from, flat.normalize_or_zero());
        let is_towards_b = onward.dot(side) * to_apex.dot(inward) > to_apex.dot(side) * onward.dot(inward);
        let end = if is_towards_b { b } else { a };
        let edge = self.at(end) - apex;
        // Solves apex + s edge = from + r onward for s, in the frame of side and inward.
        let (ex, ey, ox, oy) = (edge.dot(side), edge.dot(inward), onward.dot(side), onward.dot(inward));
        let s = (to_apex.dot(inward) * ox - to_apex.dot(side) * oy) / (ex * oy - ey * ox);
        s.is_finite().then(|| (Crossing { edge: [end, c], share: s.clamp(0.0, 1.0), triangle: t }, onward))
    }
}
