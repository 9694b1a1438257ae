//! Rounds of collapses that do not touch one another: costs in parallel, chosen in order of cost, tried in parallel,
//! carried out in order. So the result does not depend on the number of threads.

use rayon::prelude::*;

use super::merge::{cost, merge};
use super::surface::{Merge, Surface};
use super::{Look, Target};
use crate::mesh::topology::NONE;

/// The cheapest collapse of an edge to a vertex of higher number.
#[derive(Clone, Copy, Debug, PartialEq)]
struct Offer {
    cost: f64,
    half: u32,
}

const NO_OFFER: Offer = Offer { cost: f64::INFINITY, half: NONE };

fn best_offer(surface: &Surface, v: u32, target: &Target) -> Offer {
    let mut best = NO_OFFER;
    for half in surface.spokes(v).filter(|half| surface.end(*half) > v && !surface.barred[*half as usize]) {
        if let Some(cost) = cost(surface, half, target)
            && cost.total_cmp(&best.cost).then(half.cmp(&best.half)).is_lt()
        {
            best = Offer { cost, half };
        }
    }
    best
}

/// Collapses edges until none is left that may be.
pub(super) fn collapse_all(surface: &mut Surface, target: &Target, look: Look<'_>) {
    let mut offers = vec![NO_OFFER; surface.vertices.len()];
    let mut changed: Vec<u32> = (0..offers.len() as u32).collect();
    let mut taken = vec![0_u32; offers.len()];
    for round in 1.. {
        let fresh: Vec<Offer> = changed.par_iter().map(|v| best_offer(surface, *v, target)).collect();
        changed.iter().zip(fresh).for_each(|(v, offer)| offers[*v as usize] = offer);
        let chosen = choose(surface, &cheapest(&offers), &mut taken, round);
        if chosen.is_empty() {
            break;
        }
        let tried: Vec<Option<Merge>> = chosen.par_iter().map(|half| merge(surface, *half, target, look)).collect();
        changed.clear();
        for (half, merge) in chosen.into_iter().zip(tried) {
            changed.push(surface.start(half));
            match merge {
                Some(merge) => carry_out(surface, &merge, &mut changed),
                None => surface.barred[half as usize] = true,
            }
        }
        changed.par_sort_unstable();
        changed.dedup();
    }
}

/// Carries out a collapse and lets all edges at the new vertex be tried again.
fn carry_out(surface: &mut Surface, merge: &Merge, changed: &mut Vec<u32>) {
    let (kept, gone) = (surface.start(merge.half), surface.end(merge.half));
    surface.collapse(merge);
    changed.push(gone);
    let spokes: Vec<u32> = surface.spokes(kept).collect();
    for half in spokes {
        let mate = surface.mates[half as usize];
        surface.barred[half as usize] = false;
        surface.barred[mate as usize] = false;
        changed.push(surface.end(half));
    }
}

/// The cheapest of the offers, in order of cost, then of number.
fn cheapest(offers: &[Offer]) -> Vec<Offer> {
    /// One in so many is looked at in a round, so that cheap ones far away go before dear ones near by; and the number
    /// from which that is done.
    const ONE_IN: usize = 4;
    const FEW: usize = 4096;
    let order = |a: &Offer, b: &Offer| a.cost.total_cmp(&b.cost).then(a.half.cmp(&b.half));
    let mut open: Vec<Offer> = offers.par_iter().filter(|offer| offer.half != NONE).copied().collect();
    let wanted = (open.len() / ONE_IN).max(FEW);
    if wanted < open.len() {
        open.select_nth_unstable_by(wanted, order);
        open.truncate(wanted);
    }
    open.par_sort_unstable_by(order);
    open
}

/// Edges whose ends and all their neighbours are apart, taken in the given order.
fn choose(surface: &Surface, offers: &[Offer], taken: &mut [u32], round: u32) -> Vec<u32> {
    let mut chosen = Vec::new();
    for Offer { half, .. } in offers {
        let ends = [surface.start(*half), surface.end(*half)];
        let is_free = |v: &u32| taken[*v as usize] != round;
        let mut near = ends.iter().flat_map(|v| surface.spokes(*v)).map(|s| surface.end(s));
        if ends.iter().all(is_free) && near.all(|v| is_free(&v)) {
            let near = ends.iter().flat_map(|v| surface.spokes(*v)).map(|s| surface.end(s));
            near.for_each(|v| taken[v as usize] = round);
            chosen.push(*half);
        }
    }
    chosen
}
