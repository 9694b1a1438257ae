#![no_main]

use libfuzzer_sys::fuzz_target;
use statuary::format::{self, ReadOptions, ScanFiles};

// The text up to a zero byte, then the buffer it names `scan.bin`.
fuzz_target!(|bytes: &[u8]| {
    let cut = bytes.iter().position(|byte| *byte == 0).unwrap_or(bytes.len());
    let (text, buffer) = (bytes[..cut].to_vec(), bytes[cut..].to_vec());
    let _ = format::references("scan.gltf", &text);
    let _ = format::completeness("scan.gltf", &text);
    let files = [("scan.gltf".to_owned(), text), ("scan.bin".to_owned(), buffer)].into();
    let _ = format::read(&ScanFiles { main: "scan.gltf".into(), files }, ReadOptions::default());
});
