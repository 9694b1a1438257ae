//! What the trade came to, for the log and in words.

use std::collections::BTreeMap;

use super::gather::Gathered;
use super::trade::Way;
use crate::equipment::Printer;
use crate::figure::{ColourTrade, Figure};
use crate::finding::{Finding, Severity};
use crate::stage::StageContext;

/// Share of the tool changes from which it is worth a word that they were saved.
const SAVED_WORTH_A_WORD: f64 = 0.02;
/// The same for those that could be saved, for no more than so much of the mean difference, dE.
const WORTH_A_WORD: f64 = 0.1;
const RISE_MAX_DE: f64 = 0.5;
/// Most exchanges of filaments told of.
const TOLD_MAX: usize = 3;

/// What was traded.
#[derive(Clone, Copy)]
pub struct Traded<'a> {
    /// The figure as it came.
    pub figure: &'a Figure,
    pub way: &'a Way,
    pub curve: &'a ColourTrade,
    pub gathered: &'a Gathered,
    /// Steps taken of the way.
    pub steps: usize,
}

pub fn log(traded: &Traded<'_>, ctx: &mut StageContext<'_>) {
    let Traded { way, curve: trade, gathered, steps, .. } = *traded;
    let (before, after) = (&trade.points[0], &trade.points[trade.chosen]);
    let patches: usize = gathered.parts.iter().map(|part| part.labels.len()).sum();
    ctx.figure("patches", patches as f64);
    ctx.figure("tool_changes_before", before.changes as f64);
    ctx.figure("tool_changes_after", after.changes as f64);
    ctx.figure("de_evened_mean_before", before.de_mean);
    ctx.figure("de_evened_mean_after", after.de_mean);
    ctx.figure("given_up_mm2", after.given_up_mm2);
    ctx.figure("exchanges", steps as f64);
    ctx.figure("exchanges_to_one_filament_each", way.steps.len() as f64);
}

/// A finding when changes were saved, and one when many more could be for little.
pub fn findings(traded: &Traded<'_>, ctx: &mut StageContext<'_>) {
    let Traded { figure, way, curve: trade, gathered, steps } = *traded;
    let printer = &ctx.equipment.printer;
    let (before, now) = (&trade.points[0], &trade.points[trade.chosen]);
    let mut told = Vec::new();
    if (before.changes - now.changes.min(before.changes)) as f64 >= SAVED_WORTH_A_WORD * before.changes.max(1) as f64 {
        let what = format!(
            "{} of {} tool changes are saved ({}): {} got another filament, and the mean difference went from {:.2} to {:.2} dE",
            before.changes - now.changes,
            before.changes,
            time_and_purge(before.changes - now.changes, printer),
            area(now.given_up_mm2),
            before.de_mean,
            now.de_mean
        );
        let hint = format!("{}; `hour_worth: 0` keeps every colour", exchanges(figure, way, gathered, steps));
        told.push(Finding::new(Severity::Note, what).hint(hint));
    }
    let more = |point: &&crate::figure::TradePoint| {
        (now.changes - point.changes.min(now.changes)) as f64 >= WORTH_A_WORD * before.changes as f64
            && point.de_mean - now.de_mean <= RISE_MAX_DE
    };
    if let Some(next) = trade.points[trade.chosen + 1..].iter().find(more) {
        let saved = now.changes - next.changes;
        let what = format!(
            "{saved} tool changes more ({}) could be saved by giving up the colours of {}: the mean difference would go from \
             {:.2} to {:.2} dE",
            time_and_purge(saved, printer),
            area((next.given_up_mm2 - now.given_up_mm2).max(0.0)),
            now.de_mean,
            next.de_mean
        );
        let hint =
            format!("`--set fewer-changes.changes_max={}` does so; the report has the whole curve", next.changes);
        told.push(Finding::new(Severity::Note, what).hint(hint));
    }
    for finding in told {
        ctx.finding(finding);
    }
}

fn time_and_purge(changes: usize, printer: &Printer) -> String {
    let (hours, grams) = (changes as f64 * printer.change_secs / 3600.0, changes as f64 * printer.change_g);
    let time = if hours < 1.0 { format!("{:.0} min", 60.0 * hours) } else { format!("{hours:.1} h") };
    format!("{time}, {grams:.0} g of purge")
}

fn area(mm2: f64) -> String {
    if mm2 < 1000.0 { format!("{:.1} cm2", mm2 / 100.0) } else { format!("{:.0} cm2", mm2 / 100.0) }
}

/// Which filament went for which, the largest surface first.
fn exchanges(figure: &Figure, way: &Way, gathered: &Gathered, steps: usize) -> String {
    let mut sums: BTreeMap<(u8, u8), f64> = BTreeMap::new();
    for (part, labels) in gathered.parts.iter().zip(way.labels(&gathered.parts, steps)) {
        for ((from, to), area) in part.labels.iter().zip(labels).zip(part.layers.area_mm2()) {
            if *from != to {
                *sums.entry((*from, to)).or_default() += area;
            }
        }
    }
    let mut sums: Vec<((u8, u8), f64)> = sums.into_iter().collect();
    sums.sort_by(|x, y| y.1.total_cmp(&x.1).then(x.0.cmp(&y.0)));
    let name = |label: u8| figure.palette.get(usize::from(label)).map_or("", |filament| filament.name.as_str());
    let word =
        |((from, to), mm2): &((u8, u8), f64)| format!("{} of `{}` are `{}` now", area(*mm2), name(*from), name(*to));
    let mut words: Vec<String> = sums.iter().take(TOLD_MAX).map(word).collect();
    if sums.len() > TOLD_MAX {
        let rest: f64 = sums[TOLD_MAX..].iter().map(|(_, mm2)| mm2).sum();
        words.push(format!("{} in other exchanges", area(rest)));
    }
    words.join(", ")
}
