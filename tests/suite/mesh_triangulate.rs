//! The minimum-weight triangulation on polygons of known area, and against every triangulation there is; their number is
//! Catalan's.

use glam::DVec3;
use statuary::mesh::fill::triangulate::{Loop, triangulate};

use super::wrap::Dice;

fn polygon(n: usize, lift: f64) -> Loop {
    let point = |i: usize| {
        let angle = std::f64::consts::TAU * i as f64 / n as f64;
        DVec3::new(angle.cos(), angle.sin(), lift * (3.0 * angle).sin())
    };
    Loop { points: (0..n).map(point).collect(), beyond: vec![None; n], barred: vec![Vec::new(); n] }
}

fn area(outline: &Loop, triangles: &[[u32; 3]]) -> f64 {
    let half = |t: &[u32; 3]| {
        let [a, b, c] = t.map(|v| outline.points[v as usize]);
        0.5 * (b - a).cross(c - a).length()
    };
    triangles.iter().map(half).sum()
}

/// Area n/2 sin(360/n) and n - 2 triangles: a regular polygon in its circle of radius 1.
#[test]
fn a_regular_polygon_is_filled_exactly() {
    for n in [3, 4, 7, 100, 700] {
        let outline = polygon(n, 0.0);
        let triangles = triangulate(&outline).unwrap();
        assert_eq!(triangles.len(), n - 2);
        let exact = n as f64 / 2.0 * (std::f64::consts::TAU / n as f64).sin();
        assert!((area(&outline, &triangles) - exact).abs() < 1e-9);
    }
}

#[test]
fn barred_chords_are_not_drawn() {
    let mut outline = polygon(4, 0.0);
    outline.barred[0].push(2);
    outline.barred[2].push(0);
    let triangles = triangulate(&outline).unwrap();
    assert!(triangles.iter().all(|t| t.contains(&1) && t.contains(&3)));
    outline.barred[1].push(3);
    outline.barred[3].push(1);
    assert_eq!(triangulate(&outline), None);
}

/// All triangulations of the span from `i` to `k`, each as its triangles.
fn every_way(i: usize, k: usize) -> Vec<Vec<[u32; 3]>> {
    if k == i + 1 {
        return vec![vec![]];
    }
    let mut ways = Vec::new();
    for m in i + 1..k {
        for left in every_way(i, m) {
            for right in every_way(m, k) {
                let mut way = left.clone();
                way.extend(&right);
                way.push([i as u32, m as u32, k as u32]);
                ways.push(way);
            }
        }
    }
    ways
}

/// Catalan numbers: 1, 2, 5, 14, 42, 132 triangulations of 3 to 8 points; none is lighter where folds do not decide.
#[test]
fn no_triangulation_is_smaller_when_every_fold_is_right_angled() {
    for (n, count) in [(3, 1), (4, 2), (5, 5), (6, 14), (7, 42), (8, 132)] {
        let mut outline = polygon(n, 0.3);
        outline.beyond = vec![None; n];
        let ways = every_way(0, n - 1);
        assert_eq!(ways.len(), count);
        let found = triangulate(&outline).unwrap();
        let sharpest = |way: &[[u32; 3]]| sharpest_fold(&outline, way);
        let best = ways.iter().map(|way| sharpest(way)).fold(f64::INFINITY, f64::min);
        assert!(sharpest(&found) <= best + 1e-9, "{n}: {} against {best}", sharpest(&found));
    }
}

/// A loop once round the axis at random distances and heights; flat and star-shaped without `lift`.
fn random_loop(n: usize, dice: &mut Dice, lift: f64) -> Loop {
    let point = |i: usize| {
        let [turn, away, up] = dice.point().to_array();
        let angle = std::f64::consts::TAU * (i as f64 + 0.8 * turn) / n as f64;
        let radius = 0.2 + 0.8 * away;
        DVec3::new(radius * angle.cos(), radius * angle.sin(), lift * up)
    };
    Loop { points: (0..n).map(point).collect(), beyond: vec![None; n], barred: vec![Vec::new(); n] }
}

/// The least weight of all triangulations, by looking at every one of them.
fn best_of_all(outline: &Loop) -> (f64, f64) {
    let weigh = |way: &Vec<[u32; 3]>| (sharpest_fold(outline, way), area(outline, way));
    let better = |a: (f64, f64), b: (f64, f64)| {
        let is_less = if (b.0 - a.0).abs() > 1e-9 { b.0 < a.0 } else { b.1 < a.1 };
        if is_less { b } else { a }
    };
    every_way(0, outline.points.len() - 1).iter().map(weigh).reduce(better).unwrap()
}

/// Flat loops have triangulations without a fold, whose area is that inside (shoelace formula); one of those is found.
#[test]
fn flat_random_loops_are_filled_as_well_as_by_any_triangulation() {
    let mut dice = Dice(31);
    for case in 0..400 {
        let outline = random_loop(4 + case % 5, &mut dice, 0.0);
        let found = triangulate(&outline).unwrap();
        let (fold, least) = best_of_all(&outline);
        let next = outline.points.iter().cycle().skip(1);
        let shoelace: f64 = outline.points.iter().zip(next).map(|(a, b)| 0.5 * a.cross(*b).z).sum();
        assert!((fold + 1.0).abs() < 1e-9 && (least - shoelace).abs() < 1e-12, "{case}: {fold} {least} {shoelace}");
        assert!(sharpest_fold(&outline, &found) < -1.0 + 1e-9, "{case}");
        assert!((area(&outline, &found) - shoelace).abs() < 1e-12, "{case}");
    }
}

/// A part's weight depends on the triangle beside it too, and the table settles the part first: from five points on the
/// best of all triangulations is not always found. Least counts as measured.
#[test]
fn random_loops_in_space_are_mostly_filled_as_well_as_by_any_triangulation() {
    let mut dice = Dice(32);
    for (n, least_same) in [(3, 200), (4, 200), (5, 150), (6, 135), (7, 115), (8, 100)] {
        let mut same = 0;
        for _ in 0..200 {
            let outline = random_loop(n, &mut dice, 1.0);
            let found = triangulate(&outline).unwrap();
            let (fold, least) = best_of_all(&outline);
            let (own, own_area) = (sharpest_fold(&outline, &found), area(&outline, &found));
            assert_eq!(found.len(), n - 2);
            assert!(own > fold + 1e-9 || own_area > least - 1e-9, "better than the best of all");
            same += usize::from(own < fold + 1e-9 && own_area < least + 1e-9);
        }
        assert!(same >= least_same, "{n} points: {same} of 200");
    }
}

fn sharpest_fold(outline: &Loop, triangles: &[[u32; 3]]) -> f64 {
    let normal = |t: &[u32; 3]| {
        let [a, b, c] = t.map(|v| outline.points[v as usize]);
        (b - a).cross(c - a).normalize()
    };
    let mut sharpest = -1.0_f64;
    for (i, a) in triangles.iter().enumerate() {
        for b in &triangles[i + 1..] {
            if a.iter().filter(|v| b.contains(v)).count() == 2 {
                sharpest = sharpest.max(-normal(a).dot(normal(b)));
            }
        }
    }
    sharpest
}
