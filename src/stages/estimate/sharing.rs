//! Parts over the owner's printers: what each takes on each, and the plan that follows.

use super::part::{self, Sliced};
use super::takes::{Takes, densities};
use super::{Estimate, THICKEST, materials};
use crate::equipment::{Equipment, Filament, Printer};
use crate::figure::{Figure, PartEstimate, Tower};
use crate::finding::{Finding, Severity};
use crate::schedule::{self, Print, Schedule};
use crate::stage::{StageContext, StageError};

/// Air between a part and what stands beside it or the bed's edge (common practice, no source), mm.
const BESIDE_MM: f64 = 4.0;

/// A part's estimate on the printer it is planned for, with what only sums over all parts need.
#[derive(Clone, Debug)]
pub struct PartWork {
    pub estimate: PartEstimate,
    /// Palette entries the part is printed with, ascending.
    pub used: Vec<usize>,
    /// Centre of mass on the assembled figure, mm.
    pub centre: glam::DVec3,
    /// The printer it is planned for: its index among all.
    pub printer: usize,
    /// Whether there is room beside it on the bed for its tower, if it has one.
    pub tower_fits: bool,
}

/// Estimates all parts on all printers and plans who prints what.
///
/// # Errors
/// When a part has no pose, or the run is stopped.
pub fn share(
    settings: &Estimate,
    figure: &Figure,
    ctx: &mut StageContext<'_>,
) -> Result<(Vec<PartWork>, Schedule), StageError> {
    let equipment = ctx.equipment;
    let shop = Shop { settings, figure, equipment, densities: densities(figure, equipment) };
    let mut parts = Vec::with_capacity(figure.parts.len());
    for (i, part) in figure.parts.iter().enumerate() {
        ctx.checkpoint()?;
        ctx.progress(i as f64 / figure.parts.len() as f64, &part.name);
        parts.push(shop.part(i)?);
    }
    tell_helpers(equipment, &parts, ctx);
    let seconds = |on: &Result<PartEstimate, &str>| on.as_ref().ok().map(|estimate| estimate.seconds);
    let print =
        |part: &OnPrinters| Print { needs: part.sliced.used.clone(), seconds: part.on.iter().map(seconds).collect() };
    let prints: Vec<Print> = parts.iter().map(print).collect();
    let printers: Vec<(&str, usize)> = equipment.printers().map(|own| (own.name.as_str(), own.tools)).collect();
    let schedule = schedule::plan(&prints, &printers);
    let printer_of = schedule.printer_of(parts.len());
    let works =
        parts.into_iter().zip(printer_of).filter_map(|(part, printer)| part.planned(printer, equipment)).collect();
    Ok((works, schedule))
}

/// A part, and what it takes on each printer or why it cannot be printed there.
struct OnPrinters {
    sliced: Sliced,
    on: Vec<Result<PartEstimate, &'static str>>,
}

impl OnPrinters {
    fn planned(mut self, printer: usize, equipment: &Equipment) -> Option<PartWork> {
        let estimate = self.on.swap_remove(printer).ok()?;
        let room = equipment.printers().nth(printer)?.volume_mm;
        let tower_fits = estimate.tower.is_none_or(|tower| tower_fits(self.sliced.covers_mm, tower, room));
        Some(PartWork { estimate, used: self.sliced.used, centre: self.sliced.centre, printer, tower_fits })
    }
}

struct Shop<'a> {
    settings: &'a Estimate,
    figure: &'a Figure,
    equipment: &'a Equipment,
    densities: Vec<f64>,
}

impl Shop<'_> {
    fn part(&self, index: usize) -> Result<OnPrinters, StageError> {
        let own = &self.equipment.printer;
        let sliced = part::slice(self.settings, self.figure, index, self.equipment, 1.0)?;
        let mut on = vec![Ok(self.takes(own, &sliced))];
        for helper in &self.equipment.helpers {
            on.push(match self.hindrance(helper, &sliced) {
                Some(hindrance) => Err(hindrance),
                None if (helper.line_mm() - own.line_mm()).abs() < 1e-9 => Ok(self.takes(helper, &sliced)),
                None => Ok(self.takes(helper, &self.slice_for(helper, index)?)),
            });
        }
        Ok(OnPrinters { sliced, on })
    }

    fn takes(&self, printer: &Printer, sliced: &Sliced) -> PartEstimate {
        let coloured = !self.figure.palette.is_empty();
        Takes { settings: self.settings, printer, densities: &self.densities, coloured }.of(sliced)
    }

    /// Layers as high as on the main printer, for the parts of a figure should look alike, with the helper's nozzle.
    fn slice_for(&self, helper: &Printer, index: usize) -> Result<Sliced, StageError> {
        let layer_mm = self.equipment.printer.layer_or(self.settings.layer_mm);
        let printer = Printer { layer_mm, ..helper.clone() };
        let own = Equipment { shelf: self.equipment.shelf.clone(), printer, helpers: Vec::new() };
        part::slice(self.settings, self.figure, index, &own, 1.0)
    }

    /// Why a helper cannot print a part.
    fn hindrance(&self, helper: &Printer, part: &Sliced) -> Option<&'static str> {
        let [x, y, z] = helper.volume_mm;
        let [width, depth] = part.covers_mm.map(|side| side + 2.0 * BESIDE_MM);
        let lies = (width <= x && depth <= y) || (width <= y && depth <= x);
        if !lies || part.layers.count as f64 * part.layers.layer_mm > z {
            return Some("too large for it");
        }
        if part.layers.layer_mm > THICKEST * helper.nozzle_mm {
            return Some("layers too thick for its nozzle");
        }
        if part.used.len() > helper.tools && !self.figure.palette.is_empty() {
            return Some("more filaments than it holds");
        }
        let used: Vec<&Filament> = part.used.iter().filter_map(|&label| self.figure.palette.get(label)).collect();
        (!materials::clashes(&used, helper).is_empty()).then_some("filaments it cannot print together")
    }
}

/// Tells of helpers that cannot take every part, and why.
fn tell_helpers(equipment: &Equipment, parts: &[OnPrinters], ctx: &mut StageContext<'_>) {
    for (i, helper) in equipment.helpers.iter().enumerate() {
        let mut reasons: std::collections::BTreeMap<&str, usize> = std::collections::BTreeMap::new();
        for reason in parts.iter().filter_map(|part| part.on[i + 1].as_ref().err()) {
            *reasons.entry(reason).or_default() += 1;
        }
        let count: usize = reasons.values().sum();
        if count > 0 {
            let why: Vec<String> = reasons.iter().map(|(reason, count)| format!("{reason} ({count})")).collect();
            let what = format!(
                "{} can print {} of {} parts: the others are {}",
                helper.name,
                parts.len() - count,
                parts.len(),
                why.join(", ")
            );
            ctx.finding(Finding::new(Severity::Note, what));
        }
    }
}

/// Whether a tower has room beside what a part covers, the part moved to one side of the bed.
fn tower_fits(covers_mm: [f64; 2], tower: Tower, bed_mm: [f64; 3]) -> bool {
    let [width, depth, _] = tower.size_mm;
    let beside = |along: usize, [a, b]: [f64; 2]| {
        covers_mm[along] + a + 3.0 * BESIDE_MM <= bed_mm[along] && b + 2.0 * BESIDE_MM <= bed_mm[1 - along]
    };
    [0, 1].into_iter().any(|along| beside(along, [width, depth]) || beside(along, [depth, width]))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_tower_stands_where_there_is_room_for_it() {
        let tower = Tower { size_mm: [60.0, 20.0, 100.0], extra_g: 0.0 };
        let bed = [250.0, 250.0, 250.0];
        assert!(tower_fits([200.0, 240.0], tower, bed), "20 mm and 12 of air beside 200");
        assert!(!tower_fits([220.0, 240.0], tower, bed));
        assert!(tower_fits([240.0, 100.0], tower, bed), "before it");
        let long = Tower { size_mm: [300.0, 20.0, 100.0], extra_g: 0.0 };
        assert!(!tower_fits([10.0, 10.0], long, bed));
    }
}
