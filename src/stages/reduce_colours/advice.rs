//! Which filaments are missed most: colours to look for in a shop, with what one and two of them would bring.

use rayon::prelude::*;

use crate::colour::choose::Sample;
use crate::colour::difference::ciede2000_weighted;
use crate::colour::spaces::Lab;

/// Colours tried, and how far apart they are at least, dE.
const TRIED: usize = 40;
const APART: f64 = 6.0;
/// Rounds of moving a colour to the middle of what it would be used for.
const ROUNDS: usize = 3;
/// Filaments told of.
const WANTED: usize = 2;

/// A colour to look for.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Wanted {
    pub lab: Lab,
    /// Mean difference with it and with those wanted before it, weighted by area and zone.
    pub mean_with: f64,
}

/// The colours of a part, or of the figure, and what they are printed with.
#[derive(Clone, Debug)]
pub struct Printed<'a> {
    pub samples: &'a [Sample],
    /// Colours of its filaments; the first `must` of them are not to be replaced.
    pub filaments: Vec<Lab>,
    pub must: usize,
}

/// The one or two colours that would help most where every part has room for so many filaments, the best first.
#[must_use]
pub fn wanted(parts: &[Printed<'_>], size_max: usize, lightness_divisor: f64) -> Vec<Wanted> {
    let weight: f64 = parts.iter().flat_map(|p| p.samples).map(|s| s.weight).sum::<f64>().max(f64::MIN_POSITIVE);
    let mut shops: Vec<Shop> = parts.iter().map(|part| Shop::of(part.clone(), size_max, lightness_divisor)).collect();
    let mut found = Vec::new();
    for _ in 0..WANTED {
        let cost = |lab: &Lab| shops.iter().map(|shop| shop.cost_with(*lab)).sum::<f64>();
        let seeds = seeds(&shops);
        let tried: Vec<(f64, Lab)> = seeds.par_iter().map(|lab| (cost(lab), *lab)).collect();
        let Some(mut best) = tried.into_iter().min_by(|x, y| x.0.total_cmp(&y.0)) else { break };
        for _ in 0..ROUNDS {
            let Some(moved) = middle(&shops, best.1) else { break };
            let moved = (cost(&moved), moved);
            if moved.0 >= best.0 {
                break;
            }
            best = moved;
        }
        found.push(Wanted { lab: best.1, mean_with: best.0 / weight });
        for shop in &mut shops {
            shop.take(best.1);
        }
    }
    found
}

/// A part with room for another filament, or with one that may give way.
#[derive(Debug)]
struct Shop<'a> {
    printed: Printed<'a>,
    size_max: usize,
    lightness_divisor: f64,
    /// Cost of each sample now.
    nearest: Vec<f64>,
    /// Cost of each sample when a filament is left out, for those that may give way; as now, when there is room.
    without: Vec<Vec<f64>>,
}

impl<'a> Shop<'a> {
    fn of(printed: Printed<'a>, size_max: usize, lightness_divisor: f64) -> Self {
        let mut shop = Self { printed, size_max, lightness_divisor, nearest: Vec::new(), without: Vec::new() };
        let count = shop.printed.filaments.len();
        shop.nearest = shop.costs(None);
        shop.without = if count < size_max {
            vec![shop.nearest.clone()]
        } else {
            (shop.printed.must..count).map(|left_out| shop.costs(Some(left_out))).collect()
        };
        shop
    }

    fn difference(&self, sample: &Sample, lab: Lab) -> f64 {
        sample.weight * ciede2000_weighted(sample.lab, lab, self.lightness_divisor)
    }

    fn costs(&self, left_out: Option<usize>) -> Vec<f64> {
        let filaments = || self.printed.filaments.iter().enumerate().filter(|(i, _)| Some(*i) != left_out);
        let cost = |s: &Sample| filaments().map(|(_, lab)| self.difference(s, *lab)).fold(f64::INFINITY, f64::min);
        self.printed.samples.iter().map(cost).collect()
    }

    /// Cost with another colour, and which filament gives way for it; `None` when it is not used.
    fn best_with(&self, lab: Lab) -> (f64, Option<usize>) {
        let new: Vec<f64> = self.printed.samples.iter().map(|s| self.difference(s, lab)).collect();
        let now: f64 = self.nearest.iter().sum();
        let cost = |costs: &Vec<f64>| costs.iter().zip(&new).map(|(a, b)| a.min(*b)).sum::<f64>();
        let best = self.without.iter().map(cost).enumerate().min_by(|x, y| x.1.total_cmp(&y.1));
        best.filter(|(_, cost)| *cost < now).map_or((now, None), |(i, cost)| (cost, Some(i)))
    }

    fn cost_with(&self, lab: Lab) -> f64 {
        self.best_with(lab).0
    }

    /// Takes a colour in where it helps.
    fn take(&mut self, lab: Lab) {
        if let (_, Some(i)) = self.best_with(lab) {
            if self.printed.filaments.len() >= self.size_max {
                self.printed.filaments.remove(self.printed.must + i);
            }
            self.printed.filaments.push(lab);
            *self = Self::of(self.printed.clone(), self.size_max, self.lightness_divisor);
        }
    }
}

/// Colours that cost most now, each unlike the others.
fn seeds(shops: &[Shop<'_>]) -> Vec<Lab> {
    let mut costly: Vec<(f64, Lab)> = Vec::new();
    for shop in shops {
        costly.extend(shop.nearest.iter().zip(shop.printed.samples).map(|(cost, sample)| (*cost, sample.lab)));
    }
    costly.sort_by(|x, y| y.0.total_cmp(&x.0));
    let mut seeds: Vec<Lab> = Vec::new();
    for (_, lab) in costly.into_iter().filter(|(cost, _)| *cost > 0.0) {
        if seeds.len() == TRIED {
            break;
        }
        if seeds.iter().all(|seed| ciede2000_weighted(*seed, lab, 1.0) > APART) {
            seeds.push(lab);
        }
    }
    seeds
}

/// Weighted mean of the samples that would be printed in this colour.
fn middle(shops: &[Shop<'_>], lab: Lab) -> Option<Lab> {
    let (mut sum, mut weight) = ([0.0; 3], 0.0);
    for shop in shops {
        let (_, Some(i)) = shop.best_with(lab) else { continue };
        for (sample, other) in shop.printed.samples.iter().zip(&shop.without[i]) {
            if shop.difference(sample, lab) < *other {
                let Lab { l, a, b } = sample.lab;
                sum.iter_mut().zip([l, a, b]).for_each(|(sum, x)| *sum += sample.weight * x);
                weight += sample.weight;
            }
        }
    }
    (weight > 0.0).then(|| Lab { l: sum[0] / weight, a: sum[1] / weight, b: sum[2] / weight })
}

#[cfg(test)]
mod tests {
    use super::*;

    const SKIN: Lab = Lab { l: 70.0, a: 15.0, b: 20.0 };
    const NAVY: Lab = Lab { l: 20.0, a: 5.0, b: -25.0 };
    const LIPS: Lab = Lab { l: 45.0, a: 45.0, b: 20.0 };
    const WHITE: Lab = Lab { l: 95.0, a: 0.0, b: 2.0 };

    fn samples() -> Vec<Sample> {
        [(SKIN, 50.0), (NAVY, 100.0), (LIPS, 5.0), (WHITE, 40.0)].map(|(lab, weight)| Sample { lab, weight }).to_vec()
    }

    #[test]
    fn what_covers_most_and_is_far_off_is_wanted_first() {
        let samples = samples();
        let part = Printed { samples: &samples, filaments: vec![NAVY, WHITE], must: 0 };
        let found = wanted(&[part], 4, 1.0);
        assert_eq!(found.iter().map(|w| w.lab).collect::<Vec<_>>(), [SKIN, LIPS]);
        assert!(found[1].mean_with < 1e-9 && found[0].mean_with > found[1].mean_with);
    }

    #[test]
    fn a_full_printer_gives_up_the_filament_that_is_missed_least_but_no_must() {
        let samples = samples();
        let full = |must: usize| Printed { samples: &samples, filaments: vec![LIPS, NAVY, WHITE], must };
        let free = wanted(&[full(0)], 3, 1.0)[0];
        let bound = wanted(&[full(1)], 3, 1.0)[0];
        assert_eq!(free.lab, SKIN);
        assert!(free.mean_with < bound.mean_with, "{} {}", free.mean_with, bound.mean_with);
    }
}
