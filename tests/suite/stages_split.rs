//! `split`: parts that fit, stand, match and go together, checked by independent means.

use std::collections::BTreeSet;
use std::sync::Arc;
use std::sync::atomic::AtomicBool;

use glam::{DMat3, DQuat, DVec3};
use statuary::equipment::{Changer, Equipment, Printer};
use statuary::figure::{Figure, Joint, Part};
use statuary::finding::Severity;
use statuary::mesh::inspect::inspect;
use statuary::mesh::intersect::{crossings_between, self_intersections};
use statuary::mesh::winding::Winding;
use statuary::mesh::{Origin, TriMesh, measure};
use statuary::stage::{MemorySink, StageContext, StageError, TargetSize, Transform};
use statuary::stages::split::{Axis, FixedCut, Keys, Split};

use crate::mannequin::mannequin;

fn printer(volume_mm: [f64; 3]) -> Equipment {
    let printer = Printer {
        name: "workshop".into(),
        volume_mm,
        tools: 4,
        changer: Changer::Heads,
        nozzle_mm: 0.4,
        layer_mm: 0.2,
        change_secs: 20.0,
        change_g: 0.5,
        nozzle_max_c: 280.0,
        bed_max_c: 100.0,
        flow_mm3_per_sec: 12.0,
        time_factor: 1.0,
        cost_per_hour: 0.0,
        purge_tower: None,
    };
    Equipment { shelf: Vec::new(), printer, helpers: Vec::new() }
}

pub fn figure(mesh: TriMesh, labels: Option<Vec<u8>>) -> Figure {
    let part = Part {
        number: 1,
        name: "01-figure".into(),
        mesh: Arc::new(mesh),
        labels: labels.map(Arc::new),
        pose: None,
        estimate: None,
    };
    Figure { parts: vec![part], scale: 1.0, ..Figure::default() }
}

pub struct Ran {
    pub figure: Result<Figure, StageError>,
    pub severities: Vec<Severity>,
    /// What was told, in words.
    pub told: Vec<String>,
    figures: Vec<(String, f64)>,
}

pub fn run(settings: &Split, figure: &Figure, volume_mm: [f64; 3]) -> Ran {
    let equipment = printer(volume_mm);
    let mut sink = MemorySink::default();
    let mut progress = |_: f64, _: &str| {};
    let stop = Arc::new(AtomicBool::new(false));
    let mut ctx = StageContext::new(&equipment, TargetSize::Unknown, &mut sink, stop, &mut progress);
    let figure = settings.run(figure, &mut ctx);
    let (findings, figures) = ctx.into_notes();
    let told = findings.iter().map(|f| f.what.clone()).collect();
    Ran { figure, severities: findings.iter().map(|f| f.severity).collect(), told, figures }
}

impl Ran {
    pub fn logged(&self, name: &str) -> f64 {
        self.figures.iter().find(|(n, _)| n == name).unwrap_or_else(|| panic!("{name} is not logged")).1
    }
}

/// Whether a part fits standing on a cut face, turned about the vertical by whole degrees, or, unturned, on its flat
/// underside.
fn stands_and_fits(part: &Part, volume_mm: [f64; 3], margin_mm: f64) -> bool {
    let room = DVec3::from_array(volume_mm) - DVec3::new(2.0, 2.0, 1.0) * margin_mm;
    let mesh = &part.mesh;
    let cuts = (0..mesh.triangles.len()).filter(|t| matches!(mesh.origins[*t], Origin::Cut(_)));
    let mut faces: Vec<(DVec3, f64)> = Vec::new();
    for vector in cuts.map(|t| mesh.area_vector(t) / 2.0) {
        let known = faces.iter_mut().find(|(normal, _)| normal.dot(vector) > 0.999 * vector.length());
        match known {
            Some((_, area)) => *area += vector.length(),
            None => faces.push((vector.normalize(), vector.length())),
        }
    }
    let downs = faces.into_iter().filter(|(_, area)| *area >= 25.0).map(|(normal, _)| normal);
    downs.chain([DVec3::NEG_Z]).any(|down| {
        let laid = DQuat::from_rotation_arc(down, DVec3::NEG_Z);
        let points: Vec<DVec3> = mesh.positions.iter().map(|p| laid * *p).collect();
        (0..90).any(|degrees| {
            let turn = DQuat::from_rotation_z(f64::from(degrees).to_radians());
            let turned: Vec<DVec3> = points.iter().map(|p| turn * *p).collect();
            let (low, high) = measure::bounds(&turned);
            let size = high - low;
            size.cmple(room).all() || DVec3::new(size.y, size.x, size.z).cmple(room).all()
        })
    })
}

pub fn assert_sound(part: &Part) {
    let faults = inspect(&part.mesh);
    assert!(faults.is_solid(), "{}: {faults:?}", part.name);
    assert_eq!(faults.components, 1, "{}", part.name);
    assert_eq!(self_intersections(&part.mesh), Vec::<[u32; 2]>::new(), "{}", part.name);
    let joint = |o: &Origin| o.joint().is_some();
    assert!(part.mesh.origins.iter().any(joint), "{} has no cut face", part.name);
}

/// Checks what holds for every split figure.
fn assert_split(whole: &TriMesh, split: &Figure, volume_mm: [f64; 3], margin_mm: f64) {
    let names: BTreeSet<&str> = split.parts.iter().map(|p| p.name.as_str()).collect();
    assert_eq!(names.len(), split.parts.len());
    for (i, part) in split.parts.iter().enumerate() {
        assert_sound(part);
        assert!(stands_and_fits(part, volume_mm, margin_mm), "{} does not fit", part.name);
        assert_eq!(part.number, i + 1);
        assert!(part.name.starts_with(&format!("{:02}-", i + 1)));
        assert!(part.name.bytes().all(|b| b.is_ascii_lowercase() || b.is_ascii_digit() || b == b'-'));
    }
    for (a, b) in split.joints.iter().map(|j| (j.a, j.b)) {
        assert_eq!(crossings_between(&split.parts[a].mesh, &split.parts[b].mesh), Vec::<[u32; 2]>::new());
    }
    let skin = |mesh: &TriMesh| -> f64 {
        let outside = (0..mesh.triangles.len()).filter(|t| mesh.origins[*t].is_outside());
        outside.map(|t| mesh.area_vector(t).length() / 2.0).sum()
    };
    let skins: f64 = split.parts.iter().map(|p| skin(&p.mesh)).sum();
    assert!((skins - skin(whole)).abs() < 1e-6 * skin(whole), "skin was lost or added");
    for joint in &split.joints {
        assert_keys_are_sockets(split, joint);
    }
    assert_glue_order(split);
}

/// On both sides of a joint the key's place is hollow down to its depth, with solid around and below it.
fn assert_keys_are_sockets(split: &Figure, joint: &Joint) {
    for (part, way) in [(joint.a, -joint.normal), (joint.b, joint.normal)] {
        let mesh = &split.parts[part].mesh;
        let winding = Winding::new(&mesh.positions, &mesh.triangles);
        for key in &joint.keys {
            let reach = 0.5 * key.socket_mm;
            let aside = joint.normal.any_orthonormal_vector();
            for depth in [0.1, 0.5, 0.95] {
                let inside = key.centre + way * depth * key.depth_mm;
                assert!(winding.at(inside).abs() < 0.5, "the socket is blocked");
                for turn in 0..12 {
                    let turned =
                        DMat3::from_axis_angle(joint.normal, f64::from(turn) * std::f64::consts::FRAC_PI_6) * aside;
                    assert!(winding.at(inside + turned * 0.98 * reach).abs() < 0.5, "the socket is too narrow");
                    assert!(winding.at(inside + turned * (reach + 1.5)) > 0.5, "the socket has no wall");
                }
            }
            assert!(winding.at(key.centre + way * (key.depth_mm + 1.5)) > 0.5, "the socket has no floor");
        }
    }
}

/// Joints that are glued together lie in one plane and unite groups of parts that were apart before.
pub fn assert_glue_order(split: &Figure) {
    let sorted: BTreeSet<usize> = split.glue_order.iter().copied().collect();
    assert_eq!(sorted, (0..split.joints.len()).collect());
    let mut group: Vec<usize> = (0..split.parts.len()).collect();
    let plane = |j: &usize| (split.joints[*j].normal, split.joints[*j].offset_mm);
    for together in split.glue_order.chunk_by(|i, j| plane(i) == plane(j)) {
        let before = group.clone();
        for j in together {
            let joint = &split.joints[*j];
            assert_ne!(before[joint.a], before[joint.b], "joint {j} would be locked out");
            let (from, to) = (group[joint.b], group[joint.a]);
            group.iter_mut().filter(|g| **g == from).for_each(|g| *g = to);
        }
    }
    assert!(group.iter().all(|g| *g == group[0]), "the figure does not hold together");
}

#[test]
fn the_mannequin_is_a_solid_with_flat_soles() {
    let faults = inspect(&mannequin(1750.0, 70));
    assert!(faults.is_solid(), "{faults:?}");
    assert_eq!(faults.components, 1);
}

#[test]
fn a_desk_figure_stays_whole() {
    let before = figure(mannequin(200.0, 60), None);
    let ran = run(&Split::default(), &before, [256.0; 3]);
    assert_eq!(ran.logged("parts"), 1.0);
    assert_eq!(ran.severities, [Severity::Note]);
    assert_eq!(ran.figure.unwrap(), before);
}

#[test]
fn a_life_size_figure_comes_in_parts_that_fit() {
    let whole = mannequin(1750.0, 110);
    let volume = [360.0; 3];
    let ran = run(&Split::default(), &figure(whole.clone(), None), volume);
    let split = ran.figure.as_ref().unwrap();
    assert_split(&whole, split, volume, 3.0);
    assert!((8..=18).contains(&split.parts.len()), "{} parts", split.parts.len());
    assert!(ran.logged("volume_error_relative") < 1e-9);
    assert_eq!(ran.logged("joints"), split.joints.len() as f64);
    assert_eq!(*split.whole, whole);
    assert!(!ran.severities.contains(&Severity::Fault));
    // Nothing is cut above the chin.
    let above_chin = |j: &Joint| j.normal == DVec3::Z && j.offset_mm > 0.88 * 1750.0;
    assert!(!split.joints.iter().any(above_chin));
    // Two dowels of different size on nearly every joint, so that it closes one way only.
    let paired = split.joints.iter().filter(|j| matches!(j.keys.as_slice(), [a, b] if a.dowel_mm != b.dowel_mm));
    assert!(paired.count() * 10 >= split.joints.len() * 8);
}

#[test]
fn a_small_bed_takes_more_parts() {
    let whole = mannequin(900.0, 80);
    let volume = [220.0, 220.0, 250.0];
    let ran = run(&Split { margin_mm: 5.0, ..Split::default() }, &figure(whole.clone(), None), volume);
    let split = ran.figure.unwrap();
    assert_split(&whole, &split, volume, 5.0);
    assert!(split.parts.len() >= 8);
}

#[test]
fn labels_go_with_the_skin_and_onto_cut_faces() {
    let whole = mannequin(800.0, 60);
    let label = |mesh: &TriMesh, t: usize| u8::from(mesh.corners(t).iter().map(|p| p.z).sum::<f64>() / 3.0 > 400.0);
    let labels = (0..whole.triangles.len()).map(|t| label(&whole, t)).collect();
    let split = run(&Split::default(), &figure(whole, Some(labels)), [256.0; 3]).figure.unwrap();
    for part in &split.parts {
        let labels = part.labels.as_ref().unwrap();
        assert_eq!(labels.len(), part.mesh.triangles.len());
        for (t, own) in labels.iter().enumerate() {
            let middle = part.mesh.corners(t).iter().map(|p| p.z).sum::<f64>() / 3.0;
            let level = part.mesh.origins[t].is_outside() && (middle - 400.0).abs() > 12.0;
            assert!(!level || *own == u8::from(middle > 400.0));
        }
        for joint in split.joints.iter().filter(|j| j.normal == DVec3::Z && (j.offset_mm - 400.0).abs() > 30.0) {
            let index = split.joints.iter().position(|j| j == joint);
            let faces = (0..labels.len()).filter(|t| part.mesh.origins[*t].joint().map(usize::from) == index);
            faces.for_each(|t| assert_eq!(labels[t], u8::from(joint.offset_mm > 400.0)));
        }
    }
}

#[test]
fn threads_do_not_change_the_result() {
    let before = figure(mannequin(1200.0, 60), None);
    let on = |threads: usize| {
        let pool = rayon::ThreadPoolBuilder::new().num_threads(threads).build().unwrap();
        pool.install(|| run(&Split::default(), &before, [300.0; 3]).figure.unwrap())
    };
    assert_eq!(on(1), on(3));
}

#[test]
fn cuts_by_hand_come_first() {
    let whole = mannequin(600.0, 60);
    let cuts = vec![
        FixedCut { axis: Axis::Z, at_mm: None, share: Some(0.5), tilt_deg: None, towards: None, side: None },
        FixedCut { axis: Axis::X, at_mm: Some(100.0), share: None, tilt_deg: None, towards: None, side: None },
    ];
    let settings = Split { cuts, ..Split::default() };
    let split = run(&settings, &figure(whole.clone(), None), [400.0; 3]).figure.unwrap();
    assert_split(&whole, &split, [400.0; 3], 3.0);
    let (low, high) = measure::bounds(&whole.positions);
    let near = |j: &Joint, normal: DVec3, at: f64| j.normal == normal && (j.offset_mm - at).abs() < 0.01;
    assert!(split.joints.iter().any(|j| near(j, DVec3::Z, 0.5 * (low.z + high.z))));
    assert!(split.joints.iter().any(|j| near(j, DVec3::X, low.x + 100.0)));
}

#[test]
fn without_keys_nothing_is_drilled() {
    let settings = Split { keys: Keys::None, marks: false, ..Split::default() };
    let ran = run(&settings, &figure(mannequin(600.0, 50), None), [256.0; 3]);
    let split = ran.figure.as_ref().unwrap();
    assert!(split.joints.iter().all(|j| j.keys.is_empty()));
    let origins = split.parts.iter().flat_map(|p| &p.mesh.origins);
    assert!(!origins.into_iter().any(|o| matches!(o, Origin::Key(_))));
    assert!(!ran.severities.contains(&Severity::Warning));
}

#[test]
fn what_cannot_be_done_is_said() {
    let small = run(&Split::default(), &figure(mannequin(600.0, 40), None), [50.0; 3]);
    assert!(matches!(small.figure, Err(StageError::Failed { what, .. }) if what.contains("no room")));
    let twice = run(&Split::default(), &figure(mannequin(600.0, 40), None), [256.0; 3]).figure.unwrap();
    let again = run(&Split::default(), &twice, [256.0; 3]);
    assert!(matches!(again.figure, Err(StageError::Failed { what, .. }) if what.contains("parts")));
}

#[test]
fn settings_that_make_no_sense_are_named() {
    assert!(Split::default().check().is_empty());
    let settings = Split {
        margin_mm: f64::NAN,
        dowel_mm: vec![6.0, -1.0],
        wall_min_mm: 0.0,
        key_depth_mm: Some(0.0),
        cuts: vec![FixedCut {
            axis: Axis::Y,
            at_mm: Some(3.0),
            share: Some(0.5),
            tilt_deg: None,
            towards: None,
            side: None,
        }],
        ..Split::default()
    };
    let named: Vec<String> = settings.check().into_iter().map(|p| p.setting).collect();
    assert_eq!(named, ["margin_mm", "wall_min_mm", "key_depth_mm", "dowel_mm[1]", "cuts[0]"]);
    let empty = Split { dowel_mm: Vec::new(), ..Split::default() };
    assert_eq!(empty.check().len(), 1);
}
