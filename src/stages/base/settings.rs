//! Settings of `base`.

use serde::{Deserialize, Serialize};

use crate::colour::spaces::parse_hex;
use crate::joining::{KeyRules, largest_first};
use crate::problem::{Problem, beyond, out_of_range};
use crate::stage::Settings;

/// A plate under the figure's feet.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, schemars::JsonSchema)]
#[serde(default, deny_unknown_fields)]
pub struct Base {
    /// Outline of the plate; `hull` takes the least material.
    pub shape: Shape,
    /// Thickness, over the cavity if there is one, mm; 2 % of the figure's height when left out, 6 to 30 mm.
    pub thickness_mm: Option<f64>,
    /// Least width of plate around the feet, mm; as much as it is thick when left out.
    pub margin_mm: Option<f64>,
    /// Tilt the figure is to bear, degrees.
    pub tip_deg: f64,
    /// Longest side the plate may have, mm; as long as the tilt needs when left out.
    pub size_max_mm: Option<f64>,
    /// What makes the plate heavy.
    pub ballast: Ballast,
    /// Deepest cavity for it, mm; as deep as the plate is thick when left out.
    pub cavity_mm: Option<f64>,
    /// Dowels at hand, mm.
    pub dowel_mm: Vec<f64>,
    /// Socket over dowel, on each side, mm (common practice: 0.1 to 0.25, no source).
    pub clearance_mm: f64,
    /// Solid kept around a socket, mm.
    pub wall_min_mm: f64,
    /// Chamfer around a socket's mouth, mm.
    pub mouth_chamfer_mm: f64,
    /// Kept free on every side of the printer's bed, mm.
    pub bed_margin_mm: f64,
    /// Closed shell of figure and plate as they will be printed, mm: for their mass before it is estimated.
    pub shell_mm: f64,
    /// Share of the inside that will be plastic, 0 to 1: for their mass before it is estimated.
    pub infill_share: f64,
    /// Colour wanted for the plate, sRGB `#RRGGBB`: `colour-reduce` finds a filament for it.
    pub colour: String,
}

/// Outline of a plate.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize, schemars::JsonSchema)]
#[serde(rename_all = "lowercase")]
pub enum Shape {
    /// The smallest convex outline there is, drawn around feet and centre of mass with round corners.
    #[default]
    Hull,
    Round,
    Oval,
    Rectangle,
}

/// What fills the cavity.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize, schemars::JsonSchema)]
#[serde(rename_all = "lowercase")]
pub enum Ballast {
    #[default]
    None,
    Steel,
    Sand,
    Concrete,
}

impl Ballast {
    /// Density of the filling (workshop values, no source), g/cm3; none without ballast.
    #[must_use]
    pub fn density_g_per_cm3(self) -> Option<f64> {
        match self {
            Self::None => None,
            Self::Steel => Some(7.85),
            Self::Sand => Some(1.6),
            Self::Concrete => Some(2.3),
        }
    }

    pub(super) fn word(self) -> &'static str {
        match self {
            Self::None => "none",
            Self::Steel => "steel",
            Self::Sand => "sand",
            Self::Concrete => "concrete",
        }
    }
}

impl Default for Base {
    fn default() -> Self {
        Self {
            shape: Shape::Hull,
            thickness_mm: None,
            margin_mm: None,
            tip_deg: 10.0,
            size_max_mm: None,
            ballast: Ballast::None,
            cavity_mm: None,
            dowel_mm: vec![8.0, 6.0, 4.0, 3.0],
            clearance_mm: 0.15,
            wall_min_mm: 2.0,
            mouth_chamfer_mm: 0.4,
            bed_margin_mm: 3.0,
            shell_mm: 1.3,
            infill_share: 0.1,
            colour: "#808080".into(),
        }
    }
}

impl Settings for Base {
    const NAME: &'static str = "base";
    const VERSION: u32 = 3;
    const SUMMARY: &'static str = "a plate under the feet, with ballast if wanted, so that the figure does not tip";
    const EXAMPLE: &'static str = "\
shape: hull
thickness_mm: 20
tip_deg: 10
size_max_mm: 340
ballast: steel
colour: \"#404040\"
";
}

/// Thickness as a share of the figure's height, and its bounds (common practice, no source), mm.
const THICKNESS_SHARE: f64 = 0.02;
const THICKNESS_MM: [f64; 2] = [6.0, 30.0];

impl Base {
    pub(super) fn thickness_for(&self, height_mm: f64) -> f64 {
        let [least, most] = THICKNESS_MM;
        self.thickness_mm.unwrap_or((THICKNESS_SHARE * height_mm).clamp(least, most))
    }

    /// What its dowels keep to.
    pub(super) fn key_rules(&self) -> KeyRules {
        KeyRules {
            dowels_mm: largest_first(&self.dowel_mm),
            pins: false,
            clearance_mm: self.clearance_mm,
            wall_mm: self.wall_min_mm,
            depth_mm: None,
            chamfer_mm: self.mouth_chamfer_mm,
            gap_mm: 0.0,
            marks_mm: None,
        }
    }

    /// Faults of the settings.
    pub(super) fn problems(&self) -> Vec<Problem> {
        let given = |name, value: Option<f64>, low, high| value.map(|value| (name, value, low, high));
        let mut ranges = vec![
            ("tip_deg", self.tip_deg, 1.0, 30.0),
            ("clearance_mm", self.clearance_mm, 0.0, 2.0),
            ("wall_min_mm", self.wall_min_mm, 0.4, 50.0),
            ("mouth_chamfer_mm", self.mouth_chamfer_mm, 0.0, 3.0),
            ("bed_margin_mm", self.bed_margin_mm, 0.0, 100.0),
            ("shell_mm", self.shell_mm, 0.1, 50.0),
            ("infill_share", self.infill_share, 0.0, 1.0),
        ];
        ranges.extend(given("thickness_mm", self.thickness_mm, 2.0, 200.0));
        ranges.extend(given("margin_mm", self.margin_mm, 1.0, 500.0));
        ranges.extend(given("size_max_mm", self.size_max_mm, 10.0, 5000.0));
        ranges.extend(given("cavity_mm", self.cavity_mm, 1.0, 200.0));
        let mut problems = out_of_range(&ranges);
        for (i, dowel) in self.dowel_mm.iter().enumerate() {
            let hint = "give a diameter in millimetres";
            problems.extend(beyond(*dowel, 1.0, 50.0).map(|what| Problem::new(format!("dowel_mm[{i}]"), what, hint)));
        }
        if parse_hex(&self.colour).is_none() {
            let what = format!("is `{}`, expected sRGB as `#RRGGBB`", self.colour);
            problems.push(Problem::new("colour", what, "write `\"#404040\"`, with the quotes, for a dark grey"));
        }
        problems
    }
}
