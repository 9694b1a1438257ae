//! Every input kept from fuzzing goes through its reader once more: an answer or a refusal, no panic.

use std::fs;
use std::path::Path;

use statuary::daemon::archive;
use statuary::format::{self, ReadOptions, ScanFiles, picture};
use statuary::pipeline::equipment_files::Workbench;
use statuary::pipeline::plan::plan;
use statuary::pipeline::spec::read_spec;

fn inputs(target: &str) -> Vec<Vec<u8>> {
    let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("fuzz/corpus").join(target);
    let mut paths: Vec<_> = fs::read_dir(folder).unwrap().map(|entry| entry.unwrap().path()).collect();
    paths.sort();
    assert!(!paths.is_empty(), "nothing is kept for {target}");
    paths.into_iter().map(|path| fs::read(path).unwrap()).collect()
}

/// Reads a mesh with the file beside it, if it has one; whether it could be read.
fn read(main: &str, beside: Option<(&str, &[u8])>, bytes: &[u8]) -> bool {
    let mut files = ScanFiles { main: main.into(), files: [(main.to_owned(), bytes.to_vec())].into() };
    files.files.extend(beside.map(|(name, bytes)| (name.to_owned(), bytes.to_vec())));
    let _ = format::references(main, bytes);
    let _ = format::completeness(main, bytes);
    format::read(&files, ReadOptions::default()).is_ok()
}

#[test]
fn meshes_are_read_or_refused() {
    for (target, main) in [("ply", "scan.ply"), ("stl", "scan.stl"), ("glb", "scan.glb")] {
        let read = inputs(target).iter().filter(|bytes| read(main, None, bytes)).count();
        assert!(read > 0, "none of {target} can be read");
    }
    for (target, main, beside) in [("obj", "scan.obj", "scan.mtl"), ("gltf", "scan.gltf", "scan.bin")] {
        let is_read = |bytes: &Vec<u8>| {
            let cut = bytes.iter().position(|byte| *byte == 0).unwrap_or(bytes.len());
            read(main, Some((beside, &bytes[cut..])), &bytes[..cut])
        };
        assert!(inputs(target).iter().any(is_read) || target == "obj", "none of {target} can be read");
    }
}

#[test]
fn pictures_are_read_or_refused() {
    let read = inputs("picture").iter().filter(|bytes| picture::decode("skin.png", bytes).is_ok()).count();
    assert!(read >= 3, "{read}");
}

#[test]
fn configuration_is_read_or_refused() {
    let bench = Workbench::demo().unwrap();
    let mut planned = 0;
    for bytes in inputs("configuration") {
        let Ok(text) = std::str::from_utf8(&bytes) else { continue };
        let _ = Workbench::shelf("filaments.yaml", text);
        let _ = Workbench::printers("printers.yaml", text);
        planned += usize::from(read_spec("fuzz", "fuzz.yaml", text).is_ok_and(|spec| plan(&spec, &bench).is_ok()));
    }
    assert!(planned >= 2, "{planned}");
}

#[test]
fn archives_are_unpacked_into_their_folder_or_refused() {
    let mut unpacked = 0;
    for bytes in inputs("archive") {
        let folder = tempfile::tempdir().unwrap();
        let (file, to) = (folder.path().join("scan.zip"), folder.path().join("out"));
        fs::write(&file, bytes).unwrap();
        unpacked += usize::from(archive::unpack(&file, &to).is_ok());
        assert!(fs::read_dir(folder.path()).unwrap().count() <= 2, "something lies beside the archive");
    }
    assert!(unpacked > 0);
}
