//! What the owner has: the shelf of filaments and the printers. Plain data; files are read by `pipeline`.

use serde::{Deserialize, Serialize};

/// A temperature window in degrees Celsius, both ends included: `[low, high]` in YAML.
pub type WindowC = [f64; 2];

/// One spool kind on the shelf.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Filament {
    /// Short name used in files and reports, unique on the shelf.
    pub name: String,
    /// Material family, such as PLA or PETG; one part holds one family only.
    pub material: String,
    /// Measured colour of a printed sample, sRGB `#RRGGBB`.
    pub colour: String,
    pub nozzle_c: WindowC,
    pub bed_c: WindowC,
    pub density_g_per_cm3: f64,
    /// What is left on the spool, grams.
    pub left_g: f64,
    /// Thickness a bright light no longer shines through, mm.
    #[serde(default = "default_opaque_mm")]
    pub opaque_mm: f64,
    /// Price of a kilogram in the owner's currency; 0 when not of interest.
    #[serde(default)]
    pub price_per_kg: f64,
}

fn default_opaque_mm() -> f64 {
    2.0
}

impl Filament {
    /// The colour as sRGB bytes; `None` unless it is written `#RRGGBB`.
    #[must_use]
    pub fn srgb(&self) -> Option<[u8; 3]> {
        let digits = self.colour.strip_prefix('#').filter(|d| d.len() == 6 && d.is_ascii())?;
        let byte = |i: usize| u8::from_str_radix(&digits[i..i + 2], 16).ok();
        Some([byte(0)?, byte(2)?, byte(4)?])
    }
}

/// How a printer changes filament, which decides what a change costs.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum Changer {
    /// Each filament has a head of its own.
    Heads,
    /// Filaments share one nozzle, which is purged at each change.
    Shared,
}

/// One printer of the owner.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Printer {
    pub name: String,
    /// Build volume along x, y, z, mm.
    pub volume_mm: [f64; 3],
    /// Filaments it can hold at once.
    pub tools: usize,
    pub changer: Changer,
    pub nozzle_mm: f64,
    pub layer_mm: f64,
    /// Time of one tool change, s.
    pub change_secs: f64,
    /// Filament wasted by one tool change, g.
    pub change_g: f64,
    /// Highest temperatures it reaches, degrees Celsius.
    pub nozzle_max_c: f64,
    pub bed_max_c: f64,
    /// Material it lays down while printing walls and infill, mm3/s.
    pub flow_mm3_per_sec: f64,
}

impl Printer {
    /// Width of one extruded line, mm (common practice: 1.1 times the nozzle's bore, no source).
    #[must_use]
    pub fn line_mm(&self) -> f64 {
        1.1 * self.nozzle_mm
    }

    /// How deep a filament's colour has to go so that what is behind it does not show, mm: light passes it twice and
    /// fades exponentially (Beer-Lambert) from a tenth left behind the opaque thickness to a fiftieth on its way back;
    /// two lines at least (common practice, no source).
    #[must_use]
    pub fn colour_depth_mm(&self, filament: &Filament) -> f64 {
        let (left, let_pass) = (0.1_f64, 0.02_f64);
        (filament.opaque_mm * let_pass.ln() / (2.0 * left.ln())).max(2.0 * self.line_mm())
    }
}

/// The shelf and the printer a run works with.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Equipment {
    pub shelf: Vec<Filament>,
    pub printer: Printer,
}
