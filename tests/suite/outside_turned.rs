//! Parts that fit only when they are turned by an odd angle: posed, written, and read by trimesh, manifold3d and lib3mf
//! (`PyPI`), which know nothing of the program's way to turn them.

use std::sync::Arc;
use std::sync::atomic::AtomicBool;

use glam::{DVec2, DVec3};
use statuary::equipment::Equipment;
use statuary::figure::{Figure, Part};
use statuary::format::threemf;
use statuary::mesh::{TriMesh, measure};
use statuary::run_record::RunRecord;
use statuary::stage::{MemorySink, Output, StageContext, TargetSize, Transform};
use statuary::stages::export::Export;
use statuary::stages::orient::Orient;

use super::support::{folder, oracle, text};
use crate::bodies::{equipment, figure, labelled, part, prism};
use crate::mannequin::mannequin;

/// Poses and writes a figure, and asks the libraries about it.
fn written(posed: &Figure, own: &Equipment) -> (MemorySink, serde_json::Value) {
    let mut files = MemorySink::default();
    let (cancel, mut progress) = (Arc::new(AtomicBool::new(false)), |_: f64, _: &str| {});
    let mut ctx = StageContext::new(own, TargetSize::Unknown, &mut files, cancel, &mut progress);
    Export::default().write(posed, &RunRecord::default(), &mut ctx).unwrap();
    let folder = folder();
    for (name, bytes) in &files.0 {
        let path = folder.path().join(name);
        std::fs::create_dir_all(path.parent().unwrap()).unwrap();
        std::fs::write(path, bytes).unwrap();
    }
    let answer = oracle::ask(&["run", &text(folder.path())], "");
    (files, answer)
}

fn posed(parts: Vec<Part>, margin_mm: f64, own: &Equipment) -> Figure {
    let mut whole = figure(parts);
    whole.palette = own.shelf[..2].to_vec();
    let mut files = MemorySink::default();
    let (cancel, mut progress) = (Arc::new(AtomicBool::new(false)), |_: f64, _: &str| {});
    let mut ctx = StageContext::new(own, TargetSize::Unknown, &mut files, cancel, &mut progress);
    Orient { margin_mm, ..Orient::default() }.run(&whole, &mut ctx).unwrap()
}

fn corner(value: &serde_json::Value) -> DVec3 {
    DVec3::from([0, 1, 2].map(|axis| value[axis].as_f64().unwrap()))
}

/// What a part turned by an odd angle must be to programs that read its files.
fn lies_on_the_bed(seen: &serde_json::Value, part: &Part, own: &Equipment) {
    let (volume_mm3, room) = (measure::volume_mm3(&part.mesh), DVec3::from(own.printer.volume_mm));
    assert!(seen["watertight"] == true && seen["wound"] == true && seen["rigid"] == true, "{seen}");
    assert!(seen["strict"]["warnings"].as_array().unwrap().is_empty() && seen["strict"]["solid"] == true, "{seen}");
    assert!((seen["volume"].as_f64().unwrap() / volume_mm3 - 1.0).abs() < 1e-9, "{seen}");
    let low = corner(&seen["low"]);
    let bounds = [
        ("trimesh", low, low + corner(&seen["size"])),
        ("lib3mf", corner(&seen["strict"]["low"]), corner(&seen["strict"]["high"])),
        ("solids", corner(&seen["solids_low"]), corner(&seen["solids_high"])),
    ];
    for (reader, low, high) in bounds {
        assert!(low.z.abs() < 1e-3, "{reader} sees it float or sink: {low}");
        assert!(low.cmpge(DVec3::splat(-1e-3)).all() && high.cmple(room + 1e-3).all(), "{reader}: {low} to {high}");
    }
    assert!(seen["solids"] == 2 && seen["solids_watertight"] == true, "{seen}");
    assert!((seen["solids_volume"].as_f64().unwrap() / volume_mm3 - 1.0).abs() < 1e-6, "{seen}");
    let (low, high) = measure::bounds(&part.mesh.positions);
    let back = (corner(&seen["in_figure"][0]), corner(&seen["in_figure"][1]));
    assert!(back.0.abs_diff_eq(low, 1e-9) && back.1.abs_diff_eq(high, 1e-9), "{back:?} was {low} to {high}");
}

/// A bar of 303 x 50 x 40 mm in a bed of 250 x 250 mm: 303.55 mm is the longest (Carver 1957).
#[test]
fn a_bar_lies_diagonally_on_the_bed() {
    let own = equipment();
    let outline = [(-150.0, 7.0), (153.0, 7.0), (153.0, 57.0), (-150.0, 57.0)].map(DVec2::from);
    let bar = labelled(part(1, prism(&outline, &[400.0, 410.0, 420.0, 430.0, 440.0])), |p| u8::from(p.x > 60.0));
    let figure = posed(vec![bar], 0.0, &own);
    let pose = figure.parts[0].pose.unwrap();
    assert!(!pose.is_by_quarters() && pose.rotation.z_axis == DVec3::Z, "{pose:?}");
    let (files, answer) = written(&figure, &own);
    lies_on_the_bed(&answer["parts"][0], &figure.parts[0], &own);
    let object = threemf::read(&files.0["parts/01-part.3mf"]).unwrap();
    assert!(object.transform.is_some());
    let on_lattice = |p: &[f64; 3]| p.iter().all(|x| (x * 16384.0).fract() == 0.0 && *x >= 0.0);
    assert!(object.positions.iter().all(on_lattice), "corners are those of the figure, near the origin");
}

/// A person of 290 mm in a bed of 250 mm: too tall to stand, too long to lie straight.
#[test]
fn a_person_lies_diagonally_on_the_bed() {
    let own = equipment();
    let mesh: TriMesh = mannequin(290.0, 70);
    let figure = posed(vec![labelled(part(1, mesh), |p| u8::from(p.z > 240.0))], 3.0, &own);
    assert!(!figure.parts[0].pose.unwrap().is_by_quarters());
    let (_, answer) = written(&figure, &own);
    lies_on_the_bed(&answer["parts"][0], &figure.parts[0], &own);
    let low = corner(&answer["parts"][0]["low"]);
    let high = low + corner(&answer["parts"][0]["size"]);
    assert!(low.min_element() > -1e-9 && low.truncate().min_element() > 3.0 - 1e-4, "{low}");
    assert!(high.cmple(DVec3::new(247.0, 247.0, 247.0) + 1e-4).all(), "{high}");
}
