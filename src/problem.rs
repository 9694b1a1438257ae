//! What is wrong with a pipeline, shelf or printer file: place, what, hint.

use std::fmt;

/// A line and column in a configuration file, both counted from 1.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub struct Place {
    pub line: usize,
    pub column: usize,
}

/// One fault of a configuration file. A stage fills `setting`, `what` and `hint`; the reader adds file and place.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Problem {
    pub file: String,
    pub place: Option<Place>,
    /// Path of the setting, such as `stages[1].split.margin_mm`.
    pub setting: String,
    pub what: String,
    pub hint: String,
}

impl Problem {
    #[must_use]
    pub fn new(setting: impl Into<String>, what: impl Into<String>, hint: impl Into<String>) -> Self {
        Self { setting: setting.into(), what: what.into(), hint: hint.into(), ..Self::default() }
    }
}

impl fmt::Display for Problem {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        if !self.file.is_empty() {
            write!(f, "{}", self.file)?;
            if let Some(place) = self.place {
                write!(f, ":{}:{}", place.line, place.column)?;
            }
            write!(f, ": ")?;
        }
        if !self.setting.is_empty() {
            write!(f, "`{}`: ", self.setting)?;
        }
        write!(f, "{}", self.what)
    }
}
