//! STL: binary and text, as exporters write them.

use super::*;

pub const TEXT: &str = "solid first\nfacet normal 0 0 -1\n outer loop\n  vertex 0 0 0\n  vertex 0 1 0\n  vertex 1 0 0\n \
    endloop\nendfacet\nendsolid first\n  SOLID second\n  FACET NORMAL 0 -1 0\n  OUTER LOOP\n  VERTEX 0 0 0\n  \
    VERTEX 1 0 0\n  VERTEX 0.0 -0.0 1e0\n  ENDLOOP\n  ENDFACET\n  ENDSOLID\n";

/// Two triangles with an edge in common; the header begins like that of a text file.
pub fn binary() -> Vec<u8> {
    let mut bytes = b"solid but binary".to_vec();
    bytes.resize(80, b' ');
    bytes.extend(2_u32.to_le_bytes());
    let corners =
        [[[0.0, 0.0, 0.0], [0.0, 1.0, 0.0], [1.0, 0.0, 0.0]], [[0.0, 0.0, 0.0], [1.0, 0.0, -0.0], [0.0, 0.0, 1.0_f32]]];
    for triangle in corners {
        bytes.extend([0; 12]);
        bytes.extend(triangle.as_flattened().iter().flat_map(|n| n.to_le_bytes()));
        bytes.extend([0; 2]);
    }
    bytes
}

#[test]
fn text_and_binary_give_the_same_welded_mesh() {
    let text = mesh_of("a.stl", TEXT.as_bytes());
    assert_eq!(text.triangles, [[0, 1, 2], [0, 2, 3]]);
    assert_eq!(text.positions.len(), 4);
    let binary = mesh_of("a.STL", &binary());
    assert_eq!((binary.positions, binary.triangles), (text.positions, text.triangles));
}

#[test]
fn bytes_after_the_end_are_noted() {
    let mesh = mesh_of("a.stl", &[binary(), vec![0; 7]].concat());
    assert_eq!(mesh.notes[0], "7 bytes after the last triangle ignored");
}

#[test]
fn faults_are_named_with_their_place() {
    let mut many = binary();
    many[80..84].copy_from_slice(&u32::MAX.to_le_bytes());
    assert_eq!(
        refusal_of("a.stl", &many),
        "`a.stl`, byte 184: 4294967295 triangles take 214748364834 bytes, the file has 184"
    );
    assert_eq!(refusal_of("a.stl", &[0; 50]), "`a.stl`: 50 bytes are too few for an STL file");
    let text = TEXT.replacen("vertex 0 1 0", "vertex 0 1", 1);
    assert_eq!(refusal_of("a.stl", text.as_bytes()), "`a.stl`, line 5: 2 numbers where 3 are needed");
    let text = TEXT.replacen("  vertex 0 1 0\n", "", 1);
    assert_eq!(refusal_of("a.stl", text.as_bytes()), "`a.stl`, line 6: a loop of 2 corners; STL files hold triangles");
    assert_eq!(refusal_of("a.stl", b"solid\nfacette\n"), "`a.stl`, line 2: `facette` is not a word of STL");
    assert_eq!(refusal_of("a.stl", b"solid\nendsolid\n"), "`a.stl`: the file holds no mesh");
}

#[test]
fn a_file_is_whole_once_its_count_or_its_end_is_there() {
    for bytes in [binary(), TEXT.as_bytes().to_vec()] {
        assert_eq!(completeness("a.stl", &bytes), Ok(()));
        assert!(completeness("a.stl", &bytes[..bytes.len() - 10]).is_err());
    }
}
