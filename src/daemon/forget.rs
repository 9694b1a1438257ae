//! Removes every trace of a job or a run: its folder, the scan it came from, the stage results only it used, its ledger rows; and
//! looks through the workshop for anything left.

use std::collections::BTreeSet;
use std::fs;
use std::io;
use std::path::{Path, PathBuf};

use crate::pipeline::cache::Cache;
use crate::pipeline::files;
use crate::pipeline::run_folder::read_log;
use crate::run_record::RunRecord;

use super::inbox::name_of;
use super::job::JobFolder;
use super::ledger::{JobId, Ledger, Row, State};
use super::log;
use super::workshop::Workshop;

/// Names shorter than this, bytes, are not looked for inside files: they would be found by chance.
const NAME_LEAST: usize = 5;

/// What the search after forgetting found.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Proof {
    /// Files looked through.
    pub files: usize,
    /// Files that still hold the scan, something made of it, or its name.
    pub left: Vec<PathBuf>,
}

/// What tells a scan's traces: digests of what came in and out, and names.
#[derive(Clone, Debug, Default)]
struct Traces {
    digests: BTreeSet<String>,
    names: BTreeSet<String>,
}

/// Forgets a published run. Runs outside a workshop keep everything in their own folder.
///
/// # Errors
/// When the folder is no run, or as the file system tells.
pub fn forget(run: &Path) -> io::Result<Proof> {
    let record = read_log(run)?;
    let Some(workshop) = Workshop::around(run) else {
        files::remove(run)?;
        return Ok(Proof::default());
    };
    let mut traces = Traces::default();
    let mut ledger = Ledger::open(&workshop.ledger())?;
    let name = name_of(run);
    for row in ledger.rows()?.into_iter().filter(|row| row.out == name) {
        traces.add_row(&row);
        remove_job(&workshop, &mut ledger, row.job)?;
    }
    remove_run(&workshop, run, &record, &mut traces)?;
    workshop.list_runs();
    prove(&workshop, &ledger, traces)
}

/// Forgets a settled job, with its run if it has one.
///
/// # Errors
/// When it is not settled, or as the ledger or the file system tells.
pub fn forget_job(workshop: &Workshop, ledger: &mut Ledger, job: JobId) -> io::Result<Proof> {
    let row = ledger.row(job)?.filter(|row| row.state.is_settled());
    let row = row.ok_or_else(|| io::Error::new(io::ErrorKind::InvalidInput, format!("{job} is not settled")))?;
    let mut traces = Traces::default();
    traces.add_row(&row);
    let run = workshop.outbox().join(&row.out);
    if !row.out.is_empty()
        && let Ok(record) = read_log(&run)
    {
        remove_run(workshop, &run, &record, &mut traces)?;
    }
    remove_job(workshop, ledger, job)?;
    workshop.list_runs();
    prove(workshop, ledger, traces)
}

fn remove_job(workshop: &Workshop, ledger: &mut Ledger, job: JobId) -> io::Result<()> {
    for state in [State::Done, State::Refused] {
        files::remove(JobFolder::settled(workshop, job, state).path())?;
    }
    Ok(ledger.forget(job)?)
}

/// The folder goes last: until then a second attempt finds the log again.
fn remove_run(workshop: &Workshop, run: &Path, record: &RunRecord, traces: &mut Traces) -> io::Result<()> {
    traces.add_run(run, record);
    let others = stamps_of_others(workshop, run);
    let own: Vec<String> = stamps(record).filter(|stamp| !others.contains(stamp)).collect();
    Cache::open(&workshop.cache()).forget(&own)?;
    files::remove(run)
}

fn stamps(record: &RunRecord) -> impl Iterator<Item = String> + '_ {
    record.stages.iter().map(|stage| stage.stamp.clone())
}

fn stamps_of_others(workshop: &Workshop, run: &Path) -> BTreeSet<String> {
    let others = records(workshop).into_iter().filter(|(name, _)| *name != name_of(run));
    others.flat_map(|(_, record)| stamps(&record).collect::<Vec<_>>()).collect()
}

/// All published runs by name.
fn records(workshop: &Workshop) -> Vec<(String, RunRecord)> {
    let entries = fs::read_dir(workshop.outbox()).into_iter().flatten().filter_map(Result::ok);
    entries.filter_map(|entry| Some((name_of(&entry.path()), read_log(&entry.path()).ok()?))).collect()
}

impl Traces {
    fn add_row(&mut self, row: &Row) {
        self.names.extend([row.scan.clone(), row.out.clone()]);
    }

    fn add_run(&mut self, run: &Path, record: &RunRecord) {
        self.names.extend([name_of(run), record.scan.clone()]);
        self.digests.extend(record.inputs.iter().chain(&record.outputs).map(|file| file.blake3.clone()));
    }

    /// Leaves out what others have a right to: the same scan in another run, files all runs write alike, names in use.
    fn without_others(mut self, workshop: &Workshop, ledger: &Ledger) -> io::Result<Self> {
        for (name, record) in records(workshop) {
            let mut others = Self::default();
            others.add_run(&workshop.outbox().join(name), &record);
            self.digests.retain(|digest| !others.digests.contains(digest));
            self.drop_names(&others.names);
        }
        for row in ledger.rows()? {
            let mut others = Self::default();
            others.add_row(&row);
            self.drop_names(&others.names);
        }
        self.names.retain(|name| name.len() >= NAME_LEAST);
        Ok(self)
    }

    /// Whether some bytes tell a name.
    fn are_told(&self, bytes: &[u8]) -> bool {
        let told = |name: &String| bytes.windows(name.len()).any(|window| window == name.as_bytes());
        self.names.iter().any(told)
    }

    /// A name that is part of another's would be found in it.
    fn drop_names(&mut self, others: &BTreeSet<String>) {
        self.names.retain(|name| !others.iter().any(|other| other.contains(name.as_str())));
    }
}

/// Strikes the names out of the log, and looks through all files of the workshop but the owner's own: pipelines, shelf, printers, and what waits in the inbox.
fn prove(workshop: &Workshop, ledger: &Ledger, traces: Traces) -> io::Result<Proof> {
    let traces = traces.without_others(workshop, ledger)?;
    log::strike_out(&workshop.log(), |line| traces.are_told(line))?;
    let mut proof = Proof::default();
    let mut waiting = vec![workshop.outbox(), workshop.hidden()];
    while let Some(folder) = waiting.pop() {
        // What another process removes meanwhile is not left.
        let entries = match fs::read_dir(folder) {
            Err(error) if error.kind() == io::ErrorKind::NotFound => continue,
            other => other?,
        };
        for entry in entries {
            let path = entry?.path();
            let Ok(meta) = fs::symlink_metadata(&path) else { continue };
            if meta.is_dir() {
                waiting.push(path);
            } else if meta.is_file() {
                let Ok(bytes) = fs::read(&path) else { continue };
                proof.files += 1;
                if holds(&path, &bytes, &traces) {
                    proof.left.push(path);
                }
            }
        }
    }
    proof.left.sort();
    Ok(proof)
}

fn holds(path: &Path, bytes: &[u8], traces: &Traces) -> bool {
    let digest = blake3::hash(bytes).to_hex();
    let in_path = |name: &String| path.to_string_lossy().contains(name.as_str());
    traces.digests.contains(digest.as_str()) || traces.names.iter().any(in_path) || traces.are_told(bytes)
}
