//! What is where in a workshop: waiting, in work, done, refused.

use std::io;

use serde::Serialize;

use super::inbox::{self, Inbox};
use super::ledger::{Ledger, Line, State};
use super::workshop::Workshop;

/// A scan that lies in the inbox.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
pub struct Waiting {
    pub pipeline: String,
    pub scan: String,
    /// Why it is not taken yet; empty when it only has to stand still for a moment.
    pub waits_for: String,
}

/// The whole picture.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize)]
pub struct Status {
    pub watched: bool,
    pub waiting: Vec<Waiting>,
    /// Scans that no pipeline will take, for they lie in the inbox itself.
    pub misplaced: Vec<String>,
    pub working: Vec<Line>,
    pub done: Vec<Line>,
    pub refused: Vec<Line>,
}

/// Looks at a workshop without changing it.
///
/// # Errors
/// As the file system tells.
pub fn status(workshop: &Workshop) -> io::Result<Status> {
    let mut status = Status { watched: workshop.lock().is_err(), ..Status::default() };
    for drop in Inbox::default().list(&workshop.inbox())? {
        let waits_for = match drop.incomplete.as_str() {
            "" => drop.missing.join(", "),
            why => format!("the rest of the file: {why}"),
        };
        status.waiting.push(Waiting { pipeline: drop.pipeline, scan: inbox::name_of(&drop.head), waits_for });
    }
    status.misplaced = Inbox::misplaced(&workshop.inbox())?.iter().map(|path| inbox::name_of(path)).collect();
    for (_, line) in Ledger::at(workshop.ledger()).jobs()? {
        match line.state {
            State::Working => status.working.push(line),
            State::Done => status.done.push(line),
            State::Refused => status.refused.push(line),
        }
    }
    Ok(status)
}
