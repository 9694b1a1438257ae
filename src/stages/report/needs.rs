//! What to have at hand before the print begins, and what of it to get.

use std::collections::BTreeMap;

use super::gluing;
use super::words;
use crate::equipment::Filament;
use crate::figure::Figure;

/// What a saw takes from a rod at each cut, and what is lost at its end, mm (common practice, no source).
const SAW_MM: f64 = 2.0;

/// One thing to have; texts are empty where nothing is known.
#[derive(Debug, Default, PartialEq, Eq)]
pub struct Need {
    pub what: String,
    pub much: String,
    pub there: String,
    pub get: String,
    /// Of what is to get, in the owner's currency.
    pub price: String,
}

/// All there is to have, filaments first; empty while nothing is estimated and nothing is glued.
#[must_use]
pub fn rows(figure: &Figure) -> Vec<Need> {
    let mut rows: Vec<Need> = figure.palette.iter().zip(figure.need_g()).filter_map(filament).collect();
    rows.extend(rods(figure));
    let plain = |what: &str, much: String| Need { what: what.into(), much, ..Need::default() };
    let glue_ml: f64 = gluing::steps(figure).iter().map(|step| step.glue_ml).sum();
    if glue_ml > 0.0 {
        rows.push(plain("Glue", words::with_unit(glue_ml, 0, "ml")));
        rows.push(plain("Abrasive paper, 120 to 180 grit; isopropanol and a cloth", String::new()));
        rows.push(plain("Tape, straps or clamps that hold a joint while it sets", String::new()));
    }
    if let Some(ballast) = figure.base.as_ref().and_then(|base| base.ballast.as_ref()) {
        rows.push(plain(&format!("Ballast of {}", ballast.material), words::mass(ballast.mass_g)));
    }
    rows
}

fn filament((filament, need_g): (&Filament, f64)) -> Option<Need> {
    (need_g > 0.0).then(|| {
        let missing_g = need_g - filament.left_g;
        let price = filament.price_per_kg * missing_g / 1000.0;
        Need {
            what: format!("{}, {}", filament.name, filament.material),
            much: words::mass(need_g),
            there: words::mass(filament.left_g),
            get: if missing_g > 0.0 { words::mass(missing_g) } else { String::new() },
            price: if price > 0.0 { words::number(price, 2) } else { String::new() },
        }
    })
}

/// Rods that the dowels are cut from, by diameter.
fn rods(figure: &Figure) -> Vec<Need> {
    let mut lengths: BTreeMap<i64, f64> = BTreeMap::new();
    for dowel in gluing::dowels(figure) {
        *lengths.entry((dowel.diameter_mm * 10.0).round() as i64).or_default() +=
            dowel.count as f64 * (dowel.length_mm + SAW_MM);
    }
    let row = |(tenths, mm): (i64, f64)| {
        let diameter = words::with_unit(tenths as f64 / 10.0, 1, "mm").replace(".0", "");
        let much = words::with_unit((mm / 10.0).ceil() / 100.0, 2, "m");
        Need { what: format!("Round rod of {diameter}"), much, ..Need::default() }
    };
    lengths.into_iter().map(row).collect()
}
