//! A run's folder: filled under a hidden name, then published whole by one rename.

use std::fs;
use std::io;
use std::path::{Path, PathBuf};

use crate::run_record::{FileRecord, RunRecord};
use crate::stage::FileSink;

use super::files;

/// Name of the log inside a run folder.
pub const LOG: &str = "run.json";
/// Folder of stage results kept inside a run folder when there is no workshop.
pub const STAGES: &str = ".stages";

/// A run folder that nobody sees yet; dropped without publishing, it is removed.
#[derive(Debug)]
pub struct RunFolder {
    target: PathBuf,
    hidden: PathBuf,
    written: Vec<FileRecord>,
    published: bool,
}

impl RunFolder {
    /// Starts a folder that will appear at `target`.
    ///
    /// # Errors
    /// `AlreadyExists` when something is there, else as the file system tells.
    pub fn begin(target: &Path) -> io::Result<Self> {
        if fs::symlink_metadata(target).is_ok() && !is_empty_folder(target) {
            return Err(io::ErrorKind::AlreadyExists.into());
        }
        let hidden = files::beside(target, "unfinished");
        files::remove(&hidden)?;
        files::make_folder(&hidden)?;
        Ok(Self { target: target.to_path_buf(), hidden, written: Vec::new(), published: false })
    }

    /// Starts a folder that somebody else will publish; what lies there is removed.
    ///
    /// # Errors
    /// As the file system tells.
    pub fn fill(folder: &Path) -> io::Result<Self> {
        files::remove(folder)?;
        files::make_folder(folder)?;
        Ok(Self { target: folder.to_path_buf(), hidden: folder.to_path_buf(), written: Vec::new(), published: false })
    }

    /// Writes the log and leaves the folder where it is; returns the log's BLAKE3.
    ///
    /// # Errors
    /// As the file system tells.
    pub fn finish(mut self, record: &RunRecord) -> io::Result<String> {
        let digest = self.write_log(record)?;
        self.published = true;
        Ok(digest)
    }

    fn write_log(&self, record: &RunRecord) -> io::Result<String> {
        let mut text = serde_json::to_vec_pretty(record).map_err(io::Error::other)?;
        text.push(b'\n');
        files::write_whole(&self.hidden.join(LOG), &text)?;
        Ok(blake3::hash(&text).to_hex().to_string())
    }

    /// Where files are before publishing.
    #[must_use]
    pub fn hidden(&self) -> &Path {
        &self.hidden
    }

    /// Takes the list of files written since the last call.
    pub fn take_written(&mut self) -> Vec<FileRecord> {
        std::mem::take(&mut self.written)
    }

    /// Takes files of an earlier run over; false when one is missing there or has changed.
    ///
    /// # Errors
    /// As the file system tells.
    pub fn adopt(&mut self, earlier: &Path, records: &[FileRecord]) -> io::Result<bool> {
        for record in records {
            let Ok(bytes) = fs::read(earlier.join(&record.file)) else { return Ok(false) };
            if blake3::hash(&bytes).to_hex().as_str() != record.blake3 {
                return Ok(false);
            }
        }
        for record in records {
            let to = self.hidden.join(&record.file);
            files::remove(&to)?;
            files::link_or_copy(&earlier.join(&record.file), &to)?;
        }
        Ok(true)
    }

    /// Writes the log and lets the folder appear under its name.
    ///
    /// # Errors
    /// As the file system tells; nothing has appeared then.
    pub fn publish(mut self, record: &RunRecord) -> io::Result<PathBuf> {
        self.write_log(record)?;
        files::sync_tree(&self.hidden)?;
        if is_empty_folder(&self.target) {
            fs::remove_dir(&self.target)?;
        }
        fs::rename(&self.hidden, &self.target)?;
        files::sync_folder(self.target.parent().unwrap_or(Path::new(".")))?;
        self.published = true;
        Ok(self.target.clone())
    }
}

fn is_empty_folder(path: &Path) -> bool {
    fs::read_dir(path).is_ok_and(|mut entries| entries.next().is_none())
}

impl Drop for RunFolder {
    fn drop(&mut self) {
        if !self.published
            && let Err(error) = files::remove(&self.hidden)
        {
            tracing::warn!(folder = %self.hidden.display(), %error, "an unfinished run folder could not be removed");
        }
    }
}

impl FileSink for RunFolder {
    fn put(&mut self, name: &str, bytes: &[u8]) -> io::Result<()> {
        files::write_whole(&self.hidden.join(name), bytes)?;
        let blake3 = blake3::hash(bytes).to_hex().to_string();
        self.written.push(FileRecord { file: name.into(), bytes: bytes.len() as u64, blake3 });
        Ok(())
    }

    fn get(&mut self, name: &str) -> io::Result<Vec<u8>> {
        fs::read(self.hidden.join(name))
    }
}

/// Reads a file that a published run wrote.
///
/// # Errors
/// `InvalidData` when it is no longer what the log says or the log does not name it, else as the file system tells.
pub fn read_output(run: &Path, record: &RunRecord, name: &str) -> io::Result<Vec<u8>> {
    let changed = |what: &str| io::Error::new(io::ErrorKind::InvalidData, what);
    let known = record.outputs.iter().find(|output| output.file == name);
    let known = known.ok_or_else(|| changed("the run's log does not name it"))?;
    let bytes = fs::read(run.join(name))?;
    if blake3::hash(&bytes).to_hex().as_str() != known.blake3 {
        return Err(changed("it is not what the run wrote: its digest is another than in the run's log"));
    }
    Ok(bytes)
}

/// Reads the log of a published run.
///
/// # Errors
/// When it is not there, or not a log this version reads.
pub fn read_log(run: &Path) -> io::Result<RunRecord> {
    let record: RunRecord = serde_json::from_slice(&fs::read(run.join(LOG))?).map_err(io::Error::other)?;
    if record.format != crate::run_record::FORMAT_VERSION {
        let what = format!(
            "format {} is not the one this version reads ({})",
            record.format,
            crate::run_record::FORMAT_VERSION
        );
        return Err(io::Error::other(what));
    }
    Ok(record)
}
