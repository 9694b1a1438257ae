//! Areas in a layer: sections as polygon regions that can be made smaller and laid over each other, exactly on a grid
//! of an eighth of a micrometre. Simplification moves no border by more than the tolerance given.

use glam::DVec2;
use i_overlay::core::fill_rule::FillRule;
use i_overlay::core::overlay::{Overlay, ShapeType};
use i_overlay::core::overlay_rule::OverlayRule;
use i_overlay::i_float::int::point::IntPoint;
use i_overlay::mesh::int::arc::ArcOptions;
use i_overlay::mesh::int::outline::offset::IntOutlineOffset;
use i_overlay::mesh::int::style::{IntLineJoin, IntOutlineStyle};

use super::slice::Loop;

/// Grid steps per millimetre: coordinates up to a hundred metres fit the 32-bit engine.
const STEPS_PER_MM: f64 = 8192.0;

/// Largest coordinate a region takes, mm; what lies beyond is moved to it.
const REACH_MM: f64 = 100_000.0;

/// A region of the plane bounded by contours, material on their left.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Region {
    contours: Vec<Vec<IntPoint<i32>>>,
}

impl Region {
    /// The region closed contours bound, its border simplified by at most `tolerance_mm`.
    #[must_use]
    pub fn from_loops(loops: &[Loop], tolerance_mm: f64) -> Self {
        let contours = loops.iter().map(|l| simplified(l, tolerance_mm).iter().map(|p| to_grid(*p)).collect());
        Self { contours: contours.filter(|c: &Vec<_>| c.len() > 2).collect() }
    }

    #[must_use]
    pub fn is_empty(&self) -> bool {
        self.contours.is_empty()
    }

    /// Area by the shoelace formula, mm2.
    #[must_use]
    pub fn area_mm2(&self) -> f64 {
        let doubled: i128 = self.contours.iter().map(|c| doubled_area(c)).sum();
        doubled as f64 / (2.0 * STEPS_PER_MM * STEPS_PER_MM)
    }

    /// The points at least `by_mm` inside the border: erosion by a disc, arcs drawn with steps of 45 degrees.
    #[must_use]
    pub fn inset(&self, by_mm: f64) -> Self {
        let offset = -(by_mm * STEPS_PER_MM).round() as i32;
        if offset >= 0 || self.is_empty() {
            return self.clone();
        }
        let style = IntOutlineStyle::new(offset).line_join(IntLineJoin::Round(ArcOptions::default()));
        let shapes = self.contours.outline(&style).unwrap_or_default();
        Self { contours: shapes.into_iter().flatten().collect() }
    }

    /// Area that all the regions cover, mm2.
    #[must_use]
    pub fn common_area_mm2(regions: &[&Self]) -> f64 {
        if regions.is_empty() || regions.iter().any(|r| r.is_empty()) {
            return 0.0;
        }
        let contours = || regions.iter().flat_map(|r| &r.contours);
        let mut overlay = Overlay::new(contours().map(Vec::len).sum::<usize>() + 4 * regions.len());
        contours().for_each(|c| overlay.add_contour(c, ShapeType::Subject));
        // Clockwise frames around everything lower the winding number, so that only points in all regions stay positive.
        let frame = frame_around(contours().flatten());
        (1..regions.len()).for_each(|_| overlay.add_contour(&frame, ShapeType::Subject));
        let shapes = overlay.overlay(OverlayRule::Subject, FillRule::Positive);
        Self { contours: shapes.into_iter().flatten().collect() }.area_mm2()
    }
}

fn to_grid(p: DVec2) -> IntPoint<i32> {
    let step = |x: f64| (x.clamp(-REACH_MM, REACH_MM) * STEPS_PER_MM).round() as i32;
    IntPoint::new(step(p.x), step(p.y))
}

fn doubled_area(contour: &[IntPoint<i32>]) -> i128 {
    let next = contour.iter().cycle().skip(1);
    contour.iter().zip(next).map(|(a, b)| i128::from(a.x) * i128::from(b.y) - i128::from(a.y) * i128::from(b.x)).sum()
}

fn frame_around<'a>(points: impl Iterator<Item = &'a IntPoint<i32>>) -> [IntPoint<i32>; 4] {
    let start = (IntPoint::new(i32::MAX, i32::MAX), IntPoint::new(i32::MIN, i32::MIN));
    let (low, high) = points.fold(start, |(low, high), p| {
        (IntPoint::new(low.x.min(p.x), low.y.min(p.y)), IntPoint::new(high.x.max(p.x), high.y.max(p.y)))
    });
    let (low, high) = (IntPoint::new(low.x - 1, low.y - 1), IntPoint::new(high.x + 1, high.y + 1));
    [low, IntPoint::new(low.x, high.y), high, IntPoint::new(high.x, low.y)]
}

/// Fewer points along a closed contour, none of the dropped ones further than the tolerance from what is left
/// (Douglas and Peucker 1973, from the first point and the one furthest from it).
fn simplified(contour: &[DVec2], tolerance_mm: f64) -> Vec<DVec2> {
    let Some(&first) = contour.first().filter(|_| tolerance_mm > 0.0) else { return contour.to_vec() };
    let far = (0..contour.len()).fold(0, |best, i| {
        if contour[i].distance_squared(first) > contour[best].distance_squared(first) { i } else { best }
    });
    let mut keep = vec![false; contour.len()];
    (keep[0], keep[far]) = (true, true);
    let mut open = vec![(0, far), (far, contour.len())];
    while let Some((start, end)) = open.pop() {
        let (a, b) = (contour[start], contour[end % contour.len()]);
        let furthest = (start + 1..end).map(|i| (i, distance_to_segment(contour[i], a, b)));
        let worst = furthest.fold((start, tolerance_mm), |best, at| if at.1 > best.1 { at } else { best });
        if worst.0 > start {
            keep[worst.0] = true;
            open.extend([(start, worst.0), (worst.0, end)]);
        }
    }
    contour.iter().zip(&keep).filter(|(_, keep)| **keep).map(|(p, _)| *p).collect()
}

fn distance_to_segment(p: DVec2, a: DVec2, b: DVec2) -> f64 {
    let along = b - a;
    let share = ((p - a).dot(along) / along.length_squared().max(f64::MIN_POSITIVE)).clamp(0.0, 1.0);
    p.distance(a + share * along)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn rectangle(x: f64, y: f64, width: f64, height: f64) -> Loop {
        vec![DVec2::new(x, y), DVec2::new(x + width, y), DVec2::new(x + width, y + height), DVec2::new(x, y + height)]
    }

    fn circle(radius: f64, points: usize) -> Loop {
        (0..points).map(|i| radius * DVec2::from_angle(std::f64::consts::TAU * i as f64 / points as f64)).collect()
    }

    #[test]
    fn an_inset_square_loses_its_border() {
        let square = Region::from_loops(&[rectangle(0.0, 0.0, 100.0, 100.0)], 0.0);
        assert!((square.area_mm2() - 10_000.0).abs() < 1e-9);
        let inset = square.inset(1.25);
        assert!((inset.area_mm2() - 97.5 * 97.5).abs() < 1e-9);
        assert!(square.inset(51.0).is_empty());
    }

    #[test]
    fn a_hole_grows_when_the_region_shrinks() {
        let hole: Loop = rectangle(40.0, 40.0, 20.0, 20.0).into_iter().rev().collect();
        let ring = Region::from_loops(&[rectangle(0.0, 0.0, 100.0, 100.0), hole], 0.0);
        assert!((ring.area_mm2() - 9_600.0).abs() < 1e-9);
        // Around the hole's corners the erosion has quarter circles, drawn with chords of at most 45 degrees.
        let straight = 96.0 * 96.0 - (20.0 * 20.0 + 4.0 * 20.0 * 2.0);
        let (arcs, chords) = (4.0 * std::f64::consts::PI, 16.0 * std::f64::consts::FRAC_PI_4.sin());
        let area = ring.inset(2.0).area_mm2();
        assert!(area > straight - arcs && area < straight - chords + 0.01, "{area}");
    }

    #[test]
    fn the_common_area_is_what_all_cover() {
        let of = |l: Loop| Region::from_loops(&[l], 0.0);
        let (a, b) = (of(rectangle(0.0, 0.0, 10.0, 10.0)), of(rectangle(4.0, 4.0, 10.0, 10.0)));
        let c = of(rectangle(5.0, 0.0, 3.0, 30.0));
        assert!((Region::common_area_mm2(&[&a, &b]) - 36.0).abs() < 1e-9);
        assert!((Region::common_area_mm2(&[&a, &b, &c]) - 18.0).abs() < 1e-9);
        assert!((Region::common_area_mm2(&[&a, &a, &a]) - 100.0).abs() < 1e-9);
        assert!(Region::common_area_mm2(&[&a, &of(rectangle(20.0, 0.0, 1.0, 1.0))]).abs() < 1e-12);
    }

    #[test]
    fn a_simplified_circle_keeps_its_area_and_loses_points() {
        let fine = circle(50.0, 4096);
        let few = simplified(&fine, 0.03);
        assert!(few.len() < 160, "{}", few.len());
        let area = Region::from_loops(&[fine], 0.03).area_mm2();
        assert!((area / (std::f64::consts::PI * 2500.0) - 1.0).abs() < 0.0012, "{area}");
    }
}
