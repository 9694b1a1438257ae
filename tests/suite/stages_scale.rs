//! `scale`: exact height, the lattice, solids that stay solids, walls that became thin. Lattice numbers are compared
//! bit by bit.
#![allow(clippy::float_cmp)]

use std::sync::Arc;

use glam::{DVec2, DVec3};
use statuary::figure::{Figure, Joint};
use statuary::mesh::inspect::inspect;
use statuary::mesh::intersect::self_intersections;
use statuary::mesh::{TriMesh, measure};
use statuary::stage::Transform;
use statuary::stages::scale::Scale;
use statuary::units::{LATTICE_MM, snap_mm};

use crate::bodies::{
    Outcome, block, cylinder, equipment, figure, labelled, part, prism, run, sphere, standing_block, together,
};

fn to_height(height_mm: f64) -> Scale {
    Scale { height_mm: Some(height_mm), ..Scale::default() }
}

fn scaled(stage: &Scale, mesh: TriMesh) -> Outcome {
    run(stage, &figure(vec![part(1, mesh)]), &equipment()).unwrap()
}

fn mesh_of(outcome: &Outcome) -> &TriMesh {
    &outcome.figure.parts[0].mesh
}

fn on_lattice(mesh: &TriMesh) -> bool {
    mesh.positions.iter().all(|p| (*p / LATTICE_MM).fract() == DVec3::ZERO)
}

#[test]
fn the_height_is_exact_and_the_middle_of_the_floor_is_the_origin() {
    let mesh = sphere(DVec3::new(713.0, -81.3, 402.7), 333.3, 5);
    for height_mm in [150.0, 1750.1] {
        let outcome = scaled(&to_height(height_mm), mesh.clone());
        let (low, high) = measure::bounds(&mesh_of(&outcome).positions);
        assert_eq!((low.z, high.z), (0.0, snap_mm(height_mm)));
        assert!((low + high).truncate().abs().max_element() <= 2.0 * LATTICE_MM);
        assert!(on_lattice(mesh_of(&outcome)) && inspect(mesh_of(&outcome)).is_solid());
        assert!((outcome.figure.scale - height_mm / 666.6).abs() < 1e-9);
        assert!(Arc::ptr_eq(&outcome.figure.whole, &outcome.figure.parts[0].mesh));
    }
}

#[test]
fn a_factor_is_taken_from_the_subjects_size() {
    let by = |factor| Scale { factor: Some(factor), ..Scale::default() };
    let half = scaled(&by(0.5), cylinder(100.0, 1000.0, 32));
    assert_eq!(half.number("height_mm"), 500.0);
    let again = run(&by(0.25), &half.figure, &equipment()).unwrap();
    assert_eq!((again.number("height_mm"), again.number("scale")), (250.0, 0.25));
}

/// A ball of 320 triangles, each side halved until most triangles are below the lattice, stays a solid.
#[test]
fn a_mesh_finer_than_the_lattice_is_thinned_to_a_solid() {
    let fine = sphere(DVec3::ZERO, 1.0, 7);
    let outcome = scaled(&to_height(1.0), fine.clone());
    let same = mesh_of(&outcome).triangles.len();
    assert_eq!(same, fine.triangles.len());
    let needles = {
        // Rings of a cylinder nearer to one another than a lattice step.
        let outline: Vec<DVec2> = (0..24).map(|i| 5.0 * DVec2::from_angle(f64::from(i) * 0.261_799_387_8)).collect();
        prism(&outline, &[0.0, 5.0, 5.0 + 1e-5, 5.0 + 3e-5, 5.0 + 6e-5, 10.0])
    };
    let outcome = scaled(&to_height(10.0), needles);
    let thinned = mesh_of(&outcome);
    assert!(thinned.triangles.len() < 284, "{}", thinned.triangles.len());
    assert!(inspect(thinned).is_solid() && self_intersections(thinned).is_empty() && on_lattice(thinned));
    assert!(outcome.number("slivers_removed") > 0.0);
}

/// Two walls nearer to each other than half a lattice step fall onto each other and are drawn apart.
#[test]
fn walls_that_meet_by_rounding_are_drawn_apart() {
    let mut ball = sphere(DVec3::ZERO, 10.0, 3);
    let pin = sphere(DVec3::new(0.0, 0.0, 20.0), 10.0 - 0.4 * LATTICE_MM, 3);
    ball = together(&[ball, pin]);
    assert!(self_intersections(&ball).is_empty());
    let outcome = scaled(&to_height(40.0 - 0.4 * LATTICE_MM), ball);
    assert!(self_intersections(mesh_of(&outcome)).is_empty());
    assert!(outcome.number("vertices_moved") > 0.0);
    assert!(inspect(mesh_of(&outcome)).is_solid());
}

#[test]
fn crossing_bodies_are_refused_with_a_hint() {
    let crossing = together(&[standing_block(DVec3::splat(10.0)), block(DVec3::splat(3.0), DVec3::splat(14.0))]);
    let error = run(&to_height(140.0), &figure(vec![part(1, crossing)]), &equipment()).unwrap_err();
    assert!(error.to_string().contains("triangles cross"), "{error}");
    assert!(error.hint().contains("clean"));
    let mut open = standing_block(DVec3::splat(10.0));
    open.triangles.pop();
    open.origins.pop();
    let error = run(&to_height(140.0), &figure(vec![part(1, open)]), &equipment()).unwrap_err();
    assert!(error.to_string().contains("3 faulty edges"), "{error}");
}

/// A sheet of 2 mm at a tenth: both faces, 20000 of 20800 mm2, lie over walls of 0.2 mm.
#[test]
fn thin_walls_are_measured_and_placed() {
    let plate = standing_block(DVec3::new(100.0, 2.0, 100.0));
    let outcome = scaled(&to_height(10.0), plate.clone());
    assert!((outcome.number("thin_share") - 20_000.0 / 20_800.0).abs() < 2e-3, "{}", outcome.number("thin_share"));
    assert!((outcome.number("wall_p01_mm") - 0.2).abs() < 1e-3);
    let told = outcome.told("thinner than 0.88 mm").unwrap();
    assert!(told.place.contains(" % of the height, "), "{}", told.place);
    assert!(told.hint.starts_with("print at 44 mm or more"), "{}", told.hint);
    let full = scaled(&to_height(100.0), plate);
    assert!(full.findings.is_empty(), "{:?}", full.findings);
}

/// A wedge gets thin only towards its edge, which is a rim and no wall; a fin on a block is told where it is.
#[test]
fn rims_are_no_walls_and_fins_are_told_where_they_are() {
    let corners = [(-20.0, -10.0), (20.0, 0.0), (-20.0, 10.0)].map(DVec2::from);
    let wedge = scaled(&to_height(40.0), prism(&corners, &[0.0, 40.0]));
    assert!(wedge.findings.is_empty(), "{:?}", wedge.findings);
    let fin = block(DVec3::new(-8.0, -30.0, 89.0), DVec3::new(8.0, -29.6, 96.0));
    let body = standing_block(DVec3::new(40.0, 40.0, 88.0));
    let rest = block(DVec3::new(-5.0, -5.0, 88.5), DVec3::new(5.0, 5.0, 100.0));
    let outcome = scaled(&to_height(100.0), together(&[body, fin, rest]));
    let place = &outcome.told("thinner").unwrap().place;
    assert!(
        place.starts_with("at 93 % of the height, front") || place.starts_with("at 92 % of the height, front"),
        "{place}"
    );
}

#[test]
fn labels_follow_when_slivers_go() {
    let outline = standing_block(DVec3::splat(20.0)).positions[..4].iter().map(|p| p.truncate()).collect::<Vec<_>>();
    let mesh = prism(&outline, &[0.0, 5.0, 10.0, 10.0 + 1e-5, 20.0]);
    let two = labelled(part(1, mesh), |p| u8::from(p.z > 10.000_01));
    let outcome = run(&to_height(20.0), &figure(vec![two]), &equipment()).unwrap();
    let part = &outcome.figure.parts[0];
    let labels = part.labels.as_ref().unwrap();
    assert_eq!(labels.len(), part.mesh.triangles.len());
    for (t, label) in labels.iter().enumerate() {
        let middle = part.mesh.corners(t).into_iter().sum::<DVec3>() / 3.0;
        assert_eq!(*label, u8::from(middle.z > 10.000_01), "{middle}");
    }
}

#[test]
fn a_figure_in_parts_is_not_scaled() {
    let mut cut = figure(vec![part(1, standing_block(DVec3::splat(9.0)))]);
    cut.joints.push(Joint {
        a: 0,
        b: 0,
        normal: DVec3::Z,
        offset_mm: 1.0,
        area_mm2: 81.0,
        keys: Vec::new(),
        marked: [false; 2],
    });
    let error = run(&to_height(90.0), &cut, &equipment()).unwrap_err();
    assert_eq!(error.hint(), "put `scale` before `split`");
    assert!(run(&to_height(90.0), &Figure::default(), &equipment()).is_err());
}

#[test]
fn exactly_one_size_has_to_be_given() {
    let named = |stage: Scale| stage.check().into_iter().map(|problem| problem.setting).collect::<Vec<_>>();
    assert!(named(to_height(180.0)).is_empty());
    assert_eq!(named(Scale::default()), ["height_mm"]);
    assert_eq!(named(Scale { factor: Some(1.0), ..to_height(180.0) }), ["factor"]);
    assert_eq!(named(to_height(f64::NAN)), ["height_mm"]);
    assert_eq!(named(Scale { wall_min_mm: -1.0, ..to_height(180.0) }), ["wall_min_mm"]);
}
