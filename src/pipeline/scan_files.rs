//! Reads a scan and the material and picture files it names, once, into memory.

use std::collections::{BTreeMap, BTreeSet, VecDeque};
use std::fs;
use std::path::{Component, Path, PathBuf};

use crate::format::{self, SCAN_EXTENSIONS, ScanFiles};

/// Largest file that is read, bytes.
const FILE_MAX_BYTES: u64 = 4 << 30;
/// Most files one scan may name.
const FILES_MAX: usize = 256;

/// Why a scan's files could not be gathered.
#[derive(Debug, thiserror::Error)]
#[error("`{file}`: {what}")]
pub struct ScanFilesError {
    pub file: String,
    pub what: String,
    pub hint: String,
}

fn refuse(file: impl Into<String>, what: impl Into<String>, hint: impl Into<String>) -> ScanFilesError {
    ScanFilesError { file: file.into(), what: what.into(), hint: hint.into() }
}

/// Whether a file name looks like a mesh the program reads.
#[must_use]
pub fn is_mesh_name(path: &Path) -> bool {
    let ending = path.extension().map(|e| e.to_string_lossy().to_ascii_lowercase());
    ending.is_some_and(|ending| SCAN_EXTENSIONS.contains(&ending.as_str()))
}

/// The mesh file a path stands for: the file itself, or the only mesh in a folder.
///
/// # Errors
/// When there is none, or more than one.
pub fn find_mesh(path: &Path) -> Result<PathBuf, ScanFilesError> {
    let shown = path.display().to_string();
    let meta = fs::metadata(path)
        .map_err(|error| refuse(&shown, format!("cannot be opened: {error}"), "check the path and its rights"))?;
    if meta.is_file() {
        return Ok(path.to_path_buf());
    }
    if !meta.is_dir() {
        return Err(refuse(shown, "is neither a file nor a folder", "give a mesh file, or a folder that holds one"));
    }
    let entries = fs::read_dir(path).map_err(|e| refuse(&shown, e.to_string(), "check the rights of the folder"))?;
    let mut meshes: Vec<PathBuf> =
        entries.filter_map(Result::ok).map(|e| e.path()).filter(|p| p.is_file() && is_mesh_name(p)).collect();
    meshes.sort();
    match meshes.as_slice() {
        [only] => Ok(only.clone()),
        [] => Err(refuse(shown, "the folder holds no mesh", format!("endings read: {}", SCAN_EXTENSIONS.join(", ")))),
        several => {
            let names: Vec<String> =
                several.iter().filter_map(|p| p.file_name()).map(|n| n.to_string_lossy().into_owned()).collect();
            Err(refuse(
                shown,
                format!("the folder holds {} meshes: {}", names.len(), names.join(", ")),
                "give one of them",
            ))
        }
    }
}

/// Reads the mesh and everything it names.
///
/// # Errors
/// As [`each_scan_file`].
pub fn read_scan_files(path: &Path) -> Result<ScanFiles, ScanFilesError> {
    let mut files = BTreeMap::new();
    let main = each_scan_file(path, |name, bytes| drop(files.insert(name, bytes)))?;
    Ok(ScanFiles { main, files })
}

/// Gives the mesh and everything it names, file by file, under the names it is asked for by; returns the mesh's.
///
/// # Errors
/// When a file cannot be read or a name leads out of the folder. A named file that is missing is no error here: the
/// reader of the format knows whether it can do without.
pub fn each_scan_file(path: &Path, mut give: impl FnMut(String, Vec<u8>)) -> Result<String, ScanFilesError> {
    let mesh = find_mesh(path)?;
    let folder = mesh.parent().unwrap_or(Path::new("")).to_path_buf();
    let main = mesh.file_name().map(|n| n.to_string_lossy().into_owned()).unwrap_or_default();
    let mut given = BTreeSet::new();
    let mut waiting = VecDeque::from([main.clone()]);
    while let Some(name) = waiting.pop_front() {
        if given.contains(&name) {
            continue;
        }
        if given.len() == FILES_MAX {
            return Err(refuse(main, format!("names more than {FILES_MAX} files"), "export it with fewer pictures"));
        }
        let Some(place) = locate(&folder, &name)? else { continue };
        let bytes = read_file(&place)?;
        waiting.extend(format::references(&name, &bytes));
        given.insert(name.clone());
        give(name, bytes);
    }
    Ok(main)
}

/// Longest note of consent that is taken into the log, characters.
const CONSENT_MAX: usize = 2000;

/// Where the note of what the subject agreed to lies: `NAME.consent.txt` beside a mesh, `consent.txt` in a folder.
#[must_use]
pub fn consent_path(scan: &Path) -> PathBuf {
    if scan.is_dir() { scan.join("consent.txt") } else { scan.with_extension("consent.txt") }
}

/// The note of consent of a scan; empty without one.
#[must_use]
pub fn consent(scan: &Path) -> String {
    let path = consent_path(scan);
    let is_file = fs::symlink_metadata(&path).is_ok_and(|meta| meta.is_file());
    let text = if is_file { fs::read(&path).unwrap_or_default() } else { Vec::new() };
    String::from_utf8_lossy(&text).trim().chars().take(CONSENT_MAX).collect()
}

/// The path of a named file inside the folder; `None` when it is not there.
fn locate(folder: &Path, name: &str) -> Result<Option<PathBuf>, ScanFilesError> {
    let relative = Path::new(name);
    let inside = relative.components().all(|c| matches!(c, Component::Normal(_) | Component::CurDir));
    if !inside {
        return Err(refuse(
            name,
            "the path leaves the scan's folder",
            "put the file beside the mesh and name it without folders",
        ));
    }
    let direct = folder.join(relative);
    if direct.exists() {
        return Ok(Some(direct));
    }
    let (parent, wanted) = (direct.parent().unwrap_or(folder), name.rsplit('/').next().unwrap_or(name));
    let same = |n: &std::ffi::OsStr| n.to_string_lossy().eq_ignore_ascii_case(wanted);
    let Ok(entries) = fs::read_dir(if parent.as_os_str().is_empty() { Path::new(".") } else { parent }) else {
        return Ok(None);
    };
    let mut near: Vec<PathBuf> =
        entries.filter_map(Result::ok).filter(|e| same(&e.file_name())).map(|e| e.path()).collect();
    near.sort();
    Ok(near.into_iter().next())
}

fn read_file(path: &Path) -> Result<Vec<u8>, ScanFilesError> {
    let shown = path.display().to_string();
    let cannot = |error: std::io::Error| {
        refuse(&shown, format!("cannot be read: {error}"), "check that it is there and readable")
    };
    let meta = fs::metadata(path).map_err(cannot)?;
    if !meta.is_file() {
        return Err(refuse(shown, "is no plain file", "give a file"));
    }
    if meta.len() > FILE_MAX_BYTES {
        return Err(refuse(
            shown,
            format!("{} bytes are more than 4 GiB", meta.len()),
            "export the scan with fewer triangles",
        ));
    }
    fs::read(path).map_err(cannot)
}
