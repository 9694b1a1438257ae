//! Stage `fewer-changes`: trades colour for tool changes.
//!
//! A filament that a layer needs costs a change in that layer, however little of it there is. Patches whose layers lack their
//! filament otherwise are given to a neighbour's, where that costs less colour than the changes are worth. The whole curve from
//! every colour to one filament in each part is found; the settings pick a point on it.

mod choose;
mod gather;
mod moves;
mod notes;
mod regions;
mod settings;
mod trade;

use crate::colour::spaces::Lab;
use crate::figure::{Fact, Figure};
use crate::mesh::label_layers::LABELS_MAX;
use crate::problem::Problem;
use crate::stage::{StageContext, StageError, Transform, Uses};
use crate::surface::{inner, pinches};

pub use settings::FewerChanges;

use gather::Gathered;

impl Transform for FewerChanges {
    fn needs(&self) -> &'static [Fact] {
        &[Fact::FewColours, Fact::Posed]
    }

    fn gives(&self) -> &'static [Fact] {
        &[]
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
        if figure.palette.len() > LABELS_MAX {
            let what = format!("the palette has {} filaments, expected at most {LABELS_MAX}", figure.palette.len());
            return Err(StageError::failed(what, "reduce the colours to fewer filaments"));
        }
        ctx.progress(0.0, "gathering patches");
        let gathered = Gathered::new(self, figure, ctx.equipment)?;
        ctx.progress(0.6, "weighing what each patch costs");
        let way = trade::trade(&gathered.parts, || ctx.checkpoint())?;
        let steps = choose::choose(self, &way, gathered.area_mm2);
        let curve = choose::curve(&way, &gathered, steps);
        notes::log(&way, &curve, &gathered, steps, ctx);
        notes::findings(figure, &way, &curve, &gathered, steps, ctx);
        ctx.progress(0.9, "giving patches their filaments");
        let mut traded = if steps == 0 {
            figure.clone()
        } else {
            relabelled(figure, &gathered, &way.labels(&gathered.parts, steps))?
        };
        traded.colour_trade = Some(curve);
        traded.parts.iter_mut().for_each(|part| part.estimate = None);
        Ok(traded)
    }
}

/// The figure with these labels of patches; filaments no longer used are dropped.
fn relabelled(figure: &Figure, gathered: &Gathered, labels: &[Vec<u8>]) -> Result<Figure, StageError> {
    let before: Vec<Vec<u8>> = gathered.parts.iter().map(|part| part.labels.clone()).collect();
    let before = gathered.face_labels(&before);
    let mut faces = gathered.face_labels(labels);
    pinches::part(figure, &gathered.surface, &mut faces)
        .map_err(|error| StageError::failed(error.to_string(), "put `clean` before `fewer-changes`"))?;
    let filaments: Vec<Lab> = figure.palette.iter().map(|filament| filament.lab().unwrap_or_default()).collect();
    let mut figure = figure.clone();
    figure.colour_regions = regions::regions(&figure.colour_regions, gathered, [&before, &faces], &filaments);
    let palette = figure.palette.clone();
    Ok(inner::paint(&figure, &gathered.surface, &faces, &palette))
}
