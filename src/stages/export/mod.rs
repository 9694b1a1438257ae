//! `export`: writes the print files of every part, the plan of how they go together, and the figure in its filament
//! colours; then reads all of it back and stops the run if anything about it is wrong.

mod assembly;
mod inks;
mod part_files;
mod relief;
mod totals;
mod verify;
mod whole;

use rayon::prelude::*;
use serde::{Deserialize, Serialize};

use crate::figure::{Fact, Figure, Part};
use crate::finding::{Finding, Severity};
use crate::problem::Problem;
use crate::run_record::RunRecord;
use crate::stage::{Output, Settings, StageContext, StageError, Uses};

use inks::Inks;
use part_files::PartFiles;
use relief::Relieved;
use totals::Totals;
use verify::Verified;

/// Deepest colour that makes sense, mm.
const DEPTH_MAX_MM: f64 = 20.0;
/// Widest step that makes sense around a face on the bed, mm.
const RELIEF_MAX_MM: f64 = 1.0;
/// Share of a part's coloured surface that should be as deep as wanted before it is worth a word.
const DEEP_SHARE_MIN: f64 = 0.5;

/// What to write.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, schemars::JsonSchema)]
#[serde(default, deny_unknown_fields)]
pub struct Export {
    /// How deep colours go under the surface, mm; 0 takes it from each filament.
    pub colour_depth_mm: f64,
    /// Whether to write one closed solid per filament beside each part.
    pub solids: bool,
    /// Whether to write the assembled figure.
    pub whole_figure: bool,
    /// Step cut into the rim of cut faces that parts stand on, as deep and as wide, mm: there the first layer spreads by 0.1 to
    /// 0.3 mm (common practice, no source), which would show at the seam. 0 leaves it to the program that slices the files.
    pub rim_relief_mm: f64,
}

impl Default for Export {
    fn default() -> Self {
        Self { colour_depth_mm: 0.0, solids: true, whole_figure: true, rim_relief_mm: 0.0 }
    }
}

impl Settings for Export {
    const NAME: &'static str = "export";
    const VERSION: u32 = 3;
    const SUMMARY: &'static str = "writes print files of every part and the assembled figure, and checks what it wrote";
    const EXAMPLE: &'static str = "colour_depth_mm: 1.6\nsolids: true\nwhole_figure: true\nrim_relief_mm: 0.2\n";
}

impl Output for Export {
    fn needs(&self) -> &'static [Fact] {
        &[Fact::FitsBed, Fact::FewColours, Fact::Posed]
    }

    fn gives(&self) -> &'static [Fact] {
        &[Fact::Exported]
    }

    fn uses(&self) -> Uses {
        Uses { printer: true, ..Uses::default() }
    }

    fn check(&self) -> Vec<Problem> {
        let settings = [
            (
                "colour_depth_mm",
                self.colour_depth_mm,
                DEPTH_MAX_MM,
                "use 0 to take the depth from each filament, or about 2 mm",
            ),
            (
                "rim_relief_mm",
                self.rim_relief_mm,
                RELIEF_MAX_MM,
                "use 0 for none, or about as much as the first layer spreads",
            ),
        ];
        let wrong = settings.into_iter().filter(|(_, value, most, _)| !(0.0..=*most).contains(value));
        wrong
            .map(|(name, value, most, hint)| Problem::new(name, format!("is {value}, expected 0 to {most}"), hint))
            .collect()
    }

    fn write(&self, figure: &Figure, _so_far: &RunRecord, ctx: &mut StageContext<'_>) -> Result<(), StageError> {
        let inks = Inks::of(figure, &ctx.equipment.printer, self.colour_depth_mm)?;
        let printed = relief::relieved(figure, self.rim_relief_mm);
        note_relief(&printed, ctx);
        let mut totals = self.write_all(&printed.figure, &inks, ctx)?;
        ctx.progress(0.85, "writing the assembly");
        ctx.checkpoint()?;
        let plan = assembly::text(figure, &totals.parts)?;
        totals.put(ctx, "assembly.json", &plan)?;
        if self.whole_figure {
            whole::write(figure, &inks, ctx, &mut totals)?;
        }
        totals.check_volumes(figure, printed.taken_mm3)?;
        totals.tell(ctx);
        Ok(())
    }
}

/// What the files of a part say, read back.
#[derive(Clone, Debug, PartialEq)]
pub struct PartWritten {
    /// Filaments of the part, in the palette's order.
    pub filaments: Vec<String>,
    pub volume_mm3: f64,
    /// Extent as it lies on the bed.
    pub size_mm: [f64; 3],
}

impl Export {
    /// Writes and checks the print files of every part: no assembly, no whole figure.
    ///
    /// # Errors
    /// When a part has no pose or colours, cannot be stored, or is not found sound.
    pub fn write_print_files(
        &self,
        figure: &Figure,
        ctx: &mut StageContext<'_>,
    ) -> Result<Vec<PartWritten>, StageError> {
        let inks = Inks::of(figure, &ctx.equipment.printer, self.colour_depth_mm)?;
        let totals = self.write_all(figure, &inks, ctx)?;
        totals.tell(ctx);
        let told = |written: totals::Written| PartWritten {
            filaments: written.filaments,
            volume_mm3: written.verified.volume_mm3,
            size_mm: written.verified.size_mm.to_array(),
        };
        Ok(totals.parts.into_iter().map(told).collect())
    }

    /// Writes and checks all parts, as many at a time as there are threads.
    fn write_all(&self, figure: &Figure, inks: &Inks, ctx: &mut StageContext<'_>) -> Result<Totals, StageError> {
        let mut totals = Totals::default();
        let all: Vec<(&Part, Vec<bool>)> =
            figure.parts.iter().enumerate().map(|(i, p)| (p, figure.banded(i))).collect();
        for parts in all.chunks(rayon::current_num_threads().max(1)) {
            let done = totals.parts.len() as f64 / figure.parts.len() as f64;
            ctx.progress(0.85 * done, &format!("writing {} parts, {} done", figure.parts.len(), totals.parts.len()));
            ctx.checkpoint()?;
            self.write_parts(parts, inks, ctx, &mut totals)?;
        }
        Ok(totals)
    }

    /// Makes the files of some parts side by side, stores them in order, and checks what was stored.
    fn write_parts(
        &self,
        parts: &[(&Part, Vec<bool>)],
        inks: &Inks,
        ctx: &mut StageContext<'_>,
        totals: &mut Totals,
    ) -> Result<(), StageError> {
        let made: Vec<Result<PartFiles, StageError>> =
            parts.par_iter().map(|(part, banded)| PartFiles::make(part, banded, inks, self.solids)).collect();
        let mut stored = Vec::new();
        for files in made {
            let mut files = files?;
            for (name, bytes) in files.model.iter_mut().chain(&mut files.solids) {
                totals.put(ctx, name, bytes)?;
                *bytes = ctx.get(name)?;
            }
            stored.push(files);
        }
        ctx.checkpoint()?;
        let printer = &ctx.equipment.printer;
        let verified: Vec<Result<Verified, StageError>> =
            stored.par_iter().map(|files| verify::part(files, printer)).collect();
        for (files, verified) in stored.iter().zip(verified) {
            note_shells(files, ctx);
            totals.add(files, verified?);
        }
        Ok(())
    }
}

fn note_relief(printed: &Relieved, ctx: &mut StageContext<'_>) {
    if printed.standing == 0 {
        return;
    }
    ctx.figure("rims_relieved", printed.done as f64);
    let left = printed.standing - printed.done;
    if left > 0 {
        let what = format!("{left} of {} faces on the bed could not get the step of `rim_relief_mm`", printed.standing);
        ctx.finding(Finding::new(Severity::Note, what).hint("scrape their lowest edge after printing"));
    }
}

fn note_shells(files: &PartFiles, ctx: &mut StageContext<'_>) {
    if files.deep_share < DEEP_SHARE_MIN {
        let share = 100.0 * files.deep_share;
        let what = format!(
            "colours go as deep as wanted under {share:.0} % of the coloured surface only: the part is thin there"
        );
        let hint = "nothing to do for fingers and ears; else scale the figure up or take more opaque filaments";
        ctx.finding(Finding::new(Severity::Note, what).on(&files.name).hint(hint));
    }
}
