//! How many triangles a scan has by its header, before anything of it is loaded.

use gltf::json::Root;
use gltf::json::validation::Checked;

use super::{Format, format_of};

/// Bytes of an OBJ per triangle at the least: half a line of a corner, half one of its place on the picture, one of a face.
const OBJ_TRIANGLE_BYTES: u64 = 50;
/// The same of an STL in letters.
const STL_TEXT_TRIANGLE_BYTES: u64 = 150;

/// Bytes at a file's start that [`triangles`] needs.
pub const HEAD_BYTES: usize = 64 << 10;

/// Where the description of a binary glTF ends, if this is the start of one: it may reach further than [`HEAD_BYTES`].
#[must_use]
pub fn description_end(head: &[u8]) -> Option<u64> {
    let length: [u8; 4] = head.get(12..16)?.try_into().ok()?;
    head.starts_with(b"glTF").then(|| 20 + u64::from(u32::from_le_bytes(length)))
}

/// Triangles as the start of a file tells them, or as its size lets expect; `None` when it is no scan.
#[must_use]
pub fn triangles(name: &str, head: &[u8], file_bytes: u64) -> Option<u64> {
    match format_of(name, head)? {
        Format::Ply => ply(head),
        Format::Stl => Some(stl(head, file_bytes)),
        Format::Obj => Some(file_bytes / OBJ_TRIANGLE_BYTES),
        Format::Gltf => gltf(head),
        Format::Mtl | Format::Picture => None,
    }
}

fn ply(head: &[u8]) -> Option<u64> {
    let lines = head.split(|byte| matches!(byte, b'\n' | b'\r'));
    let header = lines.map(<[u8]>::trim_ascii).take_while(|line| *line != b"end_header");
    let count = |line: &[u8]| {
        let mut words = std::str::from_utf8(line).ok()?.split_ascii_whitespace();
        let is_faces = words.next() == Some("element") && words.next() == Some("face");
        is_faces.then(|| words.next()?.parse().ok()).flatten()
    };
    header.take(1000).find_map(count)
}

fn stl(head: &[u8], file_bytes: u64) -> u64 {
    let binary = file_bytes.saturating_sub(84) / 50;
    let told = head.get(80..84).and_then(|bytes| bytes.try_into().ok()).map(u32::from_le_bytes).map(u64::from);
    if told == Some(binary) || !head.starts_with(b"solid") { binary } else { file_bytes / STL_TEXT_TRIANGLE_BYTES }
}

fn gltf(head: &[u8]) -> Option<u64> {
    let description = match description_end(head) {
        Some(end) => head.get(20..usize::try_from(end).ok()?)?,
        None => head,
    };
    let root = Root::from_slice(description).ok()?;
    let count =
        |index: Option<gltf::json::Index<gltf::json::Accessor>>| Some(root.accessors.get(index?.value())?.count.0);
    let mut triangles = 0_u64;
    for primitive in root.meshes.iter().flat_map(|mesh| &mesh.primitives) {
        let places = primitive.attributes.get(&Checked::Valid(gltf::json::mesh::Semantic::Positions)).copied();
        let corners = count(primitive.indices).or_else(|| count(places)).unwrap_or(0);
        triangles = triangles.saturating_add(corners / 3);
    }
    Some(triangles)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn each_format_tells_its_triangles_before_it_is_read() {
        let ply = b"ply\r\nformat ascii 1.0\r\nelement vertex 3\r\nelement face 12\r\nend_header\r\nelement face 9\r\n";
        assert_eq!(triangles("a.ply", ply, 1), Some(12));
        let mut stl = vec![b' '; 84];
        stl[80..].copy_from_slice(&7_u32.to_le_bytes());
        assert_eq!(triangles("a.stl", &stl, 84 + 350), Some(7));
        assert_eq!(triangles("a.stl", b"solid thing\nfacet normal 0 0 1", 1500), Some(10));
        assert_eq!(triangles("a.obj", b"v 0 0 0\n", 5000), Some(100));
        let json = br#"{"asset":{"version":"2.0"},"accessors":[{"count":30,"componentType":5125,"type":"SCALAR"}],
            "meshes":[{"primitives":[{"indices":0,"attributes":{}},{"indices":0,"attributes":{}}]}]}"#;
        assert_eq!(triangles("a.gltf", json, json.len() as u64), Some(20));
        let mut glb = b"glTF\x02\0\0\0\0\0\0\0".to_vec();
        glb.extend((json.len() as u32).to_le_bytes());
        glb.extend(b"JSON");
        glb.extend(json);
        assert_eq!(description_end(&glb), Some(glb.len() as u64));
        assert_eq!(triangles("a.glb", &glb, 1 << 20), Some(20));
        assert_eq!(triangles("a.glb", &glb[..40], 1 << 20), None);
        assert_eq!(triangles("a.png", b"\x89PNG", 100), None);
    }
}
