//! Settings of `blend`.

use serde::{Deserialize, Serialize};

use crate::problem::{Problem, out_of_range};
use crate::stage::Settings;

/// Which colours are blended, and for whose eyes.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, schemars::JsonSchema)]
#[serde(default, deny_unknown_fields)]
pub struct Blend {
    /// From how far the figure is looked at, mm: bands melt into one colour there. Thrice its height when left out, 500 mm at
    /// least and 3000 at most.
    pub viewing_mm: Option<f64>,
    /// How far light spreads between bands inside the plastic: 1 not at all, 2 and more in translucent filaments, where blends
    /// come out darker. To be fitted with a printed wedge of known shares.
    pub spread: f64,
    /// Surface is blended where that brings it this much nearer to the scan, dE (CIEDE2000).
    pub gain_min_de: f64,
    /// Smaller patches are left alone, mm2.
    pub area_min_mm2: f64,
    /// Surface flatter than this keeps one filament, as bands grow wide there: degrees from level.
    pub slope_min_deg: f64,
    /// Blends skin and the front of the head only.
    pub skin_only: bool,
    /// Most bands after which a pattern begins anew; fewer where so many would be seen.
    pub bands_max: usize,
    /// Whether a part may get filaments of the figure that it does without otherwise, as far as the printer holds more.
    pub more_filaments: bool,
    /// Layer height, mm; 0 takes the printer's. The same as in `estimate`.
    pub layer_mm: f64,
}

impl Default for Blend {
    fn default() -> Self {
        Self {
            viewing_mm: None,
            spread: 1.0,
            gain_min_de: 5.0,
            area_min_mm2: 100.0,
            slope_min_deg: 30.0,
            skin_only: false,
            bands_max: 4,
            more_filaments: true,
            layer_mm: 0.0,
        }
    }
}

/// How far off a figure is looked at, in its own heights, and within which bounds, mm (common practice, no source).
const HEIGHTS_OFF: f64 = 3.0;
const VIEWING_MM: std::ops::RangeInclusive<f64> = 500.0..=3000.0;

impl Settings for Blend {
    const NAME: &'static str = "blend";
    const VERSION: u32 = 2;
    const SUMMARY: &'static str = "makes tones no filament has out of level bands that melt into one colour from afar";
    const EXAMPLE: &'static str = "{viewing_mm: 2000, gain_min_de: 5}";
}

impl Blend {
    /// From how far a figure of this height is looked at, mm.
    pub(super) fn viewing_for(&self, height_mm: f64) -> f64 {
        self.viewing_mm.unwrap_or((HEIGHTS_OFF * height_mm).clamp(*VIEWING_MM.start(), *VIEWING_MM.end()))
    }

    /// Price of the border of a blend, dE mm: a round patch of the least area that gains twice what it must breaks even with it.
    pub(super) fn border_price(&self) -> f64 {
        0.5 * self.gain_min_de * (self.area_min_mm2 / std::f64::consts::PI).sqrt()
    }

    /// Faults of the settings.
    pub(super) fn problems(&self) -> Vec<Problem> {
        let mut problems = out_of_range(&[
            ("viewing_mm", self.viewing_mm.unwrap_or(*VIEWING_MM.start()), 10.0, 1e5),
            ("spread", self.spread, 1.0, 10.0),
            ("gain_min_de", self.gain_min_de, 0.0, 100.0),
            ("area_min_mm2", self.area_min_mm2, 0.0, 1e6),
            ("slope_min_deg", self.slope_min_deg, 5.0, 90.0),
            ("layer_mm", self.layer_mm, 0.0, 2.0),
        ]);
        if !(2..=8).contains(&self.bands_max) {
            let what = format!("{} bands, expected 2 to 8", self.bands_max);
            problems.push(Problem::new("bands_max", what, "leave it out for 4"));
        }
        problems
    }
}
