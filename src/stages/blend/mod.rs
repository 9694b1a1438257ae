//! Stage `blend`: tones that no filament has, made of level bands of several.
//!
//! A filament printer lays whole lines, so the finest pattern it makes without a change more in a layer is one filament for each
//! layer: bands, which melt into one colour from afar. Each tone gets the mix nearest to it among those whose pattern is too fine
//! to be seen from where the figure is looked at; its surface is split along the bands and each band given its filament.

mod bands;
mod mixes;
mod notes;
mod settings;
mod tones;

use std::sync::Arc;

use rayon::prelude::*;

use crate::colour::mix;
use crate::equipment::Equipment;
use crate::figure::{self, Fact, Figure};
use crate::problem::Problem;
use crate::stage::{StageContext, StageError, Transform, Uses};
use crate::surface::Surface;

pub use settings::Blend;

use bands::{Band, Banded, Bands};
use mixes::Mixes;
use tones::Field;

impl Transform for Blend {
    fn needs(&self) -> &'static [Fact] {
        &[Fact::FewColours, Fact::Posed]
    }

    fn spoils(&self) -> &'static [Fact] {
        &[Fact::Estimated]
    }

    fn uses(&self) -> Uses {
        Uses { printer: true, ..Uses::default() }
    }

    fn check(&self) -> Vec<Problem> {
        self.problems()
    }

    fn run(&self, figure: &Figure, ctx: &mut StageContext<'_>) -> Result<Figure, StageError> {
        if figure.blend.is_some() {
            return Err(StageError::failed(
                "the colours are blended already",
                "keep one `blend` stage in the pipeline",
            ));
        }
        ctx.progress(0.0, "looking for tones no filament has");
        let surface = Surface::new(figure);
        let lacking = || StageError::failed("the parts have no filaments yet", "put `colour-reduce` before `blend`");
        let labels = surface.labels(figure).ok_or_else(lacking)?;
        let (low, high) = figure.bounds();
        let pattern = Pattern::of(self, high.z - low.z, ctx.equipment);
        let unread =
            || StageError::failed("a filament's colour cannot be read", "write it on the shelf as sRGB or Lab");
        let field = Field::new(figure, &surface, &labels, self).ok_or_else(unread)?;
        ctx.checkpoint()?;
        let mixes = Mixes::choose(self, &field, &pattern, ctx.equipment.printer.tools);
        ctx.checkpoint()?;
        ctx.progress(0.2, "giving tones their mixes");
        let mix_of_face = field.assign(&mixes, self);
        let (tones, tone_of_mix) = field.tones(&mixes, &mix_of_face);
        notes::log(figure, &tones, &pattern, ctx);
        if tones.is_empty() {
            return Ok(figure.clone());
        }
        ctx.checkpoint()?;
        ctx.progress(0.4, "laying bands");
        let band = |(mix, band_mm): (&mix::Mix, &f64)| Band { height_mm: *band_mm, sequence: mix.sequence() };
        let bands = Bands { of_mix: mixes.all.iter().zip(&mixes.bands_mm).map(band).collect() };
        let banded: Vec<Banded> = figure
            .parts
            .par_iter()
            .enumerate()
            .map(|(i, part)| bands.lay(part, &surface.by_triangle(i, part.mesh.triangles.len(), &mix_of_face)))
            .collect();
        let mut blended = figure.clone();
        let mut tone_of = Vec::with_capacity(banded.len());
        let tone = |mix: &Option<u16>| mix.map_or(figure::NO_TONE, |mix| tone_of_mix[usize::from(mix)]);
        for (part, banded) in blended.parts.iter_mut().zip(banded) {
            part.mesh = Arc::new(banded.mesh);
            part.labels = Some(Arc::new(banded.labels));
            part.estimate = None;
            tone_of.push(Arc::new(banded.mixes.iter().map(tone).collect()));
        }
        blended.blend = Some(figure::Blend { tones, viewing_mm: pattern.viewing_mm, tone_of });
        Ok(blended)
    }
}

/// How fine bands are, and after how many a pattern may begin anew.
#[derive(Clone, Copy, Debug)]
struct Pattern {
    layer_mm: f64,
    /// Layers a whole pattern may have.
    layers: usize,
    viewing_mm: f64,
    /// 1 where even two bands would be seen.
    period_max: usize,
}

impl Pattern {
    fn of(settings: &Blend, height_mm: f64, own: &Equipment) -> Self {
        let (layer_mm, viewing_mm) = (own.printer.layer_or(settings.layer_mm), settings.viewing_for(height_mm));
        let layers = (mix::period_max_mm(viewing_mm) / layer_mm + 1e-9).floor().max(1.0) as usize;
        Self { layer_mm, layers, viewing_mm, period_max: settings.bands_max.min(layers) }
    }

    /// Height of the bands of a pattern of so many: as thick as goes, for each band more is a tool change.
    fn band_mm(&self, period: usize) -> f64 {
        self.layer_mm * (self.layers / period.max(1)).max(1) as f64
    }
}
