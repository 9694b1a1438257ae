//! Settings of `colour-reduce`.

use serde::{Deserialize, Serialize};

use crate::problem::{Problem, out_of_range};
use crate::stage::Settings;

/// What one choice of filaments is for.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize, schemars::JsonSchema)]
#[serde(rename_all = "lowercase")]
pub enum ForEach {
    /// One palette for the whole figure.
    #[default]
    Figure,
    /// Each part has filaments of its own.
    Part,
}

/// What a `blend` stage later in the pipeline can mix, for choosing filaments whose mixes come near the scan.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize, schemars::JsonSchema)]
#[serde(default, deny_unknown_fields)]
pub struct Blends {
    /// Most bands after which a pattern begins anew, as in `blend`.
    pub bands_max: usize,
    /// How far light spreads between bands inside the plastic, as in `blend`.
    pub spread: f64,
    /// A mix is worth as much as one filament whose colour is this much farther off: it shows some grain and takes more tool
    /// changes, dE.
    pub price_de: f64,
}

impl Default for Blends {
    fn default() -> Self {
        Self { bands_max: 4, spread: 1.0, price_de: 3.0 }
    }
}

/// Settings of `colour-reduce`.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, schemars::JsonSchema)]
#[serde(default, deny_unknown_fields)]
pub struct ColourReduce {
    /// Most filaments in a part; as many as the printer holds when left out.
    pub colours: Option<usize>,
    pub for_each: ForEach,
    /// Mean colour difference over the whole figure that one spool less is worth, where each part has filaments of its own:
    /// fewer swaps between parts, and one garment comes out of one spool.
    pub spare_spool_de: f64,
    /// Radius of a round spot of clearly different colour that just survives smoothing.
    pub smoothing_mm: f64,
    /// Length over which borders are smoothed into lines across triangles; `smoothing_mm` when left out, and 0 leaves them on
    /// the edges of triangles.
    pub border_smooth_mm: Option<f64>,
    /// Least area of a patch of one colour.
    pub patch_min_mm2: f64,
    /// How much more than cloth skin counts.
    pub skin_weight: f64,
    /// How much more than cloth the front of the head counts.
    pub face_weight: f64,
    /// Eyes, brows and lips too small to print are enlarged, to this many times their area at most; 1 lets them go.
    pub feature_growth_max: f64,
    /// Weight of lightness against hue and chroma; below 1 shadows in the scan matter less.
    pub lightness_weight: f64,
    /// Share of the light baked into the scan that is taken off before colours are compared.
    pub even_light: f64,
    /// Most light, brightest over darkest side, that is taken off: the stronger it is, the less sure is its measure.
    pub even_light_max: f64,
    /// Filaments to take whatever they cost, by name.
    pub must: Vec<String>,
    /// Filaments not to take, by name.
    pub never: Vec<String>,
    /// The only material to use; the best one when left out.
    pub material: Option<String>,
    /// Chooses filaments for their mixes too, which a `blend` stage later in the pipeline then lays.
    pub blends: Option<Blends>,
}

impl Default for ColourReduce {
    fn default() -> Self {
        Self {
            colours: None,
            for_each: ForEach::Figure,
            spare_spool_de: 0.1,
            smoothing_mm: 2.0,
            border_smooth_mm: None,
            patch_min_mm2: 9.0,
            skin_weight: 2.0,
            face_weight: 4.0,
            feature_growth_max: 6.0,
            lightness_weight: 0.75,
            even_light: 1.0,
            even_light_max: 8.0,
            must: Vec::new(),
            never: Vec::new(),
            material: None,
            blends: None,
        }
    }
}

impl Settings for ColourReduce {
    const NAME: &'static str = "colour-reduce";
    const VERSION: u32 = 6;
    const SUMMARY: &'static str = "choose a few filaments off the shelf and give each triangle one of them";
    const EXAMPLE: &'static str = "\
colours: 5
for_each: figure
smoothing_mm: 2
patch_min_mm2: 9
must: [Harbour Navy]
never: [Dock Tyre]
";
}

impl ColourReduce {
    pub(super) fn border_smooth_mm(&self) -> f64 {
        self.border_smooth_mm.unwrap_or(self.smoothing_mm)
    }

    /// Divisor of lightness differences.
    pub(super) fn lightness_divisor(&self) -> f64 {
        1.0 / self.lightness_weight
    }

    /// Faults of the settings.
    pub(super) fn problems(&self) -> Vec<Problem> {
        let mut problems = Vec::new();
        let mut expect = |fine: bool, setting: &str, what: String, hint: &str| {
            if !fine {
                problems.push(Problem::new(setting, what, hint));
            }
        };
        if let Some(colours) = self.colours {
            expect((1..=32).contains(&colours), "colours", format!("{colours} colours"), "expected 1 to 32");
            let what = format!("{} filaments for {colours} colours", self.must.len());
            expect(self.must.len() <= colours, "must", what, "name fewer or allow more colours");
        }
        for name in self.must.iter().filter(|name| self.never.contains(name)) {
            expect(false, "never", format!("`{name}` is also under `must`"), "take it off one of the two lists");
        }
        problems.extend(out_of_range(&[
            ("spare_spool_de", self.spare_spool_de, 0.0, 10.0),
            ("smoothing_mm", self.smoothing_mm, 0.0, 100.0),
            ("border_smooth_mm", self.border_smooth_mm.unwrap_or_default(), 0.0, 100.0),
            ("patch_min_mm2", self.patch_min_mm2, 0.0, 1e6),
            ("skin_weight", self.skin_weight, 0.01, 100.0),
            ("face_weight", self.face_weight, 0.01, 100.0),
            ("feature_growth_max", self.feature_growth_max, 1.0, 100.0),
            ("lightness_weight", self.lightness_weight, 0.1, 1.0),
            ("even_light", self.even_light, 0.0, 1.0),
            ("even_light_max", self.even_light_max, 1.0, 100.0),
        ]));
        if let Some(blends) = &self.blends {
            let bands = blends.bands_max as f64;
            problems.extend(out_of_range(&[
                ("blends.bands_max", bands, 2.0, 8.0),
                ("blends.spread", blends.spread, 1.0, 10.0),
                ("blends.price_de", blends.price_de, 0.0, 100.0),
            ]));
        }
        problems
    }
}
