//! `recut`: the rest of a part above a height is exactly what the printed half lacks, and is fit to print.

use std::collections::{BTreeMap, BTreeSet};
use std::fs;
use std::io::{Cursor, Read, Write};
use std::path::{Path, PathBuf};
use std::process::Output;
use std::sync::OnceLock;

use glam::{DMat3, DVec2, DVec3};
use serde_json::Value;
use statuary::format::threemf::{self, ColouredObject};
use statuary::mesh::inspect::inspect;
use statuary::mesh::intersect::self_intersections;
use statuary::mesh::slice::Slicer;
use statuary::mesh::tree::TriTree;
use statuary::mesh::winding::Winding;
use statuary::mesh::{TriMesh, measure, outline};
use statuary::units::{LATTICE_MM, snap_mm};

use super::support::{command, digests, folder, json, oracle, small_scan, statuary, stderr, text};

/// A published run of the small scan in several parts, made once.
fn source() -> &'static Path {
    static RUN: OnceLock<(tempfile::TempDir, PathBuf)> = OnceLock::new();
    let (_, run) = RUN.get_or_init(|| {
        let folder = folder();
        let out = folder.path().join("run");
        let output = statuary(&["run", &text(&small_scan()), "--pipeline", "half-size", "--out", &text(&out)]);
        assert!(output.status.success(), "{}", stderr(&output));
        (folder, out)
    });
    run
}

fn copy_of_source(into: &Path) -> PathBuf {
    let to = into.join("copy");
    for (name, _) in digests(source(), &[".stages"]) {
        let file = to.join(&name);
        fs::create_dir_all(file.parent().unwrap()).unwrap();
        fs::copy(source().join(&name), file).unwrap();
    }
    to
}

fn recut(run: &Path, part: &str, mm: f64, out: &Path, more: &[&str]) -> Output {
    let (run, mm, out) = (text(run), mm.to_string(), text(out));
    let mut args = vec!["recut", &run, part, "--printed-to-mm", &mm, "--out", &out];
    args.extend(more);
    statuary(&args)
}

/// What a file holds, as it lies on the bed; corners are put on half steps of the lattice there, as `recut` does: those of a
/// part that is turned by its file, or stands on a tilted face, lie beside them.
fn object(path: &Path) -> ColouredObject {
    let object = threemf::read(&fs::read(path).unwrap()).unwrap();
    let positions = object.placed().into_iter().map(|p| p.map(|v| 0.5 * snap_mm(2.0 * v) + 0.0)).collect();
    ColouredObject { positions, transform: None, ..object }
}

fn mesh(object: &ColouredObject) -> TriMesh {
    TriMesh::from_shape(object.positions.iter().map(|p| DVec3::from(*p)).collect(), object.triangles.clone())
}

/// Figure coordinates of a file's point, by a row-major 4x4 matrix.
fn placed(entry: &Value, p: DVec3) -> DVec3 {
    let m: Vec<f64> = serde_json::from_value(entry["placement"].clone()).unwrap();
    DVec3::from_array([0, 4, 8].map(|r| m[r] * p.x + m[r + 1] * p.y + m[r + 2] * p.z + m[r + 3]))
}

fn parts() -> Vec<Value> {
    json(&source().join("assembly.json"))["parts"].as_array().unwrap().clone()
}

fn number(value: &Value) -> f64 {
    value.as_f64().unwrap()
}

fn area_at_zero_mm2(mesh: &TriMesh) -> f64 {
    let level = |t: &usize| mesh.corners(*t).iter().all(|p| p.z == 0.0);
    (0..mesh.triangles.len()).filter(level).map(|t| 0.5 * mesh.area_vector(t).length()).sum()
}

/// Everything that must hold for a recut without dowels; gives the number of pieces.
fn holds(run: &Path, part: &Value, out: &Path) -> usize {
    let whole_object = object(&run.join(part["file"].as_str().unwrap()));
    let whole = mesh(&whole_object);
    let record = json(&out.join("recut.json"));
    let plane = number(&record["plane_mm"]);
    assert!((plane - number(&record["height_mm"])).abs() < 1e-3, "{record}");
    let layers = number(&record["height_mm"]) / 0.2;
    assert!((layers - layers.round()).abs() < 1e-9, "a whole layer: {layers}");
    let slicer = Slicer::new(&whole.positions, &whole.triangles);
    let section = outline::loops_area_mm2(&slicer.loops(plane));
    let tree = TriTree::new(&whole.positions, &whole.triangles);
    let (mut rest_mm3, mut face_mm2, mut corners) = (0.0, 0.0, BTreeSet::new());
    let pieces = record["parts"].as_array().unwrap();
    for piece in pieces {
        let rest = mesh(&object(&out.join(piece["file"].as_str().unwrap())));
        let faults = inspect(&rest);
        assert!(faults.is_solid() && faults.components == 1, "{piece}: {faults:?}");
        assert!(self_intersections(&rest).is_empty(), "{piece}");
        assert_eq!(measure::bounds(&rest.positions).0.z, 0.0);
        rest_mm3 += faults.volume_mm3;
        let face = area_at_zero_mm2(&rest);
        assert!((face / number(&piece["face_mm2"]) - 1.0).abs() < 1e-9, "{face}, {piece}");
        face_mm2 += face;
        for p in &rest.positions {
            let lifted = *p + DVec3::Z * plane;
            // The matrix products round.
            assert!(placed(piece, *p).distance(placed(part, lifted)) < 1e-9, "a point moved in the figure");
            assert!(tree.nearest(lifted, 1.0).is_some_and(|near| near.distance < 1e-4), "{p} is not on the part");
            corners.insert(lifted.to_array().map(f64::to_bits));
        }
    }
    let above = whole.positions.iter().filter(|p| p.z > plane + 0.2);
    let lost = above.filter(|p| !corners.contains(&p.to_array().map(f64::to_bits))).count();
    assert_eq!(lost, 0, "corners of the part are missing");
    assert!((face_mm2 / section - 1.0).abs() < 1e-5, "face {face_mm2}, section {section}");
    let sum = rest_mm3 + number(&record["kept_mm3"]) + number(&record["crumbs_mm3"]);
    let part_mm3 = measure::volume_mm3(&whole);
    // Rim points are rounded to the lattice: the crossed triangles may move by that much, a third of it in the mean.
    let crossed = |t: &usize| {
        let heights = whole.corners(*t).map(|p| p.z > plane);
        heights.contains(&true) && heights.contains(&false)
    };
    let crossed_mm2: f64 =
        (0..whole.triangles.len()).filter(crossed).map(|t| 0.5 * whole.area_vector(t).length()).sum();
    let allowed_mm3 = crossed_mm2 * LATTICE_MM / 3.0;
    assert!((sum - part_mm3).abs() < allowed_mm3 + 1e-12 * part_mm3, "{sum} against {part_mm3}, {allowed_mm3} allowed");
    pieces.len()
}

#[test]
fn halves_and_rest_are_the_part_at_any_height() {
    let before = digests(source(), &[]);
    let folder = folder();
    for (i, part) in parts().iter().enumerate() {
        let top = number(&part["size_mm"][2]);
        let share = [0.13, 0.5, 0.81][i % 3];
        let out = folder.path().join(i.to_string());
        let output = recut(source(), &part["number"].to_string(), share * top, &out, &[]);
        assert!(matches!(output.status.code(), Some(0 | 7)), "{}", stderr(&output));
        assert!(holds(source(), part, &out) >= 1);
        for file in ["report.html", "run.json"] {
            assert!(out.join(file).is_file(), "{file}");
        }
        assert!(!out.join("drilling-template.html").exists(), "no dowels, no template");
    }
    assert_eq!(digests(source(), &[]), before, "the run is left as it was");
}

#[test]
fn colours_are_kept_and_the_face_is_of_the_core() {
    let folder = folder();
    let part = parts().pop().unwrap();
    let out = folder.path().join("rest");
    let output = recut(source(), part["name"].as_str().unwrap(), 0.4 * number(&part["size_mm"][2]), &out, &[]);
    assert!(matches!(output.status.code(), Some(0 | 7)), "{}", stderr(&output));
    let record = json(&out.join("recut.json"));
    let plane = number(&record["plane_mm"]);
    let whole = object(&source().join(part["file"].as_str().unwrap()));
    let piece = &record["parts"][0];
    let rest = object(&out.join(piece["file"].as_str().unwrap()));
    let key = |object: &ColouredObject, t: usize, lift: f64| {
        let mut corners = object.triangles[t].map(|v| {
            let [x, y, z] = object.positions[v as usize];
            [x, y, z + lift].map(f64::to_bits)
        });
        corners.sort_unstable();
        corners
    };
    let colour = |object: &ColouredObject, t: usize| object.colours[object.colour_of[t] as usize];
    let known: BTreeMap<_, _> = (0..whole.triangles.len()).map(|t| (key(&whole, t, 0.0), colour(&whole, t))).collect();
    let (mut same, mut other) = (0, 0);
    for t in 0..rest.triangles.len() {
        match known.get(&key(&rest, t, plane)) {
            Some(before) if *before == colour(&rest, t) => same += 1,
            Some(_) => other += 1,
            None => {}
        }
    }
    assert!(same > 1000 && other * 200 < same, "{same} the same, {other} other");
    let level = |t: &usize| rest.triangles[*t].iter().all(|v| rest.positions[*v as usize][2] == 0.0);
    let face: BTreeSet<[u8; 3]> = (0..rest.triangles.len()).filter(level).map(|t| colour(&rest, t)).collect();
    assert_eq!(face, BTreeSet::from([rest.colours[0]]), "the face has the core's filament only");
    let solids = fs::read_dir(out.join("parts").join(piece["name"].as_str().unwrap())).unwrap().count();
    assert_eq!(solids, piece["filaments"].as_array().unwrap().len(), "one solid a filament");
}

#[test]
fn dowels_keep_their_walls_on_both_sides_and_stand_in_the_template() {
    let folder = folder();
    let part = parts().remove(0);
    let out = folder.path().join("rest");
    let whole = mesh(&object(&source().join(part["file"].as_str().unwrap())));
    let at = 0.5 * number(&part["size_mm"][2]);
    let output = recut(source(), "1", at, &out, &["--dowels", "4,3"]);
    assert!(matches!(output.status.code(), Some(0 | 7)), "{}", stderr(&output));
    let record = json(&out.join("recut.json"));
    let plane = number(&record["plane_mm"]);
    let page = fs::read_to_string(out.join("drilling-template.html")).unwrap();
    let inside = Winding::new(&whole.positions, &whole.triangles);
    let mut found = 0;
    for piece in record["parts"].as_array().unwrap() {
        let rest = mesh(&object(&out.join(piece["file"].as_str().unwrap())));
        assert!(inspect(&rest).is_solid() && self_intersections(&rest).is_empty());
        let mut mouths = 0.0;
        for dowel in piece["dowels"].as_array().unwrap() {
            found += 1;
            let [dowel_mm, hole_mm, depth_mm] = ["dowel_mm", "hole_mm", "depth_mm"].map(|name| number(&dowel[name]));
            assert!(hole_mm > dowel_mm && depth_mm >= 1.5 * dowel_mm, "{dowel}");
            let centre = DVec2::new(number(&dowel["centre_mm"][0]), number(&dowel["centre_mm"][1]));
            // A prism of 24 sides around the mouth, which is wider by a chamfer of 0.4 mm: area n r^2 tan(pi / n).
            let prism = 24.0 * (0.5 * hole_mm + 0.4).powi(2) * (std::f64::consts::PI / 24.0).tan();
            mouths += prism;
            for turn in 0..16 {
                // The wall of 2 mm that `split` keeps, less what lies between two looks.
                let beside =
                    centre + (0.5 * hole_mm + 1.5) * DVec2::from_angle(f64::from(turn) * std::f64::consts::FRAC_PI_8);
                for step in -4..=4 {
                    let p = beside.extend(plane + depth_mm * f64::from(step) / 4.0 + 1e-3);
                    assert!(inside.at(p) > 0.5, "{p} beside a hole is in the open: {dowel}");
                }
            }
            let [x, y] = [centre.x, -centre.y].map(|mm| (100.0 * mm).round() / 100.0);
            assert!(page.contains(&format!("cx=\"{x}\" cy=\"{y}\"")), "{x} {y}");
            assert!(page.contains(&format!("<td>{} mm</td>", (100.0 * depth_mm).round() / 100.0)));
        }
        let left = area_at_zero_mm2(&rest) + mouths;
        assert!((left / number(&piece["face_mm2"]) - 1.0).abs() < 1e-5, "{left}, {piece}");
    }
    assert!(found >= 2, "{record}");
    assert_eq!(page.matches("aria-label=\"A bar of 50 mm").count(), page.matches("class=\"sheet\"").count());
    assert!(!page.contains("http"), "the page needs no network");
}

#[test]
fn a_rest_can_be_cut_again() {
    let folder = folder();
    let part = parts().remove(0);
    let top = number(&part["size_mm"][2]);
    let (first, second) = (folder.path().join("first"), folder.path().join("second"));
    let output = recut(source(), "1", 0.3 * top, &first, &["--dowels", "4"]);
    assert!(matches!(output.status.code(), Some(0 | 7)), "{}", stderr(&output));
    let output = recut(&first, "rest", 0.3 * top, &second, &[]);
    assert!(matches!(output.status.code(), Some(0 | 7)), "{}", stderr(&output));
    let (one, two) = (json(&first.join("recut.json")), json(&second.join("recut.json")));
    let name = format!("{}-rest-rest", part["name"].as_str().unwrap());
    assert_eq!(two["parts"][0]["name"], name);
    let up = DVec3::Z * (number(&one["plane_mm"]) + number(&two["plane_mm"]));
    assert!(placed(&two["parts"][0], DVec3::ZERO).distance(placed(&part, up)) < 1e-9);
}

#[test]
fn one_and_two_threads_cut_alike() {
    let folder = folder();
    let all: Vec<_> = ["1", "2"]
        .iter()
        .map(|threads| {
            let (run, out) = (text(source()), folder.path().join(threads));
            let to = text(&out);
            let args = ["recut", &run, "2", "--printed-to-mm", "61.3", "--dowels", "5,4", "--out", &to];
            let output = command(&args).env("RAYON_NUM_THREADS", threads).output().unwrap();
            assert!(matches!(output.status.code(), Some(0 | 7)), "{}", stderr(&output));
            digests(&out, &["run.json"])
        })
        .collect();
    assert!(all[0].len() > 4);
    assert_eq!(all[0], all[1]);
}

/// Writes a part's file anew and makes the log know it.
fn replace_part(run: &Path, file: &str, bytes: &[u8]) {
    fs::write(run.join(file), bytes).unwrap();
    let mut log = json(&run.join("run.json"));
    for output in log["outputs"].as_array_mut().unwrap().iter_mut().filter(|output| output["file"] == file) {
        output["blake3"] = blake3::hash(bytes).to_hex().to_string().into();
    }
    fs::write(run.join("run.json"), log.to_string()).unwrap();
}

/// The package with a transform on its build item.
fn with_transform(package: &[u8], matrix: [f64; 12]) -> Vec<u8> {
    let mut archive = zip::ZipArchive::new(Cursor::new(package)).unwrap();
    let mut made = zip::ZipWriter::new(Cursor::new(Vec::new()));
    for i in 0..archive.len() {
        let mut entry = archive.by_index(i).unwrap();
        let mut bytes = String::new();
        entry.read_to_string(&mut bytes).unwrap();
        let numbers = matrix.map(|x| format!("{x}")).join(" ");
        made.start_file(entry.name().unwrap(), zip::write::SimpleFileOptions::default()).unwrap();
        let moved = bytes.replace("<item objectid", &format!("<item transform=\"{numbers}\" objectid"));
        made.write_all(moved.as_bytes()).unwrap();
    }
    made.finish().unwrap().into_inner()
}

/// Two legs of different height on a slab, its triangles coloured in turns.
fn legs(colours: &[[u8; 3]]) -> ColouredObject {
    let corners = [(0, 0), (100, 0), (100, 90), (70, 90), (70, 20), (30, 20), (30, 60), (0, 60)];
    let outline = corners.map(|(y, z)| DVec2::new(f64::from(y), f64::from(z)));
    let n = outline.len() as u32;
    let edges: Vec<[u32; 2]> = (0..n).map(|i| [i, (i + 1) % n]).collect();
    let cap = outline::fill(&outline, &edges).unwrap().triangles;
    let sides = edges.iter().flat_map(|[a, b]| [[*a, *b, b + n], [*a, b + n, a + n]]);
    let ends = cap.iter().flat_map(|[a, b, c]| [[*c, *b, *a], [a + n, b + n, c + n]]);
    let triangles: Vec<[u32; 3]> = sides.chain(ends).collect();
    ColouredObject {
        name: "legs".to_owned(),
        // The outline's second axis points up.
        positions: [0.0, 40.0].iter().flat_map(|x| outline.iter().map(|p| [*x, p.x, p.y])).collect(),
        colours: colours.to_vec(),
        colour_of: (0..triangles.len()).map(|t| (t % colours.len()) as u8).collect(),
        triangles,
        transform: None,
    }
}

#[test]
fn what_stands_apart_above_the_cut_becomes_pieces_of_their_own() {
    let folder = folder();
    let run = copy_of_source(folder.path());
    let part = parts().remove(0);
    let file = part["file"].as_str().unwrap();
    let whole_object = legs(&object(&run.join(file)).colours);
    replace_part(&run, file, &threemf::write(&whole_object).unwrap());
    let (glued, keyed) = (folder.path().join("glued"), folder.path().join("keyed"));
    for (out, more) in [(&glued, vec![]), (&keyed, vec!["--dowels", "6,4"])] {
        let output = recut(&run, "1", 40.1, out, &more);
        assert!(matches!(output.status.code(), Some(0 | 7)), "{}", stderr(&output));
        let said = String::from_utf8_lossy(&output.stdout).into_owned();
        assert!(said.contains("about 20 mm from the left and 85 mm from the front"), "{said}");
    }
    assert_eq!(holds(&run, &part, &glued), 2);
    let whole = mesh(&whole_object);
    let tree = TriTree::new(&whole.positions, &whole.triangles);
    let record = json(&keyed.join("recut.json"));
    let plane = number(&record["plane_mm"]);
    let name = part["name"].as_str().unwrap();
    let page = fs::read_to_string(keyed.join("drilling-template.html")).unwrap();
    let pieces = record["parts"].as_array().unwrap();
    // The taller leg first; each within its own place on the bed.
    for (piece, (wanted, top, [low, high])) in pieces
        .iter()
        .zip([(format!("{name}-rest"), 50.0, [70.0, 100.0]), (format!("{name}-rest-2"), 20.0, [0.0, 30.0])])
    {
        assert_eq!(piece["name"], wanted);
        assert!(page.contains(&wanted), "{wanted} is not in the template");
        let object = object(&keyed.join(piece["file"].as_str().unwrap()));
        let rest = mesh(&object);
        assert!(inspect(&rest).is_solid() && self_intersections(&rest).is_empty());
        let (lowest, highest) = measure::bounds(&rest.positions);
        assert!((highest.z - top).abs() < 1e-3 && (lowest.y, highest.y) == (low, high), "{lowest} {highest}");
        let dowels = piece["dowels"].as_array().unwrap();
        assert_eq!(dowels.len(), 2, "{piece}");
        let inside = Winding::new(&rest.positions, &rest.triangles);
        for dowel in dowels {
            let centre = DVec2::new(number(&dowel["centre_mm"][0]), number(&dowel["centre_mm"][1]));
            assert!((low..high).contains(&centre.y), "{dowel}");
            let depth_mm = number(&dowel["depth_mm"]);
            assert!(
                inside.at(centre.extend(0.9 * depth_mm)).abs() < 0.5 && inside.at(centre.extend(depth_mm + 1.0)) > 0.5
            );
        }
        let colour = |object: &ColouredObject, t: usize| object.colours[object.colour_of[t] as usize];
        let mut seen = BTreeSet::new();
        for t in 0..rest.triangles.len() {
            let [a, b, c] = rest.corners(t);
            let near = tree.nearest((a + b + c) / 3.0 + DVec3::Z * plane, 1e-3);
            match near {
                Some(near) => {
                    assert_eq!(colour(&object, t), colour(&whole_object, near.triangle as usize), "skin of {wanted}");
                    seen.insert(colour(&object, t));
                }
                None => assert_eq!(object.colour_of[t], 0, "the cut face and its sockets are of the core's filament"),
            }
        }
        assert_eq!(seen.len(), whole_object.colours.len());
    }
    assert_eq!(pieces.len(), 2);
}

#[test]
fn a_part_that_is_turned_by_its_file_is_cut_as_it_lies() {
    let folder = folder();
    let run = copy_of_source(folder.path());
    let part = parts().remove(0);
    let file = part["file"].as_str().unwrap();
    let mut turned = object(&run.join(file));
    let (turn, shift) = (DMat3::from_rotation_x(0.4) * DMat3::from_rotation_z(1.1), DVec3::new(20.0, -7.5, 3.0));
    for p in &mut turned.positions {
        *p = (turn.transpose() * (DVec3::from(*p) - shift)).to_array();
    }
    // Row vectors: the rows of the matrix are the columns of the turn.
    let mut matrix = [0.0; 12];
    matrix[..9].copy_from_slice(&turn.to_cols_array());
    matrix[9..].copy_from_slice(&shift.to_array());
    replace_part(&run, file, &with_transform(&threemf::write(&turned).unwrap(), matrix));
    let (plain, moved) = (folder.path().join("plain"), folder.path().join("moved"));
    for (from, out) in [(source(), &plain), (run.as_path(), &moved)] {
        let output = recut(from, "1", 50.0, out, &[]);
        assert!(matches!(output.status.code(), Some(0 | 7)), "{}", stderr(&output));
    }
    let varying = ["run.json", "recut.json", "report.html"];
    assert_eq!(digests(&plain, &varying), digests(&moved, &varying));
}

#[test]
fn what_cannot_be_cut_is_told() {
    let folder = folder();
    let out = folder.path().join("out");
    let names: Vec<String> = parts().iter().map(|part| part["name"].as_str().unwrap().to_owned()).collect();
    let refused = |run: &Path, part: &str, mm: f64, more: &[&str], code: i32, words: &[&str]| {
        let output = recut(run, part, mm, &out, more);
        let said = stderr(&output);
        assert_eq!(output.status.code(), Some(code), "{said}");
        for word in words {
            assert!(said.contains(word), "`{word}` is not in: {said}");
        }
        assert!(!out.exists(), "something was published");
    };
    let all: Vec<&str> = names.iter().map(String::as_str).collect();
    refused(source(), "tentacle", 50.0, &[], 2, &all);
    refused(source(), "99", 50.0, &[], 2, &all);
    refused(source(), "-", 50.0, &[], 2, &["may be", &names[0]]);
    refused(source(), "1", 0.0, &[], 2, &["not within the part", "measure from the bed"]);
    refused(source(), "1", -3.0, &[], 2, &["not within the part"]);
    refused(source(), "1", 1e4, &[], 2, &["not within the part"]);
    refused(source(), "1", f64::NAN, &[], 2, &["not within the part"]);
    refused(source(), "1", 0.1, &[], 2, &["less than the first layer"]);
    refused(source(), "1", 50.0, &["--dowels", "0"], 2, &["no dowel of 0 mm"]);
    refused(folder.path(), "1", 50.0, &[], 2, &["stopped or failed before it was done"]);
    refused(&folder.path().join("nowhere"), "1", 50.0, &[], 2, &["is no run folder"]);

    let run = copy_of_source(folder.path());
    let file = run.join(format!("parts/{}.3mf", names[0]));
    let mut bytes = fs::read(&file).unwrap();
    *bytes.last_mut().unwrap() ^= 1;
    fs::write(&file, bytes).unwrap();
    refused(&run, "1", 50.0, &[], 4, &["not what the run wrote", "statuary rerun"]);
    fs::remove_file(&file).unwrap();
    refused(&run, "1", 50.0, &[], 4, &[".3mf"]);
    let log = fs::read_to_string(run.join("run.json")).unwrap();
    for (outcome, words) in [("\"failed\"", "did not end well"), ("\"running\"", "did not end well")] {
        let spoilt = log.replace("\"outcome\": \"done\"", &format!("\"outcome\": {outcome}"));
        let spoilt = spoilt.replace("\"outcome\": \"done-with-faults\"", &format!("\"outcome\": {outcome}"));
        fs::write(run.join("run.json"), spoilt).unwrap();
        refused(&run, "1", 50.0, &[], 2, &[words]);
    }
}

#[test]
fn results_appear_beside_the_run_under_a_name_that_says_what_they_are() {
    let folder = folder();
    let run = copy_of_source(folder.path());
    let args = ["recut", &text(&run), "01", "--printed-to-mm", "50.13"];
    let wanted = folder.path().join(format!("copy-recut-{}-50mm", parts()[0]["name"].as_str().unwrap()));
    for out in [wanted.clone(), wanted.with_file_name(format!("{}-2", wanted.file_name().unwrap().to_str().unwrap()))] {
        let output = statuary(&args);
        assert!(matches!(output.status.code(), Some(0 | 7)), "{}", stderr(&output));
        assert!(out.join("recut.json").is_file(), "{}", out.display());
        let said = String::from_utf8_lossy(&output.stdout).into_owned();
        for words in
            ["250 layers of 0.2 mm are kept, up to 50 mm", "0.13 mm less than measured", "fits the bed", "Glue"]
        {
            assert!(said.contains(words), "`{words}` is not in: {said}");
        }
    }
    let out = text(&wanted);
    let output = statuary(&[&args[..], &["--out", &out]].concat());
    assert_eq!(output.status.code(), Some(6), "{}", stderr(&output));
}

#[test]
fn manifold3d_parts_it_alike() {
    let folder = folder();
    for (i, part) in parts().iter().enumerate().take(3) {
        let out = folder.path().join(i.to_string());
        let top = number(&part["size_mm"][2]);
        let output = recut(source(), &part["number"].to_string(), 0.37 * top, &out, &[]);
        assert!(matches!(output.status.code(), Some(0 | 7)), "{}", stderr(&output));
        let answer = oracle::ask(&["recut", &text(source()), &text(&out)], "");
        let record = json(&out.join("recut.json"));
        let close = |name: &str, own: f64, within: f64| {
            let other = number(&answer[name]);
            assert!((own / other - 1.0).abs() < within, "{name}: {own}, manifold3d {other}");
        };
        let rest: f64 = record["parts"].as_array().unwrap().iter().map(|piece| number(&piece["volume_mm3"])).sum();
        let face: f64 = record["parts"].as_array().unwrap().iter().map(|piece| number(&piece["face_mm2"])).sum();
        close("above", rest + number(&record["crumbs_mm3"]), 1e-7);
        close("below", number(&record["kept_mm3"]), 1e-7);
        close("section", face, 1e-4);
        close("whole", rest + number(&record["crumbs_mm3"]) + number(&record["kept_mm3"]), 1e-7);
        assert!(number(&answer["differs"]) < 1e-4 * rest, "{answer}");
    }
}
