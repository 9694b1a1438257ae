//! Stage `colour-reduce`: chooses a few filaments off the shelf and gives each triangle one of them.
//!
//! Promises at most as many filaments in a part as the printer holds, no patch below the least area, and the same
//! label on both sides of a joint wherever both parts have the filament.

mod advice;
mod borders;
mod drawn;
mod features;
mod fields;
mod labels;
mod light;
mod palette;
mod patches;
mod regions;
mod roughness;
mod settings;
mod shades;
mod truth;
mod verdict;

use rayon::prelude::*;

use crate::colour::mix;
use crate::colour::spaces::{self, Lab};
use crate::equipment::Filament;
use crate::figure::{Fact, Figure};
use crate::finding::{Finding, Severity};
use crate::problem::Problem;
use crate::stage::{StageContext, StageError, Transform, Uses};

pub use settings::{Blends, ColourReduce, ForEach};

use crate::surface::zones::ZoneWeights;
use crate::surface::{Surface, inner, pinches};
use drawn::Drawn;
use labels::Task;
use light::Light;
use palette::{Palettes, Shelf};
use patches::Limits;
use shades::Shades;
use truth::{OfCorners, OfTriangles};

/// Brightest over darkest side from which the light of a scan is worth a word (common practice, no source).
const STRONG_LIGHT: f64 = 4.0;

impl Transform for ColourReduce {
    fn needs(&self) -> &'static [Fact] {
        &[Fact::Solid, Fact::Sized]
    }

    fn gives(&self) -> &'static [Fact] {
        &[Fact::FewColours]
    }

    fn spoils(&self) -> &'static [Fact] {
        &[Fact::Estimated]
    }

    fn uses(&self) -> Uses {
        Uses { shelf: true, printer: true, plan: false }
    }

    fn check(&self) -> Vec<Problem> {
        self.problems()
    }

    fn run(&self, figure: &Figure, ctx: &mut StageContext<'_>) -> Result<Figure, StageError> {
        let shelf = Shelf::new(&ctx.equipment.shelf, self)?;
        let Look { surface, shades, zones, raw } = self.look(figure, ctx)?;
        ctx.progress(0.3, "choosing filaments");
        let samples = palette::samples(&surface, &shades, &zones, self);
        let palettes = palette::choose(&shelf, ctx.equipment, self, &samples, figure.parts.len())?;
        self.log_palette(&palettes, ctx);
        ctx.checkpoint()?;
        ctx.progress(0.4, "giving each face its filament");
        let labs: Vec<Lab> = palettes.union.iter().map(|j| shelf.labs[*j]).collect();
        let colours = (labs.as_slice(), palettes.of_part.as_slice());
        let task = Task::new((&surface, &shades), &zones, colours, self.lightness_divisor(), self.smoothing_mm);
        log_unsmoothed(&truth::unsmoothed(&task, &labs, &raw), &surface, ctx);
        let labels = self.label(figure, &task, ctx)?;
        ctx.progress(0.9, "judging the colours");
        let limits = self.limits(ctx);
        let evened = shades.painted(figure, &surface);
        let mut drawn = drawn::draw(&evened, &task, labels, self.border_smooth_mm(), limits)
            .map_err(|error| StageError::failed(error.to_string(), "put `clean` before `colour-reduce`"))?;
        ctx.checkpoint()?;
        let (patches, border_mm) = patches::count(&drawn.surface, &drawn.labels);
        ctx.figure("patches", patches as f64);
        ctx.figure("border_mm", border_mm);
        ctx.figure("border_roughness", roughness::roughness(&drawn));
        log_truth(&task, &drawn, &labs, ctx);
        let mixes = self.mixes(&labs);
        let offer = verdict::Offer {
            shelf: &ctx.equipment.shelf,
            labs: &shelf.labs,
            palette: &palettes.union,
            mixes: &mixes,
            lightness_divisor: self.lightness_divisor(),
        };
        for finding in verdict::poor_regions(figure, &task, &shades, offer) {
            ctx.finding(finding);
        }
        let filaments: Vec<Filament> = palettes.union.iter().map(|j| ctx.equipment.shelf[*j].clone()).collect();
        drawn.figure.colour_regions = regions::regions(&surface, &shades, &drawn, &labs);
        let painted = inner::paint(&drawn.figure, &drawn.surface, &drawn.labels, &filaments);
        ctx.figure("palette_size", painted.palette.len() as f64);
        Ok(painted)
    }
}

/// What there is to see.
struct Look {
    surface: Surface,
    /// Colours without noise and one-sided light.
    shades: Shades,
    /// How much each face counts.
    zones: Vec<f32>,
    /// Linear colours of vertices as scanned, only without that light.
    raw: Vec<[f32; 3]>,
}

impl ColourReduce {
    fn look(&self, figure: &Figure, ctx: &mut StageContext<'_>) -> Result<Look, StageError> {
        ctx.progress(0.0, "gathering the surface");
        let surface = Surface::new(figure);
        ctx.checkpoint()?;
        ctx.progress(0.15, "taking noise off the colours");
        let mut shades = Shades::new(&surface);
        let mut raw = surface.linear.clone();
        ctx.checkpoint()?;
        if self.even_light > 0.0 {
            let light = Light::fit(figure, &surface, &shades);
            let share = light.share(self.even_light, self.even_light_max);
            let factors = light.factors(figure, &surface, share);
            shades = shades.brightened(&factors);
            raw.par_iter_mut().zip(&factors).for_each(|(colour, factor)| *colour = colour.map(|c| c * *factor as f32));
            log_light(&light, share, ctx);
            ctx.checkpoint()?;
        }
        let zones = ZoneWeights { skin: self.skin_weight as f32, face: self.face_weight as f32 };
        let zones = shades::zone_weights(figure, &surface, &shades, zones);
        Ok(Look { surface, shades, zones, raw })
    }

    /// Labels with short, straight borders and no patch too small.
    fn label(&self, figure: &Figure, task: &Task, ctx: &mut StageContext<'_>) -> Result<Vec<u8>, StageError> {
        /// Clearing a patch away may pinch others, and the other way round.
        const ROUNDS: usize = 6;
        let mut labels = task.solve(self.smoothing_mm);
        borders::straighten(task, &mut labels, self.patch_min_mm2);
        self.keep_features(figure, task, &mut labels, ctx);
        ctx.checkpoint()?;
        ctx.progress(0.8, "clearing away small patches");
        let limits = self.limits(ctx);
        let mut cleared = patches::settle(task, &mut labels, limits);
        for _ in 0..ROUNDS {
            ctx.checkpoint()?;
            let parted = pinches::part(figure, task.surface, &mut labels)
                .map_err(|error| StageError::failed(error.to_string(), "put `clean` before `colour-reduce`"))?;
            if parted == 0 {
                break;
            }
            cleared += patches::settle(task, &mut labels, limits);
        }
        ctx.figure("patches_cleared", cleared as f64);
        ctx.checkpoint()?;
        Ok(labels)
    }

    /// Enlarges eyes, brows and lips that are too small to print.
    fn keep_features(&self, figure: &Figure, task: &Task, labels: &mut [u8], ctx: &mut StageContext<'_>) {
        if self.feature_growth_max <= 1.0 || self.face_weight <= 1.0 {
            return;
        }
        let least = 0.999 * self.face_weight as f32;
        let in_face = |face: usize| task.weight(face) >= least * task.surface.area_mm2[face];
        let within: Vec<bool> = (0..task.surface.len()).map(in_face).collect();
        let limits = self.limits(ctx);
        let face = features::Face { figure, within: &within, limits, growth_max: self.feature_growth_max };
        let kept = features::enlarge(task, labels, face);
        ctx.figure("features_enlarged", kept.enlarged as f64);
        ctx.figure("features_lost", kept.lost as f64);
        if let Some(finding) = verdict::features(kept) {
            ctx.finding(finding);
        }
    }

    /// What filaments can be mixed to; nothing where none are blended.
    fn mixes(&self, filaments: &[Lab]) -> Vec<Lab> {
        let linear: Vec<_> = filaments.iter().map(|lab| spaces::linear_of_lab(*lab)).collect();
        let possible = |blends: &Blends| mix::possible(&linear, blends.bands_max, blends.spread);
        self.blends.iter().flat_map(possible).map(|mix| mix.lab).collect()
    }

    /// The least that patches must have on this printer.
    fn limits(&self, ctx: &StageContext<'_>) -> Limits {
        Limits { area_mm2: self.patch_min_mm2, width_mm: 2.0 * ctx.equipment.printer.line_mm() }
    }

    fn log_palette(&self, palettes: &Palettes, ctx: &mut StageContext<'_>) {
        let tools = ctx.equipment.printer.tools;
        let size_max = palette::size_max(self, &ctx.equipment.printer);
        for (size, mean) in &palettes.gain_curve {
            ctx.figure(&format!("de_mean_with_{size}_colours"), *mean);
        }
        ctx.figure("de_mean_chosen", palettes.mean);
        if self.blends.is_some() {
            ctx.figure("de_mean_chosen_with_blends", palettes.mean_mixed);
        }
        for (count, wanted) in (1..).zip(&palettes.wanted) {
            ctx.figure(&format!("de_mean_with_{count}_more_filaments"), wanted.mean_with);
        }
        if let Some(finding) = verdict::wanted(palettes) {
            ctx.finding(finding);
        }
        if palettes.gap > 0.0 {
            ctx.figure("de_mean_palette_gap", palettes.gap);
        }
        if let Some(wanted) = self.colours.filter(|colours| *colours > tools) {
            let what = format!("{wanted} colours were asked for, but the printer holds {tools}");
            ctx.finding(Finding::new(Severity::Warning, what).hint("set `colours` to what the printer holds"));
        }
        if palettes.usable < size_max {
            let what = format!("only {} filaments go together, {size_max} could be used", palettes.usable);
            let hint = "add filaments of the same material and temperatures to the shelf";
            ctx.finding(Finding::new(Severity::Note, what).hint(hint));
        }
    }
}

fn log_light(light: &Light, share: f64, ctx: &mut StageContext<'_>) {
    let contrast = light.contrast();
    ctx.figure("light_contrast", contrast);
    ctx.figure("light_share_taken_off", share);
    ctx.figure("light_hollows_exponent", light.exponent());
    if contrast > STRONG_LIGHT {
        let taken = contrast.powf(share);
        let what = format!("the scan's colours carry light of {contrast:.1} to 1; {taken:.1} to 1 was taken off");
        let hint = "scan in even light; raise `even_light_max` to take off more, or set `even_light: 0` to keep it";
        ctx.finding(Finding::new(Severity::Note, what).hint(hint));
    }
}

/// Logs what borders would be like if each face had the filament nearest to it.
fn log_unsmoothed(labels: &[u8], surface: &Surface, ctx: &mut StageContext<'_>) {
    let (patches, border_mm) = patches::count(surface, labels);
    ctx.figure("patches_unsmoothed", patches as f64);
    ctx.figure("border_unsmoothed_mm", border_mm);
}

/// Logs how far the labels are from the colours as scanned, and from those with even light.
fn log_truth(task: &Task, drawn: &Drawn, palette: &[Lab], ctx: &mut StageContext<'_>) {
    let colour = |face: usize| spaces::lab_of_linear(task.surface.colour(face));
    let scanned = truth::truth(task, drawn, &OfTriangles { drawn, palette, colour });
    let evened = truth::truth(task, drawn, &OfCorners::new(drawn, palette));
    ctx.figure("de_mean_best", scanned.best.mean);
    ctx.figure("de_p95_best", scanned.best.p95);
    ctx.figure("de_mean", scanned.labels.mean);
    ctx.figure("de_p95", scanned.labels.p95);
    ctx.figure("de_excess_mean", scanned.excess());
    ctx.figure("de_excess_worst_part", scanned.excess_worst);
    ctx.figure("de_evened_mean_best", evened.best.mean);
    ctx.figure("de_evened_mean", evened.labels.mean);
    ctx.figure("de_evened_excess_mean", evened.excess());
}
