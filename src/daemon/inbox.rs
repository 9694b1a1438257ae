//! What lies in the inbox: which files belong to one scan, and whether all of them have arrived.

use std::collections::{BTreeMap, BTreeSet};
use std::fs;
use std::io;
use std::path::{Path, PathBuf};
use std::time::{Duration, Instant, SystemTime};

use crate::format;
use crate::pipeline::scan_files::{consent_path, is_mesh_name};

use super::archive::{self, is_archive_name};

/// A scan in the inbox.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Drop {
    pub pipeline: String,
    /// Mesh file, or the folder that came as one drop.
    pub head: PathBuf,
    /// All that is moved together: the head, and the files a mesh names.
    pub members: Vec<PathBuf>,
    /// Files named by the mesh that are not there.
    pub missing: Vec<String>,
    /// Why the mesh file looks half-written; empty when it is whole.
    pub incomplete: String,
    signature: Vec<(PathBuf, Mark)>,
}

/// How long to wait for what.
#[derive(Clone, Copy, Debug)]
pub struct Patience {
    /// Nothing may have changed for this long.
    pub settle: Duration,
    /// For files a mesh names that are not there.
    pub missing: Duration,
    /// For a file that looks half-written.
    pub incomplete: Duration,
}

/// Size and time of change of a file: what has the same mark has not changed.
type Mark = (u64, Option<SystemTime>);

/// What a file's content says: the files it names, and why it looks half-written.
#[derive(Clone, Debug, Default)]
struct Content {
    mark: Mark,
    names: Vec<String>,
    incomplete: String,
}

/// Remembers since when each drop stands still, and what each file says, so that a file is read once and not at every
/// look.
#[derive(Debug, Default)]
pub struct Inbox {
    seen: BTreeMap<PathBuf, (Drop, Instant)>,
    contents: BTreeMap<PathBuf, Content>,
}

impl Inbox {
    /// Looks at the inbox and returns the drops that are ready to be taken, oldest name first, and those that are not.
    ///
    /// # Errors
    /// When the inbox itself cannot be read.
    pub fn ready(&mut self, inbox: &Path, patience: Patience, now: Instant) -> io::Result<(Vec<Drop>, Vec<Drop>)> {
        let drops = self.list(inbox)?;
        let heads: BTreeSet<&PathBuf> = drops.iter().map(|drop| &drop.head).collect();
        self.seen.retain(|head, _| heads.contains(head));
        let (mut ready, mut coming) = (Vec::new(), Vec::new());
        for drop in drops {
            let entry = self.seen.entry(drop.head.clone()).or_insert_with(|| (drop.clone(), now));
            if entry.0 != drop {
                *entry = (drop.clone(), now);
            }
            let wait = if !drop.incomplete.is_empty() {
                patience.incomplete
            } else if !drop.missing.is_empty() {
                patience.missing
            } else {
                patience.settle
            };
            if now.duration_since(entry.1) >= wait.max(patience.settle) {
                ready.push(drop);
            } else {
                coming.push(drop);
            }
        }
        Ok((ready, coming))
    }

    /// Everything in the inbox that holds a mesh, sorted by path. Hidden, temporary and empty files are passed over.
    ///
    /// # Errors
    /// When the inbox itself cannot be read.
    pub fn list(&mut self, inbox: &Path) -> io::Result<Vec<Drop>> {
        self.contents.retain(|path, _| path.exists());
        let mut drops = Vec::new();
        for folder in sorted_entries(inbox)? {
            if !folder.is_dir() || is_passing(&folder) {
                continue;
            }
            let pipeline = name_of(&folder);
            // A folder that is gone since the look before is empty.
            for entry in sorted_entries(&folder).unwrap_or_default() {
                if is_passing(&entry) {
                    continue;
                }
                drops.extend(self.look_at(&pipeline, &entry));
            }
        }
        Ok(drops)
    }

    /// Scans that lie in the inbox itself instead of in a pipeline's folder, sorted by path.
    ///
    /// # Errors
    /// When the inbox itself cannot be read.
    pub fn misplaced(inbox: &Path) -> io::Result<Vec<PathBuf>> {
        let mut found = sorted_entries(inbox)?;
        found.retain(|path| path.is_file() && !is_passing(path) && (is_mesh_name(path) || is_archive_name(path)));
        Ok(found)
    }

    /// A drop for one entry of a pipeline's folder; none while it holds no mesh or cannot be read yet.
    fn look_at(&mut self, pipeline: &str, entry: &Path) -> Option<Drop> {
        let meta = fs::symlink_metadata(entry).ok()?;
        if meta.is_dir() {
            let inside: Vec<PathBuf> = sorted_entries(entry).ok()?.into_iter().filter(|p| !is_passing(p)).collect();
            let meshes: Vec<&PathBuf> = inside.iter().filter(|p| is_mesh_name(p)).collect();
            let mesh = *meshes.first()?;
            let (_, missing, incomplete) = self.companions(mesh)?;
            let signature = sign(&inside);
            return Some(Drop {
                pipeline: pipeline.into(),
                head: entry.to_path_buf(),
                members: vec![entry.to_path_buf()],
                missing,
                incomplete,
                signature,
            });
        }
        if !meta.is_file() || meta.len() == 0 {
            return None;
        }
        if is_archive_name(entry) {
            let members = vec![entry.to_path_buf()];
            let incomplete = self.content(entry)?.incomplete;
            let signature = sign(&members);
            let (pipeline, head) = (pipeline.into(), entry.to_path_buf());
            return Some(Drop { pipeline, head, members, missing: Vec::new(), incomplete, signature });
        }
        if !is_mesh_name(entry) {
            return None;
        }
        let (mut members, missing, incomplete) = self.companions(entry)?;
        members.insert(0, entry.to_path_buf());
        members.extend(Some(consent_path(entry)).filter(|note| note.is_file()));
        let signature = sign(&members);
        Some(Drop { pipeline: pipeline.into(), head: entry.to_path_buf(), members, missing, incomplete, signature })
    }

    /// Files a mesh names that are there, names of those that are not, and why the mesh looks half-written.
    fn companions(&mut self, mesh: &Path) -> Option<(Vec<PathBuf>, Vec<String>, String)> {
        let folder = mesh.parent()?;
        let Content { names: mut waiting, incomplete, .. } = self.content(mesh)?;
        let (mut present, mut missing) = (BTreeSet::new(), Vec::new());
        let mut asked = BTreeSet::new();
        while let Some(name) = waiting.pop() {
            if !asked.insert(name.clone()) || asked.len() > 256 {
                continue;
            }
            let inside = Path::new(&name).components().all(|c| matches!(c, std::path::Component::Normal(_)));
            if !inside {
                continue;
            }
            let found = companion(folder, &name).and_then(|path| Some((self.content(&path)?, path)));
            match found {
                Some((content, path)) => {
                    waiting.extend(content.names);
                    present.insert(path);
                }
                None => missing.push(name),
            }
        }
        missing.sort();
        Some((present.into_iter().collect(), missing, incomplete))
    }

    /// What a file says, read anew only when it has changed; none when it cannot be read.
    fn content(&mut self, path: &Path) -> Option<Content> {
        let mark = mark(path);
        if let Some(known) = self.contents.get(path).filter(|known| known.mark == mark) {
            return Some(known.clone());
        }
        if is_archive_name(path) {
            let incomplete = archive::completeness(path).err().unwrap_or_default();
            let content = Content { mark, names: Vec::new(), incomplete };
            self.contents.insert(path.to_path_buf(), content.clone());
            return Some(content);
        }
        let bytes = fs::read(path).ok()?;
        let name = name_of(path);
        let incomplete = format::completeness(&name, &bytes).err().filter(|_| is_mesh_name(path)).unwrap_or_default();
        let content = Content { mark, names: format::references(&name, &bytes), incomplete };
        self.contents.insert(path.to_path_buf(), content.clone());
        Some(content)
    }
}

/// Where a file that a mesh names lies in the mesh's folder, whatever the case of its letters.
#[must_use]
pub fn companion(folder: &Path, name: &str) -> Option<PathBuf> {
    entry_without_case(folder, name).filter(|path| path.is_file())
}

/// The entry of that name, else the first that differs from it in the case of letters only.
#[must_use]
pub fn entry_without_case(folder: &Path, name: &str) -> Option<PathBuf> {
    let mut path = folder.to_path_buf();
    for part in Path::new(name).components() {
        let std::path::Component::Normal(part) = part else { return None };
        let direct = path.join(part);
        path = if fs::symlink_metadata(&direct).is_ok() {
            direct
        } else {
            let wanted = part.to_string_lossy().to_lowercase();
            sorted_entries(&path).ok()?.into_iter().find(|entry| name_of(entry).to_lowercase() == wanted)?
        };
    }
    Some(path)
}

/// Size and time of change; zero and none when the file cannot be looked at.
fn mark(path: &Path) -> Mark {
    let meta = fs::metadata(path).ok();
    (meta.as_ref().map_or(0, fs::Metadata::len), meta.and_then(|meta| meta.modified().ok()))
}

fn sign(paths: &[PathBuf]) -> Vec<(PathBuf, Mark)> {
    paths.iter().map(|path| (path.clone(), mark(path))).collect()
}

fn sorted_entries(folder: &Path) -> io::Result<Vec<PathBuf>> {
    let mut paths: Vec<PathBuf> = fs::read_dir(folder)?.filter_map(Result::ok).map(|entry| entry.path()).collect();
    paths.sort();
    Ok(paths)
}

/// Names that other programs use while a file is still on its way.
fn is_passing(path: &Path) -> bool {
    let name = name_of(path).to_ascii_lowercase();
    let endings = [".tmp", ".part", ".partial", ".filepart", ".download"];
    name.starts_with(['.', '~']) || endings.iter().any(|ending| name.ends_with(ending))
}

/// The last component as text.
#[must_use]
pub fn name_of(path: &Path) -> String {
    path.file_name().map(|name| name.to_string_lossy().into_owned()).unwrap_or_default()
}
