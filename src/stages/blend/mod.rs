//! Stage `blend`: tones that no filament has, made of level bands of several.
//!
//! A filament printer lays whole lines, so the finest pattern it makes without a change more in a layer is one filament for each
//! layer: bands, which melt into one colour from afar. Each tone gets the mix nearest to it among those whose pattern is too fine
//! to be seen from where the figure is looked at; its surface is split along the bands and each band given its filament.

mod bands;
mod notes;
mod settings;
mod tones;

use std::sync::Arc;

use rayon::prelude::*;

use crate::colour::mix::{self, Mix};
use crate::colour::spaces::{bytes_of_linear, format_hex, linear_of_lab};
use crate::equipment::{Equipment, Filament};
use crate::figure::{self, BlendedTone, Fact, Figure, Part};
use crate::problem::Problem;
use crate::stage::{StageContext, StageError, Transform, Uses};
use crate::surface::Surface;

pub use settings::Blend;

use bands::{Banded, Bands};
use tones::{Field, Tone};

impl Transform for Blend {
    fn needs(&self) -> &'static [Fact] {
        &[Fact::FewColours, Fact::Posed]
    }

    fn spoils(&self) -> &'static [Fact] {
        &[Fact::Estimated]
    }

    fn uses(&self) -> Uses {
        Uses { shelf: false, printer: true }
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
        let field = Field::new(figure, &surface, &labels, self.slope_min_deg);
        ctx.checkpoint()?;
        let own = ctx.equipment;
        let blend_of_face = vec![None; surface.len()];
        let mut made =
            Blender { settings: self, field, own, pattern, blend_of_face, mixes: Vec::new(), tones: Vec::new() };
        if pattern.period_max > 1 {
            for tone in made.field.tones(self.area_min_mm2) {
                made.blend(&tone);
                ctx.checkpoint()?;
            }
        }
        notes::log(figure, &made.tones, &pattern, ctx);
        if made.mixes.is_empty() {
            return Ok(figure.clone());
        }
        ctx.progress(0.4, "laying bands");
        let bands = Bands { band_mm: pattern.band_mm, mixes: made.mixes.iter().map(Mix::sequence).collect() };
        let banded: Vec<Banded> = figure
            .parts
            .par_iter()
            .enumerate()
            .map(|(i, part)| bands.lay(part, &surface.by_triangle(i, part.mesh.triangles.len(), &made.blend_of_face)))
            .collect();
        let mut blended = figure.clone();
        let mut triangles = Vec::with_capacity(banded.len());
        for (part, banded) in blended.parts.iter_mut().zip(banded) {
            part.mesh = Arc::new(banded.mesh);
            part.labels = Some(Arc::new(banded.labels));
            part.estimate = None;
            triangles.push(Arc::new(banded.in_band));
        }
        let Pattern { band_mm, viewing_mm, .. } = pattern;
        blended.blend = Some(figure::Blend { tones: made.tones, band_mm, viewing_mm, banded: triangles });
        Ok(blended)
    }
}

/// How fine bands are, and after how many a pattern may begin anew.
#[derive(Clone, Copy, Debug)]
struct Pattern {
    layer_mm: f64,
    band_mm: f64,
    viewing_mm: f64,
    /// 1 where even two bands would be seen.
    period_max: usize,
}

impl Pattern {
    fn of(settings: &Blend, height_mm: f64, own: &Equipment) -> Self {
        let (layer_mm, viewing_mm) = (own.printer.layer_or(settings.layer_mm), settings.viewing_for(height_mm));
        let layers = (mix::period_max_mm(viewing_mm) / layer_mm + 1e-9).floor().max(1.0) as usize;
        let period_max = settings.bands_max.min(layers);
        // As thick as goes: each band more is a tool change.
        let band_mm = layer_mm * (layers / period_max) as f64;
        Self { layer_mm, band_mm, viewing_mm, period_max }
    }
}

/// Finds the blends of tones one after the other.
struct Blender<'a> {
    settings: &'a Blend,
    field: Field<'a>,
    own: &'a Equipment,
    pattern: Pattern,
    /// Number of the blend of each face.
    blend_of_face: Vec<Option<u16>>,
    mixes: Vec<Mix>,
    tones: Vec<BlendedTone>,
}

impl Blender<'_> {
    /// Blends a tone where that gains enough, with what the parts it is on can be printed with.
    fn blend(&mut self, tone: &Tone) {
        let palette = &self.field.figure.palette;
        let Some(single) = palette.get(usize::from(tone.filament)).and_then(Filament::lab) else { return };
        let part = |face: &u32| self.field.surface.part[*face as usize];
        for faces in tone.faces.chunk_by(|a, b| part(a) == part(b)) {
            let allowed = self.allowed(&self.field.figure.parts[usize::from(part(&faces[0]))]);
            let mix = tones::blend_of(self.settings, tone, palette, &allowed, self.pattern.period_max);
            let Some(mix) = mix.filter(|mix| mix.parts.len() > 1) else { continue };
            let before = self.field.distance(faces, single);
            let after = self.field.distance(faces, mix.lab);
            let known = self.mixes.iter().position(|known| known.parts == mix.parts);
            let number = known.unwrap_or(self.mixes.len());
            let Ok(number) = u16::try_from(number) else { return };
            if before - after < self.settings.gain_min_de {
                continue;
            }
            for face in faces {
                self.blend_of_face[*face as usize] = Some(number);
            }
            let area_mm2: f64 = faces.iter().map(|face| f64::from(self.field.surface.area_mm2[*face as usize])).sum();
            note(&mut self.tones, blended(tone, &mix, area_mm2, [before, after]));
            if known.is_none() {
                self.mixes.push(mix);
            }
        }
    }

    /// Filaments a part may be blended of: its own, and the figure's others of the same material while the printer holds them.
    fn allowed(&self, part: &Part) -> Vec<u8> {
        let palette = &self.field.figure.palette;
        let mut used: Vec<u8> = part.labels.iter().flat_map(|labels| labels.iter().copied()).collect();
        used.sort_unstable();
        used.dedup();
        let material = |label: u8| palette.get(usize::from(label)).map(|filament| filament.material.as_str());
        // With more to choose from than the printer holds, it is not said which of them would go together.
        let more = self.settings.more_filaments && palette.len() <= self.own.printer.tools;
        let alike = |label: &u8| used.first().is_some_and(|first| material(*first) == material(*label));
        if more { (0..palette.len() as u8).filter(alike).collect() } else { used }
    }
}

fn blended(tone: &Tone, mix: &Mix, area_mm2: f64, [distance_before, distance]: [f64; 2]) -> BlendedTone {
    BlendedTone {
        colour: format_hex(bytes_of_linear(tone.colour)),
        looks: format_hex(bytes_of_linear(linear_of_lab(mix.lab))),
        area_mm2,
        bands: mix.parts.iter().map(|(label, count)| (*label as u8, *count)).collect(),
        distance_before,
        distance,
    }
}

/// Tells of a blended tone, together with others that look alike and are blended alike.
fn note(tones: &mut Vec<BlendedTone>, new: BlendedTone) {
    let Some(known) = tones.iter_mut().find(|known| known.colour == new.colour && known.bands == new.bands) else {
        tones.push(new);
        return;
    };
    let all = known.area_mm2 + new.area_mm2;
    let mean = |x: f64, y: f64| (known.area_mm2 * x + new.area_mm2 * y) / all;
    known.distance_before = mean(known.distance_before, new.distance_before);
    known.distance = mean(known.distance, new.distance);
    known.area_mm2 = all;
}
