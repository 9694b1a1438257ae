//! Carries plans out, the cheapest first. Blocks tell only roughly what comes out, so where it is dearer than planned the
//! other plans are carried out as well, and the figure that came out best is kept.

use super::divide::{DivideError, Division, Search};
use super::plan::Ranked;
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
    /// Price of its parts and seams, as they came out.
    price: f64,
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
    let mut best = (0, carried(search, &start, ranked.first(), ctx)?);
    note(&mut ranked, best.0, &best.1);
    let beside = start.open.len().saturating_sub(1);
    let planned = ranked.first().map_or(usize::MAX - beside, |r| r.planned.parts()) + beside;
    let is_dearer = best.1.division.parts.len() > planned || best.1.seams.barred_mm > BARRED_MM;
    if ranked.len() > 1 && is_dearer {
        for i in 1..ranked.len() {
            let made = (i, carried(search, &start, ranked.get(i), ctx)?);
            let is_as_planned = made.1.division.parts.len() <= ranked[i].planned.parts() + beside;
            note(&mut ranked, made.0, &made.1);
            best = if made.1.price < best.1.price { made } else { best };
            // Those after it were planned dearer.
            if is_as_planned {
                break;
            }
        }
        let first = ranked.remove(best.0);
        ranked.sort_by(|a, b| a.price().total_cmp(&b.price()));
        ranked.insert(0, first);
    }
    let number = number.min(ranked.len().saturating_sub(1));
    let kept = if number == 0 { best.1 } else { carried(search, &start, ranked.get(number), ctx)? };
    note(&mut ranked, number, &kept);
    Ok((kept, ranked))
}

fn note(ranked: &mut [Ranked], number: usize, made: &Carried) {
    if let Some(ranked) = ranked.get_mut(number) {
        ranked.came_out = Some((made.division.parts.len(), made.price));
    }
}

/// Cuts until every part fits.
fn carried(
    search: &Search,
    start: &Division,
    plan: Option<&Ranked>,
    ctx: &mut StageContext<'_>,
) -> Result<Carried, Failed> {
    let mut division = start.clone();
    if let Some(plan) = plan {
        search.follow(&mut division.open, plan);
    }
    for round in search.fixed.len().. {
        let done = 1.0 - 1.0 / (round + 1) as f64;
        ctx.progress(0.1 + 0.7 * done, &format!("cutting, {} parts done", division.parts.len()));
        ctx.checkpoint()?;
        division.round(search, round)?;
        if division.open.is_empty() {
            break;
        }
    }
    let seams = Seams::of(&division.parts, &division.cuts, &search.care);
    let shown_mm = seams.shown_mm + BARRED * seams.barred_mm;
    let price = division.parts.len() as f64 + search.rules.seam_weight * shown_mm / search.rules.body.height_mm();
    Ok(Carried { division, seams, price })
}
