//! What `inspect` says of bodies whose faults are known because the test made them.

use std::collections::BTreeMap;
use std::fs;

use glam::{DMat3, DVec3};
use statuary::figure::{Figure, ScanInfo};
use statuary::mesh::{Origin, TriMesh};
use statuary::survey::{Survey, Verdict, survey};

use super::mannequin::mannequin;
use super::support::{folder, oracle, small_scan, statuary, stderr, text};

/// A number between -0.5 and 0.5 that looks like chance.
fn chance(seed: u64) -> f64 {
    let mixed = (seed + 1).wrapping_mul(0x9E37_79B9_7F4A_7C15);
    let mixed = (mixed ^ (mixed >> 29)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
    ((mixed ^ (mixed >> 32)) >> 11) as f64 / (1_u64 << 53) as f64 - 0.5
}

fn figure(scan: TriMesh, solid: TriMesh) -> Figure {
    let scan_info = ScanInfo {
        name: "mate".to_owned(),
        triangles: scan.triangles.len(),
        has_colour: true,
        unit: "mm".to_owned(),
        unit_confidence: 0.9,
        up: "+z".to_owned(),
        up_confidence: 0.9,
        height_mm: 1750.0,
    };
    Figure { scan: scan_info, scan_mesh: scan.into(), whole: solid.into(), ..Figure::default() }
}

fn look(scan: TriMesh, solid: TriMesh) -> Survey {
    survey(&figure(scan, solid), &BTreeMap::new())
}

/// The body with all surface made up where `lacks` says so.
fn lacking(mut body: TriMesh, lacks: impl Fn(DVec3) -> bool) -> TriMesh {
    for t in 0..body.triangles.len() {
        let middle = body.corners(t).into_iter().sum::<DVec3>() / 3.0;
        body.origins[t] = if lacks(middle) { Origin::Fill } else { Origin::Skin };
    }
    body
}

#[test]
fn a_whole_body_is_good_and_faces_the_front_it_was_made_with() {
    let body = lacking(mannequin(1750.0, 120), |_| false);
    let found = look(body.clone(), body.clone());
    assert!(found.faults.iter().all(|fault| fault.what.contains("points in the face")), "{:?}", found.faults);
    assert_eq!((found.front.what.as_str(), found.missing_share), ("-y", 0.0));
    assert!(found.front.confidence > 0.5, "{}", found.front.confidence);
    for (axis, turn) in [("+x", 90.0_f64), ("+y", 180.0), ("-x", 270.0)] {
        let mut turned = body.clone();
        let rotation = DMat3::from_rotation_z(turn.to_radians());
        turned.positions.iter_mut().for_each(|p| *p = rotation * *p);
        let found = look(turned.clone(), turned);
        assert_eq!(found.front.what, axis);
    }
}

#[test]
fn missing_places_have_names_and_areas() {
    let crown = |p: DVec3| p.z > 0.965 * 1750.0;
    let armpit = |p: DVec3| (p - DVec3::new(0.125 * 1750.0, 0.0, 0.74 * 1750.0)).length() < 80.0;
    let sole = |p: DVec3| p.z < 1.0;
    let body = lacking(mannequin(1750.0, 160), |p| crown(p) || armpit(p) || sole(p));
    let area = |of: &dyn Fn(DVec3) -> bool| -> f64 {
        let middles = (0..body.triangles.len()).map(|t| (t, body.corners(t).into_iter().sum::<DVec3>() / 3.0));
        middles.filter(|(_, p)| of(*p)).map(|(t, _)| 0.5 * body.area_vector(t).length()).sum()
    };
    let found = look(body.clone(), body.clone());
    let zone = |name: &str| found.missing.iter().find(|z| z.zone == name).map_or(0.0, |z| z.area_mm2);
    assert!((zone("crown") - area(&crown)).abs() < 1e-6 * area(&crown), "{:?}", found.missing);
    assert!(zone("left armpit") > 0.4 * area(&armpit) && zone("right armpit") == 0.0, "{:?}", found.missing);
    assert!(zone("soles") > 0.8 * area(&sole), "{:?}", found.missing);
    let all: f64 = found.missing.iter().map(|z| z.area_mm2).sum();
    let body_mm2 = area(&|_| true);
    assert!((found.missing_share - (all - zone("soles")) / body_mm2).abs() < 1e-9);
    assert_eq!(found.verdict, Verdict::Again, "half the crown is not there: {:?}", found.faults);
    let opening = found.openings.iter().find(|opening| opening.zone == "crown").unwrap();
    assert!(opening.middle_mm[2] > 0.96 * 1750.0 && opening.middle_mm[0].abs() < 10.0, "{opening:?}");
}

/// Noise of known deviation, even distribution: its median absolute value is not a normal one's, hence the band.
#[test]
fn noise_and_spacing_are_measured() {
    let body = mannequin(1750.0, 150);
    let noisy = |deviation_mm: f64| {
        let mut scan = body.clone();
        for (i, p) in scan.positions.iter_mut().enumerate() {
            // The sum of twelve is nearly normal, of deviation 1.
            let draw = |axis: u64| (0..12).map(|k| chance(36 * i as u64 + 12 * axis + k)).sum::<f64>();
            *p += deviation_mm * DVec3::new(draw(0), draw(1), draw(2));
        }
        look(scan, body.clone())
    };
    let still = noisy(0.0);
    assert!(still.body.noise_mm < 0.5, "{:?}", still.body);
    for deviation in [2.0, 3.0] {
        let found = noisy(deviation);
        assert!((found.body.noise_mm / deviation - 1.0).abs() < 0.25, "{deviation}: {:?}", found.body);
    }
    let edges =
        body.triangles.iter().map(|[a, b, _]| body.positions[*a as usize].distance(body.positions[*b as usize]));
    let mean = edges.sum::<f64>() / body.triangles.len() as f64;
    assert!((still.body.spacing_mm / mean - 1.0).abs() < 0.2, "{} {mean}", still.body.spacing_mm);
}

#[test]
fn the_command_tells_of_the_demo_scan_and_ends_as_asked() {
    let scan = small_scan();
    let place = folder();
    let picture = place.path().join("views.png");
    let path = scan.to_str().unwrap();
    let output = statuary(&["inspect", path, "--json", "--picture", picture.to_str().unwrap()]);
    assert!(output.status.success(), "{}", stderr(&output));
    let found: serde_json::Value = serde_json::from_slice(&output.stdout).unwrap();
    let zones: Vec<&str> = found["missing"].as_array().unwrap().iter().map(|z| z["zone"].as_str().unwrap()).collect();
    assert!(zones.contains(&"crown") && zones.contains(&"soles"), "{zones:?}");
    assert!((found["height_mm"].as_f64().unwrap() - 1750.0).abs() < 30.0);
    assert!(fs::read(&picture).unwrap().starts_with(b"\x89PNG"));
    let asked = statuary(&["inspect", path, "--at-least", "good"]);
    assert_eq!(asked.status.code(), Some(8), "{}", stderr(&asked));
    let text = String::from_utf8_lossy(&asked.stdout);
    assert!(text.contains("crown") && text.contains("scan the top of the head"), "{text}");
    let broken = place.path().join("broken.ply");
    fs::write(&broken, "ply\nformat ascii 1.0\n").unwrap();
    assert_eq!(statuary(&["inspect", broken.to_str().unwrap()]).status.code(), Some(4));
    assert_eq!(statuary(&["inspect", path, "--set", "scale.factor=1"]).status.code(), Some(3));
}

/// The solid that `clean` would make, for a look at it in other programs: closed, and in the colours of the scan.
#[test]
fn the_solid_is_written_closed_and_coloured() {
    let folder = folder();
    let file = folder.path().join("solid.ply");
    let output = statuary(&["inspect", &text(&small_scan()), "--solid", &text(&file)]);
    assert!(output.status.success(), "{}", stderr(&output));
    let seen = oracle::ask(&["solid", &text(&file)], "");
    assert!(seen["watertight"] == true && seen["wound"] == true && seen["bodies"] == 1, "{seen}");
    let header = fs::read(&file).unwrap();
    let header = String::from_utf8_lossy(&header[..400]).into_owned();
    assert!(header.contains("property uchar red") && header.contains("property uchar filled"), "{header}");
}
