//! Convex outlines of a plate, seen from above, counter-clockwise: shapes around the feet, clipped and drawn in.

use std::f64::consts::TAU;

use glam::DVec2;

use super::settings::Shape;
use crate::mesh::hull::{convex_hull, depth_inside};
use crate::units::snap_mm;

/// Sides of the polygon that stands for a round or oval outline.
const SIDES: usize = 96;

/// What an outline has to reach around.
#[derive(Clone, Copy, Debug)]
pub(super) struct Reach<'a> {
    /// Hull of the soles.
    pub feet: &'a [DVec2],
    pub margin_mm: f64,
    /// Point under the centre of mass, and how far the outline has to keep from it, mm.
    pub centre: DVec2,
    pub around_mm: f64,
}

/// The smallest outline of a shape that reaches around all, on the lattice.
pub(super) fn around(shape: Shape, reach: Reach<'_>) -> Vec<DVec2> {
    if shape == Shape::Hull {
        return hull_around(reach);
    }
    let around = DVec2::splat(reach.around_mm);
    let start = (reach.centre - around, reach.centre + around);
    let margin = DVec2::splat(reach.margin_mm);
    let (low, high) = reach.feet.iter().fold(start, |(l, h), p| (l.min(*p - margin), h.max(*p + margin)));
    let (middle, mut half) = (0.5 * (low + high), 0.5 * (high - low));
    if shape == Shape::Rectangle {
        let corners = [DVec2::new(-1.0, -1.0), DVec2::new(1.0, -1.0), DVec2::ONE, DVec2::new(-1.0, 1.0)];
        return snapped(corners.iter().map(|c| middle + *c * half));
    }
    if shape == Shape::Round {
        half = DVec2::splat(half.max_element());
    }
    // Sides of the polygon lie inside the curve.
    let outside = 1.0 / (TAU / 2.0 / SIDES as f64).cos();
    let drawn = |times: f64| {
        let at = |i: usize| middle + times * outside * half * DVec2::from_angle(TAU * i as f64 / SIDES as f64);
        snapped((0..SIDES).map(at))
    };
    let depth = |outline: &[DVec2], p: DVec2| depth_inside(outline, p).map_or(f64::NEG_INFINITY, |(depth, _)| depth);
    let holds = |times: f64| {
        let outline = drawn(times);
        depth(&outline, reach.centre) >= reach.around_mm
            && reach.feet.iter().all(|p| depth(&outline, *p) >= reach.margin_mm)
    };
    drawn(least(holds, 0.5, 8.0).unwrap_or(8.0))
}

/// The hull of discs about the feet's corners and about the centre: nothing convex that reaches around all is smaller.
fn hull_around(reach: Reach<'_>) -> Vec<DVec2> {
    // Sides of the polygon lie inside the curve.
    let outside = 1.0 / (TAU / 2.0 / SIDES as f64).cos();
    let disc = |middle: DVec2, radius_mm: f64| {
        (0..SIDES).map(move |i| middle + radius_mm * outside * DVec2::from_angle(TAU * i as f64 / SIDES as f64))
    };
    let feet = reach.feet.iter().flat_map(|p| disc(*p, reach.margin_mm));
    snapped(feet.chain(disc(reach.centre, reach.around_mm)))
}

/// The least number in a range from which a rising condition holds, by bisection; `None` when it does not at its end.
pub(super) fn least(holds: impl Fn(f64) -> bool, low: f64, high: f64) -> Option<f64> {
    if holds(low) {
        return Some(low);
    }
    let (mut low, mut high) = holds(high).then_some((low, high))?;
    for _ in 0..24 {
        let middle = f64::midpoint(low, high);
        if holds(middle) {
            high = middle;
        } else {
            low = middle;
        }
    }
    Some(high)
}

/// On the lattice, without corners that lie on a line.
fn snapped(points: impl Iterator<Item = DVec2>) -> Vec<DVec2> {
    convex_hull(points.map(|p| DVec2::new(snap_mm(p.x), snap_mm(p.y))).collect())
}

/// What lies to the left of a line through `at` along `along`, of a convex outline.
fn left_of(outline: &[DVec2], at: DVec2, along: DVec2) -> Vec<DVec2> {
    let side = |p: DVec2| along.perp_dot(p - at);
    let mut kept = Vec::new();
    for (&a, &b) in outline.iter().zip(outline.iter().cycle().skip(1)) {
        if side(a) >= 0.0 {
            kept.push(a);
        }
        if (side(a) < 0.0) != (side(b) < 0.0) {
            kept.push(a.lerp(b, side(a) / (side(a) - side(b))));
        }
    }
    kept
}

/// What a box has of a convex outline.
pub(super) fn clipped(outline: &[DVec2], low: DVec2, high: DVec2) -> Vec<DVec2> {
    let sides = [(low, DVec2::X), (high, -DVec2::X), (high, DVec2::Y), (low, -DVec2::Y)];
    sides.iter().fold(outline.to_vec(), |rest, (at, along)| left_of(&rest, *at, *along))
}

/// A convex outline drawn in on all sides, on the lattice; empty when nothing is left.
pub(super) fn inset(outline: &[DVec2], by_mm: f64) -> Vec<DVec2> {
    let edges = outline.iter().zip(outline.iter().cycle().skip(1));
    let rest = edges.fold(outline.to_vec(), |rest, (&a, &b)| {
        let along = (b - a).normalize_or_zero();
        left_of(&rest, a + by_mm * along.perp(), along)
    });
    let rest = snapped(rest.into_iter());
    if rest.len() < 3 || measured(&rest).0 < 1.0 { Vec::new() } else { rest }
}

/// Area, mm2, and centroid of a closed outline.
pub(super) fn measured(outline: &[DVec2]) -> (f64, DVec2) {
    let Some(&first) = outline.first() else { return (0.0, DVec2::ZERO) };
    let (mut doubled, mut moment) = (0.0, DVec2::ZERO);
    for (&a, &b) in outline.iter().zip(outline.iter().cycle().skip(1)) {
        let (a, b) = (a - first, b - first);
        let turn = a.perp_dot(b);
        doubled += turn;
        moment += turn * (a + b);
    }
    if doubled == 0.0 { (0.0, first) } else { (0.5 * doubled, first + moment / (3.0 * doubled)) }
}

/// Length around, mm.
pub(super) fn length_mm(outline: &[DVec2]) -> f64 {
    outline.iter().zip(outline.iter().cycle().skip(1)).map(|(a, b)| a.distance(*b)).sum()
}

/// Lowest and highest corner.
pub(super) fn bounds(outline: &[DVec2]) -> (DVec2, DVec2) {
    outline.iter().fold((DVec2::INFINITY, DVec2::NEG_INFINITY), |(low, high), p| (low.min(*p), high.max(*p)))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn square(half: f64) -> Vec<DVec2> {
        [(-half, -half), (half, -half), (half, half), (-half, half)].map(DVec2::from).to_vec()
    }

    #[test]
    fn outlines_reach_around_feet_and_centre_and_no_further() {
        let feet = square(50.0);
        for (shape, around_mm) in [
            (Shape::Round, 10.0),
            (Shape::Oval, 90.0),
            (Shape::Rectangle, 90.0),
            (Shape::Oval, 0.0),
            (Shape::Hull, 90.0),
        ] {
            let centre = DVec2::new(5.0, -20.0);
            let outline = super::around(shape, Reach { feet: &feet, margin_mm: 12.0, centre, around_mm });
            let depth = |p| depth_inside(&outline, p).unwrap().0;
            let spare = depth(centre) - around_mm;
            let at_feet = feet.iter().map(|p| depth(*p) - 12.0).fold(f64::INFINITY, f64::min);
            assert!(spare > -1e-3 && at_feet > -1e-3, "{shape:?}: {spare} {at_feet}");
            assert!(spare.min(at_feet) < 0.01, "{shape:?}: {spare} {at_feet}");
        }
    }

    #[test]
    fn a_hull_is_a_rounded_rectangle_around_square_feet_and_smaller_than_any_other_shape() {
        let feet: Vec<DVec2> =
            [(-200.0, -30.0), (200.0, -30.0), (200.0, 90.0), (-200.0, 90.0)].map(DVec2::from).to_vec();
        let reach = Reach { feet: &feet, margin_mm: 20.0, centre: DVec2::ZERO, around_mm: 40.0 };
        let area = |shape| measured(&super::around(shape, reach)).0;
        let rounded = 400.0 * 120.0 + 2.0 * 20.0 * (400.0 + 120.0) + 400.0 * TAU / 2.0;
        assert!((area(Shape::Hull) / rounded - 1.0).abs() < 1e-3, "{} against {rounded}", area(Shape::Hull));
        assert!([Shape::Round, Shape::Oval, Shape::Rectangle].iter().all(|shape| area(*shape) > area(Shape::Hull)));
        // A centre far off draws a corner of its own.
        let off = Reach { centre: DVec2::new(0.0, 200.0), ..reach };
        let outline = super::around(Shape::Hull, off);
        assert!((bounds(&outline).1.y - 240.0).abs() < 0.05, "{:?}", bounds(&outline));
    }

    #[test]
    fn a_square_is_clipped_and_drawn_in() {
        let outline = square(50.0);
        assert_eq!(measured(&inset(&outline, 8.0)).0, 84.0 * 84.0);
        assert!(inset(&outline, 50.0).is_empty());
        let (area, centroid) = measured(&clipped(&outline, DVec2::new(-90.0, 0.0), DVec2::new(20.0, 90.0)));
        assert!((area - 70.0 * 50.0).abs() < 1e-9 && (centroid - DVec2::new(-15.0, 25.0)).length() < 1e-9);
        assert_eq!(length_mm(&outline), 400.0);
    }
}
