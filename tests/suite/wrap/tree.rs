//! The triangle tree against looks at every triangle.

use glam::DVec3;
use statuary::mesh::tree::TriTree;

use super::{Dice, bumpy_ball, soup};

/// Distance from a point to a triangle by golden-section search over both parameters: slow and unlike the tree's way.
fn distance_by_search(point: DVec3, [a, b, c]: [DVec3; 3]) -> f64 {
    let least = |f: &dyn Fn(f64) -> f64| {
        let (mut low, mut high) = (0.0, 1.0);
        for _ in 0..60 {
            let (p, q) = (low + 0.382 * (high - low), low + 0.618 * (high - low));
            if f(p) < f(q) { high = q } else { low = p }
        }
        f(f64::midpoint(low, high))
    };
    least(&|u| least(&|v| (a + (b - a) * u * (1.0 - v) + (c - a) * u * v).distance(point)))
}

#[test]
fn nearest_points_agree_with_a_search_over_all_triangles() {
    let mut dice = Dice(1);
    let (positions, triangles) = soup(60, 0.3, &mut dice);
    let tree = TriTree::new(&positions, &triangles);
    for _ in 0..40 {
        let point = dice.point() * 3.0 - 1.0;
        let found = tree.nearest(point, f64::INFINITY).unwrap();
        let corners = |t: [u32; 3]| t.map(|v| positions[v as usize]);
        let truth = triangles.iter().map(|t| distance_by_search(point, corners(*t))).fold(f64::INFINITY, f64::min);
        assert!((found.distance - truth).abs() < 1e-6, "{} {truth}", found.distance);
        let [a, b, c] = corners(triangles[found.triangle as usize]);
        let [u, v, w] = found.weights;
        assert!((a * u + b * v + c * w - found.point).length() < 1e-12 && u.min(v).min(w) >= 0.0);
        assert!((found.point.distance(point) - found.distance).abs() < 1e-12);
        assert!(tree.nearest(point, found.distance * 0.999).is_none());
    }
}

#[test]
fn nearest_points_of_a_large_soup_are_those_of_every_part_of_it() {
    let mut dice = Dice(2);
    let (positions, triangles) = soup(40_000, 0.02, &mut dice);
    let tree = TriTree::new(&positions, &triangles);
    let parts: Vec<TriTree> = triangles.chunks(7).map(|part| TriTree::new(&positions, part)).collect();
    for _ in 0..20 {
        let point = dice.point() * 1.4 - 0.2;
        let each = parts.iter().enumerate().map(|(i, part)| {
            let near = part.nearest(point, f64::INFINITY).unwrap();
            (near.distance, 7 * i as u32 + near.triangle)
        });
        let truth = each.min_by(|a, b| a.partial_cmp(b).unwrap()).unwrap();
        let found = tree.nearest(point, 10.0).unwrap();
        assert_eq!((found.distance, found.triangle), truth);
    }
}

#[test]
fn of_equally_near_triangles_the_first_is_found() {
    let positions = vec![DVec3::ZERO, DVec3::X, DVec3::Y, DVec3::Z];
    let triangles = vec![[0, 1, 3], [0, 1, 2], [0, 2, 1], [0, 1, 2], [1, 2, 0], [0, 1, 2]];
    let tree = TriTree::new(&positions, &triangles);
    assert_eq!(tree.nearest(DVec3::new(0.3, 0.3, -1.0), 2.0).unwrap().triangle, 1);
    assert_eq!(tree.nearest(DVec3::new(0.5, -1.0, 0.0), 2.0).unwrap().triangle, 0);
}

#[test]
fn triangles_without_area_or_with_bad_corners_do_no_harm() {
    let nan = DVec3::splat(f64::NAN);
    let positions = vec![DVec3::ZERO, DVec3::X, DVec3::X * 2.0, nan, DVec3::Y * 5.0];
    let tree = TriTree::new(&positions, &[[0, 1, 2], [0, 1, 3], [0, 1, 9], [4, 4, 4]]);
    assert_eq!(tree.len(), 2);
    let near = tree.nearest(DVec3::new(1.5, 1.0, 0.0), 9.0).unwrap();
    assert!((near.distance - 1.0).abs() < 1e-15 && near.triangle == 0);
    assert_eq!(tree.nearest(DVec3::Y * 6.0, 9.0).unwrap().triangle, 3);
    assert!(tree.nearest(nan, 9.0).is_none());
    assert!(TriTree::new(&[], &[]).nearest(DVec3::ZERO, 1.0).is_none());
    assert!(TriTree::new(&[], &[]).ray(DVec3::ZERO, DVec3::X, 1.0).is_none());
}

#[test]
fn rays_find_what_a_look_at_every_triangle_finds() {
    let mut dice = Dice(3);
    let (positions, triangles) = soup(3000, 0.5, &mut dice);
    let tree = TriTree::new(&positions, &triangles);
    let mut met = 0;
    for _ in 0..200 {
        let (from, along) = (dice.point() * 2.0 - 0.5, dice.point() - 0.5);
        // Cramer's rule for from + t along = a + u (b - a) + v (c - a).
        let mut truth: Vec<(f64, u32)> = Vec::new();
        for (i, t) in triangles.iter().enumerate() {
            let [a, b, c] = t.map(|v| positions[v as usize]);
            let (e, f, g) = (b - a, c - a, from - a);
            let det = along.cross(f).dot(e);
            let (u, v) = (along.cross(f).dot(g) / det, g.cross(e).dot(along) / det);
            let distance = g.cross(e).dot(f) / det;
            if u >= 0.0 && v >= 0.0 && u + v <= 1.0 && (0.0..=3.0).contains(&distance) {
                truth.push((distance, i as u32));
            }
        }
        truth.sort_by(|a, b| a.partial_cmp(b).unwrap());
        let hits = tree.ray_hits(from, along, 3.0);
        assert_eq!(hits.iter().map(|h| h.triangle).collect::<Vec<_>>(), truth.iter().map(|t| t.1).collect::<Vec<_>>());
        assert!(hits.iter().zip(&truth).all(|(h, t)| (h.distance - t.0).abs() < 1e-9));
        assert_eq!(tree.ray(from, along, 3.0), hits.first().copied());
        met += hits.len();
    }
    assert!(met > 1000, "{met}");
}

#[test]
fn no_ray_slips_between_triangles_or_along_an_axis_through_a_corner() {
    let mut dice = Dice(4);
    let (positions, triangles) = bumpy_ball(40, 0.0);
    let tree = TriTree::new(&positions, &triangles);
    for point in positions.iter().step_by(7) {
        for target in [*point, point * 0.5 + positions[dice.next() as usize % positions.len()] * 0.5] {
            assert!(tree.ray(DVec3::ZERO, target, 1e9).is_some(), "{target}");
        }
    }
    for axis in [DVec3::X, DVec3::Y, DVec3::Z, -DVec3::X, -DVec3::Y, -DVec3::Z] {
        assert!((tree.ray(DVec3::ZERO, axis, 2.0).unwrap().distance - 1.0).abs() < 0.01);
        assert!(tree.ray(axis * 2.0, axis, 9.0).is_none());
    }
}

#[test]
fn boxes_find_every_triangle_they_touch() {
    let mut dice = Dice(5);
    let (positions, triangles) = soup(5000, 0.1, &mut dice);
    let tree = TriTree::new(&positions, &triangles);
    for _ in 0..50 {
        let low = dice.point();
        let high = low + dice.point() * 0.2;
        let mut found = Vec::new();
        tree.overlapping(low, high, |t| found.push(t));
        found.sort_unstable();
        let touches = |t: &[u32; 3]| {
            let [a, b, c] = t.map(|v| positions[v as usize]);
            a.min(b).min(c).cmple(high).all() && a.max(b).max(c).cmpge(low).all()
        };
        let truth: Vec<u32> = (0..5000).filter(|i| touches(&triangles[*i as usize])).collect();
        assert_eq!(found, truth);
    }
}

#[test]
fn every_pair_of_touching_boxes_is_met_once() {
    let mut dice = Dice(6);
    let (positions, triangles) = soup(3000, 0.1, &mut dice);
    let tree = TriTree::new(&positions, &triangles);
    let box_of = |i: u32| {
        let [a, b, c] = triangles[i as usize].map(|v| positions[v as usize]);
        (a.min(b).min(c), a.max(b).max(c))
    };
    let touch = |i: u32, j: u32| {
        let (a, b) = (box_of(i), box_of(j));
        a.0.cmple(b.1).all() && b.0.cmple(a.1).all()
    };
    let mut found = tree.self_pairs(usize::MAX, |i, j| Some((i, j)));
    found.sort_unstable();
    let truth: Vec<(u32, u32)> =
        (0..3000).flat_map(|i| (i + 1..3000).map(move |j| (i, j))).filter(|(i, j)| touch(*i, *j)).collect();
    assert!(truth.len() > 4000, "{}", truth.len());
    assert_eq!(found, truth);

    let other = TriTree::new(&positions, &triangles[..500]);
    let mut between = tree.pairs_with(&other, usize::MAX, |i, j| Some((i, j)));
    between.sort_unstable();
    let truth: Vec<(u32, u32)> =
        (0..3000).flat_map(|i| (0..500).map(move |j| (i, j))).filter(|(i, j)| touch(*i, *j)).collect();
    assert_eq!(between, truth);
}

#[test]
fn the_tree_comes_out_alike_on_one_and_two_threads() {
    let (positions, triangles) = soup(50_000, 0.02, &mut Dice(7));
    let on = |threads| {
        let pool = rayon::ThreadPoolBuilder::new().num_threads(threads).build().unwrap();
        pool.install(|| format!("{:?}", TriTree::new(&positions, &triangles)))
    };
    assert!(on(1) == on(2));
}
