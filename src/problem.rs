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

/// A problem for every setting whose value is no number from its low to its high end, both included.
#[must_use]
pub fn out_of_range(settings: &[(&str, f64, f64, f64)]) -> Vec<Problem> {
    let problem = |(name, value, low, high): &(&str, f64, f64, f64)| {
        let what = beyond(*value, *low, *high)?;
        Some(Problem::new(*name, what, "leave the setting out to take its default"))
    };
    settings.iter().filter_map(problem).collect()
}

/// What is wrong with a value that is no number from `low` to `high`, both included; `None` when it is one.
#[must_use]
pub fn beyond(value: f64, low: f64, high: f64) -> Option<String> {
    (!(low..=high).contains(&value)).then(|| format!("{value} is out of range, expected {low} to {high}"))
}

/// The known word closest to a mistyped one, if it is close enough to be meant.
#[must_use]
pub fn nearest<'a>(word: &str, known: impl Iterator<Item = &'a str>) -> Option<&'a str> {
    let (distance, near) = known.map(|k| (edit_distance(word, k), k)).min()?;
    (distance <= 1 + word.chars().count() / 3).then_some(near)
}

/// Levenshtein distance by one row of the table.
fn edit_distance(a: &str, b: &str) -> usize {
    let b: Vec<char> = b.chars().collect();
    let mut row: Vec<usize> = (0..=b.len()).collect();
    for (i, x) in a.chars().enumerate() {
        let mut diagonal = row[0];
        row[0] = i + 1;
        for (j, y) in b.iter().enumerate() {
            let replaced = diagonal + usize::from(x != *y);
            diagonal = row[j + 1];
            row[j + 1] = replaced.min(row[j] + 1).min(diagonal + 1);
        }
    }
    row[b.len()]
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_nearest_word_is_found_and_far_ones_are_not() {
        assert_eq!(edit_distance("kitten", "sitting"), 3);
        assert_eq!(nearest("colour_reduce", ["clean", "colour-reduce"].into_iter()), Some("colour-reduce"));
        assert_eq!(nearest("xyz", ["clean", "colour-reduce"].into_iter()), None);
    }
}
