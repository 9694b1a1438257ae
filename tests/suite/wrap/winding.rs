//! Winding numbers against published and exact values.

use std::f64::consts::{PI, TAU};

use glam::DVec3;
use statuary::mesh::winding::Winding;

use super::{Dice, bumpy_ball, soup};

/// Unit box about the origin, outward, without its top when asked.
fn unit_box(with_top: bool) -> (Vec<DVec3>, Vec<[u32; 3]>) {
    let corner = |i: u32| DVec3::new(f64::from(i & 1), f64::from(i >> 1 & 1), f64::from(i >> 2)) - 0.5;
    let mut quads = vec![[0, 2, 3, 1], [0, 1, 5, 4], [2, 6, 7, 3], [0, 4, 6, 2], [1, 3, 7, 5]];
    quads.extend(with_top.then_some([4, 5, 7, 6]));
    let triangles = quads.into_iter().flat_map(|[a, b, c, d]| [[a, b, c], [a, c, d]]).collect();
    ((0..8).map(corner).collect(), triangles)
}

/// By symmetry: eight such triangles close around the origin.
#[test]
fn the_corner_triangle_takes_an_eighth_of_the_sphere() {
    let winding = Winding::new(&[DVec3::X, DVec3::Y, DVec3::Z], &[[0, 1, 2]]);
    assert!((winding.at(DVec3::ZERO) - 0.125).abs() < 1e-15);
    let turned = Winding::new(&[DVec3::X, DVec3::Y, DVec3::Z], &[[0, 2, 1]]);
    assert!((turned.at(DVec3::ZERO) + 0.125).abs() < 1e-15);
}

/// Solid angle of a square of side 1 seen from height h over its middle: 4 asin(1 / (4 h^2 + 1)).
fn square_from(height: f64) -> f64 {
    4.0 * (1.0 / (4.0 * height * height + 1.0)).asin()
}

/// Values on the axis of a unit box without its top, by its height over the middle: the generalised winding number of
/// Jacobson et al. 2013 with the solid angle of van Oosterom and Strackee 1983, from memory; 5/6 is a cube's five faces.
#[test]
fn a_box_winds_once_and_without_its_top_as_far_as_the_opening_lets_it() {
    let (positions, triangles) = unit_box(true);
    let closed = Winding::new(&positions, &triangles);
    assert!((closed.at(DVec3::ZERO) - 1.0).abs() < 1e-14);
    assert!((closed.at(DVec3::splat(0.49)) - 1.0).abs() < 1e-14);
    assert!(closed.at(DVec3::X * 2.0).abs() < 1e-3);

    let (positions, triangles) = unit_box(false);
    let open = Winding::new(&positions, &triangles);
    for (z, published) in [(0.0, 0.83333), (0.4, 0.58857), (0.5, 0.5), (0.6, 0.41143), (1.0, 0.16667)] {
        let found = open.at(DVec3::Z * z);
        assert!((found - published).abs() < 5e-6, "{z} {found}");
        let opening = square_from((0.5 - z).abs()) / (4.0 * PI);
        let exact = if z < 0.5 { 1.0 - opening } else { opening };
        assert!((found - exact).abs() < 1e-14, "{z} {found} {exact}");
    }
}

/// The same box of many small triangles, so that far ones are taken together: the values stay.
#[test]
fn an_open_box_of_many_triangles_winds_as_the_one_of_few() {
    const STEPS: u32 = 60;
    let (corners, triangles) = unit_box(false);
    let (mut positions, mut fine) = (Vec::new(), Vec::new());
    for [a, b, c] in triangles.iter().map(|t| t.map(|v| corners[v as usize])) {
        let at = |i: u32, j: u32| {
            a + (b - a) * (f64::from(i) / f64::from(STEPS)) + (c - a) * (f64::from(j) / f64::from(STEPS))
        };
        for (i, j) in (0..STEPS).flat_map(|i| (0..STEPS - i).map(move |j| (i, j))) {
            positions.extend([at(i, j), at(i + 1, j), at(i, j + 1)]);
            if i + j + 1 < STEPS {
                positions.extend([at(i + 1, j), at(i + 1, j + 1), at(i, j + 1)]);
            }
        }
    }
    fine.extend((0..positions.len() as u32 / 3).map(|t| [3 * t, 3 * t + 1, 3 * t + 2]));
    assert_eq!(fine.len() as u32, 10 * STEPS * STEPS);
    let open = Winding::new(&positions, &fine);
    // From the middle all five faces look alike, so their errors add up.
    let values =
        [(0.0, 5.0 / 6.0, 6e-3), (0.4, 0.58857, 2e-3), (0.5, 0.5, 2e-3), (0.6, 0.41143, 2e-3), (1.0, 1.0 / 6.0, 1e-3)];
    for (z, published, near) in values {
        let found = open.at(DVec3::Z * z);
        assert!((found - published).abs() < near, "{z} {found}");
    }
}

#[test]
fn far_groups_change_little_against_the_sum_over_all_triangles() {
    let mut dice = Dice(21);
    let (positions, mut triangles) = bumpy_ball(60, 0.1);
    triangles.retain(|t| t.iter().any(|v| positions[*v as usize].z < 0.8));
    let winding = Winding::new(&positions, &triangles);
    let mut worst = 0.0_f64;
    for _ in 0..400 {
        let q = dice.point() * 3.0 - 1.5;
        let solid_angle = |t: &[u32; 3]| {
            let [a, b, c] = t.map(|v| positions[v as usize] - q);
            let (la, lb, lc) = (a.length(), b.length(), c.length());
            2.0 * a.dot(b.cross(c)).atan2(la * lb * lc + a.dot(b) * lc + b.dot(c) * la + c.dot(a) * lb)
        };
        let exact: f64 = triangles.iter().map(solid_angle).sum::<f64>() / (2.0 * TAU);
        worst = worst.max((winding.at(q) - exact).abs());
    }
    assert!(worst < 5e-3 && worst > 1e-6, "{worst}");
}

#[test]
fn whole_turns_are_not_lost_in_many_layers() {
    let (positions, triangles) = unit_box(true);
    for layers in [2, 7, 50] {
        let winding = Winding::new(&positions, &triangles.repeat(layers));
        assert!((winding.at(DVec3::splat(0.1)) - layers as f64).abs() < 1e-9);
        assert!(winding.at(DVec3::splat(0.6)).abs() < 1e-6);
    }
}

#[test]
fn no_point_gives_a_value_that_is_not_a_number() {
    let (positions, triangles) = soup(200, 0.4, &mut Dice(22));
    let winding = Winding::new(&positions, &triangles);
    let middles = triangles.iter().map(|t| t.iter().map(|v| positions[*v as usize]).sum::<DVec3>() / 3.0);
    assert!(positions.iter().copied().chain(middles).all(|point| winding.at(point).is_finite()));
    assert!(Winding::new(&[], &[]).at(DVec3::ZERO).abs() < 1e-300);
    let flat = Winding::new(&[DVec3::ONE; 3], &[[0, 1, 2], [0, 0, 0]]);
    assert!(flat.at(DVec3::ONE).abs() < 1e-300 && flat.at(DVec3::ZERO).abs() < 1e-300);
}
