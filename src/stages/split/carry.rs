//! Carries plans out, the cheapest first. Blocks tell only roughly what comes out, so where it is dearer than planned the
//! other plans are carried out as well, and the figure that came out best is kept.

use rayon::prelude::*;

use super::divide::{DivideError, Division, Search};
use super::plan::{Outcome, Ranked};
use super::seams::Seams;
use crate::stage::{StageContext, StageError};

/// What a millimetre of seam where nothing is to be cut counts for among seams that show.
const BARRED: f64 = 20.0;
/// Seam where nothing is to be cut that is let pass, mm.
const BARRED_MM: f64 = 5.0;

/// Why a figure was not divided.
#[derive(Debug)]
pub(super) enum Failed {
    Divide(DivideError),
    Stage(StageError),
}

impl From<DivideError> for Failed {
    fn from(error: DivideError) -> Self {
        Self::Divide(error)
    }
}

impl From<StageError> for Failed {
    fn from(error: StageError) -> Self {
        Self::Stage(error)
    }
}

/// A divided figure.
#[derive(Clone, Debug)]
pub(super) struct Carried {
    pub division: Division,
    pub seams: Seams,
    /// What its parts and seams come to.
    outcome: Outcome,
}

/// Divides a figure by the plan of this number, counted from 0; also gives the plans there were, best first.
pub(super) fn divided(
    search: &Search,
    start: Division,
    number: usize,
    ctx: &mut StageContext<'_>,
) -> Result<(Carried, Vec<Ranked>), Failed> {
    let mut start = start;
    for round in 0..search.fixed.len() {
        start.round(search, round)?;
    }
    let mut ranked = search.ranked(&start.open);
    let mut told = |done: f64, parts: usize| {
        ctx.progress(0.1 + 0.7 * done, &format!("cutting, {parts} parts done"));
        ctx.checkpoint()
    };
    let mut best = (0, carried(search, &start, ranked.first(), &mut told)?);
    note(&mut ranked, best.0, &best.1);
    let beside = start.open.len().saturating_sub(1);
    let planned = ranked.first().map_or(usize::MAX - beside, |r| r.planned.parts()) + beside;
    let asked_mm = Seams::of(&start.open, &start.cuts, &search.care).barred_mm;
    let spoilt = best.1.seams.barred_mm - asked_mm > BARRED_MM;
    // Who gives cuts tries one after the other and wants to see soon what comes of them.
    let is_dearer = search.fixed.is_empty() && best.1.outcome.parts > planned;
    if ranked.len() > 1 && (is_dearer || spoilt) {
        ctx.progress(0.5, "trying other plans");
        ctx.checkpoint()?;
        // Another plan is worth a try if it promises fewer parts, or none of the seams that are not to be.
        let promises = |i: &usize| ranked[*i].planned.parts() + beside < best.1.outcome.parts || spoilt;
        let other = |i: usize| (i, carried(search, &start, ranked.get(i), |_, _| Ok(())));
        let others: Vec<_> = (1..ranked.len()).into_par_iter().filter(promises).map(other).collect();
        for (i, made) in others {
            let made = (i, made?);
            note(&mut ranked, made.0, &made.1);
            best = if made.1.outcome.price < best.1.outcome.price { made } else { best };
        }
        let first = ranked.remove(best.0);
        ranked.sort_by(|a, b| a.outcome().price.total_cmp(&b.outcome().price));
        ranked.insert(0, first);
    }
    let number = number.min(ranked.len().saturating_sub(1));
    let kept = if number == 0 { best.1 } else { carried(search, &start, ranked.get(number), |_, _| Ok(()))? };
    note(&mut ranked, number, &kept);
    Ok((kept, ranked))
}

fn note(ranked: &mut [Ranked], number: usize, made: &Carried) {
    if let Some(ranked) = ranked.get_mut(number) {
        ranked.came_out = Some(made.outcome);
    }
}

/// Cuts until every part fits; `told` hears the share done and the parts so far.
fn carried(
    search: &Search,
    start: &Division,
    plan: Option<&Ranked>,
    mut told: impl FnMut(f64, usize) -> Result<(), StageError>,
) -> Result<Carried, Failed> {
    let mut division = start.clone();
    if let Some(plan) = plan {
        search.follow(&mut division.open, plan);
    }
    for round in search.fixed.len().. {
        told(1.0 - 1.0 / (round + 1) as f64, division.parts.len())?;
        division.round(search, round)?;
        if division.open.is_empty() {
            break;
        }
    }
    let seams = Seams::of(&division.parts, &division.cuts, &search.care);
    let shown_mm = seams.shown_mm + BARRED * seams.barred_mm;
    let tints = &search.care.tints;
    let changes: Vec<f64> = division.parts.par_iter().map(|part| tints.of_part(part)).collect();
    let (parts, tool_changes) = (division.parts.len(), changes.iter().sum());
    let seam_price = search.rules.seam_weight * shown_mm / search.rules.body.height_mm();
    let price = parts as f64 + seam_price + tints.price(tool_changes);
    Ok(Carried { division, seams, outcome: Outcome { parts, price, tool_changes } })
}
