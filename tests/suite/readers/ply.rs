//! PLY: three encodings, colours, pictures, and headers as scanners write them.

use ply_rs::parser::Parser;
use ply_rs::ply::{DefaultElement, Property};

use super::*;

pub const TETRAHEDRON: &str = "ply\nformat ascii 1.0\nelement vertex 4\nproperty float x\nproperty float y\n\
    property float z\nproperty uchar red\nproperty uchar green\nproperty uchar blue\nelement face 4\n\
    property list uchar int vertex_indices\nend_header\n\
    0 0 0 255 0 0\n1 0 0 0 255 0\n0 1 0 0 0 255\n0 0 1 188 188 188\n3 0 2 1\n3 0 1 3\n3 1 2 3\n3 2 0 3\n";

/// The tetrahedron in a binary encoding.
pub fn binary(is_big_endian: bool) -> Vec<u8> {
    let (header, body) = TETRAHEDRON.split_once("end_header\n").unwrap();
    let name = if is_big_endian { "binary_big_endian" } else { "binary_little_endian" };
    let mut bytes = format!("{}end_header\n", header.replace("ascii", name)).into_bytes();
    let order = |bytes: [u8; 4]| if is_big_endian { bytes } else { [bytes[3], bytes[2], bytes[1], bytes[0]] };
    for (line, text) in body.lines().enumerate() {
        let numbers: Vec<f32> = text.split(' ').map(|n| n.parse().unwrap()).collect();
        if line < 4 {
            numbers[..3].iter().for_each(|n| bytes.extend(order(n.to_be_bytes())));
            bytes.extend(numbers[3..].iter().map(|n| *n as u8));
        } else {
            bytes.push(3);
            numbers[1..].iter().for_each(|n| bytes.extend(order((*n as i32).to_be_bytes())));
        }
    }
    bytes
}

fn edited(from: &str, to: &str) -> String {
    assert!(TETRAHEDRON.contains(from));
    TETRAHEDRON.replacen(from, to, 1)
}

#[test]
fn all_encodings_give_the_same_mesh() {
    let text = mesh_of("a.ply", TETRAHEDRON.as_bytes());
    assert!((area(&text) - TETRAHEDRON_AREA).abs() < 1e-12);
    for is_big_endian in [false, true] {
        let mesh = mesh_of("a.ply", &binary(is_big_endian));
        assert_eq!(mesh.positions, text.positions);
        assert_eq!(mesh.triangles, text.triangles);
        assert_eq!(mesh.vertex_colours, text.vertex_colours);
    }
}

#[test]
fn the_body_is_read_as_an_independent_parser_reads_it() {
    let ours = mesh_of("a.ply", &binary(true));
    let theirs = Parser::<DefaultElement>::new().read_ply(&mut binary(true).as_slice()).unwrap();
    for (vertex, position) in theirs.payload["vertex"].iter().zip(&ours.positions) {
        for (axis, value) in ["x", "y", "z"].iter().zip(position.to_array()) {
            assert_eq!(vertex[*axis], Property::Float(value as f32));
        }
    }
    for (face, triangle) in theirs.payload["face"].iter().zip(&ours.triangles) {
        assert_eq!(face["vertex_indices"], Property::ListInt(triangle.map(|v| v as i32).to_vec()));
    }
}

#[test]
fn colours_become_linear_light() {
    let mesh = mesh_of("a.ply", TETRAHEDRON.as_bytes());
    assert_eq!(mesh.vertex_colours[0], [1.0, 0.0, 0.0]);
    // sRGB 188 is 0.502886 of full light (IEC 61966-2-1, computed by hand from its formula).
    assert!((mesh.vertex_colours[3][0] - 0.502_886).abs() < 1e-6);
    let float = TETRAHEDRON.replace("uchar red", "float r").replace("uchar green", "float g");
    let float = float.replace("uchar blue", "float b");
    assert_eq!(mesh_of("a.ply", float.as_bytes()).vertex_colours, mesh.vertex_colours);
}

#[test]
fn headers_of_all_habits_are_understood() {
    let plain = mesh_of("a.ply", TETRAHEDRON.as_bytes());
    let mut latin = TETRAHEDRON.as_bytes().to_vec();
    latin.splice(21..21, *b"comment gescannt in M\xfcnchen\n");
    let variants = [
        latin,
        [b"\xef\xbb\xbf", TETRAHEDRON.as_bytes()].concat(),
        TETRAHEDRON.replace('\n', "\r\n").into_bytes(),
        TETRAHEDRON.replace('\n', "\r").into_bytes(),
        edited("0 0 1 188 188 188\n", "\n0 0 1 188.0 188 188\n\n").into_bytes(),
        edited("element vertex 4", "obj_info a\nelement vertex 4").into_bytes(),
        TETRAHEDRON.replace("float", "float32").replace("uchar int", "uint8 int32").into_bytes(),
    ];
    for variant in variants {
        let mesh = mesh_of("a.ply", &variant);
        assert_eq!((mesh.positions, mesh.triangles), (plain.positions.clone(), plain.triangles.clone()));
    }
}

#[test]
fn faults_are_named_with_their_place() {
    let cases = [
        (
            edited("element vertex 4", "element vertex 99999999999999999999999"),
            "`a.ply`, line 3: an element with no count or more than 50000000",
        ),
        (edited("float z", "int64 z"), "`a.ply`, line 6: the header line `property int64 z` is not understood"),
        (edited("float z", "float y"), "`a.ply`, line 6: `y` is declared twice"),
        (edited("float z", "float w"), "`a.ply`: the vertices lack one of `x`, `y`, `z`"),
        (edited("3 0 2 1", "3 0 2 4"), "`a.ply`, line 17: a face refers to vertex 4, there are 4"),
        (edited("3 0 2 1", "3 0 -1 1"), "`a.ply`, line 17: a face refers to vertex -1, there are 4"),
        (edited("3 0 2 1", "3 0 2"), "`a.ply`, line 17: the line ends before its data do"),
        (edited("1 0 0 0", "1 nan 0 0"), "`a.ply`, vertex 1: 1 vertices lie at NaN or infinity, this is the first"),
        (edited("1 0 0 0", "1,5 0 0 0"), "`a.ply`, line 14: `1,5` is not a number"),
        (edited("3 2 0 3\n", ""), "`a.ply`, line 19: the file ends before its data do"),
        (edited("end_header\n", ""), "`a.ply`: no `end_header` within the first 295 bytes"),
        (edited("element face 4", "element face 0"), "`a.ply`: the file holds 4 points but no faces"),
    ];
    for (text, expected) in cases {
        assert_eq!(refusal_of("a.ply", text.as_bytes()), expected);
    }
    let long = edited("0 0 0 255 0 0", "0 0 0 255 0 0 7");
    let expected = "`a.ply`, line 13: the vertex has more numbers than the header declares";
    assert_eq!(refusal_of("a.ply", long.as_bytes()), expected);
    let cut = &binary(false)[..binary(false).len() - 1];
    assert_eq!(refusal_of("a.ply", cut), "`a.ply`, byte 337: the file ends before its data do");
}

#[test]
fn vertices_at_infinity_are_dropped_on_demand() {
    let text = edited("0 0 1 188", "0 inf 1 188");
    let options = ReadOptions { drop_non_finite: true, ..ReadOptions::default() };
    let mesh = read(&scan("a.ply", text.as_bytes()), options).unwrap();
    assert_eq!(mesh.triangles, [[0, 2, 1]]);
    assert_eq!(mesh.notes, ["1 vertices at NaN or infinity dropped with 3 triangles"]);
}

#[test]
fn polygons_strips_and_other_elements_are_taken_in() {
    let square = "ply\nformat ascii 1.0\nelement edge 1\nproperty int a\nelement vertex 4\nproperty float x\n\
        property float y\nproperty float z\nelement face 1\nproperty list uchar int vertex_index\n\
        property uchar red\nproperty uchar green\nproperty uchar blue\nend_header\n\
        7\n0 0 0\n1 0 0\n1 1 0\n0 1 0\n4 0 1 2 3 0 255 0\n";
    let mesh = mesh_of("a.ply", square.as_bytes());
    assert_eq!(mesh.triangles, [[0, 1, 2], [0, 2, 3]]);
    assert_eq!(mesh.face_colours, [[0.0, 1.0, 0.0]; 2]);
    assert_eq!(mesh.notes, ["1 `edge` elements ignored"]);
    let (head, tail) = square.split_once("element face").unwrap();
    let strip = format!("{head}element tristrips 1\nproperty list int int vertex_indices\nend_header\n");
    let strip =
        strip + tail.split_once("end_header\n").unwrap().1.split_once("4 0").unwrap().0 + "8 0 1 3 2 -1 3 1 0\n";
    assert_eq!(mesh_of("a.ply", strip.as_bytes()).triangles, [[0, 1, 3], [3, 1, 2], [3, 1, 0]]);
}

#[test]
fn pictures_are_found_by_vertex_and_by_corner() {
    let vertex = "ply\nformat ascii 1.0\ncomment TextureFile Skin One.png\nelement vertex 3\nproperty float x\n\
        property float y\nproperty float z\nproperty float s\nproperty float t\nelement face 1\n\
        property list uchar int vertex_indices\nend_header\n0 0 0 0 0\n1 0 0 1 0\n0 1 0 0 0.75\n3 0 1 2\n";
    let corner = "ply\nformat ascii 1.0\ncomment TextureFile Skin One.png\nelement vertex 3\nproperty float x\n\
        property float y\nproperty float z\nelement face 1\nproperty list uchar int vertex_indices\n\
        property list uchar float texcoord\nproperty int texnumber\nend_header\n\
        0 0 0\n1 0 0\n0 1 0\n3 0 1 2 6 0 0 1 0 0 0.75 0\n";
    for text in [vertex, corner] {
        assert_eq!(references("a.ply", text.as_bytes()), ["Skin One.png"]);
        let scan = with(scan("a.ply", text.as_bytes()), "skin one.PNG", &png(1, &[[255, 0, 0], [0, 0, 255]]));
        let mesh = read_strictly(&scan).unwrap();
        assert_eq!(mesh.corner_uvs, [[[0.0, 1.0], [1.0, 1.0], [0.0, 0.25]]]);
        assert_eq!(mesh.pictures[0].pixel(0, 1), [0, 0, 255]);
        assert_eq!(refusal_of("a.ply", text.as_bytes()), "`a.ply`: refers to `Skin One.png`, which is not there");
    }
}

#[test]
fn a_file_is_whole_once_its_counts_are_there() {
    for bytes in [TETRAHEDRON.as_bytes().to_vec(), binary(false), binary(true)] {
        assert_eq!(completeness("a.ply", &bytes), Ok(()));
        for end in 0..bytes.len() - 1 {
            assert!(completeness("a.ply", &bytes[..end]).is_err(), "{end} bytes");
        }
    }
}
