//! The few mixes of a figure: those that bring the scan's colours nearest, out of all that a part's filaments allow.

use rayon::prelude::*;

use super::tones::Field;
use super::{Blend, Pattern};
use crate::colour::choose::{self, Costs, Request, Sample};
use crate::colour::difference::ciede2000;
use crate::colour::mix::{self, Mix};
use crate::colour::spaces::{linear_of_lab, oklab_of_linear};
use crate::figure::Part;

/// Most mixes for parts of the same filaments.
const MIXES_MAX: usize = 8;
/// Edge of the `OKLab` cells colours are grouped by.
const CELL: f64 = 0.03;
/// Limit of the exact search, in comparisons.
const WORK_MAX: u64 = 100_000_000;
/// What a third filament and a step in lightness between bands are worth in dE: of mixes that are as near, the one that shows
/// less grain is better.
const THIRD_DE: f64 = 0.25;
const GRAIN_DE_PER_L: f64 = 0.005;

/// Mixes to choose from; their parts are labels of the palette.
#[derive(Clone, Debug, Default)]
pub struct Mixes {
    pub all: Vec<Mix>,
    /// What each must gain at least, dE.
    pub prices_de: Vec<f64>,
    /// Height of each one's bands.
    pub bands_mm: Vec<f64>,
    /// Which of them each part may have.
    pub of_part: Vec<Vec<usize>>,
}

impl Mixes {
    /// Chooses the mixes; parts of the same filaments together.
    pub fn choose(settings: &Blend, field: &Field, pattern: &Pattern, tools: usize) -> Self {
        let parts = &field.figure.parts;
        let allowed: Vec<Vec<u8>> = parts.iter().map(|part| allowed(settings, field, part, tools)).collect();
        let mut sets = allowed.clone();
        sets.sort();
        sets.dedup();
        let mut mixes = Self { of_part: vec![Vec::new(); parts.len()], ..Self::default() };
        for set in &sets {
            let is_of_set: Vec<bool> = allowed.iter().map(|own| own == set).collect();
            for (mix, price_de) in best(settings, field, pattern, (set, &is_of_set)) {
                let known = mixes.all.iter().position(|known| known.parts == mix.parts);
                let index = known.unwrap_or(mixes.all.len());
                if known.is_none() && index >= usize::from(u8::MAX) {
                    break;
                }
                if known.is_none() {
                    mixes.bands_mm.push(pattern.band_mm(mix.period()));
                    mixes.prices_de.push(price_de);
                    mixes.all.push(mix);
                }
                let own = mixes.of_part.iter_mut().zip(&is_of_set).filter(|(_, is_of_set)| **is_of_set);
                own.for_each(|(own, _)| own.push(index));
            }
        }
        mixes
    }
}

/// Filaments a part may be blended of: its own, and the figure's others of the same material while the printer holds them.
fn allowed(settings: &Blend, field: &Field, part: &Part, tools: usize) -> Vec<u8> {
    let palette = &field.figure.palette;
    let mut used: Vec<u8> = part.labels.iter().flat_map(|labels| labels.iter().copied()).collect();
    used.sort_unstable();
    used.dedup();
    let material = |label: u8| palette.get(usize::from(label)).map(|filament| filament.material.as_str());
    // With more to choose from than the printer holds, it is not said which of them would go together.
    let more = settings.more_filaments && palette.len() <= tools;
    let alike = |label: &u8| used.first().is_some_and(|first| material(*first) == material(*label));
    if more { (0..palette.len() as u8).filter(alike).collect() } else { used }
}

/// The best mixes for parts of these filaments, and what each must gain.
fn best(settings: &Blend, field: &Field, pattern: &Pattern, (set, is_of_set): (&[u8], &[bool])) -> Vec<(Mix, f64)> {
    let linear: Vec<_> = set.iter().map(|label| linear_of_lab(field.filaments[usize::from(*label)])).collect();
    let mixes: Vec<(Mix, f64)> = mix::possible(&linear, pattern.period_max, settings.spread)
        .into_iter()
        .filter(|mix| mix.parts.len() > 1)
        .map(|Mix { parts, lab }| Mix { parts: parts.iter().map(|(i, n)| (usize::from(set[*i]), *n)).collect(), lab })
        .map(|mix| (mix.clone(), settings.gain_min_de + grain_de(field, &mix)))
        .collect();
    let (samples, as_it_is) = samples(field, is_of_set);
    let row = |(mix, price_de): &(Mix, f64)| {
        samples.iter().map(|s| s.weight * (ciede2000(s.lab, mix.lab) + price_de)).collect::<Vec<f64>>()
    };
    let mut rows = vec![as_it_is];
    rows.extend(mixes.par_iter().map(row).collect::<Vec<_>>());
    let request = Request { size_max: 1 + MIXES_MAX, must: vec![0], never: Vec::new(), work_max: WORK_MAX };
    let choice = choose::choose(&Costs::from_rows(rows), &request);
    let picked = choice.map_or_else(Vec::new, |choice| choice.picked);
    picked.into_iter().filter_map(|row| Some(mixes[row.checked_sub(1)?].clone())).collect()
}

fn grain_de(field: &Field, mix: &Mix) -> f64 {
    let lightness = mix.parts.iter().map(|(label, _)| field.filaments[*label].l);
    let (low, high) = lightness.fold((f64::MAX, f64::MIN), |(low, high), l| (low.min(l), high.max(l)));
    GRAIN_DE_PER_L * (high - low) + if mix.parts.len() > 2 { THIRD_DE } else { 0.0 }
}

/// Colours of what can be blended of some parts, and what each costs with the filament it has.
fn samples(field: &Field, is_of_set: &[bool]) -> (Vec<Sample>, Vec<f64>) {
    let of_label = |label: usize| {
        let is_in = |face: &usize| {
            usize::from(field.labels[*face]) == label && field.open[*face] && is_of_set[field.part(*face)]
        };
        let sample =
            |face: usize| (oklab_of_linear(field.surface.colour(face)), f64::from(field.surface.area_mm2[face]));
        choose::histogram(CELL, (0..field.surface.len()).filter(is_in).map(sample))
    };
    let by_label: Vec<(usize, Vec<Sample>)> =
        (0..field.filaments.len()).into_par_iter().map(|label| (label, of_label(label))).collect();
    let (mut samples, mut costs) = (Vec::new(), Vec::new());
    for (label, of_label) in by_label {
        costs.extend(of_label.iter().map(|s| s.weight * ciede2000(s.lab, field.filaments[label])));
        samples.extend(of_label);
    }
    (samples, costs)
}
