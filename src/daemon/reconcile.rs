//! Brings ledger and folders together at the start: whatever a kill, a crash or a hand left behind ends in one of the
//! states. The cases are a table in `DEVELOPERS.md`. Only who holds the workshop's lock may do this.

use std::fs;
use std::io;
use std::path::{Path, PathBuf};

use tracing::{info, warn};

use crate::pipeline::files;

use super::inbox::name_of;
use super::job::JobFolder;
use super::ledger::{JobId, Ledger, LedgerError, Row, State};
use super::memory::predict;
use super::publish::{is_leftover, is_published};
use super::settle::{put_away, refuse, remove_filled, settle_in};
use super::workshop::Workshop;

/// How the owner of a claim by a daemon of this workshop begins: the lock says that it is gone when another starts.
pub const OWNER: &str = "daemon ";

/// Opens the ledger; a damaged one is set aside with the reason and a new one begun, for [`reconcile`] to fill.
///
/// # Errors
/// `Newer` when it is of a later version, else as the file system tells.
pub fn open(workshop: &Workshop) -> Result<Ledger, LedgerError> {
    let path = workshop.ledger();
    let is_new = !path.exists() && !path.with_extension("jsonl").exists();
    let opened = Ledger::open(&path).and_then(|ledger| ledger.check().map(|()| ledger));
    let mut ledger = match opened {
        Err(LedgerError::Damaged(why)) => {
            set_aside(&path, &why)?;
            Ledger::open(&path)?
        }
        Ok(ledger) if !is_new => return Ok(ledger),
        other => other?,
    };
    adopt_folders(workshop, &mut ledger)?;
    if !ledger.rows()?.is_empty() {
        ledger.skip_numbers()?;
        info!("the ledger was made anew from the folders");
    }
    Ok(ledger)
}

fn set_aside(path: &Path, why: &str) -> io::Result<()> {
    let aside = files::free_name(&path.with_extension("db.damaged"));
    warn!(kept = %aside.display(), why, "the ledger is damaged; it is set aside and made anew");
    for tail in ["-wal", "-shm"] {
        files::remove(&PathBuf::from(format!("{}{tail}", path.display())))?;
    }
    fs::rename(path, &aside)?;
    files::write_whole(&PathBuf::from(format!("{}.txt", aside.display())), format!("{why}\n").as_bytes())
}

/// Ends what an earlier daemon left in the middle.
///
/// # Errors
/// As the ledger or the file system tells; what is left is done at the next start.
pub fn reconcile(workshop: &Workshop, ledger: &mut Ledger) -> io::Result<()> {
    adopt_folders(workshop, ledger)?;
    for row in ledger.rows()? {
        reconcile_row(workshop, ledger, &row)?;
    }
    remove_leftovers(workshop)
}

fn reconcile_row(workshop: &Workshop, ledger: &mut Ledger, row: &Row) -> io::Result<()> {
    match row.state {
        State::Arriving => {
            if let Err(error) = settle_in(workshop, ledger, row) {
                warn!(job = %row.job, scan = %row.scan, %error, "cannot be taken yet");
            }
        }
        State::Working if is_published(workshop, row) => {
            info!(job = %row.job, scan = %row.scan, out = %row.out, "was published before the daemon ended");
            ledger.done((row.job, row.token), "published before the daemon ended")?;
        }
        State::Working if row.owner.starts_with(OWNER) => {
            info!(job = %row.job, scan = %row.scan, "taking up unfinished work");
            ledger.release(row.job, "the daemon ended")?;
        }
        State::Held => ledger.release(row.job, "the daemon starts")?,
        _ => {}
    }
    if ledger.row(row.job)?.is_some_and(|row| row.state == State::Waiting) {
        find_files(workshop, ledger, row)?;
    }
    put_away(workshop, ledger, row.job)
}

/// A waiting job's folder is at work, or is brought there; without one it is refused.
fn find_files(workshop: &Workshop, ledger: &mut Ledger, row: &Row) -> io::Result<()> {
    let folder = JobFolder::at_work(workshop, row.job);
    for state in [State::Refused, State::Done] {
        if !folder.exists() {
            JobFolder::settled(workshop, row.job, state).move_to(&folder)?;
        }
    }
    if folder.exists() {
        return remove_filled(&folder);
    }
    warn!(job = %row.job, scan = %row.scan, "its files are gone");
    refuse(workshop, ledger, (row.job, None), ("its files are gone from the workshop", "drop the scan again"))
}

/// Writes jobs in whose folders no row tells of.
fn adopt_folders(workshop: &Workshop, ledger: &mut Ledger) -> io::Result<()> {
    let places =
        [(workshop.work(), State::Waiting), (workshop.scans(), State::Done), (workshop.refused(), State::Refused)];
    for (place, state) in places {
        for path in folders(&place)? {
            let name = name_of(&path);
            let Ok(job) = name.parse::<JobId>() else { continue };
            if name != job.to_string() || ledger.row(job)?.is_some() {
                continue;
            }
            if let Some(row) = row_of(&JobFolder::at(path.clone()), job, state)? {
                info!(%job, scan = %row.scan, state = row.state.name(), "found without a line in the ledger");
                ledger.adopt(&row, "found without a line in the ledger")?;
            } else {
                // Begun and never filled: nothing of anybody's is in it.
                files::remove(&path)?;
            }
        }
    }
    Ok(())
}

/// A row for a folder; `None` when there is no file in it.
fn row_of(folder: &JobFolder, job: JobId, state: State) -> io::Result<Option<Row>> {
    let has_files = folder.scan().is_dir() && !folder.marks()?.is_empty();
    let note = folder.note().ok();
    // A note without files is of a drop that was about to be moved; it lies in the inbox still.
    if !has_files {
        return Ok(None);
    }
    let (mut reason, mut hint) = folder.reason();
    let mut state = state;
    if note.is_none() {
        state = State::Refused;
        reason = "its note is missing or damaged, so that its pipeline is not known".into();
        hint = "take the scan out of its folder and drop it again".into();
    }
    let first = || fs::read_dir(folder.scan()).ok()?.next()?.ok().map(|entry| entry.path());
    let scan = note.as_ref().map_or_else(|| first().map(|path| name_of(&path)).unwrap_or_default(), |n| n.scan.clone());
    if state == State::Refused && note.as_ref().is_some_and(|note| note.cancelled) {
        state = State::Cancelled;
    }
    if state == State::Waiting {
        (reason, hint) = (String::new(), String::new());
    }
    Ok(Some(Row {
        job,
        state,
        time: String::new(),
        pipeline: note.as_ref().map(|note| note.pipeline.clone()).unwrap_or_default(),
        out: note.as_ref().filter(|_| state == State::Done).map(|note| note.out.clone()).unwrap_or_default(),
        memory_bytes: predict(&folder.scan_path(&scan)).bytes,
        missing: folder.missing(&scan),
        members: note.map(|note| note.members).unwrap_or_default(),
        scan,
        reason,
        hint,
        ..Row::default()
    }))
}

fn folders(place: &Path) -> io::Result<Vec<PathBuf>> {
    let entries = match fs::read_dir(place) {
        Ok(entries) => entries,
        Err(error) if error.kind() == io::ErrorKind::NotFound => return Ok(Vec::new()),
        Err(error) => return Err(error),
    };
    let mut paths: Vec<PathBuf> = entries.filter_map(Result::ok).map(|e| e.path()).filter(|p| p.is_dir()).collect();
    paths.sort();
    Ok(paths)
}

/// Removes half-copied folders of ours from the outbox, by their names; others' files are not touched.
fn remove_leftovers(workshop: &Workshop) -> io::Result<()> {
    // An outbox out of reach is no reason not to start: its runs are held until it is back.
    for path in folders(&workshop.outbox()).unwrap_or_default() {
        if is_leftover(&name_of(&path)) {
            info!(folder = %path.display(), "removing what was not finished");
            files::remove(&path)?;
        }
    }
    Ok(())
}
