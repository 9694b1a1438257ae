//! The main job against something outside the project: whole runs read by trimesh, manifold3d and lib3mf (`PyPI`), the
//! plane cut against manifold3d's, the choice of filaments against a search over all choices.

use std::path::Path;

use statuary::run_record::RunRecord;

use super::support::{digests, folder, json, oracle, small_scan, statuary, stderr, text};

fn run(pipeline: &str, out: &Path, more: &[&str]) -> RunRecord {
    let (scan, to) = (text(&small_scan()), text(out));
    let mut args = vec!["run", &scan, "--pipeline", pipeline, "--out", &to];
    args.extend(more);
    let output = statuary(&args);
    assert!(output.status.success(), "{pipeline}: {}", stderr(&output));
    serde_json::from_value(json(&out.join("run.json"))).unwrap()
}

/// What every published run must be, seen by libraries that share no code with the program.
fn stands_up(out: &Path, record: &RunRecord, volume_mm: [f64; 3]) {
    let answer = oracle::ask(&["run", &text(out)], "");
    assert!(answer["largest_overlap"].as_f64().unwrap() < 1.0, "parts overlap: {answer}");
    let parts = answer["parts"].as_array().unwrap();
    assert_eq!(parts.len(), record.parts.len());
    for (seen, told) in parts.iter().zip(&record.parts) {
        let name = &told.name;
        assert_eq!(seen["name"], *name);
        assert!(seen["watertight"] == true && seen["wound"] == true, "{seen}");
        assert_eq!(seen["bodies"], 1, "{name}");
        assert!(seen["strict"]["warnings"].as_array().unwrap().is_empty() && seen["strict"]["solid"] == true, "{seen}");
        assert_eq!(seen["solids"], seen["strict"]["colours"], "{name}: one solid for each filament");
        assert!(seen["rigid"] == true, "{name}");
        let volume = seen["volume"].as_f64().unwrap();
        assert!((volume / told.volume_mm3 - 1.0).abs() < 1e-6, "{name}: {volume} against {}", told.volume_mm3);
        let solids = seen["solids_volume"].as_f64().unwrap();
        assert!((solids / volume - 1.0).abs() < 1e-3, "{name}: solids {solids}, part {volume}");
        for axis in 0..3 {
            assert!(seen["size"][axis].as_f64().unwrap() <= volume_mm[axis], "{name} does not fit: {seen}");
        }
        assert!(seen["low"][2].as_f64().unwrap().abs() < 1e-9, "{name} floats or sinks: {seen}");
    }
}

#[test]
fn a_desk_figure_stands_up_to_reference_libraries() {
    let folder = folder();
    let out = folder.path().join("run");
    let record = run("desk-figure", &out, &[]);
    assert_eq!(record.parts.len(), 1);
    stands_up(&out, &record, [360.0; 3]);
    let height = record.parts[0].size_mm[2];
    assert!((height - 150.0).abs() < 0.01, "{height}");
}

#[test]
fn a_life_size_figure_stands_up_to_reference_libraries() {
    let folder = folder();
    let out = folder.path().join("run");
    let record = run("life-size", &out, &[]);
    // About 15 parts for a figure of 1.75 m on a bed of 360 mm: common practice, no source.
    assert!((8..=24).contains(&record.parts.len()), "{} parts", record.parts.len());
    stands_up(&out, &record, [360.0; 3]);
}

#[test]
fn half_size_quarter_size_and_bust_end_well() {
    let folder = folder();
    for pipeline in ["half-size", "quarter-size", "bust"] {
        let out = folder.path().join(pipeline);
        let record = run(pipeline, &out, &[]);
        stands_up(&out, &record, [360.0; 3]);
        assert!(out.join("report.html").is_file());
    }
}

#[test]
fn one_and_two_threads_give_the_same_bytes() {
    let folder = folder();
    let varying = ["run.json", ".origin", ".stages"];
    let mut all = Vec::new();
    for threads in ["1", "2"] {
        let out = folder.path().join(threads);
        let (scan, to) = (text(&small_scan()), text(&out));
        let args = ["run", &scan, "--pipeline", "half-size", "--out", &to];
        let output = super::support::command(&args).env("RAYON_NUM_THREADS", threads).output().unwrap();
        assert!(output.status.success(), "{}", stderr(&output));
        all.push(digests(&out, &varying));
    }
    assert!(all[0].len() > 4);
    assert_eq!(all[0], all[1]);
}

#[test]
fn the_choice_of_filaments_is_the_best_of_all_choices() {
    use statuary::colour::choose::{Costs, Request, choose};
    let number = |i: u64| f64::from(blake3::hash(&i.to_le_bytes()).as_bytes()[0]);
    let (filaments, samples, k) = (14, 60, 4);
    let cost = |j: u64, i: u64| number(j * 1000 + i) + 1.0;
    let weight = |i: u64| 1.0 + number(1_000_000 + i);
    let rows = (0..filaments).map(|j| (0..samples).map(|i| weight(i) * cost(j, i)).collect()).collect();
    let request = Request { size_max: k, must: vec![], never: vec![], work_max: u64::MAX };
    let choice = choose(&Costs::from_rows(rows), &request).unwrap();
    let table: Vec<Vec<f64>> = (0..samples).map(|i| (0..filaments).map(|j| cost(j, i)).collect()).collect();
    let weights: Vec<f64> = (0..samples).map(weight).collect();
    let question = serde_json::json!({ "table": table, "weights": weights, "k": k });
    let answer = oracle::ask(&["kmedians"], &question.to_string());
    assert!((choice.cost - answer["cost"].as_f64().unwrap()).abs() < 1e-6 * choice.cost, "{choice:?}, {answer}");
    let pick: Vec<usize> = serde_json::from_value(answer["pick"].clone()).unwrap();
    assert_eq!(choice.picked, pick);
}

#[test]
fn a_cut_leaves_the_volumes_manifold3d_finds() {
    use glam::DVec3;
    use statuary::mesh::{TriMesh, cut, measure};
    use statuary::units::{snap_between_mm, snap_mm};
    let (rings, segments) = (80_u32, 120_u32);
    let mut positions = vec![DVec3::new(0.0, 0.0, 40.0), DVec3::new(0.0, 0.0, -40.0)];
    for r in 1..rings {
        for s in 0..segments {
            let (theta, phi) = (
                f64::from(r) * std::f64::consts::PI / f64::from(rings),
                f64::from(s) * std::f64::consts::TAU / f64::from(segments),
            );
            let radius = 40.0 + 6.0 * (5.0 * phi).sin() * theta.sin().powi(3) * (3.0 * theta).cos();
            let p = DVec3::new(theta.sin() * phi.cos(), theta.sin() * phi.sin(), theta.cos()) * radius;
            positions.push(DVec3::from_array(p.to_array().map(snap_mm)));
        }
    }
    let at = |r: u32, s: u32| 2 + (r - 1) * segments + s % segments;
    let mut triangles = Vec::new();
    for s in 0..segments {
        triangles.push([0, at(1, s), at(1, s + 1)]);
        triangles.push([1, at(rings - 1, s + 1), at(rings - 1, s)]);
        for r in 1..rings - 1 {
            triangles.extend([[at(r, s), at(r + 1, s), at(r + 1, s + 1)], [at(r, s), at(r + 1, s + 1), at(r, s + 1)]]);
        }
    }
    let mesh = TriMesh::from_shape(positions, triangles);
    let folder = folder();
    let path = folder.path().join("wavy.obj");
    let points: String = mesh.positions.iter().map(|p| format!("v {} {} {}\n", p.x, p.y, p.z)).collect();
    let faces: String = mesh.triangles.iter().map(|[a, b, c]| format!("f {} {} {}\n", a + 1, b + 1, c + 1)).collect();
    std::fs::write(&path, points + &faces).unwrap();
    for (axis, offset) in [(0, 3.3), (1, -12.5), (2, 17.9)] {
        let offset = snap_between_mm(offset);
        let halves = cut::halves(&mesh, cut::Plane::new(axis, offset), 0).unwrap();
        let (below, above) = (measure::volume_mm3(&halves.below.mesh), measure::volume_mm3(&halves.above.mesh));
        let answer = oracle::ask(&["cut", &text(&path), &axis.to_string(), &offset.to_string()], "");
        for (own, name) in [(below, "below"), (above, "above"), (below + above, "whole")] {
            let other = answer[name].as_f64().unwrap();
            assert!((own / other - 1.0).abs() < 1e-7, "{name} at {axis}: {own}, manifold3d {other}");
        }
    }
}
