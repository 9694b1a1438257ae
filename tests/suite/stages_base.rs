//! `base`: plates that fit, are keyed to the feet and let the figure bear the tilt asked for.

use std::sync::Arc;

use glam::{DMat3, DVec3};
use statuary::figure::{Figure, Joint};
use statuary::finding::Severity;
use statuary::mesh::inspect::inspect;
use statuary::mesh::intersect::{crossings_between, self_intersections};
use statuary::mesh::winding::Winding;
use statuary::mesh::{Origin, TriMesh, measure};
use statuary::run_record::RunRecord;
use statuary::stage::{StageError, Transform};
use statuary::stages::base::{Ballast, Base, Shape};
use statuary::stages::estimate::Estimate;
use statuary::stages::orient::Orient;
use statuary::stages::split::Split;

use crate::bodies::{Outcome, equipment, figure, filament, labelled, part, run, standing_block};
use crate::mannequin::mannequin;
use crate::support::{digests, folder, json, oracle, small_scan, stderr, text};

fn based(settings: &Base, mesh: TriMesh, bed_mm: f64) -> Outcome {
    let mut own = equipment();
    own.printer.volume_mm = [bed_mm; 3];
    let mut before = figure(vec![part(1, mesh.clone())]);
    before.whole = Arc::new(mesh);
    run(settings, &before, &own).unwrap()
}

/// What `estimate` makes of a figure once it lies on the bed.
fn estimated(figure: &Figure, bed_mm: f64) -> Outcome {
    let mut own = equipment();
    own.printer.volume_mm = [bed_mm; 3];
    let posed = run(&Orient::default(), figure, &own).unwrap();
    run(&Estimate::default(), &posed.figure, &own).unwrap()
}

fn cut_mm2(mesh: &TriMesh, joint: usize) -> f64 {
    let own = (0..mesh.triangles.len()).filter(|t| mesh.origins[*t].joint() == Some(joint as u16));
    own.filter(|t| matches!(mesh.origins[*t], Origin::Cut(_))).map(|t| mesh.area_vector(t).length() / 2.0).sum()
}

/// On both sides of a joint a key's place is hollow down to its depth, with a wall around and below it.
fn assert_keyed(figure: &Figure, joint: &Joint, wall_mm: f64) {
    for (part, way) in [(joint.a, -joint.normal), (joint.b, joint.normal)] {
        let mesh = &figure.parts[part].mesh;
        let winding = Winding::new(&mesh.positions, &mesh.triangles);
        for key in &joint.keys {
            let (reach, aside) = (0.5 * key.socket_mm, joint.normal.any_orthonormal_vector());
            for depth in [0.1, 0.5, 0.95] {
                let inside = key.centre + way * depth * key.depth_mm;
                assert!(winding.at(inside).abs() < 0.5, "the socket is blocked");
                for turn in 0..12 {
                    let turned =
                        DMat3::from_axis_angle(joint.normal, f64::from(turn) * std::f64::consts::FRAC_PI_6) * aside;
                    assert!(winding.at(inside + turned * 0.98 * reach).abs() < 0.5, "the socket is too narrow");
                    assert!(winding.at(inside + turned * (reach + 0.9 * wall_mm)) > 0.5, "the socket has no wall");
                }
            }
            assert!(winding.at(key.centre + way * (key.depth_mm + 0.9 * wall_mm)) > 0.5, "the socket has no floor");
        }
    }
}

/// What holds for every figure on a plate: solids that fit and do not cross, joints with two faces, nothing sunk.
fn assert_on_plate(before: &TriMesh, figure: &Figure, bed_mm: f64) {
    let base = figure.base.as_ref().unwrap();
    let soles_mm = measure::bounds(&before.positions).0.z;
    let first = figure.parts.len() - base.parts;
    for (i, part) in figure.parts.iter().enumerate() {
        let faults = inspect(&part.mesh);
        assert!(faults.is_solid() && faults.components == 1, "{}: {faults:?}", part.name);
        assert_eq!(self_intersections(&part.mesh), Vec::<[u32; 2]>::new(), "{}", part.name);
        assert_eq!(part.number, i + 1);
        let (low, high) = measure::bounds(&part.mesh.positions);
        if i >= first {
            assert!(part.name.contains("-base"), "{}", part.name);
            assert_eq!((low.z, high.z), (soles_mm - base.height_mm, soles_mm));
            assert!((high - low).max_element() <= bed_mm - 6.0, "{} does not fit", part.name);
        } else {
            assert!(low.z >= soles_mm);
        }
    }
    for (j, joint) in figure.joints.iter().enumerate() {
        let [a, b] = [joint.a, joint.b].map(|part| &figure.parts[part].mesh);
        assert_eq!(crossings_between(a, b), Vec::<[u32; 2]>::new());
        if joint.a >= first && joint.b < first {
            assert_eq!((joint.normal, joint.offset_mm), (DVec3::Z, soles_mm));
            // Mouths have a chamfer of 0.4 mm.
            let sockets: f64 =
                joint.keys.iter().map(|key| 0.25 * std::f64::consts::PI * (key.socket_mm + 0.8).powi(2)).sum();
            assert!((cut_mm2(a, j) + sockets - joint.area_mm2).abs() < 0.02 * joint.area_mm2, "{}", cut_mm2(a, j));
        }
    }
    let sorted: std::collections::BTreeSet<usize> = figure.glue_order.iter().copied().collect();
    assert_eq!(sorted, (0..figure.joints.len()).collect());
    assert_eq!(figure.glue_order.len(), figure.joints.len());
    let whole = inspect(&figure.whole);
    assert!(whole.is_solid() && whole.components == 1, "{whole:?}");
}

/// A block of 100 x 60 x 300 with its centre of mass in the middle tips at 11.31 degrees by itself: a plate need be no
/// larger than around its foot.
#[test]
fn a_block_that_stands_gets_a_plate_around_its_foot() {
    let tall = standing_block(DVec3::new(100.0, 60.0, 300.0));
    let settings = Base { shape: Shape::Rectangle, margin_mm: Some(10.0), thickness_mm: Some(8.0), ..Base::default() };
    let made = based(&settings, tall.clone(), 250.0);
    assert_on_plate(&tall, &made.figure, 250.0);
    assert!(
        (made.number("plate_width_mm") - 120.0).abs() < 0.01 && (made.number("plate_depth_mm") - 80.0).abs() < 0.01
    );
    let joint = &made.figure.joints[0];
    assert_eq!((made.figure.joints.len(), joint.a, joint.b, joint.area_mm2), (1, 1, 0, 6000.0));
    assert!(matches!(joint.keys.as_slice(), [a, b] if a.dowel_mm != b.dowel_mm), "{:?}", joint.keys);
    assert_keyed(&made.figure, joint, settings.wall_min_mm);
    assert!(made.findings.iter().all(|f| f.severity == Severity::Note), "{:?}", made.findings);
}

/// A slim one, even on a plate that is 5 mm larger all around, does not bear 10 degrees: the plate grows to what does, and
/// no further.
#[test]
fn a_plate_grows_until_the_figure_bears_the_tilt() {
    let slim = standing_block(DVec3::new(24.0, 16.0, 240.0));
    for shape in [Shape::Hull, Shape::Round, Shape::Oval, Shape::Rectangle] {
        let settings = Base { shape, margin_mm: Some(5.0), ..Base::default() };
        let made = based(&settings, slim.clone(), 250.0);
        assert_on_plate(&slim, &made.figure, 250.0);
        let tip_deg = estimated(&made.figure, 250.0).number("tip_deg");
        assert!((10.0..10.8).contains(&tip_deg), "{shape:?}: {tip_deg}");
        assert!((made.number("expected_tip_deg") - 10.2).abs() < 0.05, "{}", made.number("expected_tip_deg"));
        assert!(made.told("bears a tilt of about 10.2 degrees").unwrap().hint.contains("IEC 60335-1"));
    }
}

/// A short plate with a cavity of steel bears what a bare one of its size does not; heavier ballast needs less room.
#[test]
fn ballast_lets_a_small_plate_bear_the_tilt() {
    let slim = standing_block(DVec3::new(32.0, 32.0, 240.0));
    let with = |ballast| {
        let cavity_mm = Some(15.0);
        Base {
            shape: Shape::Rectangle,
            margin_mm: Some(4.0),
            size_max_mm: Some(40.0),
            cavity_mm,
            ballast,
            ..Base::default()
        }
    };
    let bare = based(&with(Ballast::None), slim.clone(), 250.0);
    let told = bare.told("only, 10 were asked for");
    assert!(told.is_some_and(|f| f.severity == Severity::Warning), "{}", bare.number("expected_tip_deg"));
    let steel = based(&with(Ballast::Steel), slim.clone(), 250.0);
    assert_on_plate(&slim, &steel.figure, 250.0);
    let base = steel.figure.base.as_ref().unwrap();
    let ballast = base.ballast.as_ref().unwrap();
    assert!((ballast.mass_g / ballast.volume_mm3 * 1000.0 - 7.85).abs() < 1e-9);
    assert!(steel.number("plate_width_mm") <= 40.0);
    assert!(ballast.mass_g > 0.0 && steel.number("expected_tip_deg") >= 10.2);
    let stands = estimated(&steel.figure, 250.0);
    assert!(stands.number("tip_deg") >= 10.0, "{}", stands.number("tip_deg"));
    assert!(stands.number("standing_mass_g") > ballast.mass_g + stands.number("mass_g") - 1e-6);
    // The cavity is where the ballast is said to be, and open from below.
    let plate = &steel.figure.parts[1].mesh;
    let winding = Winding::new(&plate.positions, &plate.triangles);
    assert!(
        winding.at(ballast.centre).abs() < 0.5
            && winding.at(ballast.centre - DVec3::Z * 0.5 * base.height_mm).abs() < 0.5
    );
    let missing = plate_block_mm3(&steel) - measure::volume_mm3(plate) - sockets_mm3(&steel.figure.joints[0]);
    assert!((missing / ballast.volume_mm3 - 1.0).abs() < 0.01, "{missing} {}", ballast.volume_mm3);
    let sand = based(&with(Ballast::Sand), slim, 250.0);
    assert!(sand.number("cavity_mm") > steel.number("cavity_mm"));
}

fn plate_block_mm3(made: &Outcome) -> f64 {
    ["plate_width_mm", "plate_depth_mm", "plate_height_mm"].iter().map(|name| made.number(name)).product()
}

fn sockets_mm3(joint: &Joint) -> f64 {
    joint.keys.iter().map(|key| 0.25 * std::f64::consts::PI * key.socket_mm.powi(2) * key.depth_mm).sum()
}

#[test]
fn a_life_size_figure_in_parts_stands_on_a_divided_plate() {
    let mut own = equipment();
    own.printer.volume_mm = [300.0; 3];
    let person = mannequin(1600.0, 70);
    let mut whole = figure(vec![part(1, person.clone())]);
    whole.whole = Arc::new(person.clone());
    let split = run(&Split::default(), &whole, &own).unwrap().figure;
    let alone = estimated(&split, 300.0);
    assert!(alone.number("tip_deg") < 10.0 && alone.told("fix").is_none());
    let made = run(&Base::default(), &split, &own).unwrap();
    let figure = &made.figure;
    assert_on_plate(&person, figure, 300.0);
    assert!(figure.base.as_ref().unwrap().parts >= 2);
    assert!(made.number("plate_keys") >= 4.0, "{}", made.number("plate_keys"));
    for joint in &figure.joints[split.joints.len()..] {
        assert_keyed(figure, joint, 2.0);
    }
    // Parts and sockets together are the figure on its plate.
    let parts: f64 = figure.parts.iter().map(|part| measure::volume_mm3(&part.mesh)).sum();
    let sockets: f64 = figure.joints.iter().map(|joint| 2.0 * sockets_mm3(joint)).sum();
    let all = measure::volume_mm3(&figure.whole);
    assert!(((parts + sockets) / all - 1.0).abs() < 1e-4, "{parts} {sockets} {all}");
    let stands = estimated(figure, 300.0);
    assert!(stands.number("tip_deg") >= 10.0, "{}", stands.number("tip_deg"));
    assert!(stands.told("at shoulder height").unwrap().hint.contains("wall"));
    assert!(stands.told("falls over").is_none());
    let pool = rayon::ThreadPoolBuilder::new().num_threads(1).build().unwrap();
    assert_eq!(pool.install(|| run(&Base::default(), &split, &own).unwrap().figure), made.figure);
}

#[test]
fn a_plate_put_under_a_coloured_figure_takes_the_nearest_filament() {
    let mut before =
        figure(vec![labelled(part(1, standing_block(DVec3::new(60.0, 40.0, 100.0))), |p| u8::from(p.z > 50.0))]);
    before.palette = ["Harbour Navy", "Sail White"].map(filament).to_vec();
    before.palette[1].colour = "#F0F0F0".into();
    let settings = Base { colour: "#FFFFFF".into(), ..Base::default() };
    let made = run(&settings, &before, &equipment()).unwrap().figure;
    for part in &made.parts {
        assert_eq!(part.labels.as_ref().unwrap().len(), part.mesh.triangles.len());
    }
    assert!(made.parts[1].labels.as_ref().unwrap().iter().all(|label| *label == 1));
}

#[test]
fn what_cannot_be_done_is_said() {
    let ball = crate::bodies::sphere(DVec3::new(0.0, 0.0, 50.0), 50.0, 4);
    let error = run(&Base::default(), &figure(vec![part(1, ball)]), &equipment()).unwrap_err();
    assert!(matches!(&error, StageError::Failed { what, .. } if what.contains("flat sole")), "{error}");
    let wide = figure(vec![part(1, standing_block(DVec3::new(100.0, 60.0, 50.0)))]);
    let error = run(&Base { size_max_mm: Some(90.0), ..Base::default() }, &wide, &equipment()).unwrap_err();
    assert!(error.to_string().contains("size_max_mm"), "{error}");
    let once = run(&Base::default(), &wide, &equipment()).unwrap().figure;
    let error = run(&Base::default(), &once, &equipment()).unwrap_err();
    assert!(error.to_string().contains("already"), "{error}");
    let named = |settings: Base| settings.check().into_iter().map(|p| p.setting).collect::<Vec<_>>();
    assert_eq!(named(Base::default()), Vec::<String>::new());
    let wrong = Base { tip_deg: f64::NAN, dowel_mm: vec![0.0], colour: "grey".into(), ..Base::default() };
    assert_eq!(named(wrong), ["tip_deg", "dowel_mm[0]", "colour"]);
}

const PIPELINE: &str = "\
about: a desk figure on a plate
stages:
  - intake
  - clean
  - scale: {height_mm: 150}
  - split
  - base: {shape: round, ballast: steel, tip_deg: 20, margin_mm: 4, dowel_mm: [4, 3]}
  - colour-reduce
  - orient
  - estimate: {infill_share: 1}
  - export
  - report
";

/// From scan to print files, on one thread and two; the centre of mass against that of the written solids by trimesh.
#[test]
fn a_run_with_a_plate_stands_up_to_trimesh() {
    let folder = folder();
    let pipeline = folder.path().join("plate.yaml");
    std::fs::write(&pipeline, PIPELINE).unwrap();
    let mut all = Vec::new();
    for threads in ["1", "2"] {
        let out = folder.path().join(threads);
        let args = ["run", &text(&small_scan()), "--pipeline", &text(&pipeline), "--out", &text(&out)];
        let output = crate::support::command(&args).env("RAYON_NUM_THREADS", threads).output().unwrap();
        assert!(output.status.success(), "{}", stderr(&output));
        all.push(digests(&out, &["run.json", ".origin", ".stages"]));
    }
    assert_eq!(all[0], all[1]);
    let out = folder.path().join("2");
    let record: RunRecord = serde_json::from_value(json(&out.join("run.json"))).unwrap();
    assert_eq!(record.parts.len(), 2);
    let logged = |stage: &str, name: &str| {
        record.stages.iter().find(|s| s.stage == stage).and_then(|s| s.figures.get(name).copied()).unwrap()
    };
    assert!(logged("base", "plate_keys") >= 1.0);
    let answer = oracle::ask(&["run", &text(&out)], "");
    assert!(answer["largest_overlap"].as_f64().unwrap() < 1.0, "{answer}");
    let numbers =
        |part: &serde_json::Value, name: &str| -> Vec<f64> { serde_json::from_value(part[name].clone()).unwrap() };
    // Solid prints: grams of each part as estimated, checked by trimesh's volume; centres as trimesh finds them.
    let base = (logged("base", "ballast_g"), logged("base", "cavity_mm"));
    let (mut mass, mut moment, mut floor) = (0.0, DVec3::ZERO, f64::INFINITY);
    for (part, told) in answer["parts"].as_array().unwrap().iter().zip(&record.parts) {
        assert!(part["watertight"] == true && part["bodies"] == 1, "{part}");
        let grams: f64 = told.mass_g.values().sum();
        let density = grams / part["volume"].as_f64().unwrap() * 1000.0;
        assert!((1.0..1.35).contains(&density), "{density}");
        mass += grams;
        moment += grams * DVec3::from_slice(&numbers(part, "centre_of_mass"));
        floor = floor.min(numbers(part, "placed_low")[2]);
    }
    let all = mass + base.0;
    assert!((all - logged("estimate", "standing_mass_g")).abs() < 1e-6 * all, "{all}");
    assert!((moment.x / all - logged("estimate", "centre_of_mass_x_mm")).abs() < 0.5);
    let height = (moment.z + base.0 * (floor + 0.5 * base.1)) / (mass + base.0) - floor;
    assert!((height - logged("estimate", "centre_of_mass_mm")).abs() < 0.1, "{height}");
    assert!(logged("estimate", "tip_deg") > 15.0, "{}", logged("estimate", "tip_deg"));
    let page = std::fs::read_to_string(out.join("report.html")).unwrap();
    assert!(page.contains("at shoulder height") && page.contains("base"));
}
