#![no_main]

use libfuzzer_sys::fuzz_target;
use statuary::format;

fuzz_target!(|bytes: &[u8]| {
    let _ = format::completeness("skin.png", bytes);
    let _ = format::picture::decode("skin.png", bytes);
});
