//! Intake: unit and up axis, place, colours from pictures, and what its settings change.
#![allow(clippy::float_cmp, clippy::unwrap_used)] // exact numbers go in and come out; what cannot be built fails the test

use std::fmt::Write as _;
use std::sync::Arc;
use std::sync::atomic::AtomicBool;

use glam::DVec3;
use proptest::prelude::*;
use statuary::colour::spaces;
use statuary::equipment::{Changer, Equipment, Printer};
use statuary::figure::Figure;
use statuary::finding::Finding;
use statuary::format::ScanFiles;
use statuary::stage::{MemorySink, Settings, StageContext, StageError, TargetSize};
use statuary::stages::intake::{Axis, Intake, MissingPicture, Unit};

fn equipment() -> Equipment {
    let printer = Printer {
        name: "pier".to_owned(),
        volume_mm: [250.0; 3],
        tools: 4,
        changer: Changer::Shared,
        nozzle_mm: 0.4,
        layer_mm: 0.2,
        change_secs: 60.0,
        change_g: 0.5,
        nozzle_max_c: 280.0,
        bed_max_c: 100.0,
        flow_mm3_per_sec: 10.0,
        time_factor: 1.0,
        cost_per_hour: 0.0,
        purge_tower: None,
    };
    Equipment { shelf: Vec::new(), printer, helpers: Vec::new() }
}

/// Runs intake on a scan; gives the findings too.
fn take_in(intake: &Intake, files: &ScanFiles, target: TargetSize) -> Result<(Figure, Vec<Finding>), StageError> {
    let equipment = equipment();
    let (mut sink, mut progress) = (MemorySink::default(), |_: f64, _: &str| {});
    let mut ctx = StageContext::new(&equipment, target, &mut sink, Arc::new(AtomicBool::new(false)), &mut progress);
    let figure = intake.read(files, &mut ctx)?;
    Ok((figure, ctx.into_notes().0))
}

fn scan(name: &str, text: &str) -> ScanFiles {
    let mut files = ScanFiles { main: name.to_owned(), ..ScanFiles::default() };
    files.files.insert(name.to_owned(), text.as_bytes().to_vec());
    files
}

/// A box as OBJ text, `first` being the number of its first vertex.
fn box_obj(text: &mut String, first: usize, low: DVec3, high: DVec3, place: &dyn Fn(DVec3) -> DVec3) {
    for n in 0..8 {
        let pick = |bit: usize, axis: usize| if n >> bit & 1 == 0 { low[axis] } else { high[axis] };
        let p = place(DVec3::new(pick(0, 0), pick(1, 1), pick(2, 2)));
        writeln!(text, "v {} {} {}", p.x, p.y, p.z).unwrap();
    }
    for side in [[0, 2, 3, 1], [4, 5, 7, 6], [0, 1, 5, 4], [2, 6, 7, 3], [0, 4, 6, 2], [1, 3, 7, 5]] {
        let [a, b, c, d] = side.map(|n| first + n);
        writeln!(text, "f {a} {b} {c} {d}").unwrap();
    }
}

/// A deckhand of boxes, 1750 mm tall and upright along z, put where `place` says.
fn deckhand(place: &dyn Fn(DVec3) -> DVec3) -> String {
    let boxes = [
        ([-180.0, -80.0, 0.0], [-60.0, 180.0, 80.0]),
        ([60.0, -80.0, 0.0], [180.0, 180.0, 80.0]),
        ([-170.0, -70.0, 80.0], [-70.0, 60.0, 850.0]),
        ([70.0, -70.0, 80.0], [170.0, 60.0, 850.0]),
        ([-230.0, -110.0, 850.0], [230.0, 110.0, 1480.0]),
        ([-330.0, -60.0, 750.0], [-240.0, 60.0, 1450.0]),
        ([240.0, -60.0, 750.0], [330.0, 60.0, 1450.0]),
        ([-80.0, -90.0, 1480.0], [80.0, 110.0, 1750.0]),
    ];
    let mut text = String::new();
    for (n, (low, high)) in boxes.into_iter().enumerate() {
        box_obj(&mut text, 8 * n + 1, DVec3::from_array(low), DVec3::from_array(high), place);
    }
    text
}

type Turn = fn(DVec3) -> DVec3;

/// Turns that bring z to each of the six directions, by their name.
fn turns() -> [(&'static str, Turn); 6] {
    [
        ("+z", |p| p),
        ("-z", |p| DVec3::new(p.x, -p.y, -p.z)),
        ("+y", |p| DVec3::new(p.x, p.z, -p.y)),
        ("-y", |p| DVec3::new(p.x, -p.z, p.y)),
        ("+x", |p| DVec3::new(p.z, p.y, -p.x)),
        ("-x", |p| DVec3::new(-p.z, p.y, p.x)),
    ]
}

#[test]
fn a_standing_figure_is_recognised_in_every_unit_and_axis() {
    for (axis, turn) in turns() {
        for (unit, mm) in [("mm", 1.0), ("cm", 10.0), ("m", 1000.0), ("in", 25.4), ("ft", 304.8)] {
            let text = deckhand(&|p| turn(p) / mm + DVec3::splat(3.0));
            let (figure, _) = take_in(&Intake::default(), &scan("a.obj", &text), TargetSize::Unknown).unwrap();
            assert_eq!((figure.scan.up.as_str(), figure.scan.unit.as_str()), (axis, unit));
            assert!(figure.scan.up_confidence > 0.7 && figure.scan.unit_confidence > 0.8);
            assert!((figure.scan.height_mm - 1750.0).abs() < 1e-9);
            let (low, high) = figure.bounds();
            if axis == "+z" {
                assert!((low - DVec3::new(-330.0, -145.0, 0.0)).length() < 1e-9);
            }
            assert!(low.z.abs() < 1e-9 && (low.x + high.x).abs() < 1e-9 && (low.y + high.y).abs() < 1e-9);
            let head = figure.parts[0].mesh.positions.iter().filter(|p| p.z > 1700.0);
            assert!(head.clone().count() == 4 && head.clone().all(|p| p.truncate().length() < 250.0));
        }
    }
}

#[test]
fn given_unit_and_axis_win() {
    let text = deckhand(&|p| p / 1000.0);
    let intake = Intake { unit: Some(Unit::Cm), up: Some(Axis::MinusX), ..Intake::default() };
    let (figure, findings) = take_in(&intake, &scan("Ahoy.obj", &text), TargetSize::Unknown).unwrap();
    assert_eq!((figure.scan.name.as_str(), figure.scan.up.as_str(), figure.scan.unit.as_str()), ("Ahoy", "-x", "cm"));
    assert!((figure.scan.height_mm - 6.6).abs() < 1e-9);
    assert!(findings.iter().all(|f| !f.hint.contains("--set")));
}

#[test]
fn a_bust_gets_a_warning_that_says_what_to_do() {
    let text = deckhand(&|p| 0.3 * p);
    let (figure, findings) = take_in(&Intake::default(), &scan("a.obj", &text), TargetSize::Unknown).unwrap();
    assert!(figure.scan.unit_confidence < 0.5);
    assert!(findings.iter().any(|f| f.hint.contains("--set intake.unit=cm")));
}

#[test]
fn specks_around_the_subject_do_not_move_it() {
    let mut text = deckhand(&|p| p);
    for n in 0..20 {
        let at = DVec3::new(2000.0, 90.0 * f64::from(n) - 900.0, -400.0);
        box_obj(&mut text, 65 + 8 * n as usize, at, at + 6.0, &|p| p);
    }
    let (figure, _) = take_in(&Intake::default(), &scan("a.obj", &text), TargetSize::Unknown).unwrap();
    assert_eq!((figure.scan.up.as_str(), figure.scan.unit.as_str()), ("+z", "mm"));
    assert!((figure.scan.height_mm - 1750.0).abs() < 1e-9);
    let mesh = &figure.parts[0].mesh;
    assert!(mesh.positions[..64].iter().all(|p| p.z >= 0.0));
    assert!(mesh.positions[64..].iter().all(|p| p.z < -390.0), "the specks stay, below the floor");
}

/// A board of 1 m by 1 m, cut into four squares, with a picture: grey on the left half, fine stripes on the right.
fn striped_board() -> ScanFiles {
    let mut text = "mtllib board.mtl\nusemtl board\n".to_owned();
    for n in 0..9 {
        let (x, z) = (0.5 * f64::from(n % 3), 0.5 * f64::from(n / 3));
        writeln!(text, "v {x} 0 {z}\nvt {x} {z}").unwrap();
    }
    for n in [1, 2, 4, 5] {
        writeln!(text, "f {n}/{n} {0}/{0} {1}/{1} {2}/{2}", n + 1, n + 4, n + 3).unwrap();
    }
    let mut files = scan("board.obj", &text);
    files.files.insert("board.mtl".to_owned(), b"newmtl board\nmap_Kd board.png\n".to_vec());
    let stripe = |x: u32| if x < 128 { [128; 3] } else { [[255, 0, 0], [0, 0, 255]][x as usize / 32 % 2] };
    let picture = image::RgbImage::from_fn(256, 256, |x, _| image::Rgb(stripe(x)));
    let mut png = std::io::Cursor::new(Vec::new());
    picture.write_to(&mut png, image::ImageFormat::Png).unwrap();
    files.files.insert("board.png".to_owned(), png.into_inner());
    files
}

fn board_settings() -> Intake {
    Intake { unit: Some(Unit::M), up: Some(Axis::PlusZ), colour_detail_mm: 1.0, ..Intake::default() }
}

#[test]
fn only_what_a_picture_shows_is_refined() {
    let (figure, _) = take_in(&board_settings(), &striped_board(), TargetSize::HeightMm(100.0)).unwrap();
    let mesh = &figure.parts[0].mesh;
    let middle = |t: usize| mesh.corners(t).iter().sum::<DVec3>() / 3.0;
    // At a tenth of the size, 1 mm of detail is 10 mm of the scan; the stripes are 125 mm wide.
    let is_far_left = |t: &usize| middle(*t).x < -100.0;
    let left = (0..mesh.triangles.len()).filter(is_far_left).count();
    assert!(left < 300 && mesh.triangles.len() > 3000, "{left} of {}", mesh.triangles.len());
    let longest =
        |t: usize| (0..3).map(|n| mesh.corners(t)[n].distance(mesh.corners(t)[(n + 1) % 3])).fold(0.0, f64::max);
    let at_border = |t: usize| [125.0, 250.0, 375.0].iter().any(|x| (middle(t).x - x).abs() < 3.0);
    assert!((0..mesh.triangles.len()).all(|t| !at_border(t) || longest(t) <= 10.0 + 1e-9));
    let (red, blue) = (spaces::linear_of_bytes([255, 0, 0]), spaces::linear_of_bytes([0, 0, 255]));
    for (p, colour) in mesh.positions.iter().zip(&mesh.colours) {
        let into_stripe = p.x.rem_euclid(125.0);
        if p.x > 12.0 && (12.0..113.0).contains(&into_stripe) {
            let expected = if p.x < 125.0 || (250.0..375.0).contains(&p.x) { red } else { blue };
            assert!((0..3).all(|n| (colour[n] - expected[n]).abs() < 1e-3), "{p}: {colour:?}");
        }
    }
}

#[test]
fn refining_stops_at_the_cap_and_says_so() {
    let intake = Intake { triangles_max: 2000, colour_detail_mm: 0.5, ..board_settings() };
    let (figure, findings) = take_in(&intake, &striped_board(), TargetSize::Unknown).unwrap();
    assert!(figure.parts[0].mesh.triangles.len() <= 2000);
    assert!(findings.iter().any(|f| f.hint.contains("intake.colour_detail_mm")));
}

#[test]
fn the_same_scan_gives_the_same_mesh_on_any_number_of_threads() {
    let meshes = [1, 2, 5].map(|threads| {
        let pool = rayon::ThreadPoolBuilder::new().num_threads(threads).build().unwrap();
        let run = || take_in(&board_settings(), &striped_board(), TargetSize::HeightMm(100.0));
        pool.install(run).unwrap().0.parts[0].mesh.clone()
    });
    assert_eq!(meshes[0], meshes[1]);
    assert_eq!(meshes[0], meshes[2]);
}

#[test]
fn a_missing_picture_stops_the_run_unless_told_otherwise() {
    let mut files = striped_board();
    files.files.remove("board.png");
    let error = take_in(&board_settings(), &files, TargetSize::Unknown).unwrap_err();
    assert_eq!(error.to_string(), "`board.mtl`: refers to `board.png`, which is not there");
    let intake = Intake { missing_picture: MissingPicture::Ignore, ..board_settings() };
    let (figure, findings) = take_in(&intake, &files, TargetSize::Unknown).unwrap();
    assert!(!figure.scan.has_colour && figure.parts[0].mesh.triangles.len() == 8);
    assert!(findings.iter().any(|f| f.what.contains("the picture `board.png` is missing")));
}

/// A cube in mm of which each side has corners and a colour of its own.
fn unwelded_cube() -> String {
    let mut cube = String::new();
    box_obj(&mut cube, 1, DVec3::ZERO, DVec3::splat(100.0), &|p| p);
    let vertices: Vec<&str> = cube.lines().filter_map(|line| line.strip_prefix("v ")).collect();
    let sides: Vec<&str> = cube.lines().filter_map(|line| line.strip_prefix("f ")).collect();
    let mut text = "ply\nformat ascii 1.0\nelement vertex 24\nproperty float x\nproperty float y\nproperty float z\n\
        element face 6\nproperty list uchar int vertex_indices\nproperty uchar red\nproperty uchar green\n\
        property uchar blue\nend_header\n"
        .to_owned();
    for side in &sides {
        for corner in side.split(' ') {
            writeln!(text, "{}", vertices[corner.parse::<usize>().unwrap() - 1]).unwrap();
        }
    }
    for n in 0..6 {
        writeln!(text, "4 {} {} {} {} {} 0 {}", 4 * n, 4 * n + 1, 4 * n + 2, 4 * n + 3, 40 * n, 255 - 40 * n).unwrap();
    }
    text
}

#[test]
fn seams_are_welded_and_face_colours_keep_their_borders() {
    let intake = Intake { unit: Some(Unit::Mm), up: Some(Axis::PlusZ), colour_detail_mm: 4.0, ..Intake::default() };
    let (figure, _) = take_in(&intake, &scan("cube.ply", &unwelded_cube()), TargetSize::Unknown).unwrap();
    let mesh = &figure.parts[0].mesh;
    let mut edges = std::collections::BTreeMap::new();
    for &[a, b, c] in &mesh.triangles {
        for (from, to) in [(a, b), (b, c), (c, a)] {
            *edges.entry((from, to)).or_insert(0) += 1;
        }
    }
    assert!(edges.iter().all(|(&(a, b), &count)| count == 1 && edges.contains_key(&(b, a))), "closed");
    // The top is the second side, colour (40, 0, 215); beyond one detail from its rim it is pure.
    let expected = spaces::linear_of_bytes([40, 0, 215]);
    let inside = |p: &DVec3| p.z > 99.999 && p.truncate().abs().max_element() < 45.9;
    let mut seen = 0;
    for (_, colour) in mesh.positions.iter().zip(&mesh.colours).filter(|(p, _)| inside(p)) {
        assert!((0..3).all(|n| (colour[n] - expected[n]).abs() < 1e-6));
        seen += 1;
    }
    assert!(seen > 20);
}

#[test]
fn vertex_colours_pass_unchanged() {
    let text = "v 0 0 0 1 0 0\nv 1 0 0 0 1 0\nv 0 1 0 0 0 1\nv 0 0 1 1 1 1\nf 1 3 2\nf 1 2 4\nf 2 3 4\nf 3 1 4\n";
    let (figure, _) = take_in(&Intake::default(), &scan("a.obj", text), TargetSize::Unknown).unwrap();
    let mesh = &figure.parts[0].mesh;
    assert_eq!(mesh.triangles.len(), 4);
    let expected = [[1.0, 0.0, 0.0], [0.0, 1.0, 0.0], [0.0, 0.0, 1.0], [1.0; 3]];
    for (found, expected) in mesh.colours.iter().zip(expected) {
        assert!((0..3).all(|n| (found[n] - expected[n]).abs() < 1e-6));
    }
    assert_eq!((figure.parts[0].number, figure.parts[0].name.as_str(), figure.scale), (1, "01-figure", 1.0));
    assert!(Arc::ptr_eq(&figure.scan_mesh, &figure.whole) && Arc::ptr_eq(&figure.whole, &figure.parts[0].mesh));
}

#[test]
fn scans_beyond_the_limit_are_refused() {
    let intake = Intake { triangles_max: 50, ..Intake::default() };
    let error = take_in(&intake, &scan("a.obj", &deckhand(&|p| p)), TargetSize::Unknown).unwrap_err();
    assert_eq!(error.to_string(), "the scan has 96 triangles, at most 50 are worked on");
    assert!(matches!(error, StageError::Scan { .. }));
}

#[test]
fn settings_are_read_as_written_and_checked() {
    let parsed: Intake = serde_yaml::from_str("{unit: cm, up: -x, missing_picture: ignore}").unwrap();
    let expected = Intake {
        unit: Some(Unit::Cm),
        up: Some(Axis::MinusX),
        missing_picture: MissingPicture::Ignore,
        ..Intake::default()
    };
    assert_eq!(parsed, expected);
    let text = serde_yaml::to_string(&Intake::default()).unwrap();
    assert!(text.contains("unit: auto") && text.contains("up: auto"), "{text}");
    assert_eq!(serde_yaml::from_str::<Intake>(&text).unwrap(), Intake::default());
    let error = serde_yaml::from_str::<Intake>("unit: yard").unwrap_err().to_string();
    assert!(error.contains("unknown variant `yard`") && error.contains("`auto`"), "{error}");
    assert!(serde_yaml::from_str::<Intake>(Intake::EXAMPLE).unwrap().check().is_empty());
    assert!(Intake::default().check().is_empty());
    let wrong = Intake { colour_detail_mm: f64::NAN, triangles_max: 3, ..Intake::default() };
    let settings: Vec<String> = wrong.check().into_iter().map(|p| p.setting).collect();
    assert_eq!(settings, ["colour_detail_mm", "triangles_max"]);
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 200, failure_persistence: None, ..ProptestConfig::default() })]

    #[test]
    fn odd_meshes_give_a_sound_figure_or_an_error(
        vertices in prop::collection::vec(prop::array::uniform3(odd_number()), 3..12),
        uvs in prop::collection::vec(prop::array::uniform2(odd_number()), 1..6),
        faces in prop::collection::vec(prop::array::uniform3((any::<prop::sample::Index>(), any::<prop::sample::Index>())), 1..20),
        target_mm in prop::sample::select(vec![0.0, 1e-9, 100.0, 1e9, f64::NAN]),
    ) {
        let mut text = "mtllib board.mtl\nusemtl board\n".to_owned();
        for [x, y, z] in &vertices {
            writeln!(text, "v {x} {y} {z}").unwrap();
        }
        for [u, v] in &uvs {
            writeln!(text, "vt {u} {v}").unwrap();
        }
        for corners in &faces {
            text.push('f');
            for (vertex, uv) in corners {
                write!(text, " {}/{}", vertex.index(vertices.len()) + 1, uv.index(uvs.len()) + 1).unwrap();
            }
            text.push('\n');
        }
        let mut files = striped_board();
        files.files.insert("board.obj".to_owned(), text.into_bytes());
        let intake = Intake { drop_non_finite: true, triangles_max: 3000, ..Intake::default() };
        if let Ok((figure, _)) = take_in(&intake, &files, TargetSize::HeightMm(target_mm)) {
            let mesh = &figure.parts[0].mesh;
            prop_assert!(!mesh.triangles.is_empty() && mesh.triangles.len() <= 3000);
            prop_assert!(mesh.triangles.iter().all(|[a, b, c]| a != b && b != c && c != a));
            prop_assert!(mesh.positions.iter().all(|p| p.is_finite()));
            prop_assert_eq!(mesh.colours.len(), mesh.positions.len());
            prop_assert!(mesh.colours.iter().flatten().all(|c| (0.0..=1.0).contains(c)));
        }
    }
}

/// Numbers that arithmetic stumbles over.
fn odd_number() -> impl Strategy<Value = f64> {
    prop::sample::select(vec![0.0, -0.0, 1.0, -1.0, 0.5, 1.75, 1e-30, 1e7, 1e11, -1e30, 1e300, f64::NAN, f64::INFINITY])
}
