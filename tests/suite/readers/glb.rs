//! glTF, as GLB and as JSON: placed meshes, accessors of all kinds, and what is refused.

use base64::Engine;
use base64::engine::general_purpose::STANDARD;
use glam::DVec3;
use serde_json::{Value, json};

use super::*;

/// A square in the plane z = 0 as a strip, with linear colours as shares of 65535, and a picture place per corner.
fn square() -> (Value, Vec<u8>) {
    let mut bin = Vec::new();
    for position in [[0.0, 0.0, 0.0], [1.0, 0.0, 0.0], [0.0, 1.0, 0.0], [1.0, 1.0, 0.0_f32]] {
        bin.extend(position.iter().flat_map(|n| n.to_le_bytes()));
    }
    for colour in [[65_535_u16, 0, 0, 65_535], [0, 65_535, 0, 0], [0, 0, 65_535, 0], [32_768, 0, 0, 0]] {
        bin.extend(colour.iter().flat_map(|n| n.to_le_bytes()));
    }
    bin.extend([0_u8, 1, 2, 3]);
    let document = json!({
        "asset": {"version": "2.0"},
        "scene": 0,
        "scenes": [{"nodes": [0]}],
        "nodes": [{"mesh": 0}],
        "meshes": [{"primitives": [{"attributes": {"POSITION": 0, "COLOR_0": 1}, "indices": 2, "mode": 5}]}],
        "accessors": [
            {"bufferView": 0, "componentType": 5126, "count": 4, "type": "VEC3"},
            {"bufferView": 1, "componentType": 5123, "count": 4, "type": "VEC4", "normalized": true},
            {"bufferView": 2, "componentType": 5121, "count": 4, "type": "SCALAR"},
        ],
        "bufferViews": [
            {"buffer": 0, "byteLength": 48},
            {"buffer": 0, "byteOffset": 48, "byteLength": 32},
            {"buffer": 0, "byteOffset": 80, "byteLength": 4},
        ],
        "buffers": [{"byteLength": 84}],
    });
    (document, bin)
}

fn glb((document, bin): (Value, Vec<u8>)) -> Vec<u8> {
    let mut json = document.to_string().into_bytes();
    json.resize(json.len().next_multiple_of(4), b' ');
    let mut bytes = b"glTF\x02\0\0\0".to_vec();
    bytes.extend((28 + json.len() as u32 + bin.len() as u32).to_le_bytes());
    bytes.extend((json.len() as u32).to_le_bytes());
    bytes.extend(b"JSON");
    bytes.extend(json);
    bytes.extend((bin.len() as u32).to_le_bytes());
    bytes.extend(b"BIN\0");
    bytes.extend(bin);
    bytes
}

pub fn whole() -> Vec<u8> {
    glb(square())
}

/// The square with one place of its document changed.
fn changed(pointer: &str, value: Value) -> Vec<u8> {
    let (mut document, bin) = square();
    *document.pointer_mut(pointer).unwrap() = value;
    glb((document, bin))
}

#[test]
fn a_strip_with_colours_is_read() {
    let mesh = mesh_of("a.glb", &whole());
    assert_eq!(mesh.triangles, [[0, 1, 2], [2, 1, 3]]);
    assert_eq!(mesh.vertex_colours[2], [0.0, 0.0, 1.0]);
    // COLOR_0 is linear light already (glTF 2.0, section 3.7.2).
    assert!((mesh.vertex_colours[3][0] - 0.500_008).abs() < 1e-6);
    assert_eq!((mesh.unit_hint_mm, mesh.up_hint), (Some(1000.0), Some(DVec3::Y)));
}

#[test]
fn json_with_inline_and_outside_buffers_reads_alike() {
    let (mut document, bin) = square();
    document["buffers"][0]["uri"] = json!(format!("data:application/octet-stream;base64,{}", STANDARD.encode(&bin)));
    let inline = mesh_of("a.gltf", document.to_string().as_bytes());
    document["buffers"][0]["uri"] = json!("data%20of%20a.bin");
    let text = document.to_string();
    assert_eq!(references("a.gltf", text.as_bytes()), ["data of a.bin"]);
    let outside = read_strictly(&with(scan("a.gltf", text.as_bytes()), "data of a.bin", &bin)).unwrap();
    assert_eq!(inline.positions, outside.positions);
    assert_eq!(inline.triangles, outside.triangles);
    assert_eq!(
        refusal_of("a.gltf", text.as_bytes()),
        "`a.gltf`, buffers[0]: its data file `data of a.bin` is not there"
    );
}

#[test]
fn nodes_place_meshes_and_mirrors_turn_them_over() {
    let nodes = json!([{"children": [1], "translation": [10.0, 0.0, 0.0]}, {"mesh": 0, "scale": [-2.0, 2.0, 2.0]}]);
    let mesh = mesh_of("a.glb", &changed("/nodes", nodes));
    assert_eq!(mesh.positions[3], DVec3::new(8.0, 2.0, 0.0));
    assert!((area(&mesh) - 4.0).abs() < 1e-12);
    let [a, b, c] = mesh.triangles[0].map(|v| mesh.positions[v as usize]);
    assert!((b - a).cross(c - a).z > 0.0, "the front stays the front");
}

#[test]
fn sparse_accessors_replace_single_rows() {
    let (mut document, mut bin) = square();
    bin.extend([3, 0, 0, 0]);
    bin.extend([2.0, 2.0, 0.0_f32].iter().flat_map(|n| n.to_le_bytes()));
    document["buffers"][0]["byteLength"] = json!(100);
    document["bufferViews"].as_array_mut().unwrap().extend([
        json!({"buffer": 0, "byteOffset": 84, "byteLength": 1}),
        json!({"buffer": 0, "byteOffset": 88, "byteLength": 12}),
    ]);
    document["accessors"][0]["sparse"] =
        json!({"count": 1, "indices": {"bufferView": 3, "componentType": 5121}, "values": {"bufferView": 4}});
    let mesh = mesh_of("a.glb", &glb((document, bin)));
    assert_eq!(mesh.positions[3], DVec3::new(2.0, 2.0, 0.0));
}

#[test]
fn pictures_inside_the_file_are_moved_as_told() {
    let (mut document, mut bin) = square();
    let picture = png(1, &[[10, 20, 30]]);
    document["bufferViews"].as_array_mut().unwrap().extend([
        json!({"buffer": 0, "byteOffset": 84, "byteLength": picture.len()}),
        json!({"buffer": 0, "byteOffset": 0, "byteLength": 48, "byteStride": 12}),
    ]);
    bin.extend(&picture);
    document["buffers"][0]["byteLength"] = json!(bin.len());
    document["accessors"].as_array_mut().unwrap().push(json!(
        {"bufferView": 4, "componentType": 5126, "count": 4, "type": "VEC2"}));
    document["images"] = json!([{"bufferView": 3, "mimeType": "image/png"}]);
    document["textures"] = json!([{"source": 0}]);
    let transform = json!({"offset": [0.5, 0.0], "rotation": std::f64::consts::FRAC_PI_2, "scale": [2.0, 1.0]});
    document["materials"] = json!([{"pbrMetallicRoughness": {"baseColorFactor": [0.5, 1.0, 1.0, 1.0],
        "baseColorTexture": {"index": 0, "extensions": {"KHR_texture_transform": transform}}}}]);
    document["meshes"][0]["primitives"][0]["attributes"]["TEXCOORD_0"] = json!(3);
    document["meshes"][0]["primitives"][0]["material"] = json!(0);
    document["extensionsRequired"] = json!(["KHR_texture_transform"]);
    let mesh = mesh_of("a.glb", &glb((document, bin)));
    assert_eq!(mesh.pictures[0].pixel(0, 0), [10, 20, 30]);
    assert_eq!((mesh.materials[0].base, mesh.materials[0].tinted), ([0.5, 1.0, 1.0], true));
    // Corner (1, 0): scaled to (2, 0), turned a quarter with v down to (0, -2), moved.
    let [u, v] = mesh.corner_uvs[0][1];
    assert!((u - 0.5).abs() < 1e-6 && (v + 2.0).abs() < 1e-6, "{u} {v}");
}

#[test]
fn what_cannot_be_read_right_is_refused() {
    let cases = [
        (
            "/nodes",
            json!([{"children": [0]}]),
            "`a.glb`, nodes[0]: the node is reached twice, so the nodes are no tree",
        ),
        ("/nodes", json!([{"mesh": 7}]), "`a.glb`: refers to mesh 7, there are 1"),
        ("/nodes/0/mesh", json!(-1), "`a.glb`, line 1: the glTF text is damaged"),
        ("/accessors/0/count", json!(5), "`a.glb`, accessors[0]: 5 rows of 12 bytes from byte 0 do not fit 48 bytes"),
        ("/accessors/0/count", json!(u64::MAX), "`a.glb`, accessors[0]: a size beyond all reason"),
        ("/accessors/0/bufferView", json!(9), "`a.glb`, accessors[0]: refers to buffer view 9, there are 3"),
        ("/accessors/0/type", json!("SCALAR"), "`a.glb`, accessors[0]: rows of 1 numbers where 3 are needed"),
        ("/accessors/1/count", json!(3), "`a.glb`, meshes[0].primitives[0]: 3 colours for 4 vertices"),
        (
            "/bufferViews/0/byteLength",
            json!(85),
            "`a.glb`, accessors[0]: buffer view 0 reaches byte 85 of a buffer of 84",
        ),
        ("/buffers/0/byteLength", json!(85), "`a.glb`, buffers[0]: 85 bytes announced, 84 are there"),
        ("/meshes/0/primitives/0/mode", json!(1), "`a.glb`: the file holds no mesh"),
    ];
    for (pointer, value, expected) in cases {
        let message = refusal_of("a.glb", &changed(pointer, value));
        assert!(message.starts_with(expected), "{message}");
    }
    let mut far = square();
    far.1[83] = 200;
    assert_eq!(refusal_of("a.glb", &glb(far)), "`a.glb`, accessors[2]: an index of 200, there are 4 vertices");
    let mut compressed = square();
    compressed.0["extensionsRequired"] = json!(["KHR_draco_mesh_compression"]);
    assert_eq!(
        refusal_of("a.glb", &glb(compressed)),
        "`a.glb`: needs the extension `KHR_draco_mesh_compression`, which is not read"
    );
}

#[test]
fn placing_a_mesh_a_thousand_times_cannot_fill_the_memory() {
    let (mut document, mut bin) = square();
    bin.resize(84 + 12 * 20_000, 0);
    document["buffers"][0]["byteLength"] = json!(bin.len());
    document["bufferViews"].as_array_mut().unwrap().push(json!({"buffer": 0, "byteOffset": 84, "byteLength": 240_000}));
    document["accessors"].as_array_mut().unwrap().push(json!(
        {"bufferView": 3, "componentType": 5126, "count": 20_000, "type": "VEC3"}));
    document["meshes"][0]["primitives"][0] = json!({"attributes": {"POSITION": 3}});
    document["nodes"] = json!(vec![json!({"mesh": 0}); 1000]);
    document["scenes"][0]["nodes"] = json!((0..1000).collect::<Vec<_>>());
    let message = refusal_of("a.glb", &glb((document, bin)));
    assert!(message.contains("counting meshes each time"), "{message}");
}

#[test]
fn a_file_is_whole_once_its_length_is_there() {
    let bytes = whole();
    assert_eq!(completeness("a.glb", &bytes), Ok(()));
    assert!((0..bytes.len()).all(|end| completeness("a.glb", &bytes[..end]).is_err()));
}
