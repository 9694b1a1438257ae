//! The plan in words: who prints what when, what to load, where a spool ends.

use std::borrow::Cow;

use super::tables::{Swatch, swatch};
use super::words;
use crate::equipment::{Equipment, Filament, Printer, WindowC};
use crate::figure::{Figure, Part, PartEstimate};
use crate::schedule::{self, Print, Queue, Schedule, Step};

#[derive(Debug)]
pub struct Plan<'a> {
    pub printers: Vec<PrinterRow<'a>>,
    /// Spools put in on all printers, the first loading included.
    pub swaps: usize,
    /// Time until the last part is done, in words and in seconds; none without an estimate.
    pub in_all: Option<(String, f64)>,
    pub spools: Vec<SpoolRow<'a>>,
    /// Spools that do not last.
    pub running_out: Vec<RunsOut<'a>>,
    /// Filaments that are in several printers at one time, and in how many.
    pub at_once: Vec<(Swatch<'a>, usize)>,
}

#[derive(Debug)]
pub struct PrinterRow<'a> {
    pub name: String,
    pub tools: usize,
    /// All its filaments fit: one loading does.
    pub once: Vec<(usize, Swatch<'a>)>,
    pub steps: Vec<StepRow<'a>>,
}

#[derive(Debug)]
pub struct StepRow<'a> {
    pub part: &'a str,
    pub tools: Vec<Option<Swatch<'a>>>,
    pub change: String,
    /// Time from the beginning of all until it begins and is done, in words and in seconds; none without an estimate.
    pub begins: Option<(String, f64)>,
    pub done: Option<(String, f64)>,
}

/// A filament and how hot it is printed.
#[derive(Debug)]
pub struct SpoolRow<'a> {
    pub swatch: Swatch<'a>,
    pub material: &'a str,
    pub nozzle: String,
    pub bed: String,
}

#[derive(Debug)]
pub struct RunsOut<'a> {
    pub swatch: Swatch<'a>,
    pub part: &'a str,
    /// Such as `at about layer 812 of 1,944`; empty where it is not known.
    pub layer: String,
}

/// The plan the estimate made; without one an order of loading for one printer.
#[must_use]
pub fn of<'a>(figure: &'a Figure, used: &[Vec<usize>], equipment: &'a Equipment) -> Option<Plan<'a>> {
    if figure.palette.is_empty() || used.iter().all(Vec::is_empty) {
        return None;
    }
    let schedule = figure.schedule.as_ref().filter(|schedule| schedule.covers(figure.parts.len()));
    let schedule = schedule.map_or_else(|| Cow::Owned(on_one(figure, used, &equipment.printer)), Cow::Borrowed);
    let needed = |label: &usize| used.iter().any(|labels| labels.contains(label));
    let spools: Vec<usize> = (0..figure.palette.len()).filter(needed).collect();
    let seconds = |s: f64| (words::duration(s), s);
    Some(Plan {
        printers: schedule
            .queues
            .iter()
            .filter(|queue| !queue.steps.is_empty())
            .map(|queue| printer_row(figure, queue))
            .collect(),
        swaps: schedule.spools_put_in(),
        in_all: schedule.ends_s().map(seconds),
        spools: spools.iter().map(|&label| spool_row(&figure.palette[label])).collect(),
        running_out: spools.iter().filter_map(|&label| runs_out(figure, &schedule, label)).collect(),
        at_once: spools
            .iter()
            .map(|&label| (swatch(&figure.palette[label]), schedule.spools_at_once(label)))
            .filter(|(_, printers)| *printers > 1)
            .collect(),
    })
}

/// The printer of each part; the one the figure is made for before there is a plan.
#[must_use]
pub fn printer_of_parts<'a>(figure: &Figure, equipment: &'a Equipment) -> Vec<&'a Printer> {
    let planned = figure.schedule.as_ref().map_or_else(Vec::new, |schedule| schedule.printer_of(figure.parts.len()));
    let printer =
        |part: usize| equipment.printers().nth(*planned.get(part).unwrap_or(&0)).unwrap_or(&equipment.printer);
    (0..figure.parts.len()).map(printer).collect()
}

/// What the hours of the printers cost, in the owner's currency.
#[must_use]
pub fn hours_cost(figure: &Figure, equipment: &Equipment) -> f64 {
    let hours = |part: &Part| part.estimate.as_ref().map_or(0.0, |estimate| estimate.seconds / 3600.0);
    let printers = printer_of_parts(figure, equipment);
    figure.parts.iter().zip(printers).map(|(part, printer)| hours(part) * printer.cost_per_hour).sum()
}

fn on_one(figure: &Figure, used: &[Vec<usize>], printer: &Printer) -> Schedule {
    let print = |(part, needs): (&Part, &Vec<usize>)| Print {
        needs: needs.clone(),
        seconds: vec![part.estimate.as_ref().map(|estimate| estimate.seconds)],
    };
    let prints: Vec<Print> = figure.parts.iter().zip(used).map(print).collect();
    schedule::plan(&prints, &[(&printer.name, printer.tools)])
}

fn printer_row<'a>(figure: &'a Figure, queue: &Queue) -> PrinterRow<'a> {
    let swatch_of = |index: usize| swatch(&figure.palette[index]);
    // Where nothing is ever taken out, the last step holds all there is to load.
    let stays =
        queue.steps.iter().all(|step| step.homeless.is_empty() && step.changes.iter().all(|(_, out, _)| out.is_none()));
    let last = queue.steps.last().filter(|_| stays).map_or(&[][..], |step| &step.tools);
    let once = last.iter().enumerate().filter_map(|(tool, label)| Some((tool + 1, swatch_of((*label)?))));
    let seconds = |s: f64| (words::duration(s), s);
    let step_row = |step: &Step| StepRow {
        part: &figure.parts[step.part].name,
        tools: step.tools.iter().map(|tool| tool.map(swatch_of)).collect(),
        change: changes(figure, step),
        begins: step.span_s.map(|[begins, _]| seconds(begins)),
        done: step.span_s.map(|[_, done]| seconds(done)),
    };
    PrinterRow {
        name: queue.printer.clone(),
        tools: queue.tools,
        once: once.collect(),
        steps: queue.steps.iter().map(step_row).collect(),
    }
}

/// `1: black; 2: red instead of white`.
fn changes(figure: &Figure, step: &Step) -> String {
    let name = |index: usize| figure.palette[index].name.as_str();
    let change = |&(tool, out, put): &(usize, Option<usize>, usize)| match out {
        Some(out) => format!("{}: {} instead of {}", tool + 1, name(put), name(out)),
        None => format!("{}: {}", tool + 1, name(put)),
    };
    let homeless = step.homeless.iter().map(|&index| format!("no tool is left for {}", name(index)));
    let said: Vec<String> = step.changes.iter().map(change).chain(homeless).collect();
    if said.is_empty() { "as it is".to_owned() } else { said.join("; ") }
}

fn spool_row(filament: &Filament) -> SpoolRow<'_> {
    let window = |[low, high]: WindowC| {
        let [low, high] = [low, high].map(|celsius| words::number(celsius, 0));
        if low == high { format!("{low} \u{b0}C") } else { format!("{low} to {high} \u{b0}C") }
    };
    SpoolRow {
        swatch: swatch(filament),
        material: &filament.material,
        nozzle: window(filament.nozzle_c),
        bed: window(filament.bed_c),
    }
}

/// Where a spool ends, the parts taken in the order they begin: the part and about the layer.
fn runs_out<'a>(figure: &'a Figure, schedule: &Schedule, label: usize) -> Option<RunsOut<'a>> {
    let filament = &figure.palette[label];
    let mut left_g = filament.left_g;
    for step in schedule.by_time() {
        let part = &figure.parts[step.part];
        let estimate = part.estimate.as_ref()?;
        let need_g = estimate.need_g.get(label).copied().unwrap_or(0.0);
        if need_g > left_g {
            let layer = layer_of(estimate, label, left_g)
                .map(|layer| format!("at about layer {} of {}", words::count(layer), words::count(estimate.layers)));
            return Some(RunsOut { swatch: swatch(filament), part: &part.name, layer: layer.unwrap_or_default() });
        }
        left_g -= need_g;
    }
    None
}

/// The layer up to which so many grams suffice, linear between the steps that are known.
fn layer_of(estimate: &PartEstimate, label: usize, left_g: f64) -> Option<usize> {
    let steps = estimate.need_by_height_g.get(label).filter(|steps| !steps.is_empty())?;
    let at = steps.iter().position(|g| f64::from(*g) > left_g)?;
    let before = if at == 0 { 0.0 } else { f64::from(steps[at - 1]) };
    let within = (left_g - before) / (f64::from(steps[at]) - before);
    Some(((at as f64 + within.clamp(0.0, 1.0)) / steps.len() as f64 * estimate.layers as f64) as usize + 1)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_layer_at_which_a_spool_ends_lies_between_the_steps() {
        let need_by_height_g = vec![vec![10.0, 20.0, 40.0, 40.0]];
        let estimate = PartEstimate { layers: 400, need_by_height_g, ..PartEstimate::default() };
        let layer = |left_g: f64| layer_of(&estimate, 0, left_g);
        // 30 g: two steps of a hundred layers are done, and half of the third.
        assert_eq!((layer(0.0), layer(5.0), layer(30.0)), (Some(1), Some(51), Some(251)));
        assert_eq!((layer(40.0), layer_of(&estimate, 1, 1.0)), (None, None));
    }
}
