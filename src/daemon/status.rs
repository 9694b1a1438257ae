//! What is where in a workshop: in the inbox, waiting, at work, held, done, refused, cancelled.

use std::io;

use serde::Serialize;

use super::inbox::{self, Inbox};
use super::ledger::{JobId, Ledger, Row, State};
use super::wishes;
use super::workshop::Workshop;

/// A scan that lies in the inbox.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
pub struct Coming {
    pub pipeline: String,
    pub scan: String,
    /// Why it is not taken yet; empty when it only has to stand still for a moment.
    pub waits_for: String,
}

/// A file that came after its scan was taken without it.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
pub struct Late {
    pub job: JobId,
    pub scan: String,
    pub file: String,
}

/// The whole picture.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize)]
pub struct Status {
    pub watched: bool,
    /// Why the inbox cannot be read; empty when it can.
    pub inbox_lost: String,
    /// In the inbox.
    pub waiting: Vec<Coming>,
    /// Scans that no pipeline will take, for they lie in the inbox itself.
    pub misplaced: Vec<String>,
    pub late: Vec<Late>,
    /// Out of the inbox; their turn has not come.
    pub queued: Vec<Row>,
    pub working: Vec<Row>,
    pub held: Vec<Row>,
    pub done: Vec<Row>,
    pub refused: Vec<Row>,
    pub cancelled: Vec<Row>,
}

/// Looks at a workshop. At most an empty ledger is made, or an older one taken over.
///
/// # Errors
/// As the ledger or the file system tells.
pub fn status(workshop: &Workshop) -> io::Result<Status> {
    let mut status = Status { watched: workshop.lock().is_err(), ..Status::default() };
    if let Err(error) = look_at_inbox(workshop, &mut status) {
        status.inbox_lost = error.to_string();
    }
    let ledger = Ledger::open(&workshop.ledger())?;
    for row in ledger.lacking()? {
        let late = wishes::late(workshop, &row).into_iter();
        status.late.extend(late.map(|(file, _)| Late { job: row.job, scan: row.scan.clone(), file }));
    }
    for row in ledger.rows()? {
        let list = match row.state {
            State::Arriving | State::Waiting => &mut status.queued,
            State::Working => &mut status.working,
            State::Held => &mut status.held,
            State::Done => &mut status.done,
            State::Refused => &mut status.refused,
            State::Cancelled => &mut status.cancelled,
        };
        list.push(row);
    }
    Ok(status)
}

fn look_at_inbox(workshop: &Workshop, status: &mut Status) -> io::Result<()> {
    for drop in Inbox::default().list(&workshop.inbox())? {
        let waits_for = match drop.incomplete.as_str() {
            "" => drop.missing.join(", "),
            why => format!("the rest of the file: {why}"),
        };
        status.waiting.push(Coming { pipeline: drop.pipeline, scan: inbox::name_of(&drop.head), waits_for });
    }
    status.misplaced = Inbox::misplaced(&workshop.inbox())?.iter().map(|path| inbox::name_of(path)).collect();
    Ok(())
}
