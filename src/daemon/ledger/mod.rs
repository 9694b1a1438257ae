//! What happened to every scan, in one `SQLite` file. Each change is one transaction that also writes an event; only the
//! steps of [`State::may_become`] are taken.

mod lease;
mod row;
mod schema;
mod state;
mod steps;

use std::io;
use std::path::{Path, PathBuf};

use rusqlite::{Connection, OptionalExtension, Transaction, TransactionBehavior, params};

use super::job::now;

pub use lease::{LEASE, LeaseWatch};
pub use row::{Event, JobId, Row};
pub use state::State;

/// Why the ledger could not be read or written.
#[derive(Debug, thiserror::Error)]
pub enum LedgerError {
    #[error("the ledger is of a newer version of this program (form {found}, this one knows {known})")]
    Newer { found: i64, known: i64 },
    /// Set aside and made anew at the next start of the daemon.
    #[error("the ledger is damaged: {0}")]
    Damaged(String),
    #[error("{job} is {from}, and cannot become {to}")]
    Step { job: JobId, from: &'static str, to: &'static str },
    #[error("{0} is in other hands by now")]
    Lost(JobId),
    #[error("there is no {0}")]
    Unknown(JobId),
    #[error("the ledger: {0}")]
    Database(rusqlite::Error),
    #[error("the ledger: {0}")]
    Disk(#[from] io::Error),
}

impl From<rusqlite::Error> for LedgerError {
    fn from(error: rusqlite::Error) -> Self {
        match error.sqlite_error_code() {
            Some(rusqlite::ErrorCode::NotADatabase | rusqlite::ErrorCode::DatabaseCorrupt) => {
                Self::Damaged(error.to_string())
            }
            _ => Self::Database(error),
        }
    }
}

impl From<LedgerError> for io::Error {
    fn from(error: LedgerError) -> Self {
        match error {
            LedgerError::Disk(error) => error,
            other => Self::other(other),
        }
    }
}

type Result<T> = std::result::Result<T, LedgerError>;

/// The ledger of a workshop, open.
#[derive(Debug)]
pub struct Ledger {
    db: Connection,
    path: PathBuf,
}

impl Ledger {
    /// Opens the ledger, or makes it; takes an older one of lines over.
    ///
    /// # Errors
    /// `Newer` when it is of a later version, `Damaged` when it is no whole database, else as the file system tells.
    pub fn open(path: &Path) -> Result<Self> {
        let mut db = Connection::open(path)?;
        schema::prepare(&mut db)?;
        let mut ledger = Self { db, path: path.to_path_buf() };
        schema::take_over_lines(&mut ledger)?;
        Ok(ledger)
    }

    /// Looks through the whole file.
    ///
    /// # Errors
    /// `Damaged` with what was found.
    pub fn check(&self) -> Result<()> {
        let found: String = self.db.query_row("PRAGMA quick_check(1)", [], |row| row.get(0))?;
        if found == "ok" { Ok(()) } else { Err(LedgerError::Damaged(found)) }
    }

    /// Every job, oldest first.
    ///
    /// # Errors
    /// As the database tells.
    pub fn rows(&self) -> Result<Vec<Row>> {
        self.select("ORDER BY number", &[])
    }

    /// The jobs in a state, oldest first.
    ///
    /// # Errors
    /// As the database tells.
    pub fn in_state(&self, state: State) -> Result<Vec<Row>> {
        self.select("WHERE state = ?1 ORDER BY number", &[&state.name()])
    }

    /// One job, if there is such a one.
    ///
    /// # Errors
    /// As the database tells.
    pub fn row(&self, job: JobId) -> Result<Option<Row>> {
        Ok(self.select("WHERE number = ?1", &[&job])?.pop())
    }

    /// How many jobs are in each state that has any, by its name.
    ///
    /// # Errors
    /// As the database tells.
    pub fn counts(&self) -> Result<Vec<(String, u64)>> {
        let mut query = self.db.prepare_cached("SELECT state, count(*) FROM job GROUP BY state")?;
        let counts = query.query_map([], |row| Ok((row.get(0)?, row.get(1)?)))?;
        Ok(counts.collect::<rusqlite::Result<_>>()?)
    }

    /// Jobs that somebody wants something of.
    ///
    /// # Errors
    /// As the database tells.
    pub fn wished(&self) -> Result<Vec<Row>> {
        self.select("WHERE wish <> '' ORDER BY number", &[])
    }

    /// Jobs whose meshes name files that were not there.
    ///
    /// # Errors
    /// As the database tells.
    pub fn lacking(&self) -> Result<Vec<Row>> {
        self.select("WHERE missing <> '[]' ORDER BY number", &[])
    }

    fn select(&self, filter: &str, values: &[&dyn rusqlite::ToSql]) -> Result<Vec<Row>> {
        let mut query = self.db.prepare_cached(&format!("SELECT * FROM job {filter}"))?;
        let rows = query.query_map(values, Row::read)?;
        Ok(rows.collect::<rusqlite::Result<_>>()?)
    }

    /// What happened to a job, in order.
    ///
    /// # Errors
    /// As the database tells.
    pub fn events(&self, job: JobId) -> Result<Vec<Event>> {
        let mut query = self.db.prepare_cached("SELECT * FROM event WHERE job = ?1 ORDER BY id")?;
        let events = query.query_map([job], Event::read)?;
        Ok(events.collect::<rusqlite::Result<_>>()?)
    }

    fn transaction(&mut self) -> Result<Transaction<'_>> {
        Ok(self.db.transaction_with_behavior(TransactionBehavior::Immediate)?)
    }

    /// Takes a job one step on, and writes down that it was. With a token, only while that is the current one.
    fn step(
        &mut self,
        (job, token): (JobId, Option<u64>),
        to: State,
        note: &str,
        more: impl FnOnce(&Transaction<'_>) -> rusqlite::Result<()>,
    ) -> Result<()> {
        let tx = self.transaction()?;
        let read = |row: &rusqlite::Row<'_>| Ok((row.get::<_, String>(0)?, row.get::<_, u64>(1)?));
        let known = tx.query_row("SELECT state, token FROM job WHERE number = ?1", [job], read).optional()?;
        let (from, current) = known.ok_or(LedgerError::Unknown(job))?;
        let from = State::named(&from).ok_or_else(|| LedgerError::Damaged(format!("unknown state `{from}`")))?;
        if token.is_some_and(|token| token != current || from != State::Working) {
            return Err(LedgerError::Lost(job));
        }
        if !from.may_become(to) {
            return Err(LedgerError::Step { job, from: from.name(), to: to.name() });
        }
        let time = now();
        tx.execute("UPDATE job SET state = ?2, time = ?3 WHERE number = ?1", params![job, to.name(), time])?;
        more(&tx)?;
        write_event(&tx, &time, job, (from.name(), to.name()), note)?;
        tx.commit()?;
        Ok(())
    }

    /// Removes a job and all that was written of it.
    ///
    /// # Errors
    /// As the database or the file system tells.
    pub fn forget(&mut self, job: JobId) -> Result<()> {
        let tx = self.transaction()?;
        tx.execute("DELETE FROM event WHERE job = ?1", [job])?;
        tx.execute("DELETE FROM job WHERE number = ?1", [job])?;
        tx.commit()?;
        // The names also stand in the log of writes until it is emptied.
        self.db.query_row("PRAGMA wal_checkpoint(TRUNCATE)", [], |_| Ok(()))?;
        schema::forget_line(&self.path, job)
    }
}

fn write_event(
    tx: &Transaction<'_>,
    time: &str,
    job: JobId,
    (from, to): (&str, &str),
    note: &str,
) -> rusqlite::Result<()> {
    let values = params![time, job, from, to, note];
    tx.execute("INSERT INTO event (time, job, was, becomes, note) VALUES (?1, ?2, ?3, ?4, ?5)", values).map(drop)
}

#[cfg(test)]
mod tests;
