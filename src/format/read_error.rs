//! Why a scan cannot be read: which file, where in it, what was found, and what to do about it.

use std::fmt;

/// Where in a file something was found.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub enum Place {
    /// The file as a whole.
    #[default]
    Whole,
    /// A line of a text file, counted from 1.
    Line(usize),
    /// An offset into a binary file.
    Byte(usize),
    /// A thing the file names or counts, such as `vertex 12` or `meshes[0]`.
    Item(String),
}

impl fmt::Display for Place {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Whole => Ok(()),
            Self::Line(line) => write!(f, ", line {line}"),
            Self::Byte(offset) => write!(f, ", byte {offset}"),
            Self::Item(item) => write!(f, ", {item}"),
        }
    }
}

/// A file that is refused.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
#[error("`{file}`{place}: {what}")]
pub struct ReadError {
    pub file: String,
    pub place: Place,
    pub what: String,
    pub hint: String,
}

impl ReadError {
    /// An error about a whole file; [`super::read`] fills in the mesh file's name when `file` is empty.
    #[must_use]
    pub fn new(what: impl Into<String>, hint: impl Into<String>) -> Self {
        Self { file: String::new(), place: Place::Whole, what: what.into(), hint: hint.into() }
    }

    #[must_use]
    pub fn at(mut self, place: Place) -> Self {
        self.place = place;
        self
    }

    #[must_use]
    pub fn at_line(self, line: usize) -> Self {
        self.at(Place::Line(line))
    }

    #[must_use]
    pub fn at_byte(self, offset: usize) -> Self {
        self.at(Place::Byte(offset))
    }

    #[must_use]
    pub fn at_item(self, item: impl Into<String>) -> Self {
        self.at(Place::Item(item.into()))
    }

    /// Names the file, unless one is named already.
    #[must_use]
    pub fn in_file(mut self, file: &str) -> Self {
        if self.file.is_empty() {
            file.clone_into(&mut self.file);
        }
        self
    }
}

/// Hint for files that end early or were damaged on the way.
pub(super) const EXPORT_AGAIN: &str = "copy the file again, or export it again from the scanner's program";
