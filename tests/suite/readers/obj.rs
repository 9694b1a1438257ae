//! OBJ and MTL: indices, colours, materials and pictures.

use super::*;

pub const SQUARE: &str = "mtllib square.mtl\nv 0 0 0\nv 1 0 0\nv 1 1 0\nv 0 1 0\nvt 0 0\nvt 1 0\nvt 1 1\nvt 0 1\n\
    usemtl sea blue\nf 1/1 2/2 3/3 4/4\n";
const SQUARE_MTL: &str = "newmtl sea blue\nKd 0 0 1\nmap_Kd -s 1 1 1 skin.png\n";

/// A textured square without its picture.
pub fn textured() -> ScanFiles {
    with(scan("square.obj", SQUARE.as_bytes()), "square.mtl", SQUARE_MTL.as_bytes())
}

/// A textured square with all its files.
pub fn complete() -> ScanFiles {
    with(textured(), "skin.png", &png(2, &[[255, 0, 0], [0, 255, 0], [0, 0, 255], [255, 255, 255]]))
}

#[test]
fn a_textured_square_comes_with_its_picture() {
    let mesh = read_strictly(&complete()).unwrap();
    assert_eq!(mesh.triangles, [[0, 1, 2], [0, 2, 3]]);
    assert_eq!(mesh.corner_uvs[0], [[0.0, 1.0], [1.0, 1.0], [1.0, 0.0]]);
    assert_eq!(mesh.materials[0].base, [1.0; 3]);
    assert_eq!(mesh.pictures[0].pixel(1, 0), [0, 255, 0]);
    assert!(mesh.has_colour());
}

#[test]
fn a_missing_picture_is_refused_or_ignored() {
    let error = read_strictly(&textured()).unwrap_err();
    assert_eq!(error.to_string(), "`square.mtl`: refers to `skin.png`, which is not there");
    assert!(error.hint.contains("intake.missing_picture=ignore"));
    let options = ReadOptions { ignore_missing_picture: true, ..ReadOptions::default() };
    let mesh = read(&textured(), options).unwrap();
    assert_eq!(mesh.materials[0].base, [0.0, 0.0, 1.0]);
    assert_eq!(mesh.notes, ["the picture `skin.png` is missing; its faces have no colour"]);
}

#[test]
fn a_path_out_of_the_folder_is_refused() {
    let mtl = SQUARE_MTL.replace("skin.png", "../secret/skin.png");
    let error = read_strictly(&with(complete(), "square.mtl", mtl.as_bytes())).unwrap_err();
    assert_eq!(error.to_string(), "`square.mtl`: refers to `../secret/skin.png`, which is not in the scan's folder");
    assert!(references("square.mtl", mtl.as_bytes()).is_empty());
    let foreign = SQUARE_MTL.replace("skin.png", "D:\\scans\\42\\SKIN.PNG");
    assert!(read_strictly(&with(complete(), "square.mtl", foreign.as_bytes())).is_ok());
}

#[test]
fn references_are_listed_step_by_step() {
    let text = b"mtllib my crew.mtl other.mtl\nmtllib sub\\third.mtl\n";
    assert_eq!(references("a.obj", text), ["my crew.mtl", "other.mtl", "sub/third.mtl"]);
    let mtl = b"newmtl a\nmap_Kd skin one.png\nnewmtl b\nmap_Kd skin one.png\nnewmtl c\nmap_Kd ..\\hair.jpg\n";
    assert_eq!(references("sub/third.mtl", mtl), ["sub/skin one.png", "hair.jpg"]);
}

#[test]
fn indices_count_from_one_or_backwards() {
    let plain = mesh_of("a.obj", b"v 0 0 0\nv 1 0 0\nv 0 1 0\nf 1 2 3\n");
    let backwards = mesh_of("a.obj", b"v 0 0 0\nv 1 0 0\nv 0 1 0\nf -3 -2 -1\nv 5 5 5\n");
    let forwards = mesh_of("a.obj", b"f 1//1 2//1 3//1\nv 0 0 0\nv 1 0 0\nv 0 1 \\\n0\n");
    assert_eq!(plain.triangles, backwards.triangles);
    assert_eq!((plain.triangles, plain.positions), (forwards.triangles, forwards.positions));
}

#[test]
fn faults_are_named_with_their_place() {
    let cases: [(&[u8], &str); 8] = [
        (b"v 0 0 0\nv 1 0 0\nf 1 2 0\n", "`a.obj`, line 3: a face refers to entry 0, 2 are known at this line"),
        (b"v 0 0 0\nv 1 0 0\nf 1 2 -3\n", "`a.obj`, line 3: a face refers to entry -3, 2 are known at this line"),
        (b"v 0 0 0\nv 1 0 0\nf 1 2 4\nv 0 1 0\n", "`a.obj`, line 3: a face refers to vertex 4, there are 3"),
        (
            b"v 0 0 0\nv 1 0 0\nv 0 1 0\nf 1/1 2/1 3/1\n",
            "`a.obj`, line 4: a face refers to texture vertex 1, there are 0",
        ),
        (b"v 0 0 0\nv 1 0\n", "`a.obj`, line 2: 2 numbers where 3 are needed"),
        (b"v 0 0,5 0\n", "`a.obj`, line 1: `0,5` is not a number"),
        (b"\xff\xfev\0 \0", "`a.obj`: the text is in UTF-16"),
        (b"v 0 0 0\nv 1 0 0\np 1\nl 1 2\n", "`a.obj`: the file holds 2 points but no faces"),
    ];
    for (bytes, expected) in cases {
        assert_eq!(refusal_of("a.obj", bytes), expected);
    }
    let endless = [b"v 0 0 0\nf".to_vec(), b" 1".repeat(600_000)].concat();
    assert_eq!(refusal_of("a.obj", &endless), "`a.obj`, line 2: a line of more than 1048576 bytes");
}

#[test]
fn vertex_colours_may_go_to_255_and_may_be_missing() {
    let share = mesh_of("a.obj", b"v 0 0 0 1 0 0\nv 1 0 0 0 1 0\nv 0 1 0\nf 1 2 3\n");
    let bytes = mesh_of("a.obj", b"v 0 0 0 255 0 0\nv 1 0 0 0 255 0\nv 0 1 0\nf 1 2 3\n");
    assert_eq!(share.vertex_colours, [[1.0, 0.0, 0.0], [0.0, 1.0, 0.0], [0.5; 3]]);
    assert_eq!(share.vertex_colours, bytes.vertex_colours);
    assert_eq!(share.notes, ["1 vertices without a colour are taken for grey"]);
}

#[test]
fn concave_faces_keep_their_outline_and_lines_are_counted() {
    let arrow = mesh_of("a.obj", b"v 0 0 0\nv 4 2 0\nv 0 4 0\nv 1 2 0\nf 1 2 3 4\nl 1 2\nl 2 3\n");
    // A triangle of 4 by 4 over 2, less the notch of 4 by 1 over 2.
    assert!((area(&arrow) - 6.0).abs() < 1e-12);
    assert_eq!(arrow.notes, ["2 line elements ignored"]);
}

#[test]
fn text_is_whole_once_its_last_line_is() {
    assert_eq!(completeness("square.obj", SQUARE.as_bytes()), Ok(()));
    assert_eq!(completeness("square.obj", SQUARE.trim_end().as_bytes()), Ok(()));
    assert!(completeness("square.obj", &SQUARE.as_bytes()[..SQUARE.len() - 8]).is_err());
    assert!(completeness("square.obj", b"v 0 0 0\nv 1").is_err());
}
