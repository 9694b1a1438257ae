//! What daemon and workers write to each other, as JSON. No letter names a scan: names travel inside the parcels.

use serde::{Deserialize, Serialize};

use crate::daemon::worker::{Ending, Message};

use super::likeness::Likeness;

/// A parcel that lies on the server.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Stored {
    pub name: String,
    pub blake3: String,
    pub bytes: u64,
}

/// A scan that is to be worked on.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Offer {
    /// The workshop it is of.
    pub home: String,
    pub job: u64,
    pub token: u64,
    /// What the daemon computes with: a worker must do so alike.
    pub likeness: Likeness,
    pub parcel: Stored,
    /// Memory it is expected to take, bytes.
    pub memory_bytes: u64,
    /// Longest that one stage may take, s.
    pub stage_seconds: f64,
}

impl Offer {
    /// Whether its names are such as this program gives: they become parts of subjects and paths.
    #[must_use]
    pub fn is_well_formed(&self) -> bool {
        let plain =
            |text: &str| !text.is_empty() && text.len() <= 64 && text.bytes().all(|b| b.is_ascii_alphanumeric());
        plain(&self.home) && self.parcel.name == parcel_name(self.job, self.token) && self.stage_seconds >= 0.0
    }
}

/// A worker's word on one attempt at an offer.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Word {
    pub job: u64,
    pub token: u64,
    /// Which taking of the offer it is about; no two are alike.
    pub attempt: String,
    pub worker: String,
    pub says: Says,
}

#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Says {
    /// It has the offer and begins.
    Takes,
    /// It is too small for it, bytes.
    TooSmall { needs: u64, most: u64 },
    /// It would not compute alike.
    Differs(Likeness),
    /// What the working process says.
    Works(Message),
    /// It gives the offer back unfinished.
    Returns,
    /// The working process broke off; how.
    BrokeOff(String),
    /// It ended without a result.
    Ends(Ending),
    /// The filled folder lies on the server.
    Delivers { result: Stored, ending: Ending },
}

/// A worker's sign of life.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Sign {
    pub worker: String,
    pub at_work: Vec<SignOfJob>,
}

#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct SignOfJob {
    pub home: String,
    pub job: u64,
    pub token: u64,
    /// Memory its process takes now, bytes.
    pub memory_bytes: u64,
}

/// Name of an offer's parcel on the server.
#[must_use]
pub fn parcel_name(job: u64, token: u64) -> String {
    format!("{}parcel", prefix(job, token))
}

/// Name of what an attempt at it made.
#[must_use]
pub fn result_name(job: u64, token: u64, attempt: &str) -> String {
    format!("{}{attempt}.result", prefix(job, token))
}

/// Whether a name is that of a result of this offer.
#[must_use]
pub fn is_result_name(name: &str, job: u64, token: u64) -> bool {
    let attempt = name.strip_prefix(&prefix(job, token)).and_then(|rest| rest.strip_suffix(".result"));
    attempt.is_some_and(|attempt| !attempt.is_empty() && attempt.bytes().all(|b| b.is_ascii_alphanumeric()))
}

/// How all names of one offer begin.
#[must_use]
pub fn prefix(job: u64, token: u64) -> String {
    format!("{job}.{token}.")
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn names_that_would_lead_elsewhere_are_none_of_ours() {
        let likeness = Likeness { version: String::new(), arithmetic: String::new() };
        let parcel = Stored { name: "7.2.parcel".into(), blake3: String::new(), bytes: 0 };
        let home = "0a".to_owned();
        let fine = Offer { home, job: 7, token: 2, likeness, parcel, memory_bytes: 0, stage_seconds: 1.0 };
        assert!(fine.is_well_formed());
        for home in ["", "a.b", "../a", "a>"] {
            assert!(!Offer { home: home.into(), ..fine.clone() }.is_well_formed(), "{home}");
        }
        assert!(!Offer { token: 3, ..fine.clone() }.is_well_formed(), "the parcel of another claim");
        assert!(!Offer { stage_seconds: f64::NAN, ..fine }.is_well_formed());
        assert!(is_result_name(&result_name(7, 2, "x1"), 7, 2));
        for other in ["7.3.x1.result", "7.2.parcel", "7.2..result", "7.2.a/b.result"] {
            assert!(!is_result_name(other, 7, 2), "{other}");
        }
    }
}
