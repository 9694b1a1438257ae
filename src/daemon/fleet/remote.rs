//! One job in the hands of the fleet, with the operations that a working process of this machine has as well.

use std::path::PathBuf;
use std::sync::Arc;
use std::sync::atomic::{AtomicU64, Ordering};
use std::sync::mpsc::Sender;
use std::time::Duration;

use tokio::sync::mpsc::UnboundedSender;

use crate::daemon::child::Heard;
use crate::daemon::ledger::JobId;
use crate::daemon::worker::{Ending, Message};

use super::desk::News;

/// What is to be done far away.
#[derive(Clone, Debug)]
pub struct Errand {
    pub job: JobId,
    /// Of the claim: what comes for another is not used.
    pub token: u64,
    /// Mesh file, or a folder with one.
    pub scan: PathBuf,
    pub pipeline: String,
    /// What the scan is called in all that is made of it; its own name if not given.
    pub name: Option<String>,
    /// Memory it is expected to take, bytes.
    pub memory_bytes: u64,
    /// Longest that one stage may take.
    pub stage_time: Duration,
    /// Where the filled folder is to come.
    pub filled: PathBuf,
}

/// A job that is offered to the fleet. Dropped, it is withdrawn, and all of it taken off the server.
#[derive(Debug)]
pub struct Remote {
    pub(super) job: JobId,
    pub(super) token: u64,
    pub(super) desk: UnboundedSender<News>,
    pub(super) heard: Sender<Heard>,
    pub(super) memory: Arc<AtomicU64>,
    pub(super) ended: bool,
}

impl Remote {
    /// Gives it up for now: whoever works on it stops, and it waits for its turn again.
    pub fn stop(&mut self) {
        self.end(Some(Message::Ending(Ending::Stopped)));
    }

    /// Ends it at once.
    pub fn kill(&mut self) {
        self.end(None);
    }

    /// Nobody is waited for: an offer without its parcel is void, wherever it is.
    fn end(&mut self, last: Option<Message>) {
        if std::mem::replace(&mut self.ended, true) {
            return;
        }
        // Both listen as long as there are jobs.
        let _ = self.desk.send(News::Withdraw(self.job, self.token));
        if let Some(message) = last {
            let _ = self.heard.send(Heard::Said(self.job, self.token, message));
        }
        let _ = self.heard.send(Heard::Gone(self.job, self.token, "was withdrawn".into()));
    }

    /// What the process far away takes up, bytes, as it told last.
    #[must_use]
    pub fn resident_bytes(&self) -> u64 {
        self.memory.load(Ordering::Relaxed)
    }
}

impl Drop for Remote {
    fn drop(&mut self) {
        let _ = self.desk.send(News::Withdraw(self.job, self.token));
    }
}
