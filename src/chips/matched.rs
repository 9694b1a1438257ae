//! Which filament each chip is: as told, or by colour.

use super::Chip;
use crate::colour::difference::ciede2000;
use crate::colour::spaces::{Lab, Linear};

/// A chip may be another filament when all chips together would be less than this farther off, CIEDE2000.
pub const NEAR: f64 = 3.0;
/// A chip looks like none when even the nearest is this far off.
pub const FAR: f64 = 12.0;
/// A chip of one colour spreads less, CIEDE2000, and has less left out.
pub const SPREAD_MAX: f64 = 3.0;
pub const LEFT_OUT_MAX: f64 = 0.35;

/// What a chip was taken for.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Match {
    /// Number of the filament on the shelf.
    pub filament: usize,
    /// From the colour on the shelf, CIEDE2000.
    pub distance: f64,
    /// Another filament it could be for hardly more.
    pub rival: Option<usize>,
}

impl Match {
    /// Whether the colour alone does not tell which filament it is.
    #[must_use]
    pub fn is_doubtful(&self) -> bool {
        self.rival.is_some() || self.distance > FAR
    }
}

/// Takes every chip for the filament nearest in colour, each filament once: the surest first, then exchanged where that
/// brings all nearer. Chips beyond the number of filaments stay without.
#[must_use]
pub fn by_colour(chips: &[Lab], shelf: &[Lab]) -> Vec<Option<Match>> {
    let distance: Vec<Vec<f64>> = chips.iter().map(|c| shelf.iter().map(|f| ciede2000(*c, *f)).collect()).collect();
    let mut taken = surest_first(&distance, shelf.len());
    exchange(&distance, &mut taken);
    let chip_of = |f: usize| taken.iter().position(|t| *t == Some(f));
    let told = |(c, f): (usize, &Option<usize>)| {
        let f = (*f)?;
        // What it would cost to take the chip for another filament, and the chip that has that one for this.
        let cost = |o: usize| {
            let own = distance[c][o] - distance[c][f];
            own + chip_of(o).map_or(0.0, |other| distance[other][f] - distance[other][o])
        };
        let rivals = (0..shelf.len()).filter(|o| *o != f && cost(*o) < NEAR);
        let rival = rivals.min_by(|a, b| cost(*a).total_cmp(&cost(*b)).then(a.cmp(b)));
        Some(Match { filament: f, distance: distance[c][f], rival })
    };
    taken.iter().enumerate().map(told).collect()
}

fn surest_first(distance: &[Vec<f64>], filaments: usize) -> Vec<Option<usize>> {
    let mut pairs: Vec<(usize, usize)> =
        (0..distance.len()).flat_map(|c| (0..filaments).map(move |f| (c, f))).collect();
    pairs.sort_by(|a, b| distance[a.0][a.1].total_cmp(&distance[b.0][b.1]).then(a.cmp(b)));
    let mut taken = vec![None; distance.len()];
    let mut is_taken = vec![false; filaments];
    for (c, f) in pairs {
        if taken[c].is_none() && !is_taken[f] {
            is_taken[f] = true;
            taken[c] = Some(f);
        }
    }
    taken
}

/// Exchanges the filaments of two chips as long as that lessens the sum of distances.
fn exchange(distance: &[Vec<f64>], taken: &mut [Option<usize>]) {
    let mut goes_on = true;
    while goes_on {
        goes_on = false;
        for a in 0..taken.len() {
            for b in a + 1..taken.len() {
                if let (Some(f), Some(g)) = (taken[a], taken[b])
                    && distance[a][g] + distance[b][f] + 1e-9 < distance[a][f] + distance[b][g]
                {
                    taken.swap(a, b);
                    goes_on = true;
                }
            }
        }
    }
}

/// How far chips are from the filaments they were said to be, in the middle; `None` for chips of no filament.
#[must_use]
pub fn off(chips: &[Lab], shelf: &[Lab], told: &[Option<usize>]) -> f64 {
    let pairs: Vec<f64> = chips.iter().zip(told).filter_map(|(c, f)| f.map(|f| ciede2000(*c, shelf[f]))).collect();
    pairs.iter().sum::<f64>() / pairs.len().max(1) as f64
}

/// The light of all chips if the white one has the light it should have: each channel by a factor of its own.
#[must_use]
pub fn balanced(chips: &[Chip], white: usize, should: Linear) -> Vec<Linear> {
    let seen = chips[white].tone.light;
    let gain = [0, 1, 2].map(|i| should[i] / seen[i].max(1e-4));
    chips.iter().map(|chip| [0, 1, 2].map(|i| (gain[i] * chip.tone.light[i]).clamp(0.0, 1.0))).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    fn grey(l: f64) -> Lab {
        Lab { l, a: 0.0, b: 0.0 }
    }

    fn filaments(chips: &[f64], shelf: &[f64]) -> Vec<(Option<usize>, bool)> {
        let [chips, shelf] = [chips, shelf].map(|greys| greys.iter().map(|l| grey(*l)).collect::<Vec<_>>());
        let found = by_colour(&chips, &shelf);
        found.iter().map(|m| (m.map(|m| m.filament), m.is_some_and(|m| m.is_doubtful()))).collect()
    }

    #[test]
    fn each_filament_is_taken_once_and_all_together_are_nearest() {
        assert_eq!(filaments(&[80.0, 20.0], &[22.0, 50.0, 81.0]), [(Some(2), false), (Some(0), false)]);
        // The first chip is nearest to the second filament, but leaves it to the second chip.
        assert_eq!(filaments(&[52.0, 60.0], &[40.0, 54.0]), [(Some(0), false), (Some(1), false)]);
        assert_eq!(filaments(&[20.0, 80.0], &[21.0]), [(Some(0), false), (None, false)]);
        assert_eq!(filaments(&[], &[21.0]), []);
    }

    #[test]
    fn a_second_filament_nearly_as_near_makes_doubt_unless_another_chip_is_it() {
        assert_eq!(filaments(&[50.0], &[49.0, 52.0]), [(Some(0), true)]);
        assert_eq!(filaments(&[49.0, 53.0], &[49.0, 53.0]), [(Some(0), false), (Some(1), false)]);
        assert_eq!(filaments(&[50.0], &[20.0]), [(Some(0), true)]);
    }
}
