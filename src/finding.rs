//! What a stage noticed about the scan or the figure: how bad, where, how much, and what to do about it.

use serde::{Deserialize, Serialize};

/// How much a finding matters.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum Severity {
    /// Worth knowing, nothing to do.
    Note,
    /// The result is usable; better is possible.
    Warning,
    /// The print would fail or disappoint; `run` ends with exit code 7.
    Fault,
}

/// One observation, ready for the report and the log.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Finding {
    pub severity: Severity,
    /// Stage that noticed it.
    pub stage: String,
    /// Part it concerns, by name; none when it concerns the whole figure.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub part: Option<String>,
    /// Place on the body or figure in words (may be empty).
    pub place: String,
    /// One sentence: what was found, with its figure and unit.
    pub what: String,
    /// What to do; empty when there is nothing to do.
    pub hint: String,
    /// The places as points of the figure as it was at that stage, mm; none where words have to do.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub spots_mm: Vec<[f64; 3]>,
}

impl Finding {
    /// A finding about the whole figure; the runner fills in the stage.
    #[must_use]
    pub fn new(severity: Severity, what: impl Into<String>) -> Self {
        Self {
            severity,
            stage: String::new(),
            part: None,
            place: String::new(),
            what: what.into(),
            hint: String::new(),
            spots_mm: Vec::new(),
        }
    }

    #[must_use]
    pub fn at(mut self, place: impl Into<String>) -> Self {
        self.place = place.into();
        self
    }

    /// The points it is about, figure coordinates, mm.
    #[must_use]
    pub fn spots(mut self, points: impl IntoIterator<Item = impl Into<[f64; 3]>>) -> Self {
        self.spots_mm.extend(points.into_iter().map(Into::into));
        self
    }

    #[must_use]
    pub fn on(mut self, part: impl Into<String>) -> Self {
        self.part = Some(part.into());
        self
    }

    #[must_use]
    pub fn hint(mut self, hint: impl Into<String>) -> Self {
        self.hint = hint.into();
        self
    }
}
