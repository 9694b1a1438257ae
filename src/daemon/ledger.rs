//! What happened to every scan, as JSON Lines that are only ever appended; the last line of a job tells its state.

use std::collections::BTreeMap;
use std::fs;
use std::io;
use std::path::{Path, PathBuf};

use serde::{Deserialize, Serialize};

use crate::pipeline::files;

/// Where a scan is.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum State {
    /// Out of the inbox, waiting or being worked on; taken up again after a restart.
    Working,
    /// Published in the outbox.
    Done,
    /// Cannot be printed as it is; kept with the reason.
    Refused,
}

/// One line of the ledger.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Line {
    pub time: String,
    pub job: String,
    pub state: State,
    pub pipeline: String,
    pub scan: String,
    /// Folder in the outbox.
    #[serde(default, skip_serializing_if = "String::is_empty")]
    pub out: String,
    #[serde(default, skip_serializing_if = "String::is_empty")]
    pub reason: String,
}

/// The ledger of a workshop.
#[derive(Debug)]
pub struct Ledger {
    path: PathBuf,
}

impl Ledger {
    #[must_use]
    pub fn at(path: PathBuf) -> Self {
        Self { path }
    }

    /// Adds a line; it is on the disk when this returns.
    ///
    /// # Errors
    /// As the file system tells.
    pub fn append(&self, line: &Line) -> io::Result<()> {
        files::append_line(&self.path, &serde_json::to_string(line).map_err(io::Error::other)?)
    }

    /// The last line of every job, by job. A line cut off by a crash is passed over.
    ///
    /// # Errors
    /// As the file system tells.
    pub fn jobs(&self) -> io::Result<BTreeMap<String, Line>> {
        let lines = self.lines()?;
        Ok(lines.into_iter().map(|line| (line.job.clone(), line)).collect())
    }

    /// A number no job has had.
    ///
    /// # Errors
    /// As the file system tells.
    pub fn next_job(&self, work: &Path) -> io::Result<String> {
        let number = |name: &str| name.strip_prefix("job-").and_then(|n| n.parse::<u64>().ok());
        let known = self.lines()?.into_iter().filter_map(|line| number(&line.job)).max();
        let begun = fs::read_dir(work).into_iter().flatten().filter_map(Result::ok);
        let begun = begun.filter_map(|entry| number(&entry.file_name().to_string_lossy())).max();
        Ok(format!("job-{:06}", known.max(begun).unwrap_or(0) + 1))
    }

    /// Removes every line of a job.
    ///
    /// # Errors
    /// As the file system tells.
    pub fn forget(&self, job: &str) -> io::Result<()> {
        let kept: Vec<String> = self
            .lines()?
            .iter()
            .filter(|line| line.job != job)
            .map(serde_json::to_string)
            .collect::<Result<_, _>>()
            .map_err(io::Error::other)?;
        let text: String = kept.into_iter().map(|line| line + "\n").collect();
        files::write_whole(&self.path, text.as_bytes())
    }

    fn lines(&self) -> io::Result<Vec<Line>> {
        let text = match fs::read(&self.path) {
            Ok(text) => text,
            Err(error) if error.kind() == io::ErrorKind::NotFound => return Ok(Vec::new()),
            Err(error) => return Err(error),
        };
        Ok(text.split(|b| *b == b'\n').filter_map(|line| serde_json::from_slice(line).ok()).collect())
    }
}
