//! What neighbouring choices would take: other layers and sizes, other points of the trade of colour for changes, other numbers of filaments.
//! All were worked out in the run; nothing is guessed.

use super::trade::neighbours;
use super::{plan, words};
use crate::equipment::Equipment;
use crate::figure::{Alternative, Figure, PartEstimate, TradePoint};
use crate::run_record::RunRecord;

/// A choice; texts are empty where nothing was worked out.
#[derive(Debug, Default)]
pub struct Choice {
    pub name: String,
    pub time: String,
    pub mass: String,
    pub cost: String,
    pub changes: String,
    pub de_mean: String,
    pub is_taken: bool,
}

/// The choice taken and its neighbours; empty when there is none to compare it with.
#[must_use]
pub fn rows(figure: &Figure, run: &RunRecord, equipment: &Equipment) -> Vec<Choice> {
    let mut rows = Vec::new();
    rows.extend(fewer_changes(figure, equipment));
    rows.extend(layers_and_sizes(figure));
    rows.extend(filaments(run, equipment));
    if rows.is_empty() {
        return rows;
    }
    rows.insert(0, taken(figure, run, equipment));
    rows
}

fn taken(figure: &Figure, run: &RunRecord, equipment: &Equipment) -> Choice {
    let estimates: Vec<&PartEstimate> = figure.parts.iter().filter_map(|part| part.estimate.as_ref()).collect();
    let trade = figure.colour_trade.as_ref().and_then(|trade| trade.points.get(trade.chosen));
    let figures = || run.stages.iter().rev().map(|stage| &stage.figures);
    let logged = || figures().find_map(|figures| figures.get("de_evened_mean").copied());
    let de_mean = trade.map(|point| point.de_mean).or_else(logged);
    let mut row = Choice { name: "As it is now".into(), is_taken: true, ..Choice::default() };
    row.de_mean = de_mean.map_or_else(String::new, |de| words::number(de, 1));
    if !estimates.is_empty() {
        let seconds = estimates.iter().map(|e| e.seconds).sum();
        fill(&mut row, figure, (seconds, plan::hours_cost(figure, equipment)), &figure.need_g());
        row.changes = words::count(estimates.iter().map(|e| e.tool_changes).sum());
    }
    row
}

fn fill(row: &mut Choice, figure: &Figure, (seconds, hours_cost): (f64, f64), need_g: &[f64]) {
    row.time = words::duration(seconds);
    row.mass = words::mass(need_g.iter().sum());
    let cost = figure.filament_cost(need_g) + hours_cost;
    row.cost = if cost > 0.0 { words::number(cost, 2) } else { String::new() };
}

fn layers_and_sizes(figure: &Figure) -> Vec<Choice> {
    let row = |other: &Alternative| {
        let name = if (other.scale - 1.0).abs() < 1e-6 {
            format!("Layers of {} instead", words::with_unit(other.layer_mm, 2, "mm"))
        } else {
            format!("The same parts at {} of the size", words::share(other.scale))
        };
        let mut row = Choice { name, changes: words::count(other.tool_changes), ..Choice::default() };
        fill(&mut row, figure, (other.seconds, other.hours_cost), &other.need_g);
        row
    };
    figure.alternatives.iter().skip(1).map(row).collect()
}

/// The points beside the one taken: as many changes fewer or more, in time and purge.
fn fewer_changes(figure: &Figure, equipment: &Equipment) -> Vec<Choice> {
    let Some(trade) = figure.colour_trade.as_ref() else { return Vec::new() };
    let Some(taken) = trade.points.get(trade.chosen) else { return Vec::new() };
    let estimates: Vec<&PartEstimate> = figure.parts.iter().filter_map(|part| part.estimate.as_ref()).collect();
    let seconds: f64 = estimates.iter().map(|e| e.seconds).sum();
    let grams: f64 = estimates.iter().flat_map(|e| &e.need_g).sum();
    let printer = &equipment.printer;
    let row = |(name, point): (&str, &TradePoint)| {
        let changes = point.changes as f64 - taken.changes as f64;
        let estimated = !estimates.is_empty();
        let said = |text: String| if estimated { text } else { String::new() };
        Choice {
            name: name.to_owned(),
            time: said(words::duration(seconds + changes * printer.change_secs * printer.time_factor)),
            mass: said(words::mass(grams + changes * printer.change_g)),
            changes: words::count(point.changes),
            de_mean: words::number(point.de_mean, 1),
            ..Choice::default()
        }
    };
    let (back, onward) = neighbours(trade);
    let named = [("Truer colours", back), ("Fewer tool changes", onward)];
    named.into_iter().filter_map(|(name, point)| Some(row((name, point?)))).collect()
}

/// One filament fewer and one more in a part, as the palette search found them: before borders are smoothed.
fn filaments(run: &RunRecord, equipment: &Equipment) -> Vec<Choice> {
    let tools = equipment.printer.tools;
    let Some(stage) = run.stages.iter().rev().find(|stage| stage.figures.contains_key("de_mean_chosen")) else {
        return Vec::new();
    };
    let mean = |size: usize| stage.figures.get(&format!("de_mean_with_{size}_colours")).copied();
    let Some(own) = mean(tools) else { return Vec::new() };
    let row = |size: usize| {
        let change = mean(size)? - own;
        let sign = if change < 0.0 { "\u{2212}" } else { "+" };
        Some(Choice {
            name: words::counted(size, "filament in a part", "filaments in a part"),
            de_mean: format!("{sign}{}", words::number(change.abs(), 1)),
            ..Choice::default()
        })
    };
    [tools.checked_sub(1).filter(|size| *size > 0), Some(tools + 1)].into_iter().flatten().filter_map(row).collect()
}
