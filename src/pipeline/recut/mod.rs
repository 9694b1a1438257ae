//! After a print that failed or was stopped: the rest of a part above the height that printed well, laid flat, so that
//! the printed half is not thrown away.

mod dowels;
mod pieces;
pub mod record;
mod source;
mod template;
mod words;
mod work;

use std::path::PathBuf;

use self::source::Source;
use super::files;
use super::runner::RunError;
use crate::problem::Problem;

pub use self::work::Done;

/// File that says what was cut and where the pieces sit.
pub const FILE: &str = "recut.json";
/// Diameters a dowel may have, mm.
const DOWEL_MM: std::ops::RangeInclusive<f64> = 1.0..=50.0;

/// What is asked for.
#[derive(Clone, Debug)]
pub struct Order {
    /// Folder of a published run.
    pub run: PathBuf,
    /// A part's name, its number, or a piece of the name that no other has.
    pub part: String,
    /// Height that printed well, measured from the bed, mm.
    pub printed_to_mm: f64,
    /// Dowels at hand, mm; none for glue alone.
    pub dowels_mm: Vec<f64>,
}

/// Why nothing was cut.
#[derive(Debug, thiserror::Error)]
pub enum RecutError {
    /// What was asked for cannot be done.
    #[error("{what}")]
    Order { what: String, hint: String },
    #[error("the run's own pipeline cannot be read")]
    Settings(Problem),
    /// A file of the run is not what it was.
    #[error("`{file}`: {what}")]
    File { file: String, what: String, hint: String },
    #[error(transparent)]
    Run(#[from] RunError),
}

impl RecutError {
    fn order(what: impl Into<String>, hint: impl Into<String>) -> Self {
        Self::Order { what: what.into(), hint: hint.into() }
    }
}

/// An order that can be carried out.
#[derive(Debug)]
pub struct Job {
    order: Order,
    source: Source,
    layers: usize,
    height_mm: f64,
}

/// A number without needless zeros.
#[must_use]
pub fn plain(value: f64, decimals: usize) -> String {
    let text = format!("{value:.decimals$}");
    if text.contains('.') { text.trim_end_matches('0').trim_end_matches('.').to_owned() } else { text }
}

/// Reads the run and the part, and finds the layer to cut at.
///
/// # Errors
/// When the order does not fit the run, or a file is not what the run wrote.
pub fn prepare(order: Order) -> Result<Job, RecutError> {
    if let Some(wrong) = order.dowels_mm.iter().find(|mm| !DOWEL_MM.contains(*mm)) {
        let what = format!("there is no dowel of {wrong} mm, expected {} to {} mm", DOWEL_MM.start(), DOWEL_MM.end());
        return Err(RecutError::order(what, "list the diameters at hand, such as --dowels 6,4"));
    }
    let source = Source::read(&order.run, &order.part)?;
    let (top_mm, layer_mm, measured) = (source.height_mm(), source.layer_mm(), order.printed_to_mm);
    let outside = |what: String| {
        let hint = format!("measure from the bed; {} is {} mm high", source.part.name, plain(top_mm, 2));
        Err(RecutError::order(what, hint))
    };
    if !(measured > 0.0 && measured < top_mm) {
        return outside(format!("{measured} mm is not within the part"));
    }
    // A height that was written as a multiple of the layer is one.
    let layers = (measured / layer_mm + 1e-6).floor();
    if layers < 1.0 {
        return outside(format!("{measured} mm is less than the first layer of {layer_mm} mm"));
    }
    let height_mm = layers * layer_mm;
    if top_mm - height_mm < layer_mm {
        return outside(format!("above {} mm less than a layer is left", plain(height_mm, 2)));
    }
    Ok(Job { order, source, layers: layers as usize, height_mm })
}

impl Job {
    /// Where the results go when nothing else is said: beside the run.
    #[must_use]
    pub fn folder(&self) -> PathBuf {
        let run = std::path::absolute(&self.order.run).unwrap_or_else(|_| self.order.run.clone());
        let name = run.file_name().map_or_else(|| "run".to_owned(), |name| name.to_string_lossy().into_owned());
        let height = plain(self.height_mm, 2);
        files::free_name(&run.with_file_name(format!("{name}-recut-{}-{height}mm", self.source.part.name)))
    }
}
