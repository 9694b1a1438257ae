//! `estimate`: what printing takes. Grams of every filament, hours, tool changes, purge and support per part; whether
//! spools and temperatures suffice; whether the glued figure will stand.

mod filaments;
mod materials;
mod others;
mod part;
mod plastic;
mod sharing;
mod stability;
mod summary;
mod takes;

use serde::{Deserialize, Serialize};

use crate::equipment::{Filament, Printer};
use crate::figure::{Fact, Figure};
use crate::mesh::label_layers::LABELS_MAX;
use crate::problem::{Problem, out_of_range};
use crate::stage::{Settings, StageContext, StageError, Transform, Uses};

/// Thickest layer over the nozzle's bore that still holds together (common practice, no source).
const THICKEST: f64 = 0.75;

/// How parts are printed, as far as it decides mass and time.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, schemars::JsonSchema)]
#[serde(default, deny_unknown_fields)]
pub struct Estimate {
    /// Layer height, mm; 0 takes the printer's.
    pub layer_mm: f64,
    /// Lines side by side along every contour.
    pub walls: u32,
    /// Share of the inside that is plastic, 0 to 1.
    pub infill_share: f64,
    /// Closed layers above and below.
    pub top_bottom_layers: u32,
    /// Share of a support's volume that is plastic, 0 to 1.
    pub support_share: f64,
    /// Steepest overhang from the vertical that prints without support, degrees.
    pub overhang_max_deg: f64,
    /// Depth of coloured shells, mm; 0 takes from each filament what it needs to be opaque, two lines at least.
    pub colour_depth_mm: f64,
    /// Least time a layer is given to cool, s.
    pub minimum_layer_secs: f64,
    /// Printing time over volume by flow: corners, travel and slow outer walls.
    pub speed_factor: f64,
    /// Layer heights to compare with, mm: the same figures for each. Half as thick again when left out, if the nozzle can do it; `[]`
    /// compares with none.
    pub other_layers_mm: Option<Vec<f64>>,
    /// Sizes to compare with, as factors of this figure's: the same parts so much larger or smaller, as far as they fit the
    /// printer. Four fifths when left out; `[]` compares with none.
    pub other_sizes: Option<Vec<f64>>,
    /// Tool changes of one part that are worth a warning.
    pub changes_max: usize,
}

impl Default for Estimate {
    fn default() -> Self {
        Self {
            layer_mm: 0.0,
            walls: 3,
            infill_share: 0.1,
            top_bottom_layers: 5,
            support_share: 0.15,
            overhang_max_deg: 45.0,
            colour_depth_mm: 0.0,
            minimum_layer_secs: 8.0,
            speed_factor: 1.2,
            other_layers_mm: None,
            other_sizes: None,
            changes_max: 500,
        }
    }
}

impl Settings for Estimate {
    const NAME: &'static str = "estimate";
    const VERSION: u32 = 5;
    const SUMMARY: &'static str = "grams, hours, tool changes and support of every part; whether the figure stands";
    const EXAMPLE: &'static str = "walls: 3\ninfill_share: 0.1\ntop_bottom_layers: 5\n";
}

impl Estimate {
    /// Depth of a coloured shell, mm.
    fn depth_mm(&self, printer: &Printer, filament: Option<&Filament>) -> f64 {
        match filament {
            Some(filament) => printer.colour_depth_or(self.colour_depth_mm, filament),
            None if self.colour_depth_mm > 0.0 => self.colour_depth_mm,
            None => 2.0 * printer.line_mm(),
        }
    }
}

impl Transform for Estimate {
    fn needs(&self) -> &'static [Fact] {
        &[Fact::Posed]
    }

    fn gives(&self) -> &'static [Fact] {
        &[Fact::Estimated]
    }

    fn uses(&self) -> Uses {
        Uses { shelf: true, printer: true, plan: true }
    }

    fn check(&self) -> Vec<Problem> {
        let others = self.other_layers_mm.iter().flatten();
        let others: Vec<_> = others.map(|other| ("other_layers_mm", *other, 0.02, 2.0)).collect();
        let mut problems = out_of_range(&others);
        let sizes = self.other_sizes.iter().flatten();
        problems.extend(out_of_range(&sizes.map(|size| ("other_sizes", *size, 0.05, 20.0)).collect::<Vec<_>>()));
        problems.extend(out_of_range(&[
            ("layer_mm", self.layer_mm, 0.0, 2.0),
            ("infill_share", self.infill_share, 0.0, 1.0),
            ("support_share", self.support_share, 0.0, 1.0),
            ("overhang_max_deg", self.overhang_max_deg, 0.0, 90.0),
            ("colour_depth_mm", self.colour_depth_mm, 0.0, 50.0),
            ("minimum_layer_secs", self.minimum_layer_secs, 0.0, 600.0),
            ("speed_factor", self.speed_factor, 0.1, 10.0),
            ("walls", f64::from(self.walls), 0.0, 100.0),
            ("top_bottom_layers", f64::from(self.top_bottom_layers), 0.0, 1000.0),
        ]));
        problems
    }

    fn run(&self, figure: &Figure, ctx: &mut StageContext<'_>) -> Result<Figure, StageError> {
        if figure.palette.len() > LABELS_MAX {
            let what = format!("the palette has {} filaments, expected at most {LABELS_MAX}", figure.palette.len());
            return Err(StageError::failed(what, "reduce the colours to fewer filaments"));
        }
        let (works, schedule) = sharing::share(self, figure, ctx)?;
        summary::report(self, figure, (&works, &schedule), ctx);
        let mut estimated = figure.clone();
        estimated.schedule = Some(schedule);
        estimated.alternatives = self.others(figure, &works, ctx)?;
        for (part, work) in estimated.parts.iter_mut().zip(works) {
            part.estimate = Some(work.estimate);
        }
        Ok(estimated)
    }
}
