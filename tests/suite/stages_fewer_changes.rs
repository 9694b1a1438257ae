//! `fewer-changes` on columns whose tool changes can be counted by hand.

use std::sync::Arc;

use glam::{DVec2, DVec3};
use statuary::colour::spaces;
use statuary::figure::Figure;
use statuary::mesh::TriMesh;
use statuary::stages::estimate::Estimate;
use statuary::stages::fewer_changes::FewerChanges;

use crate::bodies::{Outcome, as_it_lies, equipment, figure, filaments, labelled, part, prism, run, together};

const NAVY: &str = "#20304A";
const WHITE: &str = "#EDEBE2";
const RED: &str = "#A02020";

/// A column 40 mm wide and 60 mm high, in bands of 1 mm.
fn column(middle: DVec2) -> TriMesh {
    let corner = |i: u32| middle + 20.0 * DVec2::from_angle(std::f64::consts::TAU * f64::from(i) / 32.0);
    let outline: Vec<DVec2> = (0..32).map(corner).collect();
    let heights: Vec<f64> = (0..=60).map(f64::from).collect();
    prism(&outline, &heights)
}

/// A figure of one part with labels by place, its surface coloured as its filaments but for a shade.
fn coloured(mesh: TriMesh, label: impl Fn(DVec3) -> u8) -> Figure {
    let mut part = labelled(as_it_lies(part(1, mesh)), label);
    let colours = [NAVY, WHITE, RED].map(|hex| spaces::linear_of_bytes(spaces::parse_hex(hex).unwrap()));
    let labels = part.labels.clone().unwrap();
    let mut mesh = part.mesh.as_ref().clone();
    // What is not of the first filament comes last, so that thin bands have their colour at all their corners.
    let mut order: Vec<usize> = (0..labels.len()).collect();
    order.sort_by_key(|t| labels[*t] > 0);
    for (t, v) in order.iter().flat_map(|t| mesh.triangles[*t].map(|v| (*t, v as usize))) {
        mesh.colours[v] = colours[usize::from(labels[t])];
    }
    part.mesh = Arc::new(mesh);
    let mut whole = figure(vec![part]);
    whole.palette = filaments(&[("Harbour Navy", NAVY), ("Sail White", WHITE), ("Buoy Red", RED)]);
    whole
}

/// Red bands, 1 mm high, at heights 20 and 40.
fn banded() -> Figure {
    coloured(column(DVec2::ZERO), |p| if (p.z - 20.5).abs() < 0.5 || (p.z - 40.5).abs() < 0.5 { 2 } else { 0 })
}

fn fewer(settings: &FewerChanges, figure: &Figure) -> Outcome {
    run(settings, figure, &equipment()).unwrap()
}

fn at_most(changes: usize) -> FewerChanges {
    FewerChanges { changes_max: Some(changes), de_mean_max_rise: 100.0, ..FewerChanges::default() }
}

fn curve(outcome: &Outcome) -> Vec<usize> {
    outcome.figure.colour_trade.as_ref().unwrap().points.iter().map(|point| point.changes).collect()
}

/// The count that `estimate` comes to.
fn estimated(figure: &Figure) -> f64 {
    run(&Estimate::default(), figure, &equipment()).unwrap().number("tool_changes")
}

/// A band of five layers: five changes within its layers, as the core goes on behind it, and one back after them.
#[test]
fn bands_go_one_after_the_other() {
    let whole = banded();
    let all = fewer(&FewerChanges { hour_worth: Some(0.0), ..FewerChanges::default() }, &whole);
    assert_eq!(curve(&all), [12, 6, 0]);
    for (most, left) in [(12, 12), (11, 6), (6, 6), (5, 0), (0, 0)] {
        let outcome = fewer(&at_most(most), &whole);
        assert_eq!(outcome.number("tool_changes_after") as usize, left, "{most}");
        assert_eq!(estimated(&outcome.figure) as usize, left, "{most}");
    }
}

/// Of a pair of sleeves in the same layers one alone saves nothing: they go together.
#[test]
fn what_lies_in_the_same_layers_goes_together() {
    let bodies = [-60.0, 0.0, 60.0].map(|x| column(DVec2::new(x, 0.0)));
    let sleeve = |p: DVec3| p.x.abs() > 30.0 && (30.0..35.0).contains(&p.z);
    let whole = coloured(together(&bodies), |p| if sleeve(p) { 2 } else { 0 });
    let all = fewer(&FewerChanges { trim_min_mm2: 0.0, ..at_most(0) }, &whole);
    assert_eq!(curve(&all), [26, 0]);
    assert_eq!(all.figure.palette.len(), 1, "the red filament is no longer used");
    assert!(all.figure.parts[0].labels.as_ref().unwrap().iter().all(|label| *label == 0));
}

/// Truer colours cost more changes, point by point, and the mean difference is the one logged.
#[test]
fn the_curve_rises_and_starts_with_nothing_given_up() {
    let label = |p: DVec3| match (p.z / 4.0) as u32 {
        3 | 9 => 1,
        5 | 6 | 12 => 2,
        _ => u8::from(p.x > 15.0 && p.z > 30.0),
    };
    let outcome = fewer(&FewerChanges::default(), &coloured(column(DVec2::ZERO), label));
    let trade = outcome.figure.colour_trade.as_ref().unwrap();
    assert!(trade.points.len() > 3, "{:?}", trade.points);
    assert!((trade.points[0].given_up_mm2).abs() < 1e-12);
    for pair in trade.points.windows(2) {
        assert!(pair[1].changes < pair[0].changes && pair[1].de_mean > pair[0].de_mean, "{pair:?}");
    }
    assert_eq!(trade.points.last().unwrap().changes, 0);
    let taken = &trade.points[trade.chosen];
    assert!((outcome.number("de_evened_mean_after") - taken.de_mean).abs() < 1e-12);
    assert_eq!(outcome.number("tool_changes_after") as usize, taken.changes);
}

#[test]
fn worth_nothing_every_label_stays() {
    let whole = banded();
    let outcome = fewer(&FewerChanges { hour_worth: Some(0.0), ..FewerChanges::default() }, &whole);
    assert_eq!(outcome.figure.parts, whole.parts);
    assert_eq!(outcome.figure.palette, whole.palette);
    assert!(outcome.told("are saved").is_none());
}

/// Two bands of 126 mm2 each in a body of 10 052 mm2: the mean difference may not rise by as much as they cost.
#[test]
fn the_mean_difference_keeps_its_limit() {
    let whole = banded();
    let free = fewer(&at_most(0), &whole);
    let rise = free.number("de_evened_mean_after") - free.number("de_evened_mean_before");
    assert!(rise > 0.3, "{rise}");
    let bound = FewerChanges { de_mean_max_rise: 0.6 * rise, ..at_most(0) };
    let outcome = fewer(&bound, &whole);
    assert_eq!(outcome.number("tool_changes_after") as usize, 6);
    let none = FewerChanges { de_mean_max_rise: 0.4 * rise, ..at_most(0) };
    assert_eq!(fewer(&none, &whole).number("tool_changes_after") as usize, 12);
}

/// A price above what a band costs gives it up, one below keeps it.
#[test]
fn an_hour_is_worth_what_is_said() {
    let whole = banded();
    let free = fewer(&at_most(0), &whole);
    let rise = free.number("de_evened_mean_after") - free.number("de_evened_mean_before");
    let area_mm2: f64 = free.figure.parts[0]
        .mesh
        .origins
        .iter()
        .enumerate()
        .map(|(t, _)| 0.5 * free.figure.parts[0].mesh.area_vector(t).length())
        .sum();
    let hours = 12.0 * equipment().printer.change_secs / 3600.0;
    let even = rise * area_mm2 / 100.0 / hours;
    let at = |share: f64| FewerChanges {
        hour_worth: Some(share * even),
        de_mean_max_rise: 100.0,
        ..FewerChanges::default()
    };
    assert_eq!(fewer(&at(0.8), &whole).number("tool_changes_after") as usize, 12);
    assert_eq!(fewer(&at(1.3), &whole).number("tool_changes_after") as usize, 0);
}

#[test]
fn any_number_of_threads_gives_the_same_labels() {
    let label = |p: DVec3| ((p.z * 0.37).sin() * 1.4 + (p.x * 0.2).cos()).abs() as u8;
    let whole = coloured(column(DVec2::ZERO), label);
    let with = |threads: usize| {
        let pool = rayon::ThreadPoolBuilder::new().num_threads(threads).build().unwrap();
        let outcome = pool.install(|| fewer(&at_most(40), &whole));
        (outcome.figure, outcome.numbers)
    };
    assert_eq!(with(1), with(2));
}

#[test]
fn a_figure_without_filaments_is_told_of() {
    let bare = figure(vec![as_it_lies(part(1, column(DVec2::ZERO)))]);
    let error = run(&FewerChanges::default(), &bare, &equipment()).unwrap_err();
    assert!(error.hint().contains("colour-reduce"), "{error}");
}

/// A red tongue, 10 mm long, hangs from a red top: it goes along a level border, and the top stays.
#[test]
fn a_tongue_is_cut_off_level() {
    let red = |p: DVec3| p.z > 45.0 || (p.x > 18.0 && p.z > 35.0);
    let whole = coloured(column(DVec2::ZERO), |p| if red(p) { 2 } else { 0 });
    let before = estimated(&whole);
    let uncut = fewer(&FewerChanges { trim_min_mm2: 0.0, ..at_most(80) }, &whole);
    assert_eq!(uncut.number("tool_changes_after") as usize, 0, "without cutting it is all or nothing");
    let outcome = fewer(&at_most(80), &whole);
    assert!((before - estimated(&outcome.figure) - 50.0).abs() < 3.0, "{before} {}", estimated(&outcome.figure));
    assert_eq!(outcome.number("tool_changes_after"), estimated(&outcome.figure));
    let (mesh, labels) = (&outcome.figure.parts[0].mesh, outcome.figure.parts[0].labels.as_ref().unwrap());
    let lowest_red = |t: usize| mesh.corners(t).into_iter().map(|p| p.z).fold(f64::INFINITY, f64::min);
    let lowest = (0..labels.len()).filter(|t| labels[*t] == 1).map(lowest_red).fold(f64::INFINITY, f64::min);
    assert!((43.0..=47.0).contains(&lowest), "{lowest}");
    assert!(statuary::mesh::inspect::inspect(mesh).is_solid());
}
