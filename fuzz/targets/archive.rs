#![no_main]

use libfuzzer_sys::fuzz_target;
use statuary::daemon::archive;

fuzz_target!(|bytes: &[u8]| {
    let folder = tempfile::tempdir().expect("a temporary folder");
    let (file, to) = (folder.path().join("scan.zip"), folder.path().join("out"));
    std::fs::write(&file, bytes).expect("room in the temporary folder");
    let _ = archive::unpack(&file, &to);
    // Nothing may be written anywhere else.
    let made = std::fs::read_dir(folder.path()).expect("the folder is there").count();
    assert!(made <= 2, "{made} things beside the archive");
});
