//! Stage `clean` on built scans with known faults: what comes out is one solid that stands, and the log tells what was done.

use std::collections::BTreeSet;
use std::f64::consts::PI;
use std::sync::Arc;
use std::sync::atomic::AtomicBool;

use glam::DVec3;
use statuary::equipment::{Changer, Equipment, Printer};
use statuary::figure::Figure;
use statuary::finding::{Finding, Severity};
use statuary::mesh::TriMesh;
use statuary::mesh::base::standing_area_mm2;
use statuary::mesh::denoise::roughness_mm;
use statuary::mesh::inspect::inspect;
use statuary::mesh::intersect::self_intersections;
use statuary::mesh::measure::{bounds, volume_mm3};
use statuary::stage::{MemorySink, Settings, StageContext, StageError, TargetSize, Transform};
use statuary::stages::clean::{Clean, WrapWhen};

use crate::mesh_steps::{horseshoe, span_film, throw_out};
use crate::shapes::{revolved, sphere, together, without};

/// What a run of the stage gives.
struct Outcome {
    result: Result<Figure, StageError>,
    findings: Vec<Finding>,
    figures: Vec<(String, f64)>,
}

impl Outcome {
    fn number(&self, name: &str) -> f64 {
        self.figures.iter().find(|(n, _)| n == name).unwrap_or_else(|| panic!("no figure `{name}`")).1
    }

    fn solid(&self) -> &TriMesh {
        &self.result.as_ref().unwrap().whole
    }

    fn says(&self, text: &str) -> bool {
        self.findings.iter().any(|f| f.what.contains(text))
    }
}

fn clean(settings: &Clean, scan: TriMesh, target: TargetSize, cancelled: bool) -> Outcome {
    let printer = Printer {
        name: "quay".to_owned(),
        volume_mm: [250.0, 210.0, 220.0],
        tools: 5,
        changer: Changer::Heads,
        nozzle_mm: 0.4,
        layer_mm: 0.2,
        change_secs: 10.0,
        change_g: 0.2,
        nozzle_max_c: 290.0,
        bed_max_c: 110.0,
        flow_mm3_per_sec: 10.0,
        time_factor: 1.0,
        cost_per_hour: 0.0,
        purge_tower: None,
    };
    let equipment = Equipment { shelf: Vec::new(), printer, helpers: Vec::new() };
    let (mut sink, mut progress) = (MemorySink::default(), |_: f64, _: &str| ());
    let cancel = Arc::new(AtomicBool::new(cancelled));
    let mut ctx = StageContext::new(&equipment, target, &mut sink, cancel, &mut progress);
    let figure = Figure { scan_mesh: Arc::new(scan), ..Figure::default() };
    let result = settings.run(&figure, &mut ctx);
    let (findings, figures) = ctx.into_notes();
    if let Ok(figure) = &result {
        assert_sound(figure);
    }
    Outcome { result, findings, figures }
}

/// The default settings for a figure 100 mm high, which keeps wraps coarse and quick.
fn cleaned(scan: TriMesh) -> Outcome {
    clean(&Clean::default(), scan, TargetSize::HeightMm(100.0), false)
}

/// What every result promises: one solid, nothing crosses, on z = 0, the same mesh as the only part.
fn assert_sound(figure: &Figure) {
    let faults = inspect(&figure.whole);
    assert!(faults.is_solid() && faults.components == 1, "{faults:?}");
    assert_eq!(self_intersections(&figure.whole).len(), 0);
    assert_eq!(bounds(&figure.whole.positions).0.z, 0.0);
    assert!(Arc::ptr_eq(&figure.whole, &figure.parts[0].mesh) && figure.parts.len() == 1);
    assert_eq!(figure.whole.colours.len(), figure.whole.positions.len());
    assert_eq!(figure.whole.origins.len(), figure.whole.triangles.len());
}

fn ball() -> TriMesh {
    sphere(DVec3::new(3.0, 5.0, 250.0), 200.0, 5)
}

const BALL_MM3: f64 = 4.0 / 3.0 * PI * 200.0 * 200.0 * 200.0;

/// A post of radius 60 that widens into a level floor 800 wide, with an open rim all round.
fn post_on_floor(floor: bool) -> TriMesh {
    let mut profile: Vec<(f64, f64)> = (0..=24).map(|i| (2.5 * f64::from(i), 900.0)).collect();
    profile.extend((1..=180).map(|i| (60.0, 900.0 - 5.0 * f64::from(i))));
    if floor {
        profile.extend((1..=68).map(|i| (60.0 + 5.0 * f64::from(i), 0.0)));
    }
    revolved(&profile, 72)
}

#[test]
fn defaults_are_sound_and_the_example_parses() {
    assert_eq!(Clean::default().check(), vec![]);
    let example: Clean = serde_yaml::from_str(Clean::EXAMPLE).unwrap();
    assert_eq!(example.check(), vec![]);
    assert_ne!(example, Clean::default());
}

#[test]
fn senseless_settings_are_named() {
    let wrong = Clean {
        weld_mm: f64::NAN,
        island_distance_mm: -1.0,
        lost_area_max_share: 1.5,
        base_cut_max_share: f64::INFINITY,
        crossing_rounds: 1000,
        edge_target_mm: -0.1,
        denoise: 1.1,
        denoise_max_mm: -0.1,
        ..Clean::default()
    };
    let named: BTreeSet<String> = wrong.check().into_iter().map(|p| p.setting).collect();
    let expected = [
        "base_cut_max_share",
        "crossing_rounds",
        "denoise",
        "denoise_max_mm",
        "edge_target_mm",
        "island_distance_mm",
        "lost_area_max_share",
        "weld_mm",
    ];
    assert_eq!(named, expected.map(str::to_owned).into());
}

#[test]
fn a_ball_is_kept_and_gets_a_foot() {
    let done = cleaned(ball());
    let wanted = 60.0 * (400.0 / 100.0) * (400.0 / 100.0) - 1.0;
    assert!(done.number("standing_area_mm2") >= wanted, "{}", done.number("standing_area_mm2"));
    assert!(done.number("base_rise_mm") <= 0.03 * 400.0 + 0.01);
    assert_eq!((done.number("wrapped"), done.number("holes_filled")), (0.0, 0.0));
    assert!((volume_mm3(done.solid()) / BALL_MM3 - 1.0).abs() < 0.01);
    assert!(done.findings.is_empty(), "{:?}", done.findings);
}

#[test]
fn a_damaged_ball_is_mended_and_every_damage_counted() {
    let crown = DVec3::new(3.0, 5.0, 450.0);
    let mut scan = without(ball(), |c| c.distance(crown) < 60.0 || c.distance(DVec3::new(203.0, 5.0, 250.0)) < 9.0);
    for t in (0..scan.triangles.len()).step_by(7) {
        scan.triangles[t].swap(0, 1);
    }
    for t in 100..140 {
        scan.triangles.push(scan.triangles[t]);
    }
    scan.triangles.push([5, 5, 9]);
    scan.origins.resize(scan.triangles.len(), scan.origins[0]);
    let scan = together(scan, &sphere(DVec3::new(400.0, 0.0, 300.0), 6.0, 1));
    let scan = together(scan, &sphere(DVec3::new(-350.0, 0.0, 120.0), 80.0, 2));
    let done = cleaned(scan);
    assert_eq!((done.number("duplicate_faces_removed"), done.number("triangles_without_area")), (40.0, 1.0));
    assert_eq!((done.number("components_before"), done.number("islands_removed")), (3.0, 2.0));
    assert_eq!((done.number("holes_filled"), done.number("wrapped")), (2.0, 0.0));
    assert!(done.number("triangles_turned") > 1000.0);
    assert!((volume_mm3(done.solid()) / BALL_MM3 - 1.0).abs() < 0.01);
    let hole = done.findings.iter().find(|f| f.what.starts_with("open surface closed")).unwrap();
    assert_eq!((hole.severity, hole.place.as_str()), (Severity::Warning, "crown, at 100 % of the height"));
    assert!(hole.hint.contains("top of the head"));
    assert!(done.says("does not touch the body") && done.says("2 loose pieces dropped"));
}

/// Two balls that overlap become their union: 2 V - lens, lens = pi (4 r + d) (2 r - d)^2 / 12.
#[test]
fn overlapping_pieces_become_one() {
    let (r, d) = (200.0, 250.0);
    let done = cleaned(together(ball(), &sphere(DVec3::new(3.0, 5.0, 250.0 + d), r, 5)));
    assert_eq!((done.number("pieces_joined"), done.number("wrapped")), (1.0, 0.0));
    assert!(done.number("wrap_regions") >= 1.0 && done.number("wrapped_share") < 0.2);
    let lens = PI * (4.0 * r + d) * (2.0 * r - d) * (2.0 * r - d) / 12.0;
    let share = volume_mm3(done.solid()) / (2.0 * BALL_MM3 - lens);
    assert!((share - 1.0).abs() < 0.015, "{share}");
    assert!(done.says("separate pieces joined") && done.says("separate pieces are joined"));
}

#[test]
fn a_piece_a_hair_away_is_joined_and_what_touches_it_too() {
    let near = sphere(DVec3::new(3.0, 5.0, 250.0 + 200.2 + 100.0), 100.0, 4);
    let chained = sphere(DVec3::new(3.0, 5.0, 250.0 + 400.4 + 50.0), 50.0, 4);
    let done = cleaned(together(together(ball(), &near), &chained));
    assert_eq!((done.number("pieces_joined"), done.number("wrap_dropped_mm2")), (2.0, 0.0));
    assert!(bounds(&done.solid().positions).1.z > 490.0);
}

/// The piece a hair away is half as wide as the ball: 875 mm, were that 1750 mm high.
#[test]
fn small_pieces_can_be_ruled_out_by_size() {
    let scan = || together(ball(), &sphere(DVec3::new(3.0, 5.0, 250.0 + 200.2 + 100.0), 100.0, 4));
    for (least_mm, joined) in [(870.0, 1.0), (880.0, 0.0)] {
        let settings = Clean { island_size_mm: least_mm, ..Clean::default() };
        let done = clean(&settings, scan(), TargetSize::HeightMm(100.0), false);
        assert_eq!((done.number("pieces_joined"), done.number("islands_removed")), (joined, 1.0 - joined));
    }
}

/// Films before and behind the gap of a horseshoe hang on its skin; without them it is what it was.
#[test]
fn membranes_are_taken_out_and_told_of_unless_kept() {
    let mut scan = horseshoe();
    let plain = clean(&Clean::default(), scan.clone(), TargetSize::HeightMm(100.0), false);
    assert_eq!((plain.number("membranes_removed"), plain.number("wrapped")), (0.0, 0.0));
    span_film(&mut scan, 3);
    span_film(&mut scan, 29);
    let done = clean(&Clean::default(), scan.clone(), TargetSize::HeightMm(100.0), false);
    assert_eq!((done.number("membranes_removed"), done.number("non_manifold_edges_cut")), (2.0, 0.0));
    assert_eq!(done.solid(), plain.solid());
    let told = done.findings.iter().find(|f| f.what.contains("membrane")).unwrap();
    assert_eq!((told.severity, told.place.as_str()), (Severity::Warning, "lower legs, at 21 % of the height"));
    let kept = Clean { membranes_removed: false, ..Clean::default() };
    let kept = clean(&kept, scan, TargetSize::HeightMm(100.0), false);
    assert!(kept.number("membranes_removed") == 0.0 && kept.number("non_manifold_edges_cut") > 0.0);
}

#[test]
fn a_spike_of_several_vertices_is_cut_out_and_closed() {
    let mut scan = ball();
    throw_out(&mut scan, 4444, DVec3::new(3.0, 5.0, 250.0));
    let done = cleaned(scan.clone());
    assert_eq!((done.number("spikes_removed"), done.number("spikes_pulled")), (1.0, 0.0));
    assert_eq!((done.number("holes_filled"), done.number("wrapped")), (1.0, 0.0));
    assert!((volume_mm3(done.solid()) / BALL_MM3 - 1.0).abs() < 0.01);
    let kept = clean(&Clean { spikes_pulled: false, ..Clean::default() }, scan, TargetSize::HeightMm(100.0), false);
    assert_eq!(kept.number("spikes_removed"), 0.0);
}

/// Each step begins with the counts the one before ended with.
#[test]
fn every_step_is_logged_with_counts_before_and_after() {
    let mut scan = without(ball(), |c| c.z > 440.0);
    scan.triangles.push(scan.triangles[7]);
    let [a, b, _] = scan.triangles[500];
    scan.triangles.push([a, b, scan.positions.len() as u32]);
    scan.positions.push(scan.positions[a as usize] * 1.01);
    scan.colours.push(scan.colours[0]);
    scan.origins.resize(scan.triangles.len(), scan.origins[0]);
    let scan = together(scan, &sphere(DVec3::new(400.0, 0.0, 300.0), 6.0, 1));
    let triangles = scan.triangles.len() as f64;
    let done = cleaned(scan);
    let steps = ["weld", "degenerate", "junctions", "membranes", "cut", "stitch", "spikes", "islands"];
    let counts = ["triangles", "vertices", "open_edges", "crowded_edges"];
    for (pair, count) in steps.windows(2).flat_map(|pair| counts.map(|count| (pair, count))) {
        let after = done.number(&format!("{}_{count}_after", pair[0]));
        assert_eq!(after, done.number(&format!("{}_{count}_before", pair[1])), "{pair:?}, {count}");
    }
    assert_eq!(done.number("weld_triangles_before"), triangles);
    assert_eq!(done.number("degenerate_triangles_after"), triangles - 1.0);
    assert_eq!(done.number("islands_triangles_after"), triangles - 2.0 - 80.0);
    assert_eq!((done.number("cut_crowded_edges_before"), done.number("cut_crowded_edges_after")), (1.0, 0.0));
    assert_eq!((done.number("components_before"), done.number("components_after")), (3.0, 1.0));
}

#[test]
fn wrapping_can_be_ruled_out_and_asked_for() {
    let never = Clean { wrap: WrapWhen::Never, ..Clean::default() };
    let scan = together(ball(), &sphere(DVec3::new(3.0, 5.0, 500.0), 200.0, 4));
    let error = clean(&never, scan, TargetSize::Unknown, false).result.unwrap_err();
    assert!(error.to_string().contains("separate pieces") && error.hint().contains("wrap: auto"), "{error}");
    let always = Clean { wrap: WrapWhen::Always, wrap_voxel_mm: 2.0, ..Clean::default() };
    let done = clean(&always, ball(), TargetSize::HeightMm(200.0), false);
    assert_eq!((done.number("wrapped"), done.number("wrap_voxel_mm")), (1.0, 4.0));
    assert!((volume_mm3(done.solid()) / BALL_MM3 - 1.0).abs() < 0.01);
}

#[test]
fn a_second_layer_is_dropped_and_told_of() {
    let patch = without(sphere(DVec3::new(3.0, 5.0, 250.0), 200.0, 5), |c| c.x < 120.0);
    let mut moved = patch;
    moved.positions.iter_mut().for_each(|p| *p += DVec3::new(0.4, 1.5, 1.0));
    let done = cleaned(together(ball(), &moved));
    assert!(done.number("second_layer_removed_mm2") > 10_000.0);
    assert_eq!(done.number("wrapped"), 0.0);
    assert!(done.says("second layer"));
}

#[test]
fn a_floor_that_hangs_together_with_the_feet_goes() {
    let done = cleaned(post_on_floor(true));
    let floor_mm2 = PI * (400.0 * 400.0 - 60.0 * 60.0);
    assert!((done.number("attached_floor_removed_mm2") / floor_mm2 - 1.0).abs() < 0.02);
    let (low, high) = bounds(&done.solid().positions);
    assert!(high.x - low.x < 122.0 && high.z > 890.0, "{low} {high}");
    assert!(done.says("floor around the feet removed"));
}

#[test]
fn open_soles_are_closed_flat() {
    let done = cleaned(post_on_floor(false));
    assert_eq!((done.number("soles_closed"), done.number("base_rise_mm")), (1.0, 0.0));
    let disc_mm2 = 72.0 / 2.0 * 60.0 * 60.0 * (2.0 * PI / 72.0).sin();
    assert!((done.number("standing_area_mm2") - disc_mm2).abs() < 1.0);
}

#[test]
fn shreds_are_wrapped_together() {
    let mut number = 7_u32;
    let mut is_gone = |_| {
        number = number.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
        number >> 16 < 24_000
    };
    let mut scan = sphere(DVec3::new(3.0, 5.0, 250.0), 200.0, 6);
    scan.triangles.retain(|t| !is_gone(t[0]));
    scan.origins.truncate(scan.triangles.len());
    let done = cleaned(scan);
    assert!(done.number("components_before") > 200.0 && done.says("in shreds"));
    assert!((volume_mm3(done.solid()) / BALL_MM3 - 1.0).abs() < 0.03, "{}", volume_mm3(done.solid()) / BALL_MM3);
}

/// A ball 400 high becomes a figure of 100: edges below 2 mm there are below 8 mm here, and 0.05 mm are 0.2 mm.
#[test]
fn short_edges_are_joined_last_and_the_foot_stays_flat() {
    let fine = || sphere(DVec3::new(3.0, 5.0, 250.0), 200.0, 6);
    for wrap in [WrapWhen::Never, WrapWhen::Always] {
        let all = Clean { wrap, ..Clean::default() };
        let few = Clean { edge_target_mm: 2.0, ..all.clone() };
        let [kept, joined] = [all, few].map(|settings| clean(&settings, fine(), TargetSize::HeightMm(100.0), false));
        assert!(kept.figures.iter().all(|(name, _)| name != "triangles_decimated_from"));
        assert_eq!(joined.number("triangles_decimated_from"), kept.number("triangles"));
        assert!(joined.number("triangles") < 0.7 * kept.number("triangles"), "{}", joined.number("triangles"));
        assert!((0.001..0.2).contains(&joined.number("decimate_error_max_mm")));
        let [foot_kept, foot_joined] = [&kept, &joined].map(|done| standing_area_mm2(done.solid(), 0.0));
        assert!(foot_kept > 500.0 && (foot_joined / foot_kept - 1.0).abs() < 1e-9, "{foot_kept} {foot_joined}");
    }
}

/// A can of radius 60 with open soles and grain of 0.2 mm on its wall: mended and wrapped, grain goes and the foot stays.
#[test]
fn noise_is_smoothed_and_the_foot_stays_flat() {
    let mut can = post_on_floor(false);
    let mut state = 9_u32;
    for p in can.positions.iter_mut().filter(|p| p.z < 895.0) {
        state = state.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
        let grain = 0.4 * (f64::from(state >> 8) / f64::from(1 << 24) - 0.5) * 3.0_f64.sqrt();
        *p += grain * DVec3::new(p.x, p.y, 0.0) / 60.0;
    }
    let wall_rms = |solid: &TriMesh| {
        let wall = solid.positions.iter().filter(|p| p.z > 30.0 && p.z < 800.0);
        let (sum, n) = wall.fold((0.0, 0.0), |(sum, n), p| (sum + (p.truncate().length() - 60.0).powi(2), n + 1.0));
        f64::sqrt(sum / n)
    };
    let grain = |solid: &TriMesh| roughness_mm(solid).iter().sum::<f64>() / solid.positions.len() as f64;
    for wrap in [WrapWhen::Never, WrapWhen::Always] {
        let rough = Clean { wrap, wrap_voxel_mm: 2.0, denoise: 0.0, ..Clean::default() };
        let smooth = Clean { denoise: 1.0, denoise_max_mm: 0.8, ..rough.clone() };
        let [rough, smooth] = [rough, smooth].map(|s| clean(&s, can.clone(), TargetSize::Factor(1.0), false));
        // A wrap has taken up the grain as waves longer than its triangles, too fine to be smoothed in full, and its foot is
        // cut after smoothing; the mended wall must get truer and keep the foot it has.
        let is_mended = wrap == WrapWhen::Never;
        let (truer, finer, foot) = if is_mended { (0.7, 0.5, 1e-9) } else { (1.05, 1.0, 0.01) };
        assert!(wall_rms(smooth.solid()) < truer * wall_rms(rough.solid()), "{}", wall_rms(smooth.solid()));
        assert!(grain(smooth.solid()) < finer * grain(rough.solid()), "{}", grain(smooth.solid()));
        let area = |done: &Outcome| done.number("standing_area_mm2");
        assert!((area(&smooth) / area(&rough) - 1.0).abs() < foot, "{} {}", area(&smooth), area(&rough));
        let most = 0.8 * 900.0 / 1750.0 * 1.01;
        assert!((0.05..=most).contains(&smooth.number("denoise_max_mm_moved")));
        assert!(smooth.number("denoise_rms_mm") > 0.0 && smooth.says("noise smoothed"));
        assert!(!rough.says("noise smoothed"));
    }
}

#[test]
fn what_holds_no_volume_is_refused() {
    let sheet = TriMesh::from_shape(vec![DVec3::ZERO, DVec3::X, DVec3::Z], vec![[0, 1, 2]]);
    for scan in [TriMesh::default(), sheet] {
        let error = cleaned(scan).result.unwrap_err();
        assert!(matches!(error, StageError::Scan { .. }), "{error}");
        assert!(!error.hint().is_empty());
    }
}

#[test]
fn a_cancelled_run_stops() {
    let done = clean(&Clean::default(), ball(), TargetSize::Unknown, true);
    assert!(matches!(done.result, Err(StageError::Cancelled)));
}

#[test]
fn any_number_of_threads_gives_the_same_solid() {
    let scan = || {
        let holed = without(ball(), |c| c.z > 420.0 || c.distance(DVec3::new(203.0, 5.0, 250.0)) < 30.0);
        together(holed, &sphere(DVec3::new(3.0, 5.0, 380.0), 110.0, 4))
    };
    let run = |threads: usize| {
        let pool = rayon::ThreadPoolBuilder::new().num_threads(threads).build().unwrap();
        pool.install(|| cleaned(scan()).solid().clone())
    };
    let (one, three) = (run(1), run(3));
    assert!(one == three);
}
