#![no_main]

use libfuzzer_sys::fuzz_target;
use statuary::format::{self, ReadOptions, ScanFiles};

fuzz_target!(|bytes: &[u8]| {
    let name = "scan.glb";
    let files = ScanFiles { main: name.into(), files: [(name.to_owned(), bytes.to_vec())].into() };
    let _ = format::references(name, bytes);
    let _ = format::completeness(name, bytes);
    let _ = format::read(&files, ReadOptions::default());
});
