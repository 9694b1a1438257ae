//! Settings of `fewer-changes`.

use serde::{Deserialize, Serialize};

use crate::equipment::Printer;
use crate::problem::{Problem, out_of_range};
use crate::stage::Settings;

/// How much true colour tool changes are worth.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, schemars::JsonSchema)]
#[serde(default, deny_unknown_fields)]
pub struct FewerChanges {
    /// Colour that an hour of tool changes may cost: added difference (CIEDE2000) times surface, dE cm2; 0 changes nothing.
    /// 60 when left out: a square centimetre of plainly another colour, 20 dE, for 20 minutes. Set by trying it on three
    /// clothed figures and a statue, 150 mm high and life-size: 0 to 36 % fewer changes, the mean difference at most 0.11 dE
    /// higher, and lower where borders had been drawn for smoothness.
    pub hour_worth: Option<f64>,
    /// Gives up the least colour that brings the whole figure to so many tool changes or fewer, instead of weighing each.
    pub changes_max: Option<usize>,
    /// The figure's mean colour difference never rises by more than this, dE (CIEDE2000).
    pub de_mean_max_rise: f64,
    /// Least surface that may be cut off the lower or upper end of a patch, and that may be left of it, mm2; 0 gives up whole
    /// patches only.
    pub trim_min_mm2: f64,
    /// How much more than cloth skin counts.
    pub skin_weight: f64,
    /// How much more than cloth the front of the head counts.
    pub face_weight: f64,
    /// Layer height that changes are counted at, mm; 0 takes the printer's. The same as in `estimate`.
    pub layer_mm: f64,
    /// Depth of coloured shells, mm; 0 takes what each filament needs to be opaque. The same as in `estimate`.
    pub colour_depth_mm: f64,
}

impl Default for FewerChanges {
    fn default() -> Self {
        Self {
            hour_worth: None,
            changes_max: None,
            de_mean_max_rise: 0.5,
            trim_min_mm2: 9.0,
            skin_weight: 2.0,
            face_weight: 4.0,
            layer_mm: 0.0,
            colour_depth_mm: 0.0,
        }
    }
}

/// Colour that an hour may cost when nothing is said, dE cm2.
const HOUR_WORTH: f64 = 60.0;

impl Settings for FewerChanges {
    const NAME: &'static str = "fewer-changes";
    const VERSION: u32 = 1;
    const SUMMARY: &'static str = "gives up patches of colour that cost more tool changes than they are worth";
    const EXAMPLE: &'static str = "{hour_worth: 60, de_mean_max_rise: 0.5}";
    const EITHER: &'static [&'static str] = &["hour_worth", "changes_max"];
}

impl FewerChanges {
    /// Colour that a tool change may cost, dE mm2.
    pub(super) fn change_de_mm2(&self, printer: &Printer) -> f64 {
        100.0 * self.hour_worth.unwrap_or(HOUR_WORTH) * printer.change_secs / 3600.0
    }

    /// Whether no colour may be given up.
    pub(super) fn keeps_all(&self) -> bool {
        self.changes_max.is_none() && self.hour_worth == Some(0.0)
    }

    /// Faults of the settings.
    pub(super) fn problems(&self) -> Vec<Problem> {
        let mut problems = Vec::new();
        if self.hour_worth.is_some() && self.changes_max.is_some() {
            let what = "both `hour_worth` and `changes_max` are given, expected one";
            problems.push(Problem::new("changes_max", what, "take one of the two out"));
        }
        problems.extend(out_of_range(&[
            ("hour_worth", self.hour_worth.unwrap_or(HOUR_WORTH), 0.0, 1e6),
            ("de_mean_max_rise", self.de_mean_max_rise, 0.0, 100.0),
            ("trim_min_mm2", self.trim_min_mm2, 0.0, 1e6),
            ("skin_weight", self.skin_weight, 0.01, 100.0),
            ("face_weight", self.face_weight, 0.01, 100.0),
            ("layer_mm", self.layer_mm, 0.0, 2.0),
            ("colour_depth_mm", self.colour_depth_mm, 0.0, 50.0),
        ]));
        problems
    }
}
