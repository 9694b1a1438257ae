//! Fit under rotation against published conditions. What lies on an axis is compared bit by bit.
#![allow(clippy::float_cmp)]

use std::f64::consts::{FRAC_PI_2, FRAC_PI_4};

use glam::{DMat3, DVec2, DVec3};
use statuary::mesh::fit::{lean, stand, turn_on_bed};
use statuary::mesh::measure::bounds;

fn rectangle(p: f64, q: f64) -> Vec<DVec2> {
    [(0.0, 0.0), (p, 0.0), (p, q), (0.0, q)].map(DVec2::from).to_vec()
}

fn bar(size: DVec3) -> Vec<DVec3> {
    (0..8).map(|i| size * DVec3::new(f64::from(i & 1), f64::from(i >> 1 & 1), f64::from(i >> 2))).collect()
}

fn fraction(seed: &mut u64) -> f64 {
    *seed = seed.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
    (*seed >> 11) as f64 / (1_u64 << 53) as f64
}

fn size_turned(points: &[DVec3], rotation: DMat3) -> DVec3 {
    let turned: Vec<DVec3> = points.iter().map(|p| rotation * *p).collect();
    let (low, high) = bounds(&turned);
    high - low
}

fn is_rotation(m: DMat3) -> bool {
    (m * m.transpose()).abs_diff_eq(DMat3::IDENTITY, 1e-14) && (m.determinant() - 1.0).abs() < 1e-14
}

/// Shorter side a rectangle must have so that one of `p` x `q` with `p > a`, `q <= b` lies in it (Carver 1957, American
/// Mathematical Monthly 64, solution of problem E 1225).
fn carver(p: f64, q: f64, a: f64) -> f64 {
    let (pp, qq) = (p * p, q * q);
    (2.0 * p * q * a + (pp - qq) * (pp + qq - a * a).sqrt()) / (pp + qq)
}

#[test]
fn rectangles_fit_as_carver_found() {
    let (mut seed, mut inside, mut outside) = (7, 0, 0);
    while inside < 2000 || outside < 2000 {
        let (p, a) = (100.0 + 300.0 * fraction(&mut seed), 100.0 + 200.0 * fraction(&mut seed));
        let (q, b) = (p * fraction(&mut seed), a * (0.5 + 0.5 * fraction(&mut seed)));
        let spare = b - carver(p, q, a);
        if p <= a || q > b || spare.abs() < 1e-6 {
            continue;
        }
        let angle = turn_on_bed(&rectangle(p, q), [a, b]);
        assert_eq!(angle.is_some(), spare > 0.0, "{p} x {q} in {a} x {b}");
        *(if spare > 0.0 { &mut inside } else { &mut outside }) += 1;
        let Some(angle) = angle else { continue };
        let size = size_turned(&bar(DVec3::new(p, q, 1.0)), DMat3::from_rotation_z(angle));
        assert!(size.cmple(DVec3::new(a, b, 1.0) + 1e-9).all(), "{size}");
    }
}

#[test]
fn bars_rods_and_ellipses_fit_to_a_hundredth() {
    let square = [250.0, 250.0];
    let fits = |points: &[DVec2], sides: [f64; 2]| turn_on_bed(points, sides).is_some();
    assert!(fits(&rectangle(300.0, 50.0), square) && fits(&rectangle(303.5, 50.0), square));
    assert!(!fits(&rectangle(303.6, 50.0), square));
    // A bar of no width is as long as the diagonal.
    let rod = |length: f64| [DVec2::ZERO, DVec2::new(0.6, 0.8) * length];
    assert!(fits(&rod(353.55), square) && !fits(&rod(353.56), square));
    // Turned by 45 degrees an ellipse is as wide as its box's diagonal over the root of two: 345.615 mm.
    let ellipse: Vec<DVec2> = (0..2000)
        .map(|i| DVec2::new(210.0, 125.0) * DVec2::from_angle(f64::from(i) * 0.003_141_592_653_589_793))
        .collect();
    assert!((turn_on_bed(&ellipse, [354.0, 354.0]).unwrap() % FRAC_PI_2 - FRAC_PI_4).abs() < 1e-4);
    assert!(fits(&ellipse, [345.62, 345.62]) && !fits(&ellipse, [345.60, 345.60]));
}

#[test]
fn no_turn_comes_before_a_quarter_turn() {
    assert_eq!(turn_on_bed(&rectangle(200.0, 100.0), [200.0, 100.0]), Some(0.0));
    assert_eq!(turn_on_bed(&rectangle(200.0, 100.0), [100.0, 200.0]), Some(FRAC_PI_2));
    assert_eq!(turn_on_bed(&[], [1.0, 1.0]), Some(0.0));
    assert_eq!(turn_on_bed(&[DVec2::NAN, DVec2::ONE], [1.0, 1.0]), None);
    assert_eq!(turn_on_bed(&rectangle(2.0, 1.0), [-9.0, 9.0]), None);
}

#[test]
fn quarter_turns_stand_exactly_and_any_face_goes_down() {
    let points = bar(DVec3::new(60.0, 300.0, 90.0));
    for down in [DVec3::X, DVec3::NEG_X, DVec3::Y, DVec3::NEG_Y, DVec3::Z, DVec3::NEG_Z] {
        let room = if down.y == 0.0 { DVec3::new(320.0, 100.0, 100.0) } else { DVec3::new(95.0, 60.0, 300.0) };
        let rotation = stand(&points, down, room).unwrap();
        assert_eq!(rotation * down, DVec3::NEG_Z);
        assert!(rotation.to_cols_array().iter().all(|x| [-1.0, 0.0, 1.0].contains(x)), "{rotation}");
        assert_eq!(rotation.determinant(), 1.0);
        assert!(size_turned(&points, rotation).cmple(room).all());
    }
    let (mut seed, room) = (1, DVec3::new(250.0, 250.0, 310.0));
    let mut laid = 0;
    for _ in 0..300 {
        let down = DVec3::from([0, 1, 2].map(|_| 2.0 * fraction(&mut seed) - 1.0)).normalize();
        let Some(rotation) = stand(&points, down, room) else { continue };
        laid += 1;
        assert!(is_rotation(rotation) && (rotation * down).abs_diff_eq(DVec3::NEG_Z, 1e-14));
        assert!(size_turned(&points, rotation).cmple(room + 1e-9).all());
    }
    assert!((50..300).contains(&laid), "{laid}");
    assert!(stand(&points, DVec3::NEG_Z, DVec3::new(260.0, 260.0, 89.9)).is_none());
    assert!(stand(&points, DVec3::NEG_Z, DVec3::new(260.0, 260.0, 90.0)).is_some(), "diagonally");
}

#[test]
fn rods_and_bars_lean_along_the_space_diagonal() {
    let fits = |size: DVec3, room: DVec3| {
        let points = bar(size);
        let rotation = lean(&points, room)?;
        assert!(is_rotation(rotation) && size_turned(&points, rotation).cmple(room).all());
        Some(rotation)
    };
    let (cube, rod) = (DVec3::splat(250.0), |length: f64| DVec3::new(length, 0.0, 0.0));
    assert!(fits(rod(433.01), cube).is_some() && fits(rod(433.02), cube).is_none());
    assert!(fits(rod(443.40), DVec3::splat(256.0)).is_some() && fits(rod(443.41), DVec3::splat(256.0)).is_none());
    // 344.69 mm is what minimizing over random starts in another program found.
    let square = |length: f64| DVec3::new(50.0, length, 50.0);
    assert!(fits(square(344.65), cube).is_some() && fits(square(344.75), cube).is_none());
    assert!(fits(DVec3::new(300.0, 120.0, 250.0), DVec3::new(250.0, 120.0, 300.0)).is_some());
    assert!(lean(&[DVec3::NAN], cube).is_none() && lean(&[], cube).is_none());
}
