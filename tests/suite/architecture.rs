//! The house rules: who may import whom, who may touch the disk, how long a file may be.

use std::collections::BTreeMap;
use std::fs;
use std::path::{Path, PathBuf};

/// Layer and what it may import besides itself. A folder under `stages` may not import another stage.
const LAYERS: &[(&str, &[&str])] = &[
    ("main", &["cli"]),
    ("cli", &["daemon", "pipeline", "stages", "survey", "finding", "problem", "run_record", "stage"]),
    ("daemon", &["pipeline", "finding", "problem", "run_record", "stage", "format"]),
    (
        "pipeline",
        &[
            "stages",
            "survey",
            "chips",
            "stage",
            "figure",
            "finding",
            "problem",
            "run_record",
            "equipment",
            "format",
            "joining",
            "mesh",
            "colour",
        ],
    ),
    ("chips", &["mesh", "colour"]),
    ("survey", &["figure", "mesh", "picture", "colour"]),
    (
        "stages",
        &[
            "stage",
            "surface",
            "figure",
            "finding",
            "problem",
            "run_record",
            "schedule",
            "equipment",
            "joining",
            "mesh",
            "colour",
            "format",
            "picture",
            "units",
        ],
    ),
    ("surface", &["figure", "equipment", "mesh", "colour"]),
    ("stage", &["figure", "mesh", "finding", "problem", "run_record", "equipment"]),
    ("figure", &["schedule", "equipment", "mesh"]),
    ("run_record", &["equipment", "finding"]),
    ("schedule", &[]),
    ("finding", &[]),
    ("problem", &[]),
    ("equipment", &["colour"]),
    ("picture", &["mesh", "colour", "units"]),
    ("format", &["units", "colour"]),
    ("joining", &["mesh"]),
    ("mesh", &["units"]),
    ("colour", &["units"]),
    ("units", &[]),
];

/// Files that may use `std::fs`.
const DISK: &[&str] = &[
    "daemon/",
    "cli/",
    "pipeline/cache",
    "pipeline/files",
    "pipeline/index",
    "pipeline/library",
    "pipeline/run_folder",
    "pipeline/scan_files",
];

/// Most lines of code (comments and blank lines not counted) a file may have.
const FILE_MAX_LINES: usize = 500;

fn source_files(folder: &Path, into: &mut Vec<PathBuf>) {
    let mut entries: Vec<PathBuf> = fs::read_dir(folder).unwrap().map(|entry| entry.unwrap().path()).collect();
    entries.sort();
    for path in entries {
        if path.is_dir() {
            source_files(&path, into);
        } else if path.extension().is_some_and(|ending| ending == "rs") {
            into.push(path);
        }
    }
}

/// Path relative to `src`, and code without comments and string contents that could look like code.
fn sources() -> BTreeMap<String, String> {
    let root = Path::new(env!("CARGO_MANIFEST_DIR")).join("src");
    let mut files = Vec::new();
    source_files(&root, &mut files);
    let read = |path: PathBuf| {
        let name = path.strip_prefix(&root).unwrap().to_string_lossy().into_owned();
        let text = fs::read_to_string(&path).unwrap();
        let code: Vec<&str> = text.lines().filter(|line| !line.trim_start().starts_with("//")).collect();
        (name, code.join("\n"))
    };
    files.into_iter().map(read).collect()
}

fn layer(file: &str) -> &str {
    file.split('/').next().unwrap().trim_end_matches(".rs")
}

/// First segments after `crate::`, also inside `use crate::{a::…, b::…}`.
fn imports(code: &str) -> Vec<String> {
    let mut found = Vec::new();
    for rest in code.split("crate::").skip(1) {
        let word = |text: &str| text.chars().take_while(|c| c.is_alphanumeric() || *c == '_').collect::<String>();
        if let Some(list) = rest.strip_prefix('{') {
            let list = list.split(';').next().unwrap();
            let mut depth = 0;
            let mut start = true;
            for (i, c) in list.char_indices() {
                if start && c.is_alphabetic() && depth == 0 {
                    found.push(word(&list[i..]));
                    start = false;
                }
                match c {
                    '{' => depth += 1,
                    '}' => depth -= 1,
                    ',' if depth == 0 => start = true,
                    _ => {}
                }
            }
        } else {
            found.push(word(rest));
        }
    }
    found
}

#[test]
fn imports_point_down_only() {
    let allowed: BTreeMap<&str, &[&str]> = LAYERS.iter().copied().collect();
    let mut wrong = Vec::new();
    for (file, code) in sources() {
        let own = layer(&file);
        if own == "lib" {
            continue;
        }
        let may = allowed.get(own).unwrap_or_else(|| panic!("{file}: the layer `{own}` is not in the table"));
        for import in imports(&code) {
            let is_item = import.chars().next().is_none_or(char::is_uppercase);
            if import != own && !is_item && !may.contains(&import.as_str()) {
                wrong.push(format!("{file} imports {import}"));
            }
        }
    }
    assert!(wrong.is_empty(), "{}", wrong.join("\n"));
}

#[test]
fn a_stage_does_not_import_another_stage() {
    for (file, code) in sources().into_iter().filter(|(file, _)| file.starts_with("stages/") && file != "stages/mod.rs")
    {
        let own = file.trim_start_matches("stages/").split('/').next().unwrap().trim_end_matches(".rs").to_owned();
        for rest in code.split("crate::stages::").skip(1) {
            assert!(rest.starts_with(&own), "{file} imports crate::stages::{}", rest.lines().next().unwrap());
        }
    }
}

#[test]
fn only_the_doors_touch_disk_clock_and_environment() {
    let mut wrong = Vec::new();
    for (file, code) in sources() {
        let code = code.split("#[cfg(test)]").next().unwrap();
        if code.contains("std::fs") && !DISK.iter().any(|door| file.starts_with(door)) {
            wrong.push(format!("{file} uses std::fs"));
        }
        let inner = !["cli/", "daemon/", "pipeline/"].iter().any(|outer| file.starts_with(outer));
        for word in ["std::time", "std::env::", "println!", "dbg!"] {
            if inner && code.contains(word) {
                wrong.push(format!("{file} uses {word}"));
            }
        }
    }
    assert!(wrong.is_empty(), "{}", wrong.join("\n"));
}

#[test]
fn files_stay_short_and_say_what_they_are_for() {
    let root = Path::new(env!("CARGO_MANIFEST_DIR")).join("src");
    let mut wrong = Vec::new();
    for (file, code) in sources() {
        let lines = code.lines().filter(|line| !line.trim().is_empty()).count();
        if lines > FILE_MAX_LINES {
            wrong.push(format!("{file}: {lines} lines of code, limit {FILE_MAX_LINES}"));
        }
        if !fs::read_to_string(root.join(&file)).unwrap().starts_with("//!") {
            wrong.push(format!("{file}: does not open with what it is for"));
        }
    }
    assert!(wrong.is_empty(), "{}", wrong.join("\n"));
}

#[test]
fn the_top_level_holds_only_what_the_owner_asked_for() {
    let known = [
        "Cargo.toml",
        "Cargo.lock",
        "LICENSE",
        "README.md",
        "DEVELOPERS.md",
        "src",
        "pipelines",
        "tests",
        "demo-data",
        "docker",
        "benches",
        "fuzz",
        "target",
    ];
    for entry in fs::read_dir(env!("CARGO_MANIFEST_DIR")).unwrap() {
        let name = entry.unwrap().file_name().to_string_lossy().into_owned();
        assert!(name.starts_with('.') || known.contains(&name.as_str()), "`{name}` does not belong to the top level");
    }
}
