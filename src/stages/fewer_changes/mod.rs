//! Stage `fewer-changes`: trades colour for tool changes.
//!
//! A filament that a layer needs costs a change in that layer, however little of it there is. Patches whose layers lack their
//! filament otherwise are given to a neighbour's, where that costs less colour than the changes are worth. The whole curve from
//! every colour to one filament in each part is found; the settings pick a point on it.

mod cells;
mod choose;
mod gather;
mod moves;
mod notes;
mod regions;
mod settings;
mod trade;

use crate::colour::spaces::Lab;
use crate::equipment::Equipment;
use crate::figure::{Fact, Figure};
use crate::mesh::label_layers::LABELS_MAX;
use crate::problem::Problem;
use crate::stage::{StageContext, StageError, Transform, Uses};
use crate::surface::{Surface, inner, pinches};

pub use settings::FewerChanges;

use cells::{Cut, Planes};
use gather::{Gathered, Trees};
use notes::Traded;

impl Transform for FewerChanges {
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
        if figure.palette.len() > LABELS_MAX {
            let what = format!("the palette has {} filaments, expected at most {LABELS_MAX}", figure.palette.len());
            return Err(StageError::failed(what, "reduce the colours to fewer filaments"));
        }
        if figure.blend.is_some() {
            return Err(StageError::failed("the colours are blended already", "put `fewer-changes` before `blend`"));
        }
        ctx.progress(0.0, "gathering patches");
        let surface = Surface::new(figure);
        let lacking =
            || StageError::failed("the parts have no filaments yet", "put `colour-reduce` before `fewer-changes`");
        let labels = surface.labels(figure).ok_or_else(lacking)?;
        let own = ctx.equipment;
        let trees = Trees::of(figure);
        let (before, cut) = rayon::join(
            || gather::changes(self, figure, (own, &trees), (&surface, &labels)),
            || -> Result<_, StageError> {
                let planes = Planes::near_ends(self, figure, own, (&surface, &labels))?;
                let cut = planes.cut(figure);
                let gathered = Gathered::new(self, &cut.figure, (own, &trees), (&cut.surface, &cut.keys))?;
                Ok((planes, cut, gathered))
            },
        );
        let (before, (planes, cut, gathered)) = (before?, cut?);
        ctx.checkpoint()?;
        ctx.progress(0.6, "weighing what each patch costs");
        let way = trade::trade(&gathered.parts, || ctx.checkpoint())?;
        let steps = choose::choose(self, &ctx.equipment.printer, &way, gathered.area_mm2);
        let mut curve = choose::curve(&way, &gathered, steps);
        curve.points[0].changes = before;
        ctx.progress(0.8, "giving patches their filaments");
        let mut traded = figure.clone();
        if steps > 0 {
            let faces = gathered.face_labels(&way.labels(&gathered.parts, steps));
            let (relabelled, changes) = self.relabelled(figure, (&planes, &cut), &faces, (own, &trees))?;
            curve.points[curve.chosen].changes = changes;
            traded = relabelled;
        }
        let told = Traded { figure, way: &way, curve: &curve, gathered: &gathered, steps };
        notes::log(&told, ctx);
        notes::findings(&told, ctx);
        traded.colour_trade = Some(curve);
        traded.parts.iter_mut().for_each(|part| part.estimate = None);
        Ok(traded)
    }
}

impl FewerChanges {
    /// The figure with these labels of the cut figure's faces, cut along no more planes than it needs; filaments no longer used
    /// are dropped. With its tool changes.
    fn relabelled(
        &self,
        figure: &Figure,
        (planes, all): (&Planes, &Cut),
        labels: &[u8],
        (own, trees): (&Equipment, &Trees),
    ) -> Result<(Figure, usize), StageError> {
        let cut = planes.used(all, labels).cut(figure);
        let before: Vec<u8> = cut.keys.iter().map(|(label, _)| *label).collect();
        let mut faces = cut.labels_from(all, labels);
        pinches::part(&cut.figure, &cut.surface, &mut faces)
            .map_err(|error| StageError::failed(error.to_string(), "put `clean` before `fewer-changes`"))?;
        let changes = gather::changes(self, &cut.figure, (own, trees), (&cut.surface, &faces))?;
        let filaments: Vec<Lab> = figure.palette.iter().map(|filament| filament.lab().unwrap_or_default()).collect();
        let mut figure = cut.figure;
        figure.colour_regions = regions::regions(&figure.colour_regions, &cut.surface, [&before, &faces], &filaments);
        let palette = figure.palette.clone();
        Ok((inner::paint(&figure, &cut.surface, &faces, &palette), changes))
    }
}
