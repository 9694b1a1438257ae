//! Convex hull of points in the plane, and how deep a point lies inside it: what something stands on.

use glam::DVec2;

/// Hull corners counter-clockwise, without collinear ones (monotone chain, Andrew 1979); fewer than three when the
/// points span no area.
#[must_use]
pub fn convex_hull(mut points: Vec<DVec2>) -> Vec<DVec2> {
    points.sort_by(|a, b| a.x.total_cmp(&b.x).then(a.y.total_cmp(&b.y)));
    points.dedup();
    let mut hull = half_hull(points.iter());
    hull.pop();
    let upper = half_hull(points.iter().rev());
    hull.extend(upper.iter().take(upper.len().saturating_sub(1)));
    hull
}

fn half_hull<'a>(points: impl Iterator<Item = &'a DVec2>) -> Vec<DVec2> {
    let mut hull: Vec<DVec2> = Vec::new();
    for &p in points {
        while let [.., a, b] = hull[..] {
            if (b - a).perp_dot(p - a) > 0.0 {
                break;
            }
            hull.pop();
        }
        hull.push(p);
    }
    hull
}

/// Distance from a point to the nearest hull edge, negative outside, and the direction out over that edge; `None`
/// when the hull has no area.
#[must_use]
pub fn depth_inside(hull: &[DVec2], point: DVec2) -> Option<(f64, DVec2)> {
    if hull.len() < 3 {
        return None;
    }
    let edges = hull.iter().zip(hull.iter().cycle().skip(1));
    let depths = edges.map(|(&a, &b)| {
        let outward = -(b - a).perp().normalize_or_zero();
        ((a - point).dot(outward), outward)
    });
    depths.min_by(|a, b| a.0.total_cmp(&b.0))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_hull_of_a_grid_is_its_frame() {
        let grid = (0..25).map(|i| DVec2::new(f64::from(i % 5), f64::from(i / 5))).collect();
        let corners = [(0.0, 0.0), (4.0, 0.0), (4.0, 4.0), (0.0, 4.0)].map(DVec2::from);
        assert_eq!(convex_hull(grid), corners);
        assert_eq!(depth_inside(&corners, DVec2::new(1.0, 2.0)), Some((1.0, -DVec2::X)));
        assert_eq!(depth_inside(&corners, DVec2::new(7.0, 2.0)).map(|d| d.0), Some(-3.0));
    }

    #[test]
    fn points_on_a_line_have_no_hull_area() {
        let line = (0..9).map(|i| DVec2::splat(f64::from(i))).collect::<Vec<_>>();
        assert_eq!(depth_inside(&convex_hull(line), DVec2::ZERO), None);
        assert_eq!(depth_inside(&convex_hull(Vec::new()), DVec2::ZERO), None);
    }
}
