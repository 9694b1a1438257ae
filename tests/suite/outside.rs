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
fn a_cut_leaves_the_volumes_and_areas_manifold3d_finds() {
    use crate::mesh_cut_sloped::{bumpy, direction};
    use glam::DVec3;
    use statuary::mesh::{cut, measure};
    use statuary::units::snap_between_mm;
    let mesh = bumpy(80);
    let folder = folder();
    let path = folder.path().join("bumpy.obj");
    let points: String = mesh.positions.iter().map(|p| format!("v {} {} {}\n", p.x, p.y, p.z)).collect();
    let faces: String = mesh.triangles.iter().map(|[a, b, c]| format!("f {} {} {}\n", a + 1, b + 1, c + 1)).collect();
    std::fs::write(&path, points + &faces).unwrap();
    let across = [(0, 3.3), (1, -12.5), (2, 17.9)].map(|(axis, offset)| cut::Plane::new(axis, snap_between_mm(offset)));
    let sloped =
        (0..12).map(|i| cut::Plane::across(direction(40 + i), 25.0 * direction(70 + i) * DVec3::new(1.0, 0.3, 0.6)));
    for plane in across.into_iter().chain(sloped) {
        let halves = cut::halves(&mesh, plane, 0).unwrap();
        let (normal, offset) = (plane.normal(), plane.unit_offset_mm());
        let numbers = [normal.x, normal.y, normal.z, offset].map(|v| v.to_string());
        let [x, y, z, offset] = &numbers;
        let answer = oracle::ask(&["cut", &text(&path), x, y, z, offset], "");
        for (own, name) in [(&halves.below.mesh, "below"), (&halves.above.mesh, "above"), (&mesh, "whole")] {
            let other = |what: &str| answer[name][what].as_f64().unwrap();
            for (own, what) in [(measure::volume_mm3(own), "volume"), (measure::area_mm2(own), "area")] {
                assert!((own / other(what) - 1.0).abs() < 1e-6, "{what} {name} {plane:?}: {own}, {answer}");
            }
        }
    }
}
