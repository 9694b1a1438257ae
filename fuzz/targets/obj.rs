#![no_main]

use libfuzzer_sys::fuzz_target;
use statuary::format::{self, ReadOptions, ScanFiles};

// The mesh up to a zero byte, then its material file.
fuzz_target!(|bytes: &[u8]| {
    let cut = bytes.iter().position(|byte| *byte == 0).unwrap_or(bytes.len());
    let (mesh, material) = (bytes[..cut].to_vec(), bytes[cut..].to_vec());
    let _ = format::references("scan.obj", &mesh);
    let _ = format::references("scan.mtl", &material);
    let _ = format::completeness("scan.obj", &mesh);
    let files = [("scan.obj".to_owned(), mesh), ("scan.mtl".to_owned(), material)].into();
    let _ = format::read(&ScanFiles { main: "scan.obj".into(), files }, ReadOptions::default());
});
