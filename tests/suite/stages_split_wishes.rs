//! What the owner asks of `split`: cuts, places to avoid, a number of parts, a plan; and what the search does unasked.

use glam::DVec3;
use statuary::figure::{Figure, Joint};
use statuary::mesh::{TriMesh, measure};
use statuary::stages::split::{Avoid, AvoidZone, Axis, FixedCut, Heights, Side, Split, Towards};

use crate::mannequin::mannequin;
use crate::stages_split::{Ran, assert_sound, figure, run};

const HEIGHT_MM: f64 = 1400.0;
const VOLUME_MM: [f64; 3] = [300.0; 3];

fn ran(settings: &Split) -> (TriMesh, Ran) {
    let whole = mannequin(HEIGHT_MM, 80);
    let ran = run(settings, &figure(whole.clone(), None), VOLUME_MM);
    (whole, ran)
}

fn split(settings: &Split) -> Figure {
    ran(settings).1.figure.unwrap()
}

fn level(share: f64) -> FixedCut {
    FixedCut { axis: Axis::Z, at_mm: None, share: Some(share), tilt_deg: None, towards: None, side: None }
}

/// Heights above the feet of level joints, mm.
fn level_joints(figure: &Figure) -> Vec<f64> {
    figure.joints.iter().filter(|j| j.normal == DVec3::Z).map(|j| j.offset_mm).collect()
}

#[test]
fn seams_show_less_than_those_of_a_plain_grid_and_spare_the_face() {
    let (_, ran) = ran(&Split::default());
    assert!(ran.logged("seam_shown_mm") < 0.6 * ran.logged("grid_seam_shown_mm"));
    assert!(ran.logged("parts") <= ran.logged("grid_parts"));
    assert_eq!(ran.logged("barred_seam_mm"), 0.0);
}

#[test]
fn heights_to_avoid_are_not_cut_where_there_is_another_way() {
    let free = split(&Split::default());
    let cut =
        level_joints(&free).into_iter().find(|z| (200.0..800.0).contains(z)).expect("a level cut through the legs");
    let heights = Heights { from_mm: Some(cut - 30.0), to_mm: Some(cut + 30.0), from_share: None, to_share: None };
    let (_, spared) = ran(&Split { avoid: vec![Avoid::Heights(heights)], ..Split::default() });
    let joints = level_joints(spared.figure.as_ref().unwrap());
    assert!(!joints.iter().any(|z| (z - cut).abs() < 29.0), "{joints:?} within 30 mm of {cut}");
    assert!(spared.logged("barred_seam_mm") < 1.0);
}

#[test]
fn zones_to_avoid_are_not_cut() {
    let figure =
        split(&Split { avoid: vec![Avoid::Zone(AvoidZone::Feet), Avoid::Zone(AvoidZone::Head)], ..Split::default() });
    // Feet reach up to 6 % of the height, the head begins at the chin.
    assert!(level_joints(&figure).iter().all(|z| (0.06 * HEIGHT_MM..0.88 * HEIGHT_MM).contains(z)));
}

#[test]
fn a_tilted_cut_on_one_side_leaves_the_other_arm_alone() {
    let shoulder =
        FixedCut { tilt_deg: Some(20.0), towards: Some(Towards::Left), side: Some(Side::Left), ..level(0.6) };
    let settings = Split { cuts: vec![shoulder], cuts_only: true, ..Split::default() };
    let whole = mannequin(250.0, 80);
    let split = run(&settings, &figure(whole.clone(), None), VOLUME_MM).figure.unwrap();
    let [joint] = split.joints.as_slice() else { panic!("{} joints", split.joints.len()) };
    assert!((joint.normal.z.acos().to_degrees() - 20.0).abs() < 0.1, "{}", joint.normal);
    let (low, high) = measure::bounds(&whole.positions);
    let middle = 0.5 * (low.x + high.x);
    let arm = split
        .parts
        .iter()
        .min_by(|a, b| measure::volume_mm3(&a.mesh).total_cmp(&measure::volume_mm3(&b.mesh)))
        .unwrap();
    assert!(measure::bounds(&arm.mesh.positions).0.x > middle, "{} reaches over the middle", arm.name);
    let rest = split.parts.iter().find(|p| p.name != arm.name).unwrap();
    assert_eq!(measure::bounds(&rest.mesh.positions).0, low, "the right side is whole");
}

#[test]
fn cuts_only_cuts_nowhere_else_and_says_when_that_is_not_enough() {
    let (_, enough) = ran(&Split { cuts: vec![level(0.5)], cuts_only: true, ..Split::default() });
    let what = enough.figure.unwrap_err().to_string();
    assert!(what.contains("cuts_only"), "{what}");
    let settings = Split { cuts: vec![level(0.5)], cuts_only: true, ..Split::default() };
    let small = run(&settings, &figure(mannequin(400.0, 60), None), VOLUME_MM).figure.unwrap();
    assert!(small.joints.iter().all(|j| j.normal == DVec3::Z && (j.offset_mm - 200.0).abs() < 1.0));
    small.parts.iter().for_each(assert_sound);
}

#[test]
fn fewer_parts_are_paid_with_seams() {
    let (_, free) = ran(&Split::default());
    let most = free.logged("parts") as usize - 1;
    let (_, fewer) = ran(&Split { parts_max: Some(most), ..Split::default() });
    assert!(fewer.logged("parts") <= free.logged("parts"));
    if fewer.logged("parts") as usize <= most {
        assert!(fewer.logged("seam_shown_mm") > free.logged("seam_shown_mm"));
    } else {
        let findings = fewer.severities.iter().filter(|s| **s == statuary::finding::Severity::Warning).count();
        assert!(findings > 0, "more parts than wanted are told");
    }
}

#[test]
fn the_second_plan_is_another_one_and_is_marked_as_followed() {
    let (first, second) = (split(&Split::default()), split(&Split { plan: 2, ..Split::default() }));
    assert_eq!(first.cut_plans.len(), second.cut_plans.len());
    assert!(first.cut_plans.len() > 1);
    let followed = |f: &Figure| f.cut_plans.iter().position(|p| p.followed).unwrap();
    assert_eq!([followed(&first), followed(&second)], [0, 1]);
    let planes = |f: &Figure| f.joints.iter().map(|j| (j.normal.to_array(), j.offset_mm)).collect::<Vec<_>>();
    assert_ne!(planes(&first), planes(&second));
    assert!(first.cut_plans[0].price <= first.cut_plans[1].price);
}

/// A joint's plane seen in a mirror on the body's middle plane.
fn mirrored(joint: &Joint, middle_x: f64) -> (DVec3, f64) {
    let normal = joint.normal * DVec3::new(-1.0, 1.0, 1.0);
    (normal, joint.offset_mm - 2.0 * middle_x * joint.normal.x)
}

#[test]
fn a_cut_by_hand_on_one_side_is_made_on_the_other_side_too() {
    let arm = FixedCut { tilt_deg: Some(20.0), towards: Some(Towards::Left), side: Some(Side::Left), ..level(0.6) };
    let settings = Split { cuts: vec![arm], cuts_only: true, same_cut_both_sides: true, ..Split::default() };
    let whole = mannequin(250.0, 80);
    let split = run(&settings, &figure(whole.clone(), None), VOLUME_MM).figure.unwrap();
    let [a, b] = split.joints.as_slice() else { panic!("{} joints", split.joints.len()) };
    let (low, high) = measure::bounds(&whole.positions);
    let (normal, offset_mm) = mirrored(a, 0.5 * (low.x + high.x));
    assert!(normal.distance(b.normal) < 1e-2 && (offset_mm - b.offset_mm).abs() < 1.0, "{a:?} {b:?}");
    assert!((a.area_mm2 / b.area_mm2 - 1.0).abs() < 0.05);
}
