//! Tones that are printed in bands of several filaments.

use super::tables::{Swatch, swatch};
use super::words;
use crate::colour::spaces::{format_hex, parse_hex};
use crate::figure::{BlendedTone, Figure};

/// All tones, and the bands they are made of.
#[derive(Debug)]
pub struct Blends<'a> {
    pub viewing: String,
    pub rows: Vec<BlendRow<'a>>,
}

/// One tone.
#[derive(Debug)]
pub struct BlendRow<'a> {
    pub colour: String,
    pub looks: String,
    pub area: String,
    /// Bands of each filament in a period.
    pub bands: Vec<(usize, Swatch<'a>)>,
    pub height: String,
    pub before: String,
    pub distance: String,
}

#[must_use]
pub fn of(figure: &Figure) -> Option<Blends<'_>> {
    let blend = figure.blend.as_ref().filter(|blend| !blend.tones.is_empty())?;
    Some(Blends {
        viewing: words::with_unit(blend.viewing_mm / 1000.0, 1, "m"),
        rows: blend.tones.iter().filter_map(|tone| row(figure, tone)).collect(),
    })
}

fn row<'f>(figure: &'f Figure, tone: &BlendedTone) -> Option<BlendRow<'f>> {
    let band = |(label, count): &(u8, usize)| Some((*count, swatch(figure.palette.get(usize::from(*label))?)));
    Some(BlendRow {
        // The colours go into a style, so they must be some.
        colour: parse_hex(&tone.colour).map(format_hex)?,
        looks: parse_hex(&tone.looks).map(format_hex)?,
        area: words::area(tone.area_mm2),
        bands: tone.bands.iter().map(band).collect::<Option<_>>()?,
        height: words::with_unit(tone.band_mm, 2, "mm"),
        before: words::number(tone.distance_before, 1),
        distance: words::number(tone.distance, 1),
    })
}
