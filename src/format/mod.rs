//! Bytes in, bytes out: mesh and picture formats. Opens no file; every count is checked against the bytes that are there.

pub mod glb;
pub mod obj;
pub mod picture;
pub mod ply;
pub mod stl;
pub mod threemf;
pub mod threemf_check;
pub mod write_ply;
pub mod write_stl;

use std::collections::BTreeMap;

/// A scan's bytes: the mesh file and the files it names, by their name relative to the mesh file's folder.
#[derive(Clone, Debug, Default)]
pub struct ScanFiles {
    /// Name of the mesh file, a key of `files`.
    pub main: String,
    pub files: BTreeMap<String, Vec<u8>>,
}

/// x
pub fn references(_: &str, _: &[u8]) -> Vec<String> {
    vec![]
}
/// x
pub fn completeness(_: &str, _: &[u8]) -> Result<(), String> {
    Ok(())
}
