//! `split`: cuts the figure along axis planes into parts that fit the printer, each with a flat face to stand on, and gives
//! the joints sockets for dowels. A figure that fits stays whole.

#![allow(clippy::float_cmp, reason = "planes and extremes are copied, so they are compared exactly")]

mod arms;
mod bed;
mod blocks;
mod body;
mod care;
mod carry;
mod divide;
mod exact;
mod face;
mod finish;
mod glance;
mod grid;
mod head;
mod joints;
mod labels;
mod parted;
mod place;
mod plan;
mod report;
mod rims;
mod seams;
mod settings;
mod share;
mod sink;
mod skin;
mod sweep;
mod tints;
mod ways;
mod wishes;

use std::sync::Arc;

use glam::DVec3;

use crate::figure::{Fact, Figure};
use crate::problem::Problem;
use crate::stage::{Settings, StageContext, StageError, Transform, Uses};

use bed::{Bed, Shape};
use body::{Body, Zone};
use care::{Barred, Care};
use carry::{Carried, Failed, divided};
use divide::{DivideError, Division, Search};
use finish::finish;
use glance::Rules;
use seams::Plain;
pub use settings::{Keys, Split};
use wishes::Asked;
pub use wishes::{Avoid, AvoidZone, Axis, FixedCut, Heights, Side, Towards};

/// Parts that a seam as long as the figure is high is worth; less and less while there are more parts than wanted.
const SEAM_WEIGHTS: [f64; 3] = [0.8, 0.2, 0.02];

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
        Uses { printer: true, ..Uses::default() }
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
        if self.cuts.is_empty() && (bed.holds(&shape) || bed.stands(&whole.mesh, DVec3::NEG_Z)) {
            report::kept_whole(ctx, &shape, &bed);
            return Ok(figure.clone());
        }
        ctx.progress(0.0, "looking at the body");
        let (body, care) = ctx.kept(&whole.mesh, &format!("split {} {:?}", Self::VERSION, self.avoid), || {
            let body = Body::of(&whole.mesh);
            let avoided = self.avoid.iter().flat_map(|a| a.barred(body.height_mm()));
            let barred: Vec<Barred> = [Barred::Zone(Zone::Face)].into_iter().chain(avoided).collect();
            let care = Care::of(&whole.mesh, &body, &barred);
            Ok::<_, StageError>((body, care))
        })?;
        let body = Arc::new(body);
        ctx.progress(0.05, "looking for places to cut");
        let mut search = self.search(bed, &body, care);
        let start = || Division::new(Arc::clone(&whole.mesh));
        let (mut made, mut ranked) = divided(&search, start(), self.plan - 1, ctx).map_err(give_up)?;
        for seam_weight in SEAM_WEIGHTS.into_iter().skip(1) {
            if self.parts_max.is_none_or(|most| made.division.parts.len() <= most) {
                break;
            }
            search.rules.seam_weight = seam_weight;
            let (other, others) = divided(&search, start(), self.plan - 1, ctx).map_err(give_up)?;
            if other.division.parts.len() < made.division.parts.len() {
                (made, ranked) = (other, others);
            }
        }
        let Carried { division, seams, .. } = made;
        let plain = Plain::of(&whole.mesh, &body, &search.rules.bed, &search.care);
        ctx.progress(0.85, "placing keys");
        let labels = whole.labels.as_ref().map(|l| l.as_slice());
        let finished = finish(division, (&body, &search.care.zones), &self.key_rules(), labels);
        ctx.checkpoint()?;
        report::tell(ctx, &finished, &whole.mesh, &search.rules, self);
        report::tell_seams(ctx, finished.parts.len(), &seams, &plain, self);
        Ok(Figure {
            whole: Arc::clone(&whole.mesh),
            parts: finished.parts,
            joints: finished.joints,
            glue_order: finished.glue_order,
            cut_plans: report::cut_plans(&ranked, &body, self.plan),
            ..figure.clone()
        })
    }
}

impl Split {
    /// The printer's room for one part.
    fn bed(&self, ctx: &StageContext<'_>) -> Result<Bed, StageError> {
        let printer = &ctx.equipment.printer;
        let bed = Bed::new(printer, self.margin_mm, self.key_rules().stands_out_mm());
        if bed.least_mm() >= 2.0 * self.part_min_mm.max(self.search_step_mm) {
            return Ok(bed);
        }
        let [x, y, z] = printer.volume_mm;
        let what =
            format!("printer `{}` has {x} x {y} x {z} mm, which leaves no room within the margins", printer.name);
        Err(StageError::failed(what, "lower `margin_mm` or `part_min_mm`, or choose a larger printer"))
    }

    fn search(&self, bed: Bed, body: &Arc<Body>, care: Care) -> Search {
        let rules = Rules {
            bed,
            body: Arc::clone(body),
            key_room_mm: self.key_rules().room_mm(),
            part_min_mm: self.part_min_mm,
            alike: self.same_cut_both_sides,
            seam_weight: SEAM_WEIGHTS[0],
        };
        let twice = |cut: &FixedCut| [Some(*cut), cut.mirrored().filter(|_| self.same_cut_both_sides)];
        let cuts = self.cuts.iter().flat_map(twice).flatten();
        let asked = |cut: FixedCut| Asked { plane: cut.plane(body.low, body.high, body.middle), side: cut.side };
        Search {
            rules,
            care,
            step_mm: self.search_step_mm,
            fixed: cuts.map(asked).collect(),
            fixed_only: self.cuts_only,
        }
    }
}

fn give_up(failed: Failed) -> StageError {
    let error = match failed {
        Failed::Divide(error) => error,
        Failed::Stage(error) => return error,
    };
    let hint = match error {
        DivideError::Stuck { .. } => "set `cuts` by hand, lower `part_min_mm`, or choose a larger printer",
        DivideError::Unasked { .. } => "add a plane to `cuts`, or leave `cuts_only` out",
        DivideError::TooMany => "scale the figure down or choose a larger printer",
    };
    StageError::failed(error.to_string(), hint)
}
