//! The beginning and the end of a job: its files come out of the inbox, and lie where they belong when it is settled.
//! Each can be broken off anywhere and done again.

use std::fs;
use std::io;

use crate::pipeline::files;

use super::archive::{self, ArchiveError};
use super::inbox::{Drop, name_of};
use super::job::JobFolder;
use super::ledger::{JobId, Ledger, Row, State};
use super::memory::predict;
use super::worker::is_filled_name;
use super::workshop::Workshop;

/// Takes a drop out of the inbox.
///
/// # Errors
/// As the file system tells; it is arriving then, and [`settle_in`] goes on.
pub fn take(workshop: &Workshop, ledger: &mut Ledger, drop: &Drop) -> io::Result<JobId> {
    let inbox = workshop.inbox().join(&drop.pipeline);
    let members: Vec<_> =
        drop.members.iter().map(|member| member.strip_prefix(&inbox).unwrap_or(member).to_path_buf()).collect();
    let job = ledger.arrive(&drop.pipeline, &name_of(&drop.head), &members)?;
    if let Some(row) = ledger.row(job)? {
        settle_in(workshop, ledger, &row)?;
    }
    Ok(job)
}

/// Moves what is left of an arriving job's files, looks at them, and lets it wait for its turn.
///
/// # Errors
/// As the file system tells; it is still arriving then.
pub fn settle_in(workshop: &Workshop, ledger: &mut Ledger, row: &Row) -> io::Result<()> {
    let folder = JobFolder::at_work(workshop, row.job);
    let inbox = workshop.inbox().join(&row.pipeline);
    let came = |folder: &JobFolder| fs::symlink_metadata(folder.scan().join(&row.scan)).is_ok();
    if !came(&folder) && !inbox.is_dir() {
        return Err(io::Error::new(io::ErrorKind::NotFound, "the inbox is out of reach"));
    }
    folder.write_note(row)?;
    folder.move_members(&inbox, &row.members)?;
    if !came(&folder) {
        ledger.cancel(row.job)?;
        return put_away(workshop, ledger, row.job);
    }
    match folder.unpack(&row.scan) {
        Err(ArchiveError::Disk(error)) => return Err(error),
        Err(refused) => return refuse(workshop, ledger, (row.job, None), (&refused.to_string(), archive::HINT)),
        Ok(()) => {}
    }
    let bytes = predict(&folder.scan_path(&row.scan)).bytes;
    Ok(ledger.arrived(row.job, bytes, &folder.missing(&row.scan))?)
}

/// Gives a job up for a reason; with a token, only while the claim is ours.
///
/// # Errors
/// As the ledger or the file system tells.
pub fn refuse(
    workshop: &Workshop,
    ledger: &mut Ledger,
    (job, token): (JobId, Option<u64>),
    (reason, hint): (&str, &str),
) -> io::Result<()> {
    ledger.refuse(job, token, (reason, hint))?;
    put_away(workshop, ledger, job)
}

/// Moves the folder of a settled job to where it belongs; nothing happens when it lies there.
///
/// # Errors
/// As the ledger or the file system tells.
pub fn put_away(workshop: &Workshop, ledger: &Ledger, job: JobId) -> io::Result<()> {
    let folder = JobFolder::at_work(workshop, job);
    let Some(row) = ledger.row(job)?.filter(|row| row.state.is_settled() && folder.exists()) else { return Ok(()) };
    remove_filled(&folder)?;
    folder.write_note(&row)?;
    if row.state == State::Refused {
        folder.write_reason(&row)?;
    }
    folder.move_to(&JobFolder::settled(workshop, job, row.state))
}

/// Removes runs that were being filled when their worker ended.
///
/// # Errors
/// As the file system tells.
pub fn remove_filled(folder: &JobFolder) -> io::Result<()> {
    for entry in fs::read_dir(folder.path())? {
        let path = entry?.path();
        if is_filled_name(&path) {
            files::remove(&path)?;
        }
    }
    Ok(())
}
