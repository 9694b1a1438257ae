//! Stage `colour-reduce`: chooses a few filaments off the shelf and gives each triangle one of them.
//!
//! Promises at most as many filaments in a part as the printer holds, no patch below the least area, and the same
//! label on both sides of a joint wherever both parts have the filament.

mod inner;
mod labels;
mod light;
mod palette;
mod patches;
mod shades;
mod surface;
mod verdict;

use std::sync::Arc;

use glam::DVec3;
use rayon::prelude::*;
use serde::{Deserialize, Serialize};

use crate::colour::choose::{self, Sample};
use crate::colour::spaces::Lab;
use crate::figure::{Fact, Figure};
use crate::finding::{Finding, Severity};
use crate::problem::Problem;
use crate::stage::{Settings, StageContext, StageError, Transform, Uses};

use labels::Task;
use light::Light;
use palette::{Palettes, Shelf};
use shades::{Shades, ZoneWeights};
use surface::Surface;

/// What one choice of filaments is for.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum ForEach {
    /// One palette for the whole figure.
    #[default]
    Figure,
    /// Each part has filaments of its own.
    Part,
}

/// Settings of `colour-reduce`.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(default, deny_unknown_fields)]
pub struct ColourReduce {
    /// Most filaments in a part; as many as the printer holds when left out.
    pub colours: Option<usize>,
    pub for_each: ForEach,
    /// Radius of a round spot of clearly different colour that just survives smoothing.
    pub smoothing_mm: f64,
    /// Least area of a patch of one colour.
    pub patch_min_mm2: f64,
    /// How much more than cloth skin counts.
    pub skin_weight: f64,
    /// How much more than cloth the front of the head counts.
    pub face_weight: f64,
    /// Weight of lightness against hue and chroma; below 1 shadows in the scan matter less.
    pub lightness_weight: f64,
    /// Share of the light baked into the scan that is taken off before colours are compared.
    pub even_light: f64,
    /// Filaments to take whatever they cost, by name.
    pub must: Vec<String>,
    /// Filaments not to take, by name.
    pub never: Vec<String>,
    /// The only material to use; the best one when left out.
    pub material: Option<String>,
}

impl Default for ColourReduce {
    fn default() -> Self {
        Self {
            colours: None,
            for_each: ForEach::Figure,
            smoothing_mm: 2.0,
            patch_min_mm2: 9.0,
            skin_weight: 2.0,
            face_weight: 4.0,
            lightness_weight: 0.5,
            even_light: 1.0,
            must: Vec::new(),
            never: Vec::new(),
            material: None,
        }
    }
}

impl Settings for ColourReduce {
    const NAME: &'static str = "colour-reduce";
    const VERSION: u32 = 1;
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
    /// Divisor of lightness differences.
    fn lightness_divisor(&self) -> f64 {
        1.0 / self.lightness_weight
    }
}

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
        Uses { shelf: true, printer: true }
    }

    fn check(&self) -> Vec<Problem> {
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
        let lengths = [("smoothing_mm", self.smoothing_mm, 100.0), ("patch_min_mm2", self.patch_min_mm2, 1e6)];
        for (setting, value, high) in lengths {
            let hint = format!("expected a number from 0 to {high}");
            expect((0.0..=high).contains(&value), setting, format!("{value} is out of range"), &hint);
        }
        for (setting, value) in [("skin_weight", self.skin_weight), ("face_weight", self.face_weight)] {
            let what = format!("{value} is out of range");
            expect(
                (0.01..=100.0).contains(&value),
                setting,
                what,
                "expected a number from 0.01 to 100; 1 is like cloth",
            );
        }
        let what = format!("{} is out of range", self.lightness_weight);
        let hint = "expected a number from 0.1 to 1; below 1 shadows matter less";
        expect((0.1..=1.0).contains(&self.lightness_weight), "lightness_weight", what, hint);
        let what = format!("{} is out of range", self.even_light);
        expect((0.0..=1.0).contains(&self.even_light), "even_light", what, "expected a share from 0 to 1");
        for name in self.must.iter().filter(|name| self.never.contains(name)) {
            expect(false, "never", format!("`{name}` is also under `must`"), "take it off one of the two lists");
        }
        problems
    }

    fn run(&self, figure: &Figure, ctx: &mut StageContext<'_>) -> Result<Figure, StageError> {
        let equipment = ctx.equipment;
        let shelf = Shelf::new(&equipment.shelf, self)?;
        ctx.progress(0.0, "gathering the surface");
        let surface = Surface::new(figure);
        ctx.checkpoint()?;
        ctx.progress(0.15, "taking noise off the colours");
        let shades = Shades::new(&surface);
        let shades = self.even_light(figure, &surface, shades, ctx);
        ctx.checkpoint()?;
        let zones = ZoneWeights { skin: self.skin_weight as f32, face: self.face_weight as f32 };
        let zones = shades::zone_weights(figure, &surface, &shades, zones);
        ctx.checkpoint()?;
        ctx.progress(0.3, "choosing filaments");
        let samples = self.samples(&surface, &shades, &zones, figure.parts.len());
        let palettes = palette::choose(&shelf, equipment, self, &samples, figure.parts.len())?;
        ctx.checkpoint()?;
        ctx.progress(0.4, "giving each face its filament");
        let labs: Vec<Lab> = palettes.union.iter().map(|j| shelf.labs[*j]).collect();
        let colours = (labs.as_slice(), palettes.of_part.as_slice());
        let task = Task::new((&surface, &shades), &zones, colours, self.lightness_divisor(), self.smoothing_mm);
        let nearest = task.nearest();
        let mut labels = task.solve(self.smoothing_mm);
        ctx.checkpoint()?;
        ctx.progress(0.8, "clearing away small patches");
        let limits = patches::Limits { area_mm2: self.patch_min_mm2, width_mm: 2.0 * equipment.printer.line_mm() };
        let cleared = patches::settle(&task, &mut labels, limits);
        ctx.checkpoint()?;
        ctx.progress(0.9, "judging the colours");

        self.log_palette(&palettes, ctx);
        let truth = verdict::truth(&task, &labels, &labs);
        let worst = truth.excess_of_part.iter().copied().fold(0.0, f64::max);
        let (patches_raw, border_raw_mm) = patches::count(&surface, &nearest);
        let (patches, border_mm) = patches::count(&surface, &labels);
        for (name, value) in [
            ("de_mean_best", truth.floor.mean),
            ("de_p95_best", truth.floor.p95),
            ("de_mean", truth.labels.mean),
            ("de_p95", truth.labels.p95),
            ("de_excess_mean", truth.labels.mean - truth.floor.mean),
            ("de_excess_worst_part", worst),
            ("patches_unsmoothed", patches_raw as f64),
            ("patches", patches as f64),
            ("patches_cleared", cleared as f64),
            ("border_unsmoothed_mm", border_raw_mm),
            ("border_mm", border_mm),
        ] {
            ctx.figure(name, value);
        }
        let offer = verdict::Offer {
            shelf: &equipment.shelf,
            labs: &shelf.labs,
            palette: &palettes.union,
            lightness_divisor: self.lightness_divisor(),
        };
        for finding in verdict::poor_regions(figure, &task, &shades, offer) {
            ctx.finding(finding);
        }
        Ok(painted(figure, &surface, &labels, &palettes, ctx))
    }
}

impl ColourReduce {
    /// Colours of the figure, or of each part, weighted by area and zone.
    fn samples(&self, surface: &Surface, shades: &Shades, zones: &[f32], parts: usize) -> Vec<Vec<Sample>> {
        let mut weights = vec![0.0; surface.linear.len()];
        for (face, corners) in surface.corners.iter().enumerate() {
            for corner in corners {
                weights[*corner as usize] += f64::from(surface.area_mm2[face] * zones[face]) / 3.0;
            }
        }
        let colours = |range: std::ops::Range<usize>| {
            let colour = |v: usize| (shades.oklab[v].map(f64::from), weights[v]);
            choose::histogram(range.map(colour))
        };
        match self.for_each {
            ForEach::Figure => vec![colours(0..weights.len())],
            ForEach::Part => {
                let end = |part: usize| surface.vertex_start.get(part + 1).copied().unwrap_or(weights.len());
                (0..parts).into_par_iter().map(|part| colours(surface.vertex_start[part]..end(part))).collect()
            }
        }
    }

    /// Colours with the light of the scan taken off as far as the settings ask for.
    fn even_light(&self, figure: &Figure, surface: &Surface, shades: Shades, ctx: &mut StageContext<'_>) -> Shades {
        if self.even_light <= 0.0 {
            return shades;
        }
        let light = Light::fit(figure, surface, &shades);
        ctx.figure("light_contrast", light.contrast());
        let mut normals = vec![DVec3::ZERO; surface.linear.len()];
        for (face, corners) in surface.corners.iter().enumerate() {
            let normal = surface.area_vector(figure, face);
            for corner in corners {
                normals[*corner as usize] += normal;
            }
        }
        let factor = |normal: &DVec3| light.evening(normal.normalize_or_zero()).powf(self.even_light);
        let factors: Vec<f64> = normals.par_iter().map(factor).collect();
        shades.brightened(&factors)
    }

    fn log_palette(&self, palettes: &Palettes, ctx: &mut StageContext<'_>) {
        let tools = ctx.equipment.printer.tools;
        let size_max = palette::size_max(self, &ctx.equipment.printer);
        for (size, mean) in &palettes.gain_curve {
            ctx.figure(&format!("de_mean_with_{size}_colours"), *mean);
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

/// The figure with labels on every part; filaments no triangle has are left out of the palette.
fn painted(
    figure: &Figure,
    surface: &Surface,
    labels: &[u8],
    palettes: &Palettes,
    ctx: &mut StageContext<'_>,
) -> Figure {
    let paint = |(part, index): (&crate::figure::Part, usize)| inner::part_labels(surface, index, &part.mesh, labels);
    let mut painted: Vec<Vec<u8>> = figure.parts.par_iter().zip(0..figure.parts.len()).map(paint).collect();
    let mut used = vec![false; palettes.union.len()];
    for label in painted.iter().flatten() {
        used[usize::from(*label)] = true;
    }
    let new_label: Vec<u8> = used
        .iter()
        .scan(0, |next, used| {
            let label = *next;
            *next += u8::from(*used);
            Some(label)
        })
        .collect();
    for label in painted.iter_mut().flatten() {
        *label = new_label[usize::from(*label)];
    }
    let mut result = figure.clone();
    let shelf = &ctx.equipment.shelf;
    result.palette =
        palettes.union.iter().zip(&used).filter(|(_, used)| **used).map(|(j, _)| shelf[*j].clone()).collect();
    for (part, labels) in result.parts.iter_mut().zip(painted) {
        part.labels = Some(Arc::new(labels));
        part.estimate = None;
    }
    ctx.figure("palette_size", result.palette.len() as f64);
    result
}
