//! Bytes in, bytes out: mesh and picture formats. Opens no file; every count is checked against the bytes that are there.

pub mod count;
mod glb;
mod names;
mod obj;
pub mod picture;
mod ply;
mod polygon;
mod raw_mesh;
mod read_error;
mod stl;
mod surface_pictures;
mod text;
pub mod threemf;
pub mod threemf_check;
mod weld;
pub mod write_ply;
pub mod write_stl;

use std::collections::BTreeMap;

pub use picture::Picture;
pub use raw_mesh::{Material, NEUTRAL, RawMesh, ReadOptions, Wrap};
pub use read_error::{Place, ReadError};
pub use weld::ExactWeld;

use crate::colour::spaces;

/// Extensions of scan files, lower case.
pub const SCAN_EXTENSIONS: [&str; 5] = ["ply", "obj", "stl", "glb", "gltf"];

/// Largest file, bytes.
const FILE_MAX: usize = 4 << 30;

/// A scan's bytes: the mesh file and the files it names, by their name relative to the mesh file's folder.
#[derive(Clone, Debug, Default)]
pub struct ScanFiles {
    /// Name of the mesh file, a key of `files`.
    pub main: String,
    pub files: BTreeMap<String, Vec<u8>>,
}

impl ScanFiles {
    /// The same with the mesh file under another name; its ending stays.
    #[must_use]
    pub fn renamed(mut self, name: &str) -> Self {
        let ending = self.main.rsplit_once('.').map_or(String::new(), |(_, ending)| format!(".{ending}"));
        let bytes = self.files.remove(&self.main).unwrap_or_default();
        self.main = format!("{name}{ending}");
        self.files.insert(self.main.clone(), bytes);
        self
    }
}

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Format {
    Ply,
    Obj,
    Stl,
    Gltf,
    Mtl,
    Picture,
}

/// Tells a format by the first bytes, else by the name.
fn format_of(name: &str, bytes: &[u8]) -> Option<Format> {
    let head = bytes.strip_prefix(b"\xef\xbb\xbf").unwrap_or(bytes);
    if head.starts_with(b"ply") && head.get(3).is_some_and(u8::is_ascii_whitespace) {
        return Some(Format::Ply);
    }
    if head.starts_with(b"glTF") {
        return Some(Format::Gltf);
    }
    match name.rsplit('.').next().unwrap_or("").to_ascii_lowercase().as_str() {
        "ply" => Some(Format::Ply),
        "obj" => Some(Format::Obj),
        "stl" => Some(Format::Stl),
        "glb" | "gltf" => Some(Format::Gltf),
        "mtl" => Some(Format::Mtl),
        "png" | "jpg" | "jpeg" => Some(Format::Picture),
        _ => None,
    }
}

/// Reads a scan, whichever of the known formats it is in.
///
/// # Errors
/// When the file is damaged, holds no mesh, or names a file that is missing; the error says where and what to do.
pub fn read(files: &ScanFiles, options: ReadOptions) -> Result<RawMesh, ReadError> {
    let bytes = files.main_bytes();
    let mesh = match format_of(&files.main, bytes) {
        _ if bytes.is_empty() => Err(ReadError::new("the file is empty", read_error::EXPORT_AGAIN)),
        _ if bytes.len() > FILE_MAX => {
            let what = format!("the file has {} bytes, at most {FILE_MAX} are read", bytes.len());
            Err(ReadError::new(what, "reduce the mesh in the scanner's program"))
        }
        Some(Format::Ply) => ply::read(files, bytes, options),
        Some(Format::Obj) => obj::read(files, bytes, options),
        Some(Format::Stl) => stl::read(bytes, options),
        Some(Format::Gltf) => glb::read(files, bytes, options),
        Some(Format::Mtl | Format::Picture) | None => {
            let hint = "export the scan as PLY, OBJ, GLB or STL; only STL has no colour";
            Err(ReadError::new("this is no kind of scan that can be read", hint))
        }
    };
    mesh.map_err(|error| error.in_file(&files.main))
}

/// Files a scan file names, relative to the scan's folder: materials and pictures, not yet those the materials name.
///
/// Names that lead out of the folder are left out; reading the scan refuses them.
#[must_use]
pub fn references(name: &str, bytes: &[u8]) -> Vec<String> {
    let written = match format_of(name, bytes) {
        Some(Format::Ply) => ply::references(bytes),
        Some(Format::Obj) => obj::references(bytes),
        Some(Format::Mtl) => obj::picture_references(bytes),
        Some(Format::Gltf) => glb::references(bytes),
        Some(Format::Stl | Format::Picture) | None => Vec::new(),
    };
    let mut found: Vec<String> = Vec::new();
    for reference in written.iter().filter_map(|written| names::below_folder(written, name).ok()) {
        if !found.contains(&reference) {
            found.push(reference);
        }
    }
    found
}

/// Whether a file is fully written, as far as its format can tell.
///
/// # Errors
/// What is still missing.
pub fn completeness(name: &str, bytes: &[u8]) -> Result<(), String> {
    if bytes.is_empty() {
        return Err("the file is empty".to_owned());
    }
    match format_of(name, bytes) {
        Some(Format::Ply) => ply::is_whole(bytes),
        Some(Format::Obj) => obj::is_whole(bytes),
        Some(Format::Stl) => stl::is_whole(bytes),
        Some(Format::Gltf) => glb::is_whole(bytes),
        Some(Format::Picture) => picture::is_whole(bytes),
        Some(Format::Mtl) | None => Ok(()),
    }
}

/// sRGB numbers from 0 to `top` as linear light; NaN stays NaN.
fn linear_light(encoded: [f32; 3], top: f32) -> [f32; 3] {
    encoded.map(|value| {
        let byte = value * 255.0 / top;
        if (0.0..=255.0).contains(&byte) && byte.fract() == 0.0 {
            return spaces::linear_of_byte(byte as u8);
        }
        spaces::linear_of_srgb(f64::from(value / top).clamp(0.0, 1.0)) as f32
    })
}
