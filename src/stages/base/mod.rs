//! `base`: a plate under the feet, as large or as heavy as the figure needs to bear a tilt, keyed to the soles by dowels.
//!
//! The figure keeps its coordinates: the plate's top lies in the plane of the soles, its underside below. A plate longer
//! than the bed is divided into parts with dowels between them. A cavity for ballast is open from below: turned over, the
//! plate prints without support.

#![allow(clippy::float_cmp, reason = "levels are copied, so they are compared exactly")]

mod assemble;
mod keys;
mod outline;
mod report;
mod settings;
mod size;
mod slab;
mod soles;

use glam::{DVec2, DVec3};

use crate::figure::{Fact, Figure};
use crate::mesh::{hull::convex_hull, measure};
use crate::problem::Problem;
use crate::stage::{StageContext, StageError, Transform, Uses};

use assemble::Assembly;
pub use settings::{Ballast, Base, Shape};
pub use size::ballast_least_g;
use size::{Load, SizeError, Task};
use soles::Sole;

/// Least sole a figure can be put on a plate with, mm2 (common practice, no source).
const SOLES_MIN_MM2: f64 = 25.0;

/// Density of the plastic before filaments are chosen, g/cm3: that of PLA.
const DENSITY_G_PER_CM3: f64 = 1.24;

/// Solid left around a cavity, in walls around a socket.
const RIM_WALLS: f64 = 4.0;

impl Transform for Base {
    fn needs(&self) -> &'static [Fact] {
        &[Fact::Solid, Fact::Sized, Fact::FitsBed]
    }

    fn gives(&self) -> &'static [Fact] {
        &[]
    }

    fn spoils(&self) -> &'static [Fact] {
        &[Fact::Posed, Fact::Estimated]
    }

    fn uses(&self) -> Uses {
        Uses { printer: true, ..Uses::default() }
    }

    fn check(&self) -> Vec<Problem> {
        self.problems()
    }

    fn run(&self, figure: &Figure, ctx: &mut StageContext<'_>) -> Result<Figure, StageError> {
        if figure.base.is_some() {
            let what = "the figure has a base plate already";
            return Err(StageError::failed(what, "keep one `base` stage in the pipeline"));
        }
        let (low, _) = figure.bounds();
        let soles: Vec<Sole> =
            figure.parts.iter().enumerate().filter_map(|(i, part)| Sole::of(&part.mesh, i, low.z)).collect();
        let soles_mm2: f64 = soles.iter().map(|sole| sole.area_mm2).sum();
        if soles_mm2 < SOLES_MIN_MM2 {
            let what = format!("the figure has {soles_mm2:.0} mm2 of flat sole, expected at least {SOLES_MIN_MM2:.0}");
            return Err(StageError::failed(what, "let `clean` stand it on flat feet"));
        }
        ctx.progress(0.1, "sizing the plate");
        let plan = self.task(figure, &soles, ctx)?.solve().map_err(give_up)?;
        ctx.checkpoint()?;
        ctx.progress(0.4, "making the plate");
        let assembly = Assembly { settings: self, figure, soles: &soles, plan: &plan, level_mm: low.z };
        let based = assembly.make()?;
        ctx.checkpoint()?;
        report::tell(self, &plan, &based, figure.joints.len(), ctx);
        Ok(based)
    }
}

impl Base {
    fn task(&self, figure: &Figure, soles: &[Sole], ctx: &StageContext<'_>) -> Result<Task, StageError> {
        let (low, high) = figure.bounds();
        let thickness_mm = self.thickness_for(high.z - low.z);
        let rim = |sole: &Sole| -> Vec<DVec2> {
            let mesh = &figure.parts[sole.part].mesh;
            sole.rim.iter().map(|edge| mesh.positions[edge[0] as usize].truncate()).collect()
        };
        let printer = &ctx.equipment.printer;
        let [x, y, z] = printer.volume_mm;
        let cavity_mm = self.cavity_mm.unwrap_or(thickness_mm);
        let free_mm = z - self.bed_margin_mm - thickness_mm;
        if free_mm < 0.0 {
            let what =
                format!("a plate of {thickness_mm:.0} mm is thicker than the {z:.0} mm of printer {}", printer.name);
            return Err(StageError::failed(what, "lower `thickness_mm`"));
        }
        Ok(Task {
            shape: self.shape,
            feet: convex_hull(soles.iter().flat_map(rim).collect()),
            figure: self.load(figure),
            soles_mm: low.z,
            thickness_mm: crate::units::snap_mm(thickness_mm),
            margin_mm: self.margin_mm.unwrap_or(thickness_mm),
            tip_deg: self.tip_deg,
            size_max_mm: self.size_max_mm.unwrap_or(f64::INFINITY),
            bed_mm: [x, y].map(|side| side - 2.0 * self.bed_margin_mm),
            ballast: self.ballast.density_g_per_cm3().map(|density| (density, cavity_mm.min(free_mm))),
            rim_mm: RIM_WALLS * self.wall_min_mm,
            shell_mm: self.shell_mm,
            infill_share: self.infill_share,
            density_g_per_cm3: DENSITY_G_PER_CM3,
        })
    }

    /// Mass of the figure as it will be printed, to first order, and its centre.
    fn load(&self, figure: &Figure) -> Load {
        let plastic = figure.parts.iter().filter_map(|p| measure::plastic(&p.mesh, self.shell_mm, self.infill_share));
        let (volume, moment) = plastic.fold((0.0, DVec3::ZERO), |(volume, moment), plastic| {
            (volume + plastic.volume_mm3, moment + plastic.volume_mm3 * plastic.centre)
        });
        Load { mass_g: volume / 1000.0 * DENSITY_G_PER_CM3, centre: moment / volume.max(f64::MIN_POSITIVE) }
    }
}

fn give_up(error: SizeError) -> StageError {
    let hint = match error {
        SizeError::FeetTooWide(_) => "raise `size_max_mm`, or lower `margin_mm`",
        SizeError::BedTooSmall(..) => "set `size_max_mm` and a `ballast`, or choose a larger printer",
    };
    StageError::failed(error.to_string(), hint)
}
