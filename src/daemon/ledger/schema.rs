//! The tables, their version, and the older ledger of lines that is taken over once.

use std::collections::BTreeMap;
use std::fs;
use std::io;
use std::path::{Path, PathBuf};
use std::time::Duration;

use rusqlite::Connection;
use serde::Deserialize;

use crate::pipeline::files;

use super::{JobId, Ledger, LedgerError, Result, State};

/// Goes up with every change of the tables.
const VERSION: i64 = 1;

/// `AUTOINCREMENT` keeps the highest number given, so that a forgotten job's number is not given again.
const TABLES: &str = "
CREATE TABLE job (
  number INTEGER PRIMARY KEY AUTOINCREMENT, time TEXT NOT NULL, state TEXT NOT NULL,
  pipeline TEXT NOT NULL, scan TEXT NOT NULL, members TEXT NOT NULL DEFAULT '[]', missing TEXT NOT NULL DEFAULT '[]',
  memory_bytes INTEGER NOT NULL DEFAULT 0, out TEXT NOT NULL DEFAULT '', digest TEXT NOT NULL DEFAULT '',
  reason TEXT NOT NULL DEFAULT '', hint TEXT NOT NULL DEFAULT '', starts INTEGER NOT NULL DEFAULT 0,
  crashes INTEGER NOT NULL DEFAULT 0, holds INTEGER NOT NULL DEFAULT 0, owner TEXT NOT NULL DEFAULT '',
  token INTEGER NOT NULL DEFAULT 0, beat INTEGER NOT NULL DEFAULT 0, wish TEXT NOT NULL DEFAULT ''
);
CREATE INDEX job_state ON job (state);
CREATE TABLE event (
  id INTEGER PRIMARY KEY, time TEXT NOT NULL, job INTEGER NOT NULL, was TEXT NOT NULL, becomes TEXT NOT NULL,
  note TEXT NOT NULL
);
CREATE INDEX event_job ON event (job);
PRAGMA user_version = 1;
";

/// Sets the connection up, and makes the tables where there are none.
pub(super) fn prepare(db: &mut Connection) -> Result<()> {
    db.busy_timeout(Duration::from_secs(10))?;
    let found: i64 = db.query_row("PRAGMA user_version", [], |row| row.get(0))?;
    if found > VERSION {
        return Err(LedgerError::Newer { found, known: VERSION });
    }
    db.query_row("PRAGMA journal_mode = WAL", [], |_| Ok(()))?;
    db.pragma_update(None, "synchronous", "FULL")?;
    // A short log of writes, in pages: it is what a nearly full disk has to hold.
    db.pragma_update(None, "wal_autocheckpoint", 32)?;
    // What is forgotten is overwritten.
    db.query_row("PRAGMA secure_delete = ON", [], |_| Ok(()))?;
    let tx = db.transaction_with_behavior(rusqlite::TransactionBehavior::Immediate)?;
    let found: i64 = tx.query_row("PRAGMA user_version", [], |row| row.get(0))?;
    if found == 0 {
        tx.execute_batch(TABLES)?;
    }
    tx.commit()?;
    Ok(())
}

/// A line of the older ledger.
#[derive(Deserialize)]
struct Line {
    time: String,
    job: String,
    state: String,
    pipeline: String,
    scan: String,
    #[serde(default)]
    out: String,
    #[serde(default)]
    reason: String,
}

fn lines_path(ledger: &Path) -> PathBuf {
    ledger.with_extension("jsonl")
}

fn kept_lines_path(ledger: &Path) -> PathBuf {
    ledger.with_extension("jsonl.old")
}

fn lines(path: &Path) -> io::Result<Vec<Line>> {
    let text = fs::read(path)?;
    Ok(text.split(|byte| *byte == b'\n').filter_map(|line| serde_json::from_slice(line).ok()).collect())
}

/// Takes an older ledger over in one transaction, then sets it aside. A job being worked on waits.
pub(super) fn take_over_lines(ledger: &mut Ledger) -> Result<()> {
    let path = lines_path(&ledger.path);
    let lines = match lines(&path) {
        Ok(lines) => lines,
        Err(error) if error.kind() == io::ErrorKind::NotFound => return Ok(()),
        Err(error) => return Err(error.into()),
    };
    let mut last: BTreeMap<JobId, Line> = BTreeMap::new();
    for line in lines {
        if let Ok(job) = line.job.parse() {
            last.insert(job, line);
        }
    }
    let tx = ledger.transaction()?;
    for (job, line) in last {
        let state = State::named(&line.state).filter(|state| state.is_settled()).unwrap_or(State::Waiting);
        let values = rusqlite::params![job, line.time, state.name(), line.pipeline, line.scan, line.out, line.reason];
        let columns = "number, time, state, pipeline, scan, out, reason";
        // A takeover that was broken off before the rename finds its rows there.
        let made =
            tx.execute(&format!("INSERT OR IGNORE INTO job ({columns}) VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7)"), values)?;
        if made > 0 {
            super::write_event(&tx, &line.time, job, ("", state.name()), "taken over from the older ledger")?;
        }
    }
    tx.commit()?;
    fs::rename(&path, kept_lines_path(&ledger.path))?;
    files::sync_folder(path.parent().unwrap_or(Path::new(".")))?;
    Ok(())
}

/// Removes a job's lines from the older ledger that was set aside.
pub(super) fn forget_line(ledger: &Path, job: JobId) -> Result<()> {
    let path = kept_lines_path(ledger);
    let text = match fs::read_to_string(&path) {
        Ok(text) => text,
        Err(error) if error.kind() == io::ErrorKind::NotFound => return Ok(()),
        Err(error) => return Err(error.into()),
    };
    let of_job = |line: &&str| serde_json::from_str::<Line>(line).is_ok_and(|l| l.job.parse() == Ok(job));
    let kept: String = text.lines().filter(|line| !of_job(line)).map(|line| format!("{line}\n")).collect();
    files::write_whole(&path, kept.as_bytes())?;
    Ok(())
}
