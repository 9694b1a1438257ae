//! `orient`: fit, exactness and choice of bed poses. Lattice numbers are compared bit by bit.
#![allow(clippy::float_cmp)]

use glam::{DMat3, DVec3};
use statuary::equipment::Equipment;
use statuary::figure::{Figure, Part, PartEstimate, Pose};
use statuary::finding::Severity;
use statuary::mesh::{Origin, TriMesh, measure};
use statuary::stage::Transform;
use statuary::stages::orient::Orient;
use statuary::units::{LATTICE_MM, snap_mm};

use crate::bodies::{
    Outcome, block, cylinder, equipment, figure, labelled, part, run, sphere, standing_block, together,
};

fn orient(figure: &Figure, own: &Equipment) -> Outcome {
    run(&Orient::default(), figure, own).unwrap()
}

fn pose_of(mesh: TriMesh) -> Pose {
    orient(&figure(vec![part(1, mesh)]), &equipment()).figure.parts[0].pose.unwrap()
}

fn on_bed(part: &Part) -> TriMesh {
    let pose = part.pose.unwrap();
    let mut mesh = (*part.mesh).clone();
    mesh.positions.iter_mut().for_each(|p| *p = pose.to_bed(*p));
    mesh
}

/// A body whose cross-section grows upwards in a wide step, flat above and below.
fn mushroom() -> TriMesh {
    let stem = standing_block(DVec3::new(30.0, 30.0, 60.0));
    let cap = block(DVec3::new(-50.0, -50.0, 60.0), DVec3::new(50.0, 50.0, 80.0));
    together(&[stem, cap])
}

#[test]
fn a_figure_on_a_flat_base_stays_upright() {
    let pose = pose_of(cylinder(30.0, 80.0, 64));
    assert_eq!(pose.rotation, DMat3::IDENTITY);
    assert_eq!(pose.shift, DVec3::new(125.0, 125.0, 0.0));
}

#[test]
fn a_mushroom_is_turned_upside_down() {
    let pose = pose_of(mushroom());
    assert_eq!(pose.rotation * DVec3::Z, DVec3::NEG_Z);
    assert_eq!(pose.shift.z, 80.0);
}

#[test]
fn a_laid_part_is_centred_inside_the_bed_and_stays_on_the_lattice() {
    let on_lattice = |v: DVec3| (v / (0.5 * LATTICE_MM)).fract() == DVec3::ZERO;
    let odd = 37.0 * LATTICE_MM;
    // Cut planes lie half-way between lattice points.
    let mesh = block(DVec3::new(-20.0, odd, 700.0 + 0.5 * LATTICE_MM), DVec3::new(33.0, 41.0 + odd, 811.0));
    let outcome = orient(&figure(vec![part(1, mesh.clone())]), &equipment());
    let laid = on_bed(&outcome.figure.parts[0]);
    let (low, high) = measure::bounds(&laid.positions);
    assert_eq!(low.z, 0.0);
    assert!(((low + high) * 0.5 - DVec3::splat(125.0)).truncate().abs().max_element() <= LATTICE_MM);
    assert!(laid.positions.iter().all(|p| on_lattice(*p)));
    assert_eq!(measure::volume_mm3(&laid), measure::volume_mm3(&mesh));
    let pose = outcome.figure.parts[0].pose.unwrap();
    assert_eq!(pose.rotation.determinant(), 1.0);
}

#[test]
fn every_turn_is_tried_before_a_part_is_refused() {
    let mut own = equipment();
    own.printer.volume_mm = [320.0, 100.0, 120.0];
    for size in [DVec3::new(60.0, 300.0, 90.0), DVec3::new(90.0, 60.0, 300.0), DVec3::new(300.0, 60.0, 90.0)] {
        let outcome = orient(&figure(vec![part(1, standing_block(size))]), &own);
        let (low, high) = measure::bounds(&on_bed(&outcome.figure.parts[0]).positions);
        assert!(low.cmpge(DVec3::new(3.0, 3.0, 0.0)).all(), "{low}");
        assert!(high.cmple(DVec3::new(317.0, 97.0, 117.0)).all(), "{high}");
    }
    let large = figure(vec![part(7, standing_block(DVec3::new(60.0, 60.0, 315.0)))]);
    let error = run(&Orient::default(), &large, &own).unwrap_err();
    assert!(error.to_string().starts_with("part 07-part of 60.0 x 60.0 x 315.0 mm fits"), "{error}");
    assert!(error.hint().contains("margin_mm"));
}

/// 290 + 50 mm are less than the diagonal of the 244 mm that the margins leave.
#[test]
fn what_fits_only_diagonally_is_laid_diagonally() {
    let bar = standing_block(DVec3::new(290.0, 50.0, 40.0));
    let outcome = orient(&figure(vec![part(1, bar.clone())]), &equipment());
    let pose = outcome.figure.parts[0].pose.unwrap();
    assert!(!pose.is_by_quarters() && pose.rotation * DVec3::Z == DVec3::Z, "{pose:?}");
    let (low, high) = measure::bounds(&on_bed(&outcome.figure.parts[0]).positions);
    assert!(low.cmpge(DVec3::new(3.0, 3.0, 0.0)).all() && high.cmple(DVec3::splat(247.0)).all(), "{low} to {high}");
    assert_eq!(low.z, 0.0);
    assert_eq!(outcome.number("parts_turned_finely"), 1.0);
    let shorter = pose_of(standing_block(DVec3::new(244.0, 50.0, 40.0)));
    assert_eq!(shorter.rotation, DMat3::IDENTITY);
}

/// The one flat face is a cut that slopes by 30 degrees.
#[test]
fn a_part_stands_on_a_sloped_cut_face() {
    let mut mesh = standing_block(DVec3::new(40.0, 40.0, 90.0));
    let slope = DMat3::from_axis_angle(DVec3::new(1.0, 2.0, 0.5).normalize(), 30.0_f64.to_radians());
    mesh.positions.iter_mut().for_each(|p| *p = DVec3::from_array((slope * *p).to_array().map(snap_mm)));
    let lowest = (0..mesh.triangles.len()).filter(|t| mesh.area_vector(*t).normalize().dot(slope * DVec3::NEG_Z) > 0.9);
    lowest.collect::<Vec<_>>().into_iter().for_each(|t| mesh.origins[t] = Origin::Cut(0));
    let outcome = orient(&figure(vec![part(1, mesh)]), &equipment());
    let pose = outcome.figure.parts[0].pose.unwrap();
    assert!((pose.rotation * (slope * DVec3::NEG_Z)).abs_diff_eq(DVec3::NEG_Z, 1e-5), "{pose:?}");
    assert!((outcome.number("contact_least_mm2") - 1600.0).abs() < 0.1);
    let heights: Vec<f64> = on_bed(&outcome.figure.parts[0]).positions.iter().map(|p| p.z).collect();
    assert_eq!(heights.iter().copied().fold(f64::INFINITY, f64::min), 0.0);
    assert_eq!(heights.iter().filter(|z| **z < 2e-4).count(), 4, "{heights:?}");
    assert!(outcome.told("no flat face").is_none());
}

/// 400 mm fit no bed of 250 mm, but its space diagonal of 433 mm.
#[test]
fn what_fits_on_no_side_leans() {
    let outcome = orient(&figure(vec![part(1, standing_block(DVec3::new(400.0, 8.0, 8.0)))]), &equipment());
    let (low, high) = measure::bounds(&on_bed(&outcome.figure.parts[0]).positions);
    assert!(low.cmpge(DVec3::new(3.0, 3.0, 0.0) - 1e-4).all(), "{low}");
    assert!(high.cmple(DVec3::splat(247.0) + 1e-4).all(), "{high}");
    assert!(outcome.told("no flat face").is_some());
}

/// A dome with a wide rim is dear to support, but there is no other face to put down.
#[test]
fn a_pose_without_a_foot_is_never_cheaper() {
    let post = standing_block(DVec3::new(8.0, 8.0, 100.0));
    let ball = sphere(DVec3::new(0.0, 0.0, 140.0), 50.0, 4);
    let pose = pose_of(together(&[post, ball]));
    assert_eq!(pose.rotation, DMat3::IDENTITY);
}

#[test]
fn bands_of_colour_are_laid_level() {
    let striped = |axis: usize| {
        labelled(part(1, standing_block(DVec3::splat(50.0))), move |p| u8::from(p.to_array()[axis] > 20.0))
    };
    let mut own = equipment();
    own.printer.change_secs = 60.0;
    // The side face of label 1 alone is level when it lies below or on top.
    let pose = orient(&figure(vec![striped(0)]), &own).figure.parts[0].pose.unwrap();
    assert_eq!((pose.rotation * DVec3::X).z.abs(), 1.0, "{pose:?}");
    let pose = orient(&figure(vec![striped(2)]), &own).figure.parts[0].pose.unwrap();
    assert_eq!(pose.rotation, DMat3::IDENTITY);
}

#[test]
fn weak_feet_and_slender_parts_are_told() {
    let outcome = orient(&figure(vec![part(1, sphere(DVec3::ZERO, 20.0, 2))]), &equipment());
    assert_eq!(outcome.told("no flat face").map(|f| f.severity), Some(Severity::Warning));
    let mut own = equipment();
    own.printer.volume_mm = [20.0, 20.0, 250.0];
    let outcome = orient(&figure(vec![part(1, standing_block(DVec3::new(10.0, 10.0, 100.0)))]), &own);
    assert!(outcome.told("only 1.00 cm2").unwrap().hint.contains("brim"));
    assert!(outcome.told("10.0 times as high as wide").is_some());
    assert_eq!(outcome.findings[0].part.as_deref(), Some("01-part"));
}

#[test]
fn old_estimates_do_not_outlive_a_new_pose() {
    let mut old = part(1, standing_block(DVec3::splat(10.0)));
    old.estimate = Some(PartEstimate::default());
    assert!(orient(&figure(vec![old]), &equipment()).figure.parts[0].estimate.is_none());
}

#[test]
fn settings_out_of_range_are_named() {
    assert!(Orient::default().check().is_empty());
    let wrong = Orient { margin_mm: -1.0, tip_weight: f64::INFINITY, ..Orient::default() };
    let named: Vec<String> = wrong.check().into_iter().map(|problem| problem.setting).collect();
    assert_eq!(named, ["margin_mm", "tip_weight"]);
}
