//! The same figure with other layer heights and in other sizes, worked through like the one that was chosen.

use super::part;
use super::sharing::PartWork;
use super::takes::{Takes, densities};
use super::{Estimate, THICKEST};
use crate::equipment::{Equipment, Printer};
use crate::figure::{Alternative, Figure, PartEstimate};
use crate::stage::{StageContext, StageError};

/// What is compared when nothing is named: layers this many times as thick, and a figure this many times as large.
const THICKER: f64 = 1.5;
const SMALLER: f64 = 0.8;

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

    /// What the figure takes in other layers and sizes, each part on the printer it is planned for. Blended tones are made for
    /// one layer height, so they are compared with none.
    pub(super) fn others(
        &self,
        figure: &Figure,
        works: &[PartWork],
        ctx: &mut StageContext<'_>,
    ) -> Result<Vec<Alternative>, StageError> {
        if figure.blend.is_some() {
            return Ok(Vec::new());
        }
        let printer = &ctx.equipment.printer;
        let own_mm = printer.layer_or(self.layer_mm);
        let layers = self.other_layers_mm(printer).into_iter().map(|layer_mm| (1.0, layer_mm));
        let sizes = self.other_sizes.clone().unwrap_or_else(|| vec![SMALLER]);
        let sizes = sizes.into_iter().filter(|size| (*size - 1.0).abs() > 1e-6).map(|size| (size, own_mm));
        let others: Vec<(f64, f64)> = layers.chain(sizes).collect();
        let printers: Vec<&Printer> = ctx.equipment.printers().collect();
        let printers: Vec<&Printer> = works.iter().map(|work| printers[work.printer]).collect();
        let now: Vec<&PartEstimate> = works.iter().map(|work| &work.estimate).collect();
        let mut all = vec![alternative((1.0, own_mm), &now, &printers)];
        for (i, other) in others.iter().enumerate() {
            let told = (1.0 + i as f64) / (1 + others.len()) as f64;
            if let Some(estimates) = self.other(figure, *other, &printers, (told, ctx))? {
                all.push(alternative(*other, &estimates.iter().collect::<Vec<_>>(), &printers));
            }
        }
        Ok(if all.len() > 1 { all } else { Vec::new() })
    }

    /// All parts in another size and layer height; none where one does not fit its printer.
    fn other(
        &self,
        figure: &Figure,
        (size, layer_mm): (f64, f64),
        printers: &[&Printer],
        (told, ctx): (f64, &mut StageContext<'_>),
    ) -> Result<Option<Vec<PartEstimate>>, StageError> {
        let settings = Self { layer_mm, ..self.clone() };
        let densities = densities(figure, ctx.equipment);
        let mut estimates = Vec::with_capacity(figure.parts.len());
        for (part, printer) in printers.iter().enumerate() {
            ctx.checkpoint()?;
            ctx.progress(told, &format!("{size} times as large in layers of {layer_mm:.2} mm"));
            let shelf = ctx.equipment.shelf.clone();
            let own = Equipment { shelf, printer: (*printer).clone(), helpers: Vec::new() };
            let sliced = part::slice(&settings, figure, part, &own, size)?;
            let [x, y, z] = printer.volume_mm;
            let [width, depth] = sliced.covers_mm;
            if size > 1.0 && (width > x || depth > y || sliced.layers.count as f64 * layer_mm > z) {
                return Ok(None);
            }
            let coloured = !figure.palette.is_empty();
            estimates.push(Takes { settings: &settings, printer, densities: &densities, coloured }.of(&sliced));
        }
        Ok(Some(estimates))
    }
}

fn alternative((scale, layer_mm): (f64, f64), estimates: &[&PartEstimate], printers: &[&Printer]) -> Alternative {
    let mut need_g = Vec::new();
    for estimate in estimates {
        need_g.resize(need_g.len().max(estimate.need_g.len()), 0.0);
        need_g.iter_mut().zip(&estimate.need_g).for_each(|(sum, g): (&mut f64, &f64)| *sum += g);
    }
    let hours_cost = estimates.iter().zip(printers).map(|(e, own)| e.seconds / 3600.0 * own.cost_per_hour);
    Alternative {
        scale,
        layer_mm,
        seconds: estimates.iter().map(|estimate| estimate.seconds).sum(),
        hours_cost: hours_cost.sum(),
        need_g,
        tool_changes: estimates.iter().map(|estimate| estimate.tool_changes).sum(),
    }
}
