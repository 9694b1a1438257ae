//! `estimate` against published and hand-computed values.

use glam::DVec3;
use statuary::figure::{Figure, PartEstimate};
use statuary::finding::Severity;
use statuary::mesh::TriMesh;
use statuary::stage::Transform;
use statuary::stages::estimate::Estimate;

use crate::bodies::{
    Outcome, as_it_lies, block, cylinder, equipment, figure, filament, labelled, part, prism, run, sphere,
    standing_block, together,
};

fn estimate(settings: &Estimate, figure: &Figure) -> Outcome {
    run(settings, figure, &equipment()).unwrap()
}

fn of_mesh(settings: &Estimate, mesh: TriMesh, line_mm: f64, layer_mm: f64) -> PartEstimate {
    let mut own = equipment();
    own.printer.nozzle_mm = line_mm / 1.1;
    own.printer.layer_mm = layer_mm;
    let outcome = run(settings, &figure(vec![as_it_lies(part(1, mesh))]), &own).unwrap();
    outcome.figure.parts[0].estimate.clone().unwrap()
}

/// A cube with a closed shell of 1.2 mm and 15 % inside: 100^3 - 0.85 * 97.6^3 = 209,742.95 mm3.
#[test]
fn a_hollow_cube_takes_its_shell_and_infill() {
    let settings = Estimate { infill_share: 0.15, top_bottom_layers: 6, ..Estimate::default() };
    let cube = of_mesh(&settings, standing_block(DVec3::splat(100.0)), 0.4, 0.2);
    let mm3 = cube.mass_g / 1.24 * 1000.0;
    assert!((mm3 / 209_742.95 - 1.0).abs() < 2e-5, "{mm3}");
    assert!((cube.mass_g - 260.08).abs() < 0.01, "{}", cube.mass_g);
    assert_eq!((cube.layers, cube.tool_changes), (500, 0));
    assert!((cube.volume_mm3 - 1e6).abs() < 1e-3);
}

/// A sphere of radius 50 with a shell of 1.35 mm and 15 % inside holds 113,625 mm3; the stage promises half a percent.
#[test]
fn a_hollow_sphere_is_right_within_half_a_percent() {
    let settings = Estimate { infill_share: 0.15, top_bottom_layers: 9, ..Estimate::default() };
    let ball = of_mesh(&settings, sphere(DVec3::new(0.0, 0.0, 50.0), 50.0, 6), 0.45, 0.15);
    let mm3 = ball.mass_g / 1.24 * 1000.0;
    assert!((mm3 / 113_625.0 - 1.0).abs() < 0.005, "{mm3}");
}

#[test]
fn a_solid_body_weighs_its_volume() {
    let settings = Estimate { infill_share: 1.0, ..Estimate::default() };
    let tube = of_mesh(&settings, cylinder(20.0, 40.0, 256), 0.44, 0.2);
    assert!((tube.mass_g / (tube.volume_mm3 * 1.24e-3) - 1.0).abs() < 1e-9);
}

/// A wall thinner than all its lines is solid whatever the infill.
#[test]
fn thin_walls_have_no_infill() {
    let settings = Estimate { infill_share: 0.0, ..Estimate::default() };
    let plate = of_mesh(&settings, standing_block(DVec3::new(60.0, 2.4, 30.0)), 0.44, 0.2);
    assert!((plate.mass_g / (60.0 * 2.4 * 30.0 * 1.24e-3) - 1.0).abs() < 1e-6, "{}", plate.mass_g);
}

/// A lid hidden between two even stretches: its sudden change of section has to be looked at.
#[test]
fn a_thin_lid_between_samples_is_not_missed() {
    let settings = Estimate { infill_share: 0.0, ..Estimate::default() };
    let low = standing_block(DVec3::new(20.0, 20.0, 77.0));
    let lid = block(DVec3::new(-50.0, -50.0, 77.1), DVec3::new(50.0, 50.0, 78.1));
    let both = of_mesh(&settings, together(&[low.clone(), lid]), 0.44, 0.2).mass_g;
    let without = of_mesh(&settings, low, 0.44, 0.2).mass_g;
    assert!(((both - without) / (100.0 * 100.0 * 1.0 * 1.24e-3) - 1.0).abs() < 0.03, "{}", both - without);
}

/// Mid-layer presence by plain comparison, labels by the heights their triangles span.
fn changes_by_plain_counting(mesh: &TriMesh, labels: &[u8], layer_mm: f64) -> usize {
    let top = mesh.positions.iter().fold(0.0, |top: f64, p| top.max(p.z));
    let layers = (top / layer_mm).ceil() as usize;
    let sets = (0..layers).map(|i| {
        let z = (i as f64 + 0.5) * layer_mm;
        let crosses = |t: &[u32; 3]| {
            let heights = t.map(|v| mesh.positions[v as usize].z);
            heights.iter().any(|h| *h < z) && heights.iter().any(|h| *h >= z)
        };
        mesh.triangles.iter().zip(labels).filter(|(t, _)| crosses(t)).fold(0_u64, |set, (_, l)| set | 1 << l)
    });
    let sets: Vec<u64> = sets.filter(|set| *set != 0).collect();
    statuary::mesh::label_layers::fewest_changes(&sets).count
}

#[test]
fn tool_changes_agree_with_plain_counting_over_layers() {
    let mesh = sphere(DVec3::new(0.0, 0.0, 30.0), 30.0, 5);
    let part = labelled(as_it_lies(part(1, mesh)), |p| if p.z > 45.0 { 2 } else { u8::from(p.x > 0.0) });
    let plain = changes_by_plain_counting(&part.mesh, part.labels.as_ref().unwrap(), 0.2);
    let mut whole = figure(vec![part]);
    whole.palette = ["Harbour Navy", "Sail White", "Buoy Red"].map(filament).to_vec();
    let outcome = estimate(&Estimate::default(), &whole);
    let estimate = outcome.figure.parts[0].estimate.as_ref().unwrap();
    // Behind the cap of the third colour the core goes on, which plain counting of the skin does not see.
    let hidden = 15.0 / 0.2;
    assert!(estimate.tool_changes >= plain, "{} {plain}", estimate.tool_changes);
    assert!((estimate.tool_changes - plain) as f64 <= hidden, "{} {plain}", estimate.tool_changes);
    assert!(estimate.tool_changes <= estimate.tool_changes_unordered);
    assert_eq!(estimate.filament_g.len(), 3);
    assert!((estimate.filament_g.iter().sum::<f64>() - estimate.mass_g).abs() < 1e-9);
}

#[test]
fn filaments_are_told_by_height() {
    let mesh = sphere(DVec3::new(0.0, 0.0, 30.0), 30.0, 5);
    let whole = figure(vec![labelled(as_it_lies(part(1, mesh)), |middle| u8::from(middle.z > 45.0))]);
    let whole = Figure { palette: vec![filament("white"), filament("black")], ..whole };
    let settings = Estimate { layer_mm: 0.2, colour_depth_mm: 1.0, ..Estimate::default() };
    let estimate = estimate(&settings, &whole).figure.parts[0].estimate.clone().unwrap();
    let [white, black] = &estimate.in_layers[..] else { panic!("one row for each filament") };
    assert_eq!((white.len(), black.len()), (60, 60), "300 layers in 60 steps of 1 mm");
    // Where the colours meet the border runs along triangles, a millimetre up and down.
    assert!(white[..43].iter().all(|share| *share == 100) && black[..43].iter().all(|share| *share == 0), "{black:?}");
    assert!(black[47..].iter().all(|share| *share == 100), "{black:?}");
    // The white core ends a millimetre under the black cap.
    assert!(white[50..58].iter().all(|share| *share == 100) && white[59] == 0, "{white:?}");
}

/// 1,500 changes take 5 h at 12 s and 50 h at 120 s.
#[test]
fn changes_cost_their_time_and_purge() {
    let square = standing_block(DVec3::splat(20.0)).positions[..4].iter().map(|p| p.truncate()).collect::<Vec<_>>();
    let heights: Vec<f64> = (0..=1501).map(|i| f64::from(i) * 0.125).collect();
    let stripes = labelled(as_it_lies(part(1, prism(&square, &heights))), |p| ((p.z / 0.125) as u32 % 2) as u8);
    let mut whole = figure(vec![stripes]);
    whole.palette = ["Harbour Navy", "Sail White"].map(filament).to_vec();
    let mut own = equipment();
    own.printer.layer_mm = 0.125;
    let settings = Estimate { colour_depth_mm: 0.5, ..Estimate::default() };
    let quick = run(&settings, &whole, &own).unwrap();
    own.printer.change_secs = 120.0;
    let slow = run(&settings, &whole, &own).unwrap();
    let changes = quick.number("tool_changes");
    assert!((changes - 1500.0).abs() < 12.0, "{changes}");
    let hours = slow.number("hours") - quick.number("hours");
    assert!((hours - changes * 108.0 / 3600.0).abs() < 1e-9);
    assert!((quick.number("purge_g") - 0.1 * changes).abs() < 1e-9);
    let told = quick.told("tool changes take").unwrap();
    assert_eq!(told.severity, Severity::Warning);
    assert!(told.what.contains("5.0 h"), "{}", told.what);
}

/// A coloured cap on a ball takes its part of the shell between two spheres: 2 pi (1 - cos) (R^3 - r^3) / 3.
#[test]
fn a_coloured_cap_takes_its_shell_and_no_more() {
    let (radius, depth, cap_mm) = (40.0_f64, 1.2, 60.0);
    let ball = sphere(DVec3::new(0.0, 0.0, radius), radius, 6);
    let mut whole = figure(vec![labelled(as_it_lies(part(1, ball)), |p| u8::from(p.z > cap_mm))]);
    whole.palette = ["Harbour Navy", "Buoy Red"].map(filament).to_vec();
    let settings = Estimate { colour_depth_mm: depth, ..Estimate::default() };
    let outcome = estimate(&settings, &whole);
    let red_g = outcome.figure.parts[0].estimate.as_ref().unwrap().filament_g[1];
    let solid_angle = std::f64::consts::TAU * (1.0 - (cap_mm - radius) / radius);
    let expected = solid_angle * (radius.powi(3) - (radius - depth).powi(3)) / 3.0 * 1.24e-3;
    assert!((red_g / expected - 1.0).abs() < 0.01, "{red_g} {expected}");
}

/// Where colour goes deeper than the walls, infill becomes closed: 3 mm of colour on 1.32 mm of walls.
#[test]
fn deep_colour_adds_plastic() {
    let ball = sphere(DVec3::new(0.0, 0.0, 40.0), 40.0, 6);
    let mut whole = figure(vec![labelled(as_it_lies(part(1, ball)), |p| u8::from(p.z > 45.0))]);
    whole.palette = ["Harbour Navy", "Buoy Red"].map(filament).to_vec();
    let with =
        |colour_depth_mm| estimate(&Estimate { colour_depth_mm, ..Estimate::default() }, &whole).number("mass_g");
    let area = std::f64::consts::TAU * 40.0 * 35.0;
    let added = with(3.0) - with(1.0);
    let expected = 0.9 * area * (3.0 - 1.32) * 1.24e-3;
    assert!((added / expected - 1.0).abs() < 0.12, "{added} {expected}");
}

/// A plate on a post: the air under the plate, at the support's share.
#[test]
fn support_fills_the_air_below_overhangs() {
    let post = standing_block(DVec3::new(10.0, 10.0, 40.0));
    let plate = block(DVec3::new(-30.0, -30.0, 40.0), DVec3::new(30.0, 30.0, 44.0));
    let table = figure(vec![as_it_lies(part(1, together(&[post, plate])))]);
    let outcome = estimate(&Estimate::default(), &table);
    let expected = (60.0 * 60.0 - 10.0 * 10.0) * 40.0 * 0.15 * 1.24e-3;
    assert!((outcome.number("support_g") / expected - 1.0).abs() < 0.03, "{} {expected}", outcome.number("support_g"));
    assert!((outcome.number("overhang_mm2") - 3600.0).abs() < 1e-6);
}

/// Centre of mass at mid-height over a foot of 60 mm depth: atan(30 / 150) = 11.31 degrees.
#[test]
fn a_block_tips_over_its_long_edge() {
    let tall = figure(vec![as_it_lies(part(1, standing_block(DVec3::new(100.0, 60.0, 300.0))))]);
    let outcome = estimate(&Estimate::default(), &tall);
    assert!((outcome.number("tip_deg") - 11.31).abs() < 0.005, "{}", outcome.number("tip_deg"));
    assert!(outcome.findings.is_empty(), "{:?}", outcome.findings);
}

#[test]
fn figures_that_tip_or_are_tall_are_told() {
    let slim = figure(vec![as_it_lies(part(1, standing_block(DVec3::new(100.0, 50.0, 300.0))))]);
    let told = estimate(&Estimate::default(), &slim);
    let finding = told.told("falls over when tilted by 9.5 degrees").unwrap();
    assert!(finding.hint.contains("26 mm"), "{}", finding.hint);
    let tall = figure(vec![as_it_lies(part(1, standing_block(DVec3::new(500.0, 500.0, 900.0))))]);
    let told = estimate(&Estimate::default(), &tall);
    assert!(told.told("at shoulder height").unwrap().hint.contains("wall"));
}

#[test]
fn spools_and_temperatures_are_checked() {
    let half = |p: DVec3| u8::from(p.x > 0.0);
    let cube = labelled(as_it_lies(part(1, standing_block(DVec3::splat(100.0)))), half);
    let mut whole = figure(vec![cube]);
    whole.palette = ["Harbour Navy", "Buoy Red"].map(filament).to_vec();
    let mut own = equipment();
    own.shelf[0].left_g = 20.0;
    let outcome = run(&Estimate::default(), &whole, &own).unwrap();
    let told = outcome.told("g left").unwrap();
    assert!(told.what.starts_with("Harbour Navy: ") && told.what.ends_with("20 g left"), "{}", told.what);
    assert_eq!(told.severity, Severity::Warning);
    whole.palette[1].material = "ABS".into();
    whole.palette[1].bed_c = [90.0, 110.0];
    let outcome = run(&Estimate::default(), &whole, &own).unwrap();
    assert!(outcome.told("do not bond").is_some() && outcome.told("no bed temperature").is_some());
}

#[test]
fn a_layer_takes_at_least_its_cooling_time() {
    let pin = |minimum_layer_secs| {
        let settings = Estimate { minimum_layer_secs, ..Estimate::default() };
        of_mesh(&settings, standing_block(DVec3::new(4.0, 4.0, 20.0)), 0.44, 0.2)
    };
    let (none, eight) = (pin(0.0), pin(8.0));
    assert!(none.seconds < eight.seconds);
    assert!((eight.seconds - 300.0 - 100.0 * 8.0).abs() < 1e-6, "{}", eight.seconds);
}

#[test]
fn one_and_two_threads_give_the_same_bits() {
    let ball = sphere(DVec3::new(0.0, 0.0, 40.0), 40.0, 6);
    let part = labelled(as_it_lies(part(1, ball)), |p| (p.z / 20.0) as u8);
    let mut whole = figure(vec![part]);
    whole.palette = ["Harbour Navy", "Sail White", "Buoy Red", "Rope Sand"].map(filament).to_vec();
    let with = |threads| {
        let pool = rayon::ThreadPoolBuilder::new().num_threads(threads).build().unwrap();
        let outcome = pool.install(|| estimate(&Estimate::default(), &whole));
        format!("{:?} {:?}", outcome.figure.parts[0].estimate, outcome.numbers)
    };
    assert_eq!(with(1), with(2));
}

#[test]
fn other_layers_take_what_they_would_take_if_they_were_chosen() {
    let figure = figure(vec![as_it_lies(part(1, standing_block(DVec3::splat(40.0))))]);
    let other = Estimate {
        layer_mm: 0.2,
        other_layers_mm: Some(vec![0.3, 0.2]),
        other_sizes: Some(vec![]),
        ..Estimate::default()
    };
    let compared = estimate(&other, &figure).figure.alternatives;
    assert_eq!(compared.iter().map(|a| a.layer_mm).collect::<Vec<_>>(), [0.2, 0.3], "its own height is told once");
    for alternative in compared {
        let alone = (Some(vec![]), Some(vec![]));
        let chosen = Estimate {
            layer_mm: alternative.layer_mm,
            other_layers_mm: alone.0,
            other_sizes: alone.1,
            ..Estimate::default()
        };
        let chosen = estimate(&chosen, &figure).figure;
        let expected = chosen.parts[0].estimate.as_ref().unwrap();
        assert_eq!((alternative.seconds, alternative.tool_changes), (expected.seconds, expected.tool_changes));
        assert!(chosen.alternatives.is_empty());
    }
    // A 0.4 mm nozzle lays 0.3 mm at most: half as thick again as its 0.2 mm.
    let unnamed = estimate(&Estimate { layer_mm: 0.2, ..Estimate::default() }, &figure).figure.alternatives;
    assert!((unnamed[1].layer_mm - 0.3).abs() < 1e-9, "{unnamed:?}");
}

/// A cube at half the size takes what a cube of half the side takes; what would not fit the printer is not told.
#[test]
fn other_sizes_take_what_parts_of_that_size_take() {
    let settings = |other_sizes| Estimate { other_layers_mm: Some(vec![]), other_sizes, ..Estimate::default() };
    let cube = |side| figure(vec![as_it_lies(part(1, standing_block(DVec3::splat(side))))]);
    let compared = estimate(&settings(Some(vec![0.5, 10.0])), &cube(80.0)).figure.alternatives;
    assert_eq!(compared.iter().map(|a| a.scale).collect::<Vec<_>>(), [1.0, 0.5], "800 mm are too much for 250");
    let expected = estimate(&settings(Some(vec![])), &cube(40.0)).figure.parts[0].estimate.clone().unwrap();
    assert!((compared[1].seconds - expected.seconds).abs() < 1e-6, "{} {}", compared[1].seconds, expected.seconds);
    let unnamed = estimate(&settings(None), &cube(80.0)).figure.alternatives;
    assert!((unnamed[1].scale - 0.8).abs() < 1e-12);
}

/// Six layers, a change in every second: at 0.5 g a change and 1.25 g/cm3 a change is 400 mm3.
#[test]
fn a_purge_tower_holds_the_most_changes_and_goes_on_without_any() {
    let square: Vec<glam::DVec2> =
        standing_block(DVec3::splat(20.0)).positions[..4].iter().map(|p| p.truncate()).collect();
    let heights: Vec<f64> = (0..=3).map(|i| f64::from(i) * 0.5).collect();
    let stripes = labelled(as_it_lies(part(1, prism(&square, &heights))), |p| ((p.z / 0.5) as u32 % 2) as u8);
    let mut whole = figure(vec![stripes]);
    whole.palette = ["Harbour Navy", "Sail White"].map(filament).to_vec();
    whole.palette.iter_mut().for_each(|filament| filament.density_g_per_cm3 = 1.25);
    let mut own = equipment();
    (own.printer.layer_mm, own.printer.change_g) = (0.25, 0.5);
    // No shell reaches into another layer.
    let settings = Estimate { colour_depth_mm: 0.01, ..Estimate::default() };
    let with = |own: &_| run(&settings, &whole, own).unwrap().figure.parts[0].estimate.clone().unwrap();
    let plain = with(&own);
    own.printer.purge_tower = Some(statuary::equipment::PurgeTower { width_mm: 30.0, fill_share: 0.2 });
    let estimate = with(&own);
    assert_eq!((plain.tower, estimate.tool_changes), (None, plain.tool_changes));
    let tower = estimate.tower.unwrap();
    // One layer with all its changes fills the section: 400 mm3 over 30 mm and 0.25 mm are 53.3 mm a change.
    let most = tower.size_mm[1] * 30.0 * 0.25 / 400.0;
    assert!((most - most.round()).abs() < 1e-9 && most >= 1.0, "{tower:?}");
    let layers = tower.size_mm[2] / 0.25;
    let free = layers - estimate.tool_changes as f64 / most;
    let filled_mm3 = 0.2 * 30.0 * tower.size_mm[1] * 0.25;
    assert!((tower.extra_g - free * filled_mm3 * 1.25e-3).abs() < 1e-9, "{tower:?} {free}");
    assert!((estimate.purge_g - 0.5 * estimate.tool_changes as f64 - tower.extra_g).abs() < 1e-9);
    assert!((estimate.need_g.iter().sum::<f64>() - plain.need_g.iter().sum::<f64>() - tower.extra_g).abs() < 1e-9);
    assert!(estimate.seconds > plain.seconds);
    // A bed that the cube and its air leave no room on.
    own.printer.volume_mm = [60.0, 60.0, 250.0];
    let told = run(&settings, &whole, &own).unwrap();
    assert!(told.told("no room on the bed for its purge tower").is_some());
}

#[test]
fn grams_by_height_end_with_all_and_lie_where_the_colour_is() {
    let mesh = sphere(DVec3::new(0.0, 0.0, 30.0), 30.0, 5);
    let whole = figure(vec![labelled(as_it_lies(part(1, mesh)), |middle| u8::from(middle.z > 45.0))]);
    let whole = Figure { palette: vec![filament("white"), filament("black")], ..whole };
    let settings = Estimate { layer_mm: 0.2, colour_depth_mm: 1.0, support_share: 0.0, ..Estimate::default() };
    let mut own = equipment();
    own.printer.change_g = 0.0;
    let estimate = run(&settings, &whole, &own).unwrap().figure.parts[0].estimate.clone().unwrap();
    for (steps, need_g) in estimate.need_by_height_g.iter().zip(&estimate.need_g) {
        assert_eq!(steps.len(), 60);
        assert!(steps.windows(2).all(|pair| pair[0] <= pair[1]), "{steps:?}");
        assert!((f64::from(steps[59]) / need_g - 1.0).abs() < 1e-6, "{steps:?} {need_g}");
    }
    let [white, black] = &estimate.need_by_height_g[..] else { panic!("two filaments") };
    assert!(black[42] == 0.0 && black[48] > 0.0, "{black:?}");
    // Half the ball by height is half its shell (Archimedes), and black is in the upper quarter only.
    assert!((f64::from(white[29]) / estimate.need_g.iter().sum::<f64>() - 0.5).abs() < 0.02, "{white:?}");
}

/// A helper twice as fast gets two thirds of like parts, as far as they fit it, and their times with it.
#[test]
fn a_helper_takes_the_parts_that_fit_it() {
    let block = |number, side| as_it_lies(part(number, standing_block(DVec3::new(side, 60.0, 60.0))));
    let mut whole = figure(vec![block(1, 60.0), block(2, 60.0), block(3, 60.0), block(4, 160.0)]);
    whole.palette = ["Harbour Navy"].map(filament).to_vec();
    for part in &mut whole.parts {
        part.labels = Some(std::sync::Arc::new(vec![0; part.mesh.triangles.len()]));
    }
    let mut own = equipment();
    let fast = statuary::equipment::Printer {
        name: "pier".into(),
        volume_mm: [150.0; 3],
        flow_mm3_per_sec: 48.0,
        ..own.printer.clone()
    };
    let alone = run(&Estimate::default(), &whole, &own).unwrap();
    own.helpers = vec![fast];
    let shared = run(&Estimate::default(), &whole, &own).unwrap();
    let schedule = shared.figure.schedule.as_ref().unwrap();
    assert_eq!(schedule.printer_of(4)[3], 0, "160 mm are too long for the pier");
    assert_eq!(schedule.printer_of(4).iter().filter(|printer| **printer == 1).count(), 3);
    assert!(shared.told("pier can print 3 of 4 parts: the others are too large for it (1)").is_some());
    let seconds = |outcome: &Outcome| outcome.figure.parts[0].estimate.as_ref().unwrap().seconds;
    assert!(seconds(&shared) < seconds(&alone));
    let ends = |outcome: &Outcome| outcome.figure.schedule.as_ref().unwrap().ends_s().unwrap();
    let last = shared.figure.parts[3].estimate.as_ref().unwrap().seconds;
    assert!((ends(&shared) - last - 180.0).abs() < 1e-6 && ends(&shared) < ends(&alone));
}

#[test]
fn settings_out_of_range_are_named() {
    assert!(Estimate::default().check().is_empty());
    let wrong = Estimate { infill_share: f64::NAN, walls: 1000, speed_factor: 0.0, ..Estimate::default() };
    let named: Vec<String> = wrong.check().into_iter().map(|problem| problem.setting).collect();
    assert_eq!(named, ["infill_share", "speed_factor", "walls"]);
}

#[test]
fn a_part_without_a_pose_is_refused() {
    let whole = figure(vec![part(1, standing_block(DVec3::ONE))]);
    let error = run(&Estimate::default(), &whole, &equipment()).unwrap_err();
    assert_eq!(
        (error.to_string().as_str(), error.hint()),
        ("part 01-part has no bed pose", "put `orient` before `estimate`")
    );
}
