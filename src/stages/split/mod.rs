//! `split`: cuts the figure along axis planes into parts that fit the printer, each with a flat face to stand on, and gives
//! the joints sockets for dowels. A figure that fits stays whole.

#![allow(clippy::float_cmp, reason = "planes and extremes are copied, so they are compared exactly")]

mod bed;
mod blocks;
mod body;
mod care;
mod divide;
mod exact;
mod finish;
mod glance;
mod grid;
mod joints;
mod keys;
mod labels;
mod parted;
mod place;
mod plan;
mod report;
mod settings;
mod skin;
mod sweep;
mod ways;

use std::sync::Arc;

use crate::figure::{Fact, Figure};
use crate::mesh::TriMesh;
use crate::problem::Problem;
use crate::stage::{StageContext, StageError, Transform, Uses};

use bed::{Bed, Shape};
use body::{Body, Zone};
use care::{Barred, Care};
use divide::{DivideError, Division, Search};
use finish::finish;
use glance::Rules;
pub use settings::{Axis, FixedCut, Keys, Split};

impl Transform for Split {
    fn needs(&self) -> &'static [Fact] {
        &[Fact::Solid, Fact::Sized]
    }

    fn gives(&self) -> &'static [Fact] {
        &[Fact::FitsBed]
    }

    fn spoils(&self) -> &'static [Fact] {
        &[Fact::Posed, Fact::Estimated]
    }

    fn uses(&self) -> Uses {
        Uses { shelf: false, printer: true }
    }

    fn check(&self) -> Vec<Problem> {
        self.problems()
    }

    fn run(&self, figure: &Figure, ctx: &mut StageContext<'_>) -> Result<Figure, StageError> {
        let [whole] = figure.parts.as_slice() else {
            let what = format!("the figure is in {} parts, and only a whole one can be split", figure.parts.len());
            return Err(StageError::failed(what, "keep one `split` stage in the pipeline"));
        };
        let bed = self.bed(ctx)?;
        let shape = Shape::of(&whole.mesh);
        if self.cuts.is_empty() && (bed.holds(&shape) || bed.takes(&shape, 2)) {
            report::kept_whole(ctx, &shape, &bed);
            return Ok(figure.clone());
        }
        let body = Arc::new(Body::of(&whole.mesh));
        let search = self.search(bed, &body, &whole.mesh);
        let mut division = Division::new(Arc::clone(&whole.mesh));
        for round in 0.. {
            let done = 1.0 - 1.0 / f64::from(round + 1);
            ctx.progress(0.8 * done, &format!("cutting, {} parts done", division.parts.len()));
            ctx.checkpoint()?;
            division.round(&search, round as usize).map_err(|error| give_up(&error))?;
            if division.open.is_empty() {
                break;
            }
        }
        ctx.progress(0.85, "placing keys");
        let finished = finish(division, &body, &self.key_rules(), whole.labels.as_ref().map(|l| l.as_slice()));
        ctx.checkpoint()?;
        report::tell(ctx, &finished, &whole.mesh, &search.rules, self);
        Ok(Figure {
            whole: Arc::clone(&whole.mesh),
            parts: finished.parts,
            joints: finished.joints,
            glue_order: finished.glue_order,
            ..figure.clone()
        })
    }
}

impl Split {
    /// The printer's room for one part.
    fn bed(&self, ctx: &StageContext<'_>) -> Result<Bed, StageError> {
        let printer = &ctx.equipment.printer;
        let bed = Bed::new(printer, self.margin_mm);
        if bed.least_mm() >= 2.0 * self.part_min_mm.max(self.search_step_mm) {
            return Ok(bed);
        }
        let [x, y, z] = printer.volume_mm;
        let what =
            format!("printer `{}` has {x} x {y} x {z} mm, which leaves no room within the margins", printer.name);
        Err(StageError::failed(what, "lower `margin_mm` or `part_min_mm`, or choose a larger printer"))
    }

    fn search(&self, bed: Bed, body: &Arc<Body>, whole: &TriMesh) -> Search {
        let care = Care::of(whole, body, &[Barred::Zone(Zone::Face)]);
        let rules = Rules {
            bed,
            body: Arc::clone(body),
            key_room_mm: self.key_rules().room_mm(),
            part_min_mm: self.part_min_mm,
            alike: false,
        };
        let fixed = self.cuts.iter().map(|c| c.plane(body.low, body.high)).collect();
        Search { rules, care, step_mm: self.search_step_mm, fixed }
    }
}

fn give_up(error: &DivideError) -> StageError {
    let hint = match error {
        DivideError::Stuck { .. } => "set `cuts` by hand, lower `part_min_mm`, or choose a larger printer",
        DivideError::TooMany => "scale the figure down or choose a larger printer",
    };
    StageError::failed(error.to_string(), hint)
}
