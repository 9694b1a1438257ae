//! One scan on its way through: taken out of the inbox, run, published or refused. A kill at any moment leaves it
//! where the next start finds it.

use std::fs;
use std::io;
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::sync::atomic::AtomicBool;

use serde::{Deserialize, Serialize};

use crate::pipeline::cache::Cache;
use crate::pipeline::files;
use crate::pipeline::plan::Plan;
use crate::pipeline::run_folder::{LOG, RunFolder};
use crate::pipeline::runner::{self, Observer, RunError, Source, Surroundings};
use crate::pipeline::scan_files::read_scan_files;
use crate::run_record::RunRecord;
use crate::stage::StageError;

use super::inbox::{Drop, name_of};
use super::ledger::{Ledger, Line, State};
use super::workshop::Workshop;

/// Runs that may crash the program before a scan is given up.
const ATTEMPTS_MAX: u32 = 3;
const NOTE: &str = "job.json";

/// A job's note to the next start of the daemon.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Job {
    pub id: String,
    pub pipeline: String,
    /// Name of the mesh file or the dropped folder.
    pub scan: String,
    /// Where its files lay in the inbox.
    members: Vec<PathBuf>,
    /// Folder in the outbox, once chosen.
    out: String,
    attempts: u32,
}

/// Where a job is done.
#[derive(Clone, Copy, Debug)]
pub struct Place<'a> {
    pub workshop: &'a Workshop,
    pub ledger: &'a Ledger,
}

/// How a job ended.
#[derive(Debug)]
pub enum Ending {
    Done {
        out: PathBuf,
        record: Box<RunRecord>,
    },
    Refused {
        reason: String,
        hint: String,
    },
    /// Stopped on request; taken up again at the next start.
    Stopped,
}

/// The time now, RFC 3339 UTC in whole seconds.
#[must_use]
pub fn now() -> String {
    let now = jiff::Timestamp::now();
    now.round(jiff::Unit::Second).unwrap_or(now).to_string()
}

impl Job {
    fn folder(&self, workshop: &Workshop) -> PathBuf {
        workshop.work().join(&self.id)
    }

    fn save(&self, workshop: &Workshop) -> io::Result<()> {
        let text = serde_json::to_vec_pretty(self).map_err(io::Error::other)?;
        files::write_whole(&self.folder(workshop).join(NOTE), &text)
    }

    fn line(&self, state: State, reason: &str) -> Line {
        Line {
            time: now(),
            job: self.id.clone(),
            state,
            pipeline: self.pipeline.clone(),
            scan: self.scan.clone(),
            out: self.out.clone(),
            reason: reason.into(),
        }
    }

    /// Takes a drop out of the inbox.
    ///
    /// # Errors
    /// As the file system tells; the note then lets the next start finish the move.
    pub fn take(workshop: &Workshop, ledger: &Ledger, drop: &Drop) -> io::Result<Self> {
        let id = ledger.next_job(&workshop.work())?;
        let job = Self {
            id,
            pipeline: drop.pipeline.clone(),
            scan: name_of(&drop.head),
            members: drop.members.clone(),
            out: String::new(),
            attempts: 0,
        };
        job.save(workshop)?;
        job.move_members(workshop)?;
        ledger.append(&job.line(State::Working, ""))?;
        Ok(job)
    }

    fn move_members(&self, workshop: &Workshop) -> io::Result<()> {
        let folder = self.folder(workshop).join("scan");
        files::make_folder(&folder)?;
        for member in &self.members {
            if fs::symlink_metadata(member).is_ok() {
                let inside = member.strip_prefix(workshop.inbox().join(&self.pipeline)).unwrap_or(member);
                files::move_entry(member, &folder.join(inside))?;
            }
        }
        Ok(())
    }

    /// Jobs an earlier daemon left unfinished, oldest first; notes without any file are cleared away.
    ///
    /// # Errors
    /// As the file system tells.
    pub fn unfinished(workshop: &Workshop) -> io::Result<Vec<Self>> {
        let mut jobs = Vec::new();
        let Ok(entries) = fs::read_dir(workshop.work()) else { return Ok(jobs) };
        for entry in entries {
            let folder = entry?.path();
            let Ok(text) = fs::read(folder.join(NOTE)) else { continue };
            let Ok(job) = serde_json::from_slice::<Self>(&text) else { continue };
            job.move_members(workshop)?;
            jobs.push(job);
        }
        jobs.sort_by(|a, b| a.id.cmp(&b.id));
        Ok(jobs)
    }

    fn scan_path(&self, workshop: &Workshop) -> PathBuf {
        self.folder(workshop).join("scan").join(&self.scan)
    }

    /// Runs the job and settles it.
    ///
    /// # Errors
    /// When the workshop itself cannot be written to: the daemon cannot go on then.
    pub fn run(
        mut self,
        Place { workshop, ledger }: Place<'_>,
        plan: &Plan,
        observer: &mut dyn Observer,
        cancel: Arc<AtomicBool>,
    ) -> io::Result<Ending> {
        if !self.out.is_empty() && workshop.outbox().join(&self.out).join(LOG).is_file() {
            let record = crate::pipeline::run_folder::read_log(&workshop.outbox().join(&self.out))?;
            return self.done(workshop, ledger, record);
        }
        if self.attempts >= ATTEMPTS_MAX {
            let reason = format!("the program broke off {ATTEMPTS_MAX} times while working on it");
            return self.refuse(
                workshop,
                ledger,
                reason,
                "run it by hand with `statuary run` and see where it stops".into(),
            );
        }
        let stem = Path::new(&self.scan).file_stem().map(|s| s.to_string_lossy().into_owned()).unwrap_or_default();
        self.out = name_of(&files::free_name(&workshop.outbox().join(safe_name(&stem))));
        self.attempts += 1;
        self.save(workshop)?;
        match self.attempt(workshop, plan, observer, cancel) {
            Ok(record) => self.done(workshop, ledger, record),
            Err(RunError::Stage { source: StageError::Cancelled, .. }) => {
                self.attempts -= 1;
                self.save(workshop)?;
                Ok(Ending::Stopped)
            }
            Err(RunError::Write(error)) => Err(error),
            Err(RunError::ScanFiles(error)) => {
                let hint = error.hint.clone();
                self.refuse(workshop, ledger, error.to_string(), hint)
            }
            Err(error) => {
                let hint =
                    if let RunError::Stage { source, .. } = &error { source.hint().to_owned() } else { String::new() };
                self.refuse(workshop, ledger, error.to_string(), hint)
            }
        }
    }

    fn attempt(
        &self,
        workshop: &Workshop,
        plan: &Plan,
        observer: &mut dyn Observer,
        cancel: Arc<AtomicBool>,
    ) -> Result<RunRecord, RunError> {
        let source = Source::of(Arc::new(read_scan_files(&self.scan_path(workshop))?));
        let mut cache = Cache::open(&workshop.cache());
        let mut folder = RunFolder::begin(&workshop.outbox().join(&self.out))?;
        let mut around = Surroundings { cache: Some(&mut cache), earlier: None, observer, cancel, started: now() };
        let record = runner::run(plan, &source, &mut folder, &mut around)?;
        folder.publish(&record)?;
        Ok(record)
    }

    fn done(self, workshop: &Workshop, ledger: &Ledger, record: RunRecord) -> io::Result<Ending> {
        ledger.append(&self.line(State::Done, ""))?;
        self.put_away(workshop, &workshop.scans())?;
        Ok(Ending::Done { out: workshop.outbox().join(&self.out), record: Box::new(record) })
    }

    fn refuse(self, workshop: &Workshop, ledger: &Ledger, reason: String, hint: String) -> io::Result<Ending> {
        let text = format!("{}\n{reason}\nhint: {hint}\n", self.scan);
        files::write_whole(&self.folder(workshop).join("reason.txt"), text.as_bytes())?;
        ledger.append(&Line { out: String::new(), ..self.line(State::Refused, &reason) })?;
        self.put_away(workshop, &workshop.refused())?;
        Ok(Ending::Refused { reason, hint })
    }

    fn put_away(&self, workshop: &Workshop, to: &Path) -> io::Result<()> {
        files::move_entry(&self.folder(workshop), &to.join(&self.id))
    }
}

/// A file name any system takes: letters, digits, dot, dash and underscore, at most 80 bytes.
#[must_use]
pub fn safe_name(name: &str) -> String {
    let fine = |c: char| if c.is_ascii_alphanumeric() || "._-".contains(c) { c } else { '-' };
    let text: String = name.chars().map(fine).take(80).collect();
    let text = text.trim_matches(['.', '-']).to_owned();
    if text.is_empty() { "scan".into() } else { text }
}
