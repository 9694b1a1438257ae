//! The same figure with other layer heights, worked through like the one that was chosen.

use super::Estimate;
use super::part::{self, PartWork};
use crate::equipment::Printer;
use crate::figure::{Alternative, Figure};
use crate::stage::{StageContext, StageError};

/// Thickest layer over the nozzle's bore that still holds together (common practice, no source).
const THICKEST: f64 = 0.75;
/// What is compared when nothing is named: layers this many times as thick.
const THICKER: f64 = 1.5;

impl Estimate {
    /// Layer heights to compare with, mm.
    fn other_layers_mm(&self, printer: &Printer) -> Vec<f64> {
        let own = printer.layer_or(self.layer_mm);
        let most = THICKEST * printer.nozzle_mm;
        let thicker = || Some((THICKER * own).min(most)).filter(|other| *other > 1.1 * own).into_iter().collect();
        let mut others = self.other_layers_mm.clone().unwrap_or_else(thicker);
        others.retain(|other| (other - own).abs() > 0.001);
        others
    }

    /// What the figure takes in other layers. Blended tones are made for one layer height, so they are compared with none.
    pub(super) fn others(
        &self,
        figure: &Figure,
        works: &[PartWork],
        ctx: &mut StageContext<'_>,
    ) -> Result<Vec<Alternative>, StageError> {
        let others = if figure.blend.is_some() { Vec::new() } else { self.other_layers_mm(&ctx.equipment.printer) };
        if others.is_empty() {
            return Ok(Vec::new());
        }
        let mut all = vec![alternative(ctx.equipment.printer.layer_or(self.layer_mm), works)];
        for (i, layer_mm) in others.iter().enumerate() {
            let settings = Self { layer_mm: *layer_mm, ..self.clone() };
            let mut works = Vec::with_capacity(figure.parts.len());
            for part in 0..figure.parts.len() {
                ctx.checkpoint()?;
                let done = (1.0 + i as f64 + part as f64 / figure.parts.len() as f64) / (1 + others.len()) as f64;
                ctx.progress(done, &format!("with layers of {layer_mm:.2} mm"));
                works.push(part::estimate(&settings, figure, part, ctx.equipment)?);
            }
            all.push(alternative(*layer_mm, &works));
        }
        Ok(all)
    }
}

fn alternative(layer_mm: f64, works: &[PartWork]) -> Alternative {
    let mut need_g = Vec::new();
    for work in works {
        need_g.resize(need_g.len().max(work.estimate.need_g.len()), 0.0);
        need_g.iter_mut().zip(&work.estimate.need_g).for_each(|(sum, g): (&mut f64, &f64)| *sum += g);
    }
    Alternative {
        layer_mm,
        seconds: works.iter().map(|work| work.estimate.seconds).sum(),
        need_g,
        tool_changes: works.iter().map(|work| work.estimate.tool_changes).sum(),
    }
}
