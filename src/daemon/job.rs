//! A job's folder: its note, the scan as it came, and where all of it lies once the job is settled.

use std::collections::BTreeSet;
use std::fs;
use std::io;
use std::path::{Path, PathBuf};
use std::time::SystemTime;

use serde::{Deserialize, Serialize};

use crate::pipeline::files;
use crate::pipeline::scan_files::{find_mesh, is_mesh_name};

use super::archive;
use super::ledger::{JobId, Row, State};
use super::workshop::Workshop;

const NOTE: &str = "job.json";
const REASON: &str = "reason.txt";
const SCAN: &str = "scan";
/// What came out of an archive.
const UNPACKED: &str = "unpacked";

/// A job's note beside its scan: from it the ledger can be made anew.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Note {
    pub pipeline: String,
    /// Name of the mesh file, the archive or the dropped folder.
    pub scan: String,
    /// Where its files lay in the inbox.
    pub members: Vec<PathBuf>,
    /// Folder in the outbox, once published.
    #[serde(default)]
    pub out: String,
    /// Whether it was given up on request.
    #[serde(default)]
    pub cancelled: bool,
}

/// Size and time of change of every file of a scan.
pub type Marks = Vec<(PathBuf, u64, Option<SystemTime>)>;

/// The time now, RFC 3339 UTC in whole seconds.
#[must_use]
pub fn now() -> String {
    let now = jiff::Timestamp::now();
    now.round(jiff::Unit::Second).unwrap_or(now).to_string()
}

/// The folder of one job, wherever it lies.
#[derive(Clone, Debug)]
pub struct JobFolder(PathBuf);

impl JobFolder {
    #[must_use]
    pub fn at(path: PathBuf) -> Self {
        Self(path)
    }

    /// Where a job is worked on.
    #[must_use]
    pub fn at_work(workshop: &Workshop, job: JobId) -> Self {
        Self(workshop.work().join(job.to_string()))
    }

    /// Where a job lies when it is settled.
    #[must_use]
    pub fn settled(workshop: &Workshop, job: JobId, state: State) -> Self {
        let place = if state == State::Done { workshop.scans() } else { workshop.refused() };
        Self(place.join(job.to_string()))
    }

    #[must_use]
    pub fn path(&self) -> &Path {
        &self.0
    }

    #[must_use]
    pub fn exists(&self) -> bool {
        self.0.is_dir()
    }

    /// The files as they came.
    #[must_use]
    pub fn scan(&self) -> PathBuf {
        self.0.join(SCAN)
    }

    /// Where a run of it is filled, by the token of its claim.
    #[must_use]
    pub fn filled(&self, token: u64) -> PathBuf {
        self.0.join(format!("run-{token}"))
    }

    /// # Errors
    /// When it is not there or cannot be read.
    pub fn note(&self) -> io::Result<Note> {
        serde_json::from_slice(&fs::read(self.0.join(NOTE))?).map_err(io::Error::other)
    }

    /// # Errors
    /// As the file system tells.
    pub fn write_note(&self, row: &Row) -> io::Result<()> {
        let note = Note {
            pipeline: row.pipeline.clone(),
            scan: row.scan.clone(),
            members: row.members.clone(),
            out: row.out.clone(),
            cancelled: row.state == State::Cancelled,
        };
        let text = serde_json::to_vec_pretty(&note).map_err(io::Error::other)?;
        files::write_whole(&self.0.join(NOTE), &text)
    }

    /// The reason it was refused for, and what to do about it; both empty when it was not.
    #[must_use]
    pub fn reason(&self) -> (String, String) {
        let text = fs::read_to_string(self.0.join(REASON)).unwrap_or_default();
        let line = |at: usize| text.lines().nth(at).unwrap_or_default().to_owned();
        (line(1), line(2).trim_start_matches("hint: ").to_owned())
    }

    /// # Errors
    /// As the file system tells.
    pub fn write_reason(&self, row: &Row) -> io::Result<()> {
        let text = format!("{}\n{}\nhint: {}\n", row.scan, row.reason, row.hint);
        files::write_whole(&self.0.join(REASON), text.as_bytes())
    }

    /// Takes over what is there of a drop's members. What was moved before, wholly or half, is made whole.
    ///
    /// # Errors
    /// As the file system tells; the next call goes on where this one stopped.
    pub fn move_members(&self, inbox: &Path, members: &[PathBuf]) -> io::Result<()> {
        files::make_folder(&self.scan())?;
        files::remove_leftovers(&self.scan(), "moving")?;
        for member in members {
            let Some(inner) = inner(inbox, member) else { continue };
            let (from, to) = (inbox.join(&inner), self.scan().join(&inner));
            match (fs::symlink_metadata(&from).is_ok(), fs::symlink_metadata(&to).is_ok()) {
                (true, false) => files::move_entry(&from, &to)?,
                // Copied across file systems, and broken off before the first was removed.
                (true, true) if files::same_content(&from, &to)? => files::remove(&from)?,
                _ => {}
            }
        }
        files::keep_to_owner(&self.scan());
        files::sync_folder(&self.scan())
    }

    /// Unpacks the scan if it is an archive.
    ///
    /// # Errors
    /// What is wrong with the archive, or as the file system tells.
    pub fn unpack(&self, scan: &str) -> Result<(), archive::ArchiveError> {
        let file = self.scan().join(scan);
        if archive::is_archive_name(&file) && file.is_file() {
            files::remove(&self.0.join(UNPACKED))?;
            archive::unpack(&file, &self.0.join(UNPACKED))?;
        }
        Ok(())
    }

    /// What a run reads: a mesh file, or the folder that holds one.
    #[must_use]
    pub fn scan_path(&self, scan: &str) -> PathBuf {
        let mut path = self.0.join(UNPACKED);
        if !path.is_dir() {
            return self.scan().join(scan);
        }
        // An export is often packed together with its folder.
        while find_mesh(&path).is_err() {
            let Some(only) = only_folder(&path) else { break };
            path = only;
        }
        path
    }

    /// Files the mesh names that are not here.
    #[must_use]
    pub fn missing(&self, scan: &str) -> Vec<String> {
        let Ok(mesh) = find_mesh(&self.scan_path(scan)) else { return Vec::new() };
        let folder = mesh.parent().unwrap_or(Path::new("")).to_path_buf();
        let main = mesh.file_name().map(|name| name.to_string_lossy().into_owned()).unwrap_or_default();
        let (mut asked, mut waiting, mut missing) = (BTreeSet::new(), vec![main], Vec::new());
        while let Some(name) = waiting.pop() {
            if asked.len() > 256 || !asked.insert(name.clone()) {
                continue;
            }
            match super::inbox::companion(&folder, &name).and_then(|path| fs::read(path).ok()) {
                Some(bytes) => waiting.extend(crate::format::references(&name, &bytes)),
                None => missing.push(name),
            }
        }
        missing.sort();
        missing
    }

    /// # Errors
    /// As the file system tells.
    pub fn marks(&self) -> io::Result<Marks> {
        let (mut marks, mut waiting) = (Marks::new(), vec![self.scan()]);
        while let Some(folder) = waiting.pop() {
            for entry in fs::read_dir(folder)? {
                let path = entry?.path();
                let meta = fs::symlink_metadata(&path)?;
                if meta.is_dir() {
                    waiting.push(path);
                } else {
                    marks.push((path, meta.len(), meta.modified().ok()));
                }
            }
        }
        marks.sort();
        Ok(marks)
    }

    /// Moves the folder; nothing happens when it was moved before.
    ///
    /// # Errors
    /// As the file system tells.
    pub fn move_to(&self, to: &Self) -> io::Result<()> {
        if self.exists() { files::move_entry(&self.0, &to.0) } else { Ok(()) }
    }
}

/// A member's path below the pipeline's folder in the inbox; older notes have whole paths.
fn inner(inbox: &Path, member: &Path) -> Option<PathBuf> {
    let inner = match member.strip_prefix(inbox) {
        Ok(inner) => inner.to_path_buf(),
        Err(_) if member.is_absolute() => PathBuf::from(member.file_name()?),
        Err(_) => member.to_path_buf(),
    };
    inner.components().all(|part| matches!(part, std::path::Component::Normal(_))).then_some(inner)
}

fn only_folder(path: &Path) -> Option<PathBuf> {
    let mut folders: Vec<PathBuf> =
        fs::read_dir(path).ok()?.filter_map(Result::ok).map(|entry| entry.path()).filter(|p| p.is_dir()).collect();
    if folders.len() == 1 { folders.pop() } else { None }
}

/// Whether a scan came as one mesh file, not in a folder or an archive.
#[must_use]
pub fn came_as_file(row: &Row) -> bool {
    is_mesh_name(Path::new(&row.scan))
}

/// A file name any system takes: letters, digits, dot, dash and underscore, at most 80 bytes.
#[must_use]
pub fn safe_name(name: &str) -> String {
    let fine = |c: char| if c.is_ascii_alphanumeric() || "._-".contains(c) { c } else { '-' };
    let text: String = name.chars().map(fine).take(80).collect();
    let text = text.trim_matches(['.', '-']).to_owned();
    if text.is_empty() { "scan".into() } else { text }
}
