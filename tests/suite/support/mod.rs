//! What several tests need: the program as a user runs it, workshops that vanish, the demo scans, reference libraries.

use std::path::{Path, PathBuf};
use std::process::{Command, Output};

pub mod browser;
pub mod daemon;
pub mod fleet;
pub mod oracle;

/// A file of the project, by its path from the top level.
pub fn project(name: &str) -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join(name)
}

/// The small demo scan.
pub fn small_scan() -> PathBuf {
    project("demo-data/deckhand-small.ply")
}

/// A folder that goes away with the returned guard.
pub fn folder() -> tempfile::TempDir {
    tempfile::tempdir().expect("a temporary folder can be made")
}

/// A workshop made by the program.
pub fn workshop() -> tempfile::TempDir {
    let folder = folder();
    let made = statuary(&["init", &text(folder.path())]);
    assert!(made.status.success(), "{}", stderr(&made));
    folder
}

/// Runs the program to its end.
pub fn statuary(args: &[&str]) -> Output {
    command(args).output().expect("the program starts")
}

/// The program, ready to start; it runs outside the project so that nothing there can help it.
pub fn command(args: &[&str]) -> Command {
    let mut command = Command::new(env!("CARGO_BIN_EXE_statuary"));
    command.args(args).current_dir(std::env::temp_dir()).env_remove("RUST_LOG");
    command
}

pub fn text(path: &Path) -> String {
    path.to_str().expect("test paths are UTF-8").to_owned()
}

pub fn stderr(output: &Output) -> String {
    String::from_utf8_lossy(&output.stderr).into_owned()
}

/// A JSON file.
pub fn json(path: &Path) -> serde_json::Value {
    let text = std::fs::read(path).unwrap_or_else(|error| panic!("{}: {error}", path.display()));
    serde_json::from_slice(&text).unwrap_or_else(|error| panic!("{}: {error}", path.display()))
}

/// Every file below a folder with its digest, sorted; names in `without` are left out.
pub fn digests(folder: &Path, without: &[&str]) -> Vec<(String, String)> {
    let mut found = Vec::new();
    let mut waiting = vec![folder.to_path_buf()];
    while let Some(next) = waiting.pop() {
        for entry in std::fs::read_dir(next).unwrap().map(|entry| entry.unwrap().path()) {
            let name = entry.strip_prefix(folder).unwrap().to_string_lossy().into_owned();
            if without.iter().any(|w| name.starts_with(w)) {
                continue;
            }
            if entry.is_dir() {
                waiting.push(entry);
            } else {
                found.push((name, blake3::hash(&std::fs::read(&entry).unwrap()).to_hex().to_string()));
            }
        }
    }
    found.sort();
    found
}
