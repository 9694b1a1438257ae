//! Checks the bytes of a 3MF file against every rule of the core specification 1.3 and of the colour groups of the
//! materials extension that it uses, and says in words what is broken. Reads any file without panicking.

mod model;
mod object;
mod package;
mod solid;
mod syntax;

use super::threemf::ColouredObject;

/// Faults told one by one; beyond it only their number is told.
const FAULTS_MAX: usize = 40;

/// What a check found.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Checked {
    /// One sentence per fault; none when the file is valid.
    pub faults: Vec<String>,
    /// The object, when the file builds just one and it has a colour per triangle.
    pub object: Option<ColouredObject>,
    /// Where the build moves it, if it does: a matrix of four rows for row vectors, as the format writes it.
    pub transform: Option<[f64; 12]>,
}

/// Checks a whole package and reads what it holds.
#[must_use]
pub fn check(bytes: &[u8]) -> Checked {
    let mut faults = Faults::default();
    let object = match package::open(bytes, &mut faults) {
        Some((mut archive, model)) => {
            package::with_part(&mut archive, &model, &mut faults, |part, faults| model::walk(part, faults))
        }
        None => None,
    };
    let (object, transform) = object.flatten().map_or((None, None), |(object, transform)| (Some(object), transform));
    Checked { faults: faults.into_sentences(), object, transform }
}

/// Sentences gathered so far, at most [`FAULTS_MAX`] of them.
#[derive(Debug, Default)]
struct Faults {
    told: Vec<String>,
    untold: usize,
}

impl Faults {
    fn add(&mut self, sentence: impl Into<String>) {
        if self.told.len() < FAULTS_MAX {
            self.told.push(sentence.into());
        } else {
            self.untold += 1;
        }
    }

    fn into_sentences(mut self) -> Vec<String> {
        if self.untold > 0 {
            self.told.push(format!("{} more faults", self.untold));
        }
        self.told
    }
}
