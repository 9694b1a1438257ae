//! Rows of the table that tells colour by colour what it is printed with.

use super::tables::{Swatch, swatch};
use super::words;
use crate::colour::spaces::{format_hex, parse_hex};
use crate::figure::{ColourRegion, Figure};

/// A colour of the figure and what it is printed with.
#[derive(Debug)]
pub struct RegionRow<'a> {
    pub colour: String,
    pub area: String,
    pub swatch: Swatch<'a>,
    /// How much of it has that filament, where it is not nearly all.
    pub share: String,
    pub distance: String,
    pub words: &'static str,
}

/// One filament is all there is in a region from this share.
const ALL: f64 = 0.95;

#[must_use]
pub fn rows<'f>(figure: &'f Figure) -> Vec<RegionRow<'f>> {
    let row = |region: &'f ColourRegion| -> Option<RegionRow<'f>> {
        let filament = figure.palette.get(usize::from(region.filament))?;
        Some(RegionRow {
            // The colour goes into a style, so it must be one.
            colour: parse_hex(&region.colour).map(format_hex)?,
            area: words::area(region.area_mm2),
            swatch: swatch(filament),
            share: if region.share < ALL { words::share(region.share) } else { String::new() },
            distance: words::number(region.distance, 1),
            words: seen(region.distance),
        })
    };
    figure.colour_regions.iter().filter_map(row).collect()
}

/// What a difference looks like to a practised eye (common practice, no source).
fn seen(distance: f64) -> &'static str {
    match distance {
        d if d < 2.0 => "hardly to be told apart",
        d if d < 5.0 => "a shade off",
        d if d < 10.0 => "plainly off",
        _ => "another colour",
    }
}
