//! The steps of a job, each one transaction.

use std::path::PathBuf;

use rusqlite::{Transaction, params};

use super::{JobId, Ledger, LedgerError, Result, Row, State, now, write_event};

/// A claim: the job, and the token that says it is still ours.
pub type Claim = (JobId, u64);

/// Wishes end with the step that answers them; an owner ends with the work.
const SETTLED: &str = "wish = '', owner = ''";

impl Ledger {
    /// Writes down that a drop is about to be moved out of the inbox.
    ///
    /// # Errors
    /// As the database tells.
    pub fn arrive(&mut self, pipeline: &str, scan: &str, members: &[PathBuf]) -> Result<JobId> {
        let members = serde_json::to_string(members).map_err(std::io::Error::other)?;
        let (tx, time) = (self.transaction()?, now());
        tx.execute(
            "INSERT INTO job (time, state, pipeline, scan, members) VALUES (?1, 'arriving', ?2, ?3, ?4)",
            params![time, pipeline, scan, members],
        )?;
        let job = JobId(tx.last_insert_rowid() as u64);
        write_event(&tx, &time, job, ("", "arriving"), "")?;
        tx.commit()?;
        Ok(job)
    }

    /// All of it is here; `missing` are files its mesh names that are not.
    ///
    /// # Errors
    /// `Step` when it is not arriving, else as the database tells.
    pub fn arrived(&mut self, job: JobId, memory_bytes: u64, missing: &[String]) -> Result<()> {
        let missing = serde_json::to_string(missing).map_err(std::io::Error::other)?;
        self.step((job, None), State::Waiting, "", |tx| {
            let values = params![job, memory_bytes, missing];
            tx.execute("UPDATE job SET memory_bytes = ?2, missing = ?3 WHERE number = ?1", values).map(drop)
        })
    }

    /// Takes a waiting job for a worker; the start is counted before anything is run.
    ///
    /// # Errors
    /// `Step` when another was faster, else as the database tells.
    pub fn claim(&mut self, job: JobId, owner: &str) -> Result<Claim> {
        let mut token = 0;
        self.step((job, None), State::Working, owner, |tx| {
            let set = "UPDATE job SET owner = ?2, token = token + 1, beat = 0, starts = starts + 1 WHERE number = ?1";
            tx.execute(set, params![job, owner])?;
            token = tx.query_row("SELECT token FROM job WHERE number = ?1", [job], |row| row.get(0))?;
            Ok(())
        })?;
        Ok((job, token))
    }

    /// A sign of life; `progressed` when a stage was finished, so that earlier starts count no longer.
    ///
    /// # Errors
    /// `Lost` when the claim is no longer ours, else as the database tells.
    pub fn beat(&mut self, (job, token): Claim, progressed: bool) -> Result<()> {
        let set = "UPDATE job SET beat = beat + 1, starts = CASE ?3 WHEN 1 THEN 1 ELSE starts END
                   WHERE number = ?1 AND token = ?2 AND state = 'working'";
        let changed = self.db.execute(set, params![job, token, progressed])?;
        if changed == 1 { Ok(()) } else { Err(LedgerError::Lost(job)) }
    }

    /// Another machine has taken it up, or has given it back: who owns the claim now, and how many starts that is more.
    ///
    /// # Errors
    /// `Lost` when the claim is no longer ours, else as the database tells.
    pub fn hand(&mut self, (job, token): Claim, owner: &str, starts: i64) -> Result<()> {
        let set = "UPDATE job SET owner = ?3, starts = max(starts + ?4, 0)
                   WHERE number = ?1 AND token = ?2 AND state = 'working'";
        let changed = self.db.execute(set, params![job, token, owner, starts])?;
        if changed == 1 { Ok(()) } else { Err(LedgerError::Lost(job)) }
    }

    /// Writes down what is about to appear in the outbox, and by which digest of its log it can be told.
    ///
    /// # Errors
    /// `Lost` when the claim is no longer ours, else as the database tells.
    pub fn publishing(&mut self, (job, token): Claim, out: &str, digest: &str) -> Result<()> {
        let set = "UPDATE job SET out = ?3, digest = ?4 WHERE number = ?1 AND token = ?2 AND state = 'working'";
        let changed = self.db.execute(set, params![job, token, out, digest])?;
        if changed == 1 { Ok(()) } else { Err(LedgerError::Lost(job)) }
    }

    /// It is published under the name written down before.
    ///
    /// # Errors
    /// `Lost` when the claim is no longer ours, else as the database tells.
    pub fn done(&mut self, (job, token): Claim, note: &str) -> Result<()> {
        self.step((job, Some(token)), State::Done, note, |tx| {
            set(tx, job, &format!("{SETTLED}, starts = 0, crashes = 0, holds = 0, reason = '', hint = ''"))
        })
    }

    /// A worker gives a job back unfinished; the start does not count.
    ///
    /// # Errors
    /// `Lost` when the claim is no longer ours, else as the database tells.
    pub fn give_back(&mut self, (job, token): Claim, note: &str) -> Result<()> {
        let clear = "owner = '', starts = max(starts - 1, 0)";
        self.step((job, Some(token)), State::Waiting, note, |tx| set(tx, job, clear))
    }

    /// The working process broke off; the job waits for another start.
    ///
    /// # Errors
    /// `Lost` when the claim is no longer ours, else as the database tells.
    pub fn broke_off(&mut self, (job, token): Claim, note: &str) -> Result<()> {
        let clear = "owner = '', crashes = crashes + 1";
        self.step((job, Some(token)), State::Waiting, note, |tx| set(tx, job, clear))
    }

    /// The disk failed; the job is held for a while.
    ///
    /// # Errors
    /// `Lost` when the claim is no longer ours, else as the database tells.
    pub fn hold(&mut self, (job, token): Claim, reason: &str) -> Result<()> {
        self.step((job, Some(token)), State::Held, reason, |tx| {
            set(tx, job, "owner = '', starts = max(starts - 1, 0), holds = holds + 1")?;
            tx.execute("UPDATE job SET reason = ?2 WHERE number = ?1", params![job, reason]).map(drop)
        })
    }

    /// A held job's time has come, or a working one's owner is gone: it waits again, all counts kept. So is what was about
    /// to be published: an outbox out of reach may hold it.
    ///
    /// # Errors
    /// `Step` when it is neither, else as the database tells.
    pub fn release(&mut self, job: JobId, note: &str) -> Result<()> {
        let clear = "owner = '', reason = ''";
        self.step((job, None), State::Waiting, note, |tx| set(tx, job, clear))
    }

    /// Gives a job up for a reason; with a token, only while the claim is ours.
    ///
    /// # Errors
    /// `Lost` when the claim is no longer ours, `Step` when it is settled already, else as the database tells.
    pub fn refuse(&mut self, job: JobId, token: Option<u64>, (reason, hint): (&str, &str)) -> Result<()> {
        self.step((job, token), State::Refused, reason, |tx| {
            set(tx, job, &format!("{SETTLED}, out = '', digest = ''"))?;
            tx.execute("UPDATE job SET reason = ?2, hint = ?3 WHERE number = ?1", params![job, reason, hint]).map(drop)
        })
    }

    /// Gives a job up because somebody asked for it.
    ///
    /// # Errors
    /// `Step` when it is settled already, else as the database tells.
    pub fn cancel(&mut self, job: JobId) -> Result<()> {
        let clear = format!("{SETTLED}, out = '', digest = ''");
        self.step((job, None), State::Cancelled, "on request", |tx| set(tx, job, &clear))
    }

    /// A settled or held job waits again as if it were new.
    ///
    /// # Errors
    /// `Step` when it is on its way, else as the database tells.
    pub fn put_back(&mut self, job: JobId, missing: &[String], memory_bytes: u64) -> Result<()> {
        let missing = serde_json::to_string(missing).map_err(std::io::Error::other)?;
        self.step((job, None), State::Waiting, "put back on request", |tx| {
            set(
                tx,
                job,
                "reason = '', hint = '', out = '', digest = '', starts = 0, crashes = 0, holds = 0, wish = ''",
            )?;
            let values = params![job, missing, memory_bytes];
            tx.execute("UPDATE job SET missing = ?2, memory_bytes = ?3 WHERE number = ?1", values).map(drop)
        })
    }

    /// Asks whoever works in the workshop for something: `cancel`, `retry`, or nothing any more.
    ///
    /// # Errors
    /// `Unknown` when there is no such job, else as the database tells.
    pub fn wish(&mut self, job: JobId, wish: &str) -> Result<()> {
        let changed = self.db.execute("UPDATE job SET wish = ?2 WHERE number = ?1", params![job, wish])?;
        if changed == 1 { Ok(()) } else { Err(LedgerError::Unknown(job)) }
    }

    /// Writes a job in that was found on the disk without a row.
    ///
    /// # Errors
    /// As the database tells.
    pub fn adopt(&mut self, row: &Row, note: &str) -> Result<()> {
        let members = serde_json::to_string(&row.members).map_err(std::io::Error::other)?;
        let missing = serde_json::to_string(&row.missing).map_err(std::io::Error::other)?;
        let (tx, time) = (self.transaction()?, now());
        tx.execute(
            "INSERT INTO job (number, time, state, pipeline, scan, members, missing, memory_bytes, out, reason, hint)
             VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8, ?9, ?10, ?11)",
            params![
                row.job,
                time,
                row.state.name(),
                row.pipeline,
                row.scan,
                members,
                missing,
                row.memory_bytes,
                row.out,
                row.reason,
                row.hint
            ],
        )?;
        write_event(&tx, &time, row.job, ("", row.state.name()), note)?;
        tx.commit()?;
        Ok(())
    }

    /// Goes on counting from the next thousand: numbers of forgotten jobs are not known to a ledger made anew.
    ///
    /// # Errors
    /// As the database tells.
    pub fn skip_numbers(&mut self) -> Result<()> {
        let tx = self.transaction()?;
        let last: u64 = tx.query_row("SELECT coalesce(max(number), 0) FROM job", [], |row| row.get(0))?;
        let next = (last / 1000 + 1) * 1000;
        tx.execute("DELETE FROM sqlite_sequence WHERE name = 'job'", [])?;
        tx.execute("INSERT INTO sqlite_sequence (name, seq) VALUES ('job', ?1)", [next])?;
        tx.commit()?;
        Ok(())
    }
}

fn set(tx: &Transaction<'_>, job: JobId, what: &str) -> rusqlite::Result<()> {
    tx.execute(&format!("UPDATE job SET {what} WHERE number = ?1"), [job]).map(drop)
}
