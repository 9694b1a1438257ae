//! Reads glTF 2.0, as GLB or JSON: placed meshes, vertex colours, base colours and their pictures. The crate's JSON
//! model is walked with own checks, since its readers trust counts and indices.

mod assembly;
mod data;
mod materials;
mod scene;

use glam::DVec3;
use gltf::json::Root;

use self::assembly::Assembly;
use self::data::Data;
use self::materials::Coverings;
use super::ScanFiles;
use super::names::percent_decoded;
use super::raw_mesh::{COUNT_MAX, RawMesh, ReadOptions};
use super::read_error::{EXPORT_AGAIN, ReadError};

/// Extensions without which a file can still be read right.
const HARMLESS: [&str; 3] = ["KHR_texture_transform", "KHR_mesh_quantization", "KHR_lights_punctual"];

/// Most JSON objects of a document: its model takes a hundred times their text.
const OBJECTS_MAX: usize = 1_000_000;
/// Most vertices or triangles per byte of a file, so that placing one mesh again and again cannot fill the memory.
const COUNT_PER_BYTE_MAX: usize = 16;

/// The JSON part and the binary part, if there is one.
fn parts(bytes: &[u8]) -> Result<(&[u8], Option<&[u8]>), ReadError> {
    if !bytes.starts_with(b"glTF") {
        return Ok((bytes.strip_prefix(b"\xef\xbb\xbf").unwrap_or(bytes), None));
    }
    let word = |at: usize| bytes.get(at..at + 4).and_then(|b| b.as_array()).map_or(0, |b| u32::from_le_bytes(*b));
    if word(4) != 2 {
        let what = format!("version {} of glTF, only version 2 is read", word(4));
        return Err(ReadError::new(what, "export the scan as glTF 2.0"));
    }
    let announced = word(8) as usize;
    if announced > bytes.len() || announced < 20 {
        let what = format!("{announced} bytes announced, the file has {}", bytes.len());
        return Err(ReadError::new(what, EXPORT_AGAIN).at_byte(8));
    }
    let mut chunks: [Option<&[u8]>; 2] = [None; 2];
    let mut at = 12;
    while at + 8 <= announced {
        let (length, kind) = (word(at) as usize, &bytes[at + 4..at + 8]);
        let Some(chunk) = bytes[..announced].get(at + 8..at + 8 + length) else {
            let what = format!("a chunk of {length} bytes reaches beyond the end");
            return Err(ReadError::new(what, EXPORT_AGAIN).at_byte(at));
        };
        match kind {
            b"JSON" => chunks[0] = chunks[0].or(Some(chunk)),
            b"BIN\0" => chunks[1] = chunks[1].or(Some(chunk)),
            _ => {}
        }
        at += 8 + length;
    }
    let json = chunks[0].ok_or_else(|| ReadError::new("no JSON chunk in the GLB file", EXPORT_AGAIN))?;
    Ok((json, chunks[1]))
}

pub(super) fn read(files: &ScanFiles, bytes: &[u8], options: ReadOptions) -> Result<RawMesh, ReadError> {
    let (json, bin) = parts(bytes)?;
    let objects = json.split(|&b| b == b'{').count();
    if objects > OBJECTS_MAX {
        let what = format!("the glTF text holds {objects} objects");
        return Err(ReadError::new(what, format!("at most {OBJECTS_MAX} are read: join the meshes into one")));
    }
    let root = Root::from_slice(json).map_err(|e| not_gltf(&e))?;
    for extension in &root.extensions_required {
        if !HARMLESS.contains(&extension.as_str()) && !extension.starts_with("KHR_materials_") {
            let what = format!("needs the extension `{extension}`, which is not read");
            return Err(ReadError::new(what, "export the scan without compression and without extensions"));
        }
    }
    let data = Data::new(&root, bin, files)?;
    let count_max = COUNT_MAX.min(COUNT_PER_BYTE_MAX * (json.len() + data.bytes_total()));
    let mut assembly = Assembly::new(&data, Coverings::new(&data, files, options), count_max);
    for placed in scene::placed_meshes(&root)? {
        assembly.add(&placed)?;
    }
    let mut mesh = assembly.into_mesh();
    if !root.skins.is_empty() {
        mesh.notes.push("skeleton ignored: the figure stands as it was modelled".to_owned());
    }
    // Lengths are metres and y is up by the standard (glTF 2.0, section 3.4).
    mesh.unit_hint_mm = Some(1000.0);
    mesh.up_hint = Some(DVec3::Y);
    mesh.settled(options)
}

fn not_gltf(error: &gltf::json::Error) -> ReadError {
    ReadError::new(format!("the glTF text is damaged: {error}"), EXPORT_AGAIN).at_line(error.line())
}

/// Buffers and pictures a glTF file names; none when its JSON cannot be read.
pub(super) fn references(bytes: &[u8]) -> Vec<String> {
    let root = parts(bytes).ok().and_then(|(json, _)| Root::from_slice(json).ok());
    let Some(root) = root else { return Vec::new() };
    let uris = root.buffers.iter().map(|b| &b.uri).chain(root.images.iter().map(|i| &i.uri));
    uris.flatten().filter(|uri| !uri.starts_with("data:")).map(|uri| percent_decoded(uri)).collect()
}

/// Whether the announced length is there, or the JSON is closed.
pub(super) fn is_whole(bytes: &[u8]) -> Result<(), String> {
    if bytes.starts_with(b"glTF") {
        return parts(bytes).map(|_| ()).map_err(|e| e.what);
    }
    let is_closed = bytes.trim_ascii_end().ends_with(b"}");
    if is_closed { Ok(()) } else { Err("the glTF text has no end yet".to_owned()) }
}
