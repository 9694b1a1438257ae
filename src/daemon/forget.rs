//! Removes every trace of a run: its folder, the scan it came from, the stage results only it used, its ledger lines.

use std::collections::BTreeSet;
use std::fs;
use std::io;
use std::path::Path;

use crate::pipeline::cache::Cache;
use crate::pipeline::files;
use crate::pipeline::run_folder::read_log;
use crate::run_record::RunRecord;

use super::inbox::name_of;
use super::ledger::{JobId, Ledger};
use super::workshop::Workshop;

/// Forgets a published run. Runs outside a workshop keep everything in their own folder.
///
/// # Errors
/// When the folder is no run, or as the file system tells.
pub fn forget(run: &Path) -> io::Result<()> {
    let record = read_log(run)?;
    if let Some(workshop) = Workshop::around(run) {
        let mut ledger = Ledger::open(&workshop.ledger())?;
        let name = name_of(run);
        let jobs: Vec<JobId> = ledger.rows()?.into_iter().filter(|row| row.out == name).map(|row| row.job).collect();
        for job in jobs {
            files::remove(&workshop.scans().join(job.to_string()))?;
            ledger.forget(job)?;
        }
        let others = stamps_of_others(&workshop, run);
        let own: Vec<String> = stamps(&record).filter(|stamp| !others.contains(stamp)).collect();
        Cache::open(&workshop.cache()).forget(&own)?;
    }
    files::remove(run)?;
    if let Some(workshop) = Workshop::around(run) {
        workshop.list_runs();
    }
    Ok(())
}

fn stamps(record: &RunRecord) -> impl Iterator<Item = String> + '_ {
    record.stages.iter().map(|stage| stage.stamp.clone())
}

fn stamps_of_others(workshop: &Workshop, run: &Path) -> BTreeSet<String> {
    let entries = fs::read_dir(workshop.outbox()).into_iter().flatten().filter_map(Result::ok);
    let others = entries.map(|entry| entry.path()).filter(|path| name_of(path) != name_of(run));
    others.filter_map(|path| read_log(&path).ok()).flat_map(|record| stamps(&record).collect::<Vec<_>>()).collect()
}
