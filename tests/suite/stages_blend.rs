//! `blend` on a column of a tone between its two filaments.

use glam::{DVec2, DVec3};
use statuary::colour::mix::mixed;
use statuary::colour::spaces::{linear_of_bytes, parse_hex};
use statuary::figure::Figure;
use statuary::mesh::inspect::inspect;
use statuary::mesh::measure::volume_mm3;
use statuary::mesh::solids::{InLevel, split_in_level};
use statuary::stages::blend::Blend;
use statuary::stages::estimate::Estimate;

use crate::bodies::{Outcome, as_it_lies, equipment, figure, filaments, labelled, part, prism, run};

const WHITE: &str = "#EDEBE2";
const BROWN: &str = "#5B3B2A";

/// A column, narrower at the top, of one part white and one part brown, printed in white.
fn column() -> Figure {
    let corner = |i: u32| 20.0 * DVec2::from_angle(std::f64::consts::TAU * f64::from(i) / 32.0);
    let heights: Vec<f64> = (0..=20).map(|i| 3.0 * f64::from(i)).collect();
    let mut mesh = prism(&(0..32).map(corner).collect::<Vec<_>>(), &heights);
    for p in &mut mesh.positions {
        *p = (*p * DVec3::new(1.0 - 0.004 * p.z, 1.0 - 0.004 * p.z, 1.0)).map(statuary::units::snap_mm);
    }
    let [white, brown] = [WHITE, BROWN].map(|hex| linear_of_bytes(parse_hex(hex).unwrap()));
    mesh.colours.fill(mixed(&[(white, 0.5), (brown, 0.5)], 1.0));
    let mut whole = figure(vec![labelled(as_it_lies(part(1, mesh)), |_| 0)]);
    whole.palette = filaments(&[("Sail White", WHITE), ("Rope Brown", BROWN)]);
    whole
}

fn blended(viewing_mm: f64) -> Outcome {
    run(&Blend { viewing_mm: Some(viewing_mm), layer_mm: 0.2, ..Blend::default() }, &column(), &equipment()).unwrap()
}

/// Seen from 1 m, two bands of .29 mm melt at most: one layer of .2 mm each.
#[test]
fn a_tone_between_two_filaments_becomes_bands_of_both() {
    let before = column();
    let outcome = blended(1000.0);
    let blend = outcome.figure.blend.as_ref().unwrap();
    assert_eq!(blend.tones.len(), 1);
    assert_eq!(blend.tones[0].bands, [(0, 1), (1, 1)]);
    assert!((blend.tones[0].band_mm - 0.2).abs() < 1e-9);
    assert!(blend.tones[0].distance < 0.1 && blend.tones[0].distance_before > 10.0, "{:?}", blend.tones[0]);

    let part = &outcome.figure.parts[0];
    assert!(inspect(&part.mesh).is_solid());
    assert!((volume_mm3(&part.mesh) / volume_mm3(&before.parts[0].mesh) - 1.0).abs() < 1e-6);
    let labels = part.labels.as_ref().unwrap();
    let mut brown_mm2 = [0.0, 0.0];
    for (t, banded) in outcome.figure.banded(0).iter().enumerate() {
        let z = part.mesh.corners(t).map(|p| part.pose.unwrap().to_bed(p).z);
        let middle = (z[0] + z[1] + z[2]) / 3.0;
        let level = part.mesh.area_vector(t).normalize().z.abs() > 0.99;
        assert_eq!(*banded, !level);
        if !level {
            let band = (middle / 0.2).floor();
            assert!(z.iter().all(|z| (0.2 * band - 0.021..=0.2 * (band + 1.0) + 0.021).contains(z)), "{z:?}");
            assert_eq!(usize::from(labels[t]), band as usize % 2);
            brown_mm2[usize::from(labels[t])] += part.mesh.area_vector(t).length();
        }
    }
    assert!((brown_mm2[0] / brown_mm2[1] - 1.0).abs() < 0.01, "as much of one as of the other");
}

/// Every second layer needs brown beside the white core: to brown, and back for the layer above, where white is all there is.
#[test]
fn each_band_costs_the_changes_of_its_layers_and_no_more() {
    let outcome = blended(1000.0);
    let estimated = run(&Estimate { layer_mm: 0.2, ..Estimate::default() }, &outcome.figure, &equipment()).unwrap();
    let layers = 300.0;
    assert!((estimated.number("tool_changes") - layers).abs() <= 2.0, "{}", estimated.number("tool_changes"));
}

/// What is behind a band stays in its layers, so the solids of both filaments are stacks of rings and a core.
#[test]
fn shells_of_bands_go_straight_in() {
    let outcome = blended(1000.0);
    let part = &outcome.figure.parts[0];
    let banded = outcome.figure.banded(0);
    let level = InLevel { up: DVec3::Z, triangles: &banded };
    let found = split_in_level(&part.mesh, part.labels.as_ref().unwrap(), &[1.2, 1.2], level).unwrap();
    assert_eq!((found.crossing, found.folded), (0, 0));
    let volumes: Vec<f64> = found
        .solids
        .iter()
        .map(|s| volume_mm3(&statuary::mesh::TriMesh::from_shape(s.positions.clone(), s.triangles.clone())))
        .collect();
    assert!((volumes.iter().sum::<f64>() / volume_mm3(&part.mesh) - 1.0).abs() < 1e-9);
    let rings = found.solids.iter().find(|solid| solid.label != found.base).unwrap();
    for t in &rings.triangles {
        let z = t.map(|v| rings.positions[v as usize].z);
        let (low, high) = (z[0].min(z[1]).min(z[2]), z[0].max(z[1]).max(z[2]));
        assert!(high - low < 0.2 + 0.05, "{low} to {high}");
    }
}

#[test]
fn what_would_be_seen_is_not_blended() {
    let outcome = blended(500.0);
    assert_eq!(outcome.figure.blend, None);
    assert_eq!(outcome.figure.parts, column().parts);
    assert!(
        outcome.findings.iter().any(|finding| finding.what.contains("would be seen from 0.5 m")),
        "{:?}",
        outcome.findings
    );
}

/// From 3 m bands may be several layers high, and so cost fewer changes.
#[test]
fn bands_are_as_high_as_they_may_be() {
    let near = blended(1000.0);
    let far = blended(3000.0);
    let [near, far] = [&near, &far].map(|o| o.figure.blend.as_ref().unwrap().tones[0].band_mm);
    assert!((near - 0.2).abs() < 1e-9 && (far - 0.8).abs() < 1e-9, "{near} {far}");
}

#[test]
fn threads_make_no_difference() {
    let on = |threads: usize| {
        let pool = rayon::ThreadPoolBuilder::new().num_threads(threads).build().unwrap();
        pool.install(|| blended(1000.0).figure)
    };
    let (one, two) = (on(1), on(2));
    assert_eq!(one.parts, two.parts);
    assert_eq!(one.blend, two.blend);
}
