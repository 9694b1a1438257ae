//! No bytes whatever make a reader panic or take memory the file does not justify.

use proptest::prelude::*;

use super::*;

/// Small valid files of every kind, to be damaged.
fn seeds() -> Vec<(&'static str, Vec<u8>)> {
    let mut seeds = vec![
        ("a.ply", ply::TETRAHEDRON.as_bytes().to_vec()),
        ("a.ply", ply::binary(false)),
        ("a.ply", ply::binary(true)),
        ("a.stl", stl::binary()),
        ("a.stl", stl::TEXT.as_bytes().to_vec()),
        ("square.obj", obj::SQUARE.as_bytes().to_vec()),
        ("a.glb", glb::whole()),
    ];
    let complete = obj::complete();
    seeds.extend(["square.mtl", "skin.png"].map(|name| (name, complete.files[name].clone())));
    seeds
}

/// Reads a scan in which one file holds these bytes, in every way there is.
fn try_all(name: &str, bytes: &[u8]) {
    let scan = match name {
        "square.mtl" | "skin.png" | "square.obj" => with(obj::complete(), name, bytes),
        _ => scan(name, bytes),
    };
    for (drop_non_finite, ignore_missing_picture) in [(false, false), (true, true)] {
        if let Ok(mesh) = read(&scan, ReadOptions { drop_non_finite, ignore_missing_picture }) {
            assert!(!mesh.triangles.is_empty());
            assert!(mesh.triangles.iter().flatten().all(|&v| (v as usize) < mesh.positions.len()));
            assert!(mesh.positions.iter().all(|p| p.is_finite()));
            assert!(mesh.corner_uvs.is_empty() || mesh.corner_uvs.len() == mesh.triangles.len());
            assert!(mesh.face_materials.iter().all(|&m| (m as usize) < mesh.materials.len()));
        }
    }
    let _ = references(name, bytes);
    let _ = completeness(name, bytes);
}

#[test]
fn files_cut_off_anywhere_are_survived() {
    for (name, bytes) in seeds() {
        (0..bytes.len()).for_each(|end| try_all(name, &bytes[..end]));
    }
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 400, failure_persistence: None, ..ProptestConfig::default() })]

    #[test]
    fn arbitrary_bytes_are_survived(
        kind in prop::sample::select(vec!["a.ply", "a.stl", "a.obj", "a.gltf", "a.glb", "square.mtl", "skin.png"]),
        start in prop::sample::select(vec![&b""[..], b"ply\n", b"solid ", b"glTF\x02\0\0\0", b"{\"asset\":", b"\x89PNG"]),
        bytes in prop::collection::vec(any::<u8>(), 0..300),
    ) {
        try_all(kind, &[start, &bytes].concat());
    }

    #[test]
    fn damaged_files_are_survived(
        seed in 0..9_usize,
        changes in prop::collection::vec((any::<prop::sample::Index>(), any::<u8>()), 1..6),
    ) {
        let (name, mut bytes) = seeds().swap_remove(seed);
        for (place, value) in changes {
            let place = place.index(bytes.len());
            bytes[place] = value;
        }
        try_all(name, &bytes);
    }

    #[test]
    fn texts_with_wrong_numbers_are_survived(
        seed in prop::sample::select(vec![0_usize, 4, 5, 6, 7]),
        place in any::<prop::sample::Index>(),
        number in prop::sample::select(vec![
            "-1", "0", "255", "65536", "4294967295", "4294967296", "99999999999999999999", "-9e999", "nan", "1e-320", "", "x",
        ]),
    ) {
        let (name, bytes) = seeds().swap_remove(seed);
        let is_digit: Vec<usize> = (0..bytes.len()).filter(|&n| bytes[n].is_ascii_digit()).collect();
        let at = is_digit[place.index(is_digit.len())];
        try_all(name, &[&bytes[..at], number.as_bytes(), &bytes[at + 1..]].concat());
    }
}
