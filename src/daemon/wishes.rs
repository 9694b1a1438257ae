//! What people ask of jobs, carried out by whoever holds the workshop's lock: give one up, put one back.

use std::fs;
use std::io;
use std::path::PathBuf;

use crate::pipeline::files;

use super::archive::{self, ArchiveError};
use super::inbox::entry_without_case;
use super::job::{JobFolder, came_as_file};
use super::ledger::{JobId, Ledger, Row, State};
use super::memory::predict;
use super::settle::{put_away, refuse};
use super::workshop::Workshop;

pub const CANCEL: &str = "cancel";
pub const RETRY: &str = "retry";

/// Carries out the wish of a job that no process of ours works on. One that cannot be carried out is dropped.
///
/// # Errors
/// As the ledger or the file system tells; the wish stays then.
pub fn fulfil(workshop: &Workshop, ledger: &mut Ledger, row: &Row) -> io::Result<()> {
    match (row.wish.as_str(), row.state) {
        (_, State::Arriving) => Ok(()),
        (CANCEL, State::Waiting | State::Held | State::Working) => {
            ledger.cancel(row.job)?;
            put_away(workshop, ledger, row.job)
        }
        (RETRY, State::Refused | State::Cancelled | State::Held) => put_back(workshop, ledger, row),
        (RETRY, State::Done) if !late(workshop, row).is_empty() => put_back(workshop, ledger, row),
        _ => Ok(ledger.wish(row.job, "")?),
    }
}

/// Why a wish cannot be carried out; `None` when it can.
#[must_use]
pub fn objection(workshop: &Workshop, row: &Row, wish: &str) -> Option<String> {
    let job = row.job;
    match (wish, row.state) {
        (CANCEL, state) if state.is_settled() => Some(format!("{job} is {} already", state.name())),
        (RETRY, State::Arriving | State::Waiting | State::Working) => {
            Some(format!("{job} is {}; it is worked on without being asked", row.state.name()))
        }
        (RETRY, State::Done) if late(workshop, row).is_empty() => {
            Some(format!("{job} is done, and no file it missed has come since"))
        }
        _ => None,
    }
}

/// Files a job's mesh names that came to the inbox after it was taken: by name, and where they lie.
#[must_use]
pub fn late(workshop: &Workshop, row: &Row) -> Vec<(String, PathBuf)> {
    let inbox = workshop.inbox().join(&row.pipeline);
    let folder = if came_as_file(row) { inbox } else { inbox.join(&row.scan) };
    let found = |name: &String| Some((name.clone(), entry_without_case(&folder, name)?));
    row.missing.iter().filter_map(found).collect()
}

/// The folder comes first and the ledger second: broken off in between, the next start moves it back and the wish stays.
fn put_back(workshop: &Workshop, ledger: &mut Ledger, row: &Row) -> io::Result<()> {
    let folder = JobFolder::at_work(workshop, row.job);
    JobFolder::settled(workshop, row.job, row.state).move_to(&folder)?;
    if !folder.exists() {
        tracing::warn!(job = %row.job, "its files are gone; it cannot be put back");
        return Ok(ledger.wish(row.job, "")?);
    }
    for (name, place) in late(workshop, row) {
        let beside = if came_as_file(row) { folder.scan() } else { folder.scan().join(&row.scan) };
        if fs::symlink_metadata(beside.join(&name)).is_err() {
            files::move_entry(&place, &beside.join(&name))?;
        }
    }
    let unpacked = folder.unpack(&row.scan);
    let bytes = predict(&folder.scan_path(&row.scan)).bytes;
    ledger.put_back(row.job, &folder.missing(&row.scan), bytes)?;
    match unpacked {
        Err(ArchiveError::Disk(error)) => Err(error),
        Err(refused) => refuse(workshop, ledger, (row.job, None), (&refused.to_string(), archive::HINT)),
        Ok(()) => Ok(()),
    }
}

/// Asks for something, and carries it out at once when no daemon watches. Returns whether one does.
///
/// # Errors
/// As the ledger or the file system tells.
pub fn ask(workshop: &Workshop, ledger: &mut Ledger, jobs: &[JobId], wish: &str) -> io::Result<bool> {
    for job in jobs {
        ledger.wish(*job, wish)?;
    }
    let lock = match workshop.lock() {
        Ok(lock) => lock,
        Err(error) if error.kind() == io::ErrorKind::WouldBlock => return Ok(true),
        Err(error) => return Err(error),
    };
    super::reconcile::reconcile(workshop, ledger)?;
    for row in ledger.wished()? {
        fulfil(workshop, ledger, &row)?;
    }
    drop(lock);
    Ok(false)
}
