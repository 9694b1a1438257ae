//! In whose hands a job is: a working process of this machine, or the fleet. Both are stopped, ended and asked alike.

use super::child::Worker;
use super::fleet::Remote;

#[derive(Debug)]
pub enum Hands {
    Here(Worker),
    Away(Remote),
}

impl Hands {
    /// Asks for a stop after the step in hand.
    pub fn stop(&mut self) {
        match self {
            Self::Here(worker) => worker.stop(),
            Self::Away(remote) => remote.stop(),
        }
    }

    /// Ends the work at once.
    pub fn kill(&mut self) {
        match self {
            Self::Here(worker) => worker.kill(),
            Self::Away(remote) => remote.kill(),
        }
    }

    /// Memory the work takes now, bytes; 0 when it is not known.
    #[must_use]
    pub fn resident_bytes(&self) -> u64 {
        match self {
            Self::Here(worker) => worker.resident_bytes(),
            Self::Away(remote) => remote.resident_bytes(),
        }
    }

    /// How a process that broke off ended, in words. From afar the last words say it already.
    pub fn fate(&mut self, last_words: &str) -> String {
        match self {
            Self::Here(worker) => worker.fate(last_words),
            Self::Away(_) => last_words.to_owned(),
        }
    }

    #[must_use]
    pub fn are_away(&self) -> bool {
        matches!(self, Self::Away(_))
    }
}
