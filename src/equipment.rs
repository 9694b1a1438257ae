//! What the owner has: the shelf of filaments and the printers. Plain data; files are read by `pipeline`.

use std::fmt;

use serde::de::value::MapAccessDeserializer;
use serde::de::{self, Deserializer, MapAccess, Visitor};
use serde::{Deserialize, Serialize};

use crate::colour::spaces::{Lab, bytes_of_linear, lab_of_bytes, linear_of_lab, parse_hex};
use crate::colour::white::{White, lab_under_d65};

/// A temperature window in degrees Celsius, both ends included: `[low, high]` in YAML.
pub type WindowC = [f64; 2];

/// One spool kind on the shelf.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, schemars::JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct Filament {
    /// Short name used in files and reports, unique on the shelf.
    pub name: String,
    /// Material family, such as PLA or PETG; one part holds one family only.
    pub material: String,
    /// Measured colour of a printed sample.
    pub colour: Colour,
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
    /// The colour as sRGB bytes, the nearest where it lies outside; `None` unless it can be read.
    #[must_use]
    pub fn srgb(&self) -> Option<[u8; 3]> {
        match &self.colour {
            Colour::Srgb(text) => parse_hex(text),
            Colour::Lab(_) => Some(bytes_of_linear(linear_of_lab(self.lab()?))),
        }
    }

    /// The colour as CIE Lab under D65; `None` unless it can be read.
    #[must_use]
    pub fn lab(&self) -> Option<Lab> {
        match &self.colour {
            Colour::Srgb(text) => parse_hex(text).map(lab_of_bytes),
            Colour::Lab(measured) => measured.under_d65(),
        }
    }
}

/// A measured colour as the owner wrote it.
#[derive(Clone, Debug, PartialEq, Serialize, schemars::JsonSchema)]
#[serde(untagged)]
pub enum Colour {
    /// sRGB `#RRGGBB` (IEC 61966-2-1).
    Srgb(String),
    /// As colour meters give it: `{lab: [L, a, b], white: D50}`.
    Lab(LabColour),
}

/// A CIE Lab colour (ISO/CIE 11664-4) with its white.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize, schemars::JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct LabColour {
    /// L 0 to 100, a and b.
    pub lab: [f64; 3],
    pub white: White,
}

impl LabColour {
    /// None where the numbers are those of no surface.
    fn under_d65(self) -> Option<Lab> {
        let [l, a, b] = self.lab;
        let is_colour = (0.0..=100.0).contains(&l) && a.abs() <= 150.0 && b.abs() <= 150.0;
        is_colour.then(|| lab_under_d65(Lab { l, a, b }, self.white))
    }
}

impl From<&str> for Colour {
    fn from(text: &str) -> Self {
        Self::Srgb(text.to_owned())
    }
}

impl fmt::Display for Colour {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Srgb(text) => f.write_str(text),
            Self::Lab(LabColour { lab: [l, a, b], white }) => write!(f, "Lab {l} {a} {b} ({white:?})"),
        }
    }
}

impl<'de> Deserialize<'de> for Colour {
    fn deserialize<D: Deserializer<'de>>(deserializer: D) -> Result<Self, D::Error> {
        deserializer.deserialize_any(ColourVisitor)
    }
}

struct ColourVisitor;

impl<'de> Visitor<'de> for ColourVisitor {
    type Value = Colour;

    fn expecting(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str("a colour: \"#RRGGBB\", or {lab: [L, a, b], white: D50 or D65}")
    }

    fn visit_str<E: de::Error>(self, text: &str) -> Result<Colour, E> {
        Ok(Colour::from(text))
    }

    fn visit_map<A: MapAccess<'de>>(self, map: A) -> Result<Colour, A::Error> {
        LabColour::deserialize(MapAccessDeserializer::new(map)).map(Colour::Lab)
    }
}

/// How a printer changes filament, which decides what a change costs.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, schemars::JsonSchema)]
#[serde(rename_all = "lowercase")]
pub enum Changer {
    /// Each filament has a head of its own.
    Heads,
    /// Filaments share one nozzle, which is purged at each change.
    Shared,
}

/// One printer of the owner.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, schemars::JsonSchema)]
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
    /// True over estimated printing time, as `statuary calibrate` finds it with a finished print.
    #[serde(default = "default_time_factor")]
    pub time_factor: f64,
    /// What an hour of printing costs in the owner's currency, power and wear; 0 when not of interest.
    #[serde(default)]
    pub cost_per_hour: f64,
    /// The tower it purges into; none when purged filament leaves the bed.
    #[serde(default)]
    pub purge_tower: Option<PurgeTower>,
}

/// A block printed beside a part, into which the nozzle is purged at each change.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize, schemars::JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct PurgeTower {
    /// Length of one side, mm; the other is as long as the layer with the most changes asks for, and never below a third of it.
    pub width_mm: f64,
    /// Share of its section that is plastic in layers without a change, 0 to 1.
    #[serde(default = "default_tower_fill")]
    pub fill_share: f64,
}

fn default_tower_fill() -> f64 {
    0.15
}

fn default_time_factor() -> f64 {
    1.0
}

/// No printer lays thinner layers, mm.
const LAYER_LEAST_MM: f64 = 0.01;

impl Printer {
    /// Width of one extruded line, mm (common practice: 1.1 times the nozzle's bore, no source).
    #[must_use]
    pub fn line_mm(&self) -> f64 {
        1.1 * self.nozzle_mm
    }

    /// Layer height as asked for, or its own for 0, mm.
    #[must_use]
    pub fn layer_or(&self, asked_mm: f64) -> f64 {
        (if asked_mm > 0.0 { asked_mm } else { self.layer_mm }).max(LAYER_LEAST_MM)
    }

    /// Depth of a filament's coloured shell as asked for, or what it needs for 0, mm.
    #[must_use]
    pub fn colour_depth_or(&self, asked_mm: f64, filament: &Filament) -> f64 {
        if asked_mm > 0.0 { asked_mm } else { self.colour_depth_mm(filament) }
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

/// The shelf and the printers a run works with.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Equipment {
    pub shelf: Vec<Filament>,
    /// The printer the figure is made for: its size decides the cuts, its tools the number of filaments.
    pub printer: Printer,
    /// Printers that help: they get parts that fit them.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub helpers: Vec<Printer>,
}

impl Equipment {
    /// All printers, the one the figure is made for first.
    pub fn printers(&self) -> impl Iterator<Item = &Printer> {
        std::iter::once(&self.printer).chain(&self.helpers)
    }

    /// A printer by its name; the one the figure is made for where no other has it.
    #[must_use]
    pub fn named(&self, name: &str) -> &Printer {
        self.printers().find(|printer| printer.name == name).unwrap_or(&self.printer)
    }
}
