//! Which point of the way is taken, and the few points that show the trade.

use super::FewerChanges;
use super::gather::Gathered;
use super::trade::Way;
use crate::equipment::Printer;
use crate::figure::{ColourTrade, TradePoint};

/// Most points shown.
const POINTS_MAX: usize = 24;

/// Steps to go: to where colour given up and changes, at what each is worth, come to the least; or to the first point with no
/// more changes than asked for. No further than the mean difference may rise.
#[must_use]
pub fn choose(settings: &FewerChanges, printer: &Printer, way: &Way, area_mm2: f64) -> usize {
    if settings.keeps_all() {
        return 0;
    }
    let rise = |steps: usize| (way.point(steps).difference - way.start.difference) / area_mm2.max(f64::MIN_POSITIVE);
    let fits = (0..=way.steps.len()).filter(|steps| rise(*steps) <= settings.de_mean_max_rise);
    if let Some(most) = settings.changes_max {
        let fits: Vec<usize> = fits.collect();
        let enough = fits.iter().find(|steps| way.point(**steps).changes <= most);
        return enough.or(fits.last()).copied().unwrap_or(0);
    }
    let price = settings.change_de_mm2(printer);
    let total = |steps: &usize| {
        let point = way.point(*steps);
        price * point.changes as f64 + point.loss
    };
    fits.min_by(|x, y| total(x).total_cmp(&total(y))).unwrap_or(0)
}

/// The trade as a curve of few points, with the one taken.
#[must_use]
pub fn curve(way: &Way, gathered: &Gathered, chosen: usize) -> ColourTrade {
    let shown = thin(&pareto(way, chosen), way, chosen);
    let area = gathered.area_mm2.max(f64::MIN_POSITIVE);
    let point = |steps: &usize| TradePoint {
        changes: way.point(*steps).changes,
        de_mean: way.point(*steps).difference / area,
        given_up_mm2: given_up_mm2(way, gathered, *steps),
    };
    ColourTrade {
        points: shown.iter().map(point).collect(),
        chosen: shown.iter().position(|steps| *steps == chosen).unwrap_or(0),
    }
}

/// Surface whose label is another after so many steps, mm2.
#[must_use]
pub fn given_up_mm2(way: &Way, gathered: &Gathered, steps: usize) -> f64 {
    let labels = way.labels(&gathered.parts, steps);
    let of_part = |(part, labels): (&super::gather::Patches, &Vec<u8>)| -> f64 {
        let changed = part.labels.iter().zip(labels).zip(part.layers.area_mm2());
        changed.filter(|((from, to), _)| from != to).map(|(_, area)| area).sum()
    };
    gathered.parts.iter().zip(&labels).map(of_part).fold(0.0, |sum, area| sum + area)
}

/// Steps after which no later point is as true to the colours; start and choice stay.
fn pareto(way: &Way, chosen: usize) -> Vec<usize> {
    let mut kept = Vec::new();
    let mut least = f64::INFINITY;
    for steps in (0..=way.steps.len()).rev() {
        let difference = way.point(steps).difference;
        if difference < least || steps == 0 || steps == chosen {
            kept.push(steps);
        }
        least = least.min(difference);
    }
    kept.reverse();
    kept
}

/// Leaves points out where the curve bends least (by the area they span with their neighbours: Visvalingam and Whyatt 1993).
fn thin(all: &[usize], way: &Way, chosen: usize) -> Vec<usize> {
    let mut kept = all.to_vec();
    let place = |steps: usize| (way.point(steps).changes as f64, way.point(steps).difference);
    while kept.len() > POINTS_MAX {
        let taken = kept.iter().position(|steps| *steps == chosen).unwrap_or(0);
        let area = |i: usize| {
            let [a, b, c] = [i - 1, i, i + 1].map(|i| place(kept[i]));
            ((b.0 - a.0) * (c.1 - a.1) - (c.0 - a.0) * (b.1 - a.1)).abs()
        };
        let free = (1..kept.len() - 1).filter(|i| i.abs_diff(taken) > 1);
        let Some(least) = free.min_by(|x, y| area(*x).total_cmp(&area(*y))) else { break };
        kept.remove(least);
    }
    kept
}
