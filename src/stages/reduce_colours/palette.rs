//! Which filaments of the shelf to use: one material family, temperatures that go together, least colour difference.

use std::collections::BTreeSet;
use std::ops::Range;

use rayon::prelude::*;

use super::advice::{self, Printed, Wanted};
use super::shades::Shades;
use super::{ColourReduce, ForEach};
use crate::colour::choose::{self, CELL, Choice, Costs, Request, Sample};
use crate::colour::mix::{self, Mix};
use crate::colour::spaces::{self, Lab};
use crate::equipment::{Changer, Equipment, Filament, Printer};
use crate::stage::StageError;
use crate::surface::Surface;

/// Limit of the exact search for one palette, about a quarter of a second, and for what a printer of other size would bring.
const WORK_MAX: u64 = 300_000_000;
const WORK_MAX_ASIDE: u64 = 30_000_000;
/// Number of filaments up to which it is told what they would bring, whatever the printer holds.
const CURVE_MAX: usize = 8;
/// Edge of the `OKLab` cells colours are grouped by where mixes are weighed, of which there are many more than filaments.
const MIXED_CELL: f64 = 0.04;

/// The filaments chosen for the figure and for each part.
#[derive(Clone, Debug, PartialEq)]
pub struct Palettes {
    /// Shelf indices in use, ascending: labels index into this.
    pub union: Vec<usize>,
    /// For each part, the labels it may use.
    pub of_part: Vec<Vec<u8>>,
    /// Mean difference, weighted by area and zone, for palettes of 1, 2, ... filaments.
    pub gain_curve: Vec<(usize, f64)>,
    /// How much lower than found the mean difference might be; 0 when the search was complete.
    pub gap: f64,
    /// Most filaments a palette could have had on this shelf.
    pub usable: usize,
    /// Mean difference as chosen, weighted by area and zone, and colours that would lower it most.
    pub mean: f64,
    /// The same with the mixes of the filaments, as dear as the settings say; as without where nothing is blended.
    pub mean_mixed: f64,
    pub wanted: Vec<Wanted>,
}

/// The shelf as the choice sees it.
pub struct Shelf<'a> {
    filaments: &'a [Filament],
    pub labs: Vec<Lab>,
    must: Vec<usize>,
    never: Vec<usize>,
}

impl<'a> Shelf<'a> {
    /// Reads the colours and finds the filaments named in the settings.
    ///
    /// # Errors
    /// When a colour cannot be read or a name is not on the shelf.
    pub fn new(filaments: &'a [Filament], settings: &ColourReduce) -> Result<Self, StageError> {
        let lab = |filament: &Filament| {
            filament.lab().ok_or_else(|| {
                let what = format!("filament `{}` has the colour `{}`", filament.name, filament.colour);
                StageError::failed(what, "write the colour on the shelf as sRGB, such as `#1F2A44`, or as Lab")
            })
        };
        let labs = filaments.iter().map(lab).collect::<Result<_, _>>()?;
        let find = |name: &String| {
            filaments.iter().position(|f| f.name == *name).ok_or_else(|| {
                let known: Vec<&str> = filaments.iter().map(|f| f.name.as_str()).collect();
                let hint = format!("the shelf has {}", known.join(", "));
                StageError::failed(format!("no filament is named `{name}`"), hint)
            })
        };
        let must = settings.must.iter().map(find).collect::<Result<_, _>>()?;
        let never = settings.never.iter().map(find).collect::<Result<_, _>>()?;
        Ok(Self { filaments, labs, must, never })
    }

    /// Sets of filaments that can be printed together: one material each, temperatures in common.
    fn groups(&self, printer: &Printer, material: Option<&str>) -> Vec<Vec<usize>> {
        let allowed = |j: &usize| {
            let filament = &self.filaments[*j];
            let is_wanted = material.is_none_or(|m| same_material(m, &filament.material));
            is_wanted && !self.never.contains(j) && filament.left_g > 0.0
        };
        let usable: Vec<usize> = (0..self.filaments.len()).filter(allowed).collect();
        let mut groups = BTreeSet::new();
        for &first in &usable {
            for &second in &usable {
                let (nozzle_c, bed_c) = (self.filaments[first].nozzle_c[0], self.filaments[second].bed_c[0]);
                let fits = |j: &usize| {
                    let filament = &self.filaments[*j];
                    let shares_nozzle = match printer.changer {
                        Changer::Heads => filament.nozzle_c[0] <= printer.nozzle_max_c,
                        Changer::Shared => nozzle_c <= printer.nozzle_max_c && contains(filament.nozzle_c, nozzle_c),
                    };
                    let shares_bed = bed_c <= printer.bed_max_c && contains(filament.bed_c, bed_c);
                    same_material(&filament.material, &self.filaments[first].material) && shares_nozzle && shares_bed
                };
                groups.insert(usable.iter().copied().filter(fits).collect::<Vec<_>>());
            }
        }
        let has_musts = |group: &Vec<usize>| !group.is_empty() && self.must.iter().all(|j| group.contains(j));
        let groups: Vec<_> = groups.into_iter().filter(has_musts).collect();
        let is_part =
            |group: &&Vec<usize>| !groups.iter().any(|other| other.len() > group.len() && is_subset(group, other));
        groups.iter().filter(is_part).cloned().collect()
    }
}

fn is_subset(group: &[usize], other: &[usize]) -> bool {
    group.iter().all(|j| other.contains(j))
}

fn same_material(x: &str, y: &str) -> bool {
    x.trim().eq_ignore_ascii_case(y.trim())
}

fn contains([low, high]: [f64; 2], temperature: f64) -> bool {
    (low..=high).contains(&temperature)
}

/// Colours of the figure, or of each part, weighted by area and zone.
#[must_use]
pub fn samples(surface: &Surface, shades: &Shades, zones: &[f32], settings: &ColourReduce) -> Vec<Vec<Sample>> {
    let mut weights = vec![0.0; surface.linear.len()];
    for (face, corners) in surface.corners.iter().enumerate() {
        for corner in corners {
            weights[*corner as usize] += f64::from(surface.area_mm2[face] * zones[face]) / 3.0;
        }
    }
    let cell = if settings.blends.is_some() { MIXED_CELL } else { CELL };
    let colours =
        |range: Range<usize>| choose::histogram(cell, range.map(|v| (shades.oklab[v].map(f64::from), weights[v])));
    match settings.for_each {
        ForEach::Figure => vec![colours(0..weights.len())],
        ForEach::Part => {
            let starts = &surface.vertex_start;
            let ends = starts.iter().skip(1).copied().chain([weights.len()]);
            let ranges: Vec<Range<usize>> = starts.iter().zip(ends).map(|(start, end)| *start..end).collect();
            ranges.into_par_iter().map(colours).collect()
        }
    }
}

/// Chooses the filaments for samples of the whole figure, or of each part.
///
/// # Errors
/// When no set of filaments on the shelf can be printed together.
pub fn choose<'s>(
    shelf: &Shelf,
    equipment: &Equipment,
    settings: &ColourReduce,
    samples: &'s [Vec<Sample>],
    parts: usize,
) -> Result<Palettes, StageError> {
    let size_max = size_max(settings, &equipment.printer);
    if shelf.must.len() > size_max {
        let what = format!("`must` names {} filaments, but a part can have {size_max}", shelf.must.len());
        return Err(StageError::failed(what, "name fewer, or take a printer that holds more"));
    }
    let groups = shelf.groups(&equipment.printer, settings.material.as_deref());
    let tried = groups.par_iter().map(|group| (group, choose_from(shelf, group, settings, size_max, samples)));
    let tried: Vec<(&Vec<usize>, Choices)> = tried.collect();
    let cost = |choices: &Choices| choices.iter().map(|(_, choice)| choice.cost).sum::<f64>();
    let best = tried.into_iter().min_by(|x, y| cost(&x.1).total_cmp(&cost(&y.1)));
    let Some((group, mut choices)) = best else {
        return Err(nothing_fits(shelf, settings));
    };
    let weight: f64 = samples.iter().flatten().map(|s| s.weight).sum::<f64>().max(f64::MIN_POSITIVE);
    if settings.for_each == ForEach::Part {
        spare_spools(&mut choices, &request(shelf, group, size_max), settings.spare_spool_de * weight);
    }

    let union: Vec<usize> = members(&choices).into_iter().map(|j| group[j]).collect();
    if union.len() > usize::from(u8::MAX) {
        let what = format!("the parts would need {} filaments together, expected at most 255", union.len());
        return Err(StageError::failed(what, "choose for the figure instead of each part"));
    }
    let label = |j: &usize| union.binary_search(&group[*j]).unwrap_or(0) as u8;
    let labels = |(_, choice): &(Costs, Choice)| choice.picked.iter().map(label).collect::<Vec<u8>>();
    let of_part = match settings.for_each {
        ForEach::Figure => vec![labels(&choices[0]); parts],
        ForEach::Part => choices.iter().map(labels).collect(),
    };
    let gap = choices.iter().map(|(_, choice)| choice.gap).sum::<f64>() / weight;
    let printed = |((_, choice), samples): (&(Costs, Choice), &'s Vec<Sample>)| {
        let of = |j: &usize| group[*j];
        let (musts, others): (Vec<usize>, Vec<usize>) =
            choice.picked.iter().map(of).partition(|j| shelf.must.contains(j));
        let filaments = musts.iter().chain(&others).map(|j| shelf.labs[*j]).collect();
        Printed { samples, filaments, must: musts.len() }
    };
    let printed: Vec<Printed<'_>> = choices.iter().zip(samples).map(printed).collect();
    Ok(Palettes {
        union,
        of_part,
        gain_curve: gain_curve(&choices, &request(shelf, group, size_max), weight),
        gap,
        usable: group.len(),
        mean: choices.iter().map(|(costs, choice)| costs.of_singles(&choice.picked)).sum::<f64>() / weight,
        mean_mixed: choices.iter().map(|(_, choice)| choice.cost).sum::<f64>() / weight,
        wanted: advice::wanted(&printed, size_max, settings.lightness_divisor()),
    })
}

/// Mean difference with palettes of 1, 2, ... filaments in each part.
fn gain_curve(choices: &Choices, request: &Request, weight: f64) -> Vec<(usize, f64)> {
    let usable = choices.first().map_or(0, |(costs, _)| costs.candidates());
    let most = request.size_max.max(CURVE_MAX.min(usable));
    let costs = |size: usize| {
        let work_max = if size > request.size_max { WORK_MAX_ASIDE } else { WORK_MAX };
        let request = Request { size_max: size, work_max, ..request.clone() };
        let cost = |(costs, _): &(Costs, Choice)| choose::choose(costs, &request).map_or(0.0, |choice| choice.cost);
        choices.par_iter().map(cost).collect::<Vec<f64>>().iter().sum::<f64>()
    };
    (1..=most).map(|size| (size, costs(size.max(request.must.len())) / weight)).collect()
}

/// Most filaments in one part.
pub fn size_max(settings: &ColourReduce, printer: &Printer) -> usize {
    settings.colours.unwrap_or(printer.tools).min(printer.tools).max(1)
}

fn request(shelf: &Shelf, group: &[usize], size_max: usize) -> Request {
    let must = shelf.must.iter().filter_map(|j| group.iter().position(|g| g == j)).collect();
    Request { size_max, must, never: Vec::new(), work_max: WORK_MAX }
}

/// A choice and what it was made from, for the figure or for each part.
type Choices = Vec<(Costs, Choice)>;

/// The best choice within one group for each list of samples.
fn choose_from(
    shelf: &Shelf,
    group: &[usize],
    settings: &ColourReduce,
    size_max: usize,
    samples: &[Vec<Sample>],
) -> Choices {
    let labs: Vec<Lab> = group.iter().map(|j| shelf.labs[*j]).collect();
    let request = request(shelf, group, size_max);
    let linear: Vec<_> = labs.iter().map(|lab| spaces::linear_of_lab(*lab)).collect();
    let mixes: Option<(Vec<Mix>, f64)> =
        settings.blends.map(|blends| (mix::possible(&linear, blends.bands_max, blends.spread), blends.price_de));
    let choices = samples.par_iter().filter_map(|samples| {
        let mut costs = Costs::new(samples, &labs, settings.lightness_divisor());
        if let Some((mixes, price_de)) = &mixes {
            costs = costs.with_mixes(samples, mixes, (*price_de, settings.lightness_divisor()));
        }
        let choice = choose::choose(&costs, &request)?;
        Some((costs, choice))
    });
    choices.collect()
}

/// Candidates that some part uses.
fn members(choices: &Choices) -> BTreeSet<usize> {
    choices.iter().flat_map(|(_, choice)| choice.picked.iter().copied()).collect()
}

/// Leaves out the spool that is missed least, as long as the sum of all parts' costs rises by less than one is worth: fewer
/// swaps between parts, and like colours on neighbouring parts come out of one spool.
fn spare_spools(choices: &mut Choices, request: &Request, worth: f64) {
    loop {
        let used = members(choices);
        let without = |spool: usize| -> Option<(f64, Vec<Choice>)> {
            let candidates = choices.first().map_or(0, |(costs, _)| costs.candidates());
            let never = (0..candidates).filter(|j| *j == spool || !used.contains(j)).collect();
            let narrower = Request { never, ..request.clone() };
            let other = |(costs, choice): &(Costs, Choice)| {
                let keeps = !choice.picked.contains(&spool);
                if keeps { Some(choice.clone()) } else { choose::choose(costs, &narrower) }
            };
            let others: Vec<Choice> = choices.iter().map(other).collect::<Option<_>>()?;
            let more = others.iter().zip(choices.iter()).map(|(new, (_, old))| new.cost - old.cost).sum();
            Some((more, others))
        };
        let spools: Vec<usize> = used.iter().copied().filter(|j| !request.must.contains(j)).collect();
        let tried: Vec<(f64, Vec<Choice>)> = spools.into_par_iter().filter_map(without).collect();
        let Some((more, others)) = tried.into_iter().min_by(|x, y| x.0.total_cmp(&y.0)) else { return };
        if more >= worth {
            return;
        }
        choices.iter_mut().zip(others).for_each(|((_, choice), other)| *choice = other);
    }
}

fn nothing_fits(shelf: &Shelf, settings: &ColourReduce) -> StageError {
    let what = match (&settings.material, settings.must.is_empty()) {
        (Some(material), _) => {
            format!("no filaments of material `{material}` on the shelf suit this printer and the settings")
        }
        (None, false) => format!("the filaments of `must` ({}) cannot be printed together", settings.must.join(", ")),
        (None, true) => format!("none of the {} filaments on the shelf suits this printer", shelf.filaments.len()),
    };
    let hint = "compare materials, temperature windows and grams left on the shelf with the printer's limits";
    StageError::failed(what, hint)
}
