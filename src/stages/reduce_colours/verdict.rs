//! How true the chosen colours are: numbers for the log, and regions no filament comes close to.

use glam::DVec3;
use rayon::prelude::*;

use super::advice::Wanted;
use super::features::Kept;
use super::labels::Task;
use super::palette::Palettes;
use super::shades::Shades;
use crate::colour::choose::{self, Sample};
use crate::colour::difference::{ciede2000, ciede2000_weighted};
use crate::colour::spaces::{self, Lab};
use crate::equipment::Filament;
use crate::figure::Figure;
use crate::finding::{Finding, Severity};
use crate::surface::Surface;

/// Difference from which a colour is another colour (common practice, no source).
const POOR_DE: f64 = 10.0;
/// Colours closer than this belong to one region.
const REGION_DE: f64 = 15.0;
/// Least share of the weighted surface for a region to be told of.
const REGION_SHARE: f64 = 0.01;
/// Share of the mean difference from which a filament more is worth a word.
const WANTED_GAIN: f64 = 0.05;
/// Most regions told of.
const REGIONS_MAX: usize = 5;

/// What the shelf offers, for judging regions.
#[derive(Clone, Copy, Debug)]
pub struct Offer<'a> {
    pub shelf: &'a [Filament],
    pub labs: &'a [Lab],
    /// Shelf indices of the palette.
    pub palette: &'a [usize],
    /// What mixes of the palette look like, where a later stage makes them.
    pub mixes: &'a [Lab],
    pub lightness_divisor: f64,
}

/// A finding for each region of like colour that no filament of the palette comes close to.
#[must_use]
pub fn poor_regions(figure: &Figure, task: &Task, shades: &Shades, offer: Offer) -> Vec<Finding> {
    let surface = task.surface;
    let is_poor = |face: &usize| {
        let best = task.allowed(*face).iter().map(|label| task.cost(*face, *label)).fold(f32::INFINITY, f32::min);
        f64::from(best) > POOR_DE * f64::from(task.weight(*face))
    };
    let poor: Vec<usize> = (0..surface.len()).into_par_iter().filter(is_poor).collect();
    let colour = |face: &usize| spaces::oklab_of_linear(spaces::linear_of_lab(shades.of_face(surface, *face)));
    let mut cells = choose::histogram(choose::CELL, poor.iter().map(|f| (colour(f), f64::from(task.weight(*f)))));
    cells.sort_by(|x, y| y.weight.total_cmp(&x.weight));
    let all: f64 = (0..surface.len()).map(|f| f64::from(task.weight(f))).sum();

    let mut findings = Vec::new();
    while let Some(seed) = cells.first().copied() {
        let (near, rest): (Vec<Sample>, Vec<Sample>) =
            cells.iter().partition(|cell| ciede2000(cell.lab, seed.lab) < REGION_DE);
        cells = rest;
        let weight: f64 = near.iter().map(|cell| cell.weight).sum();
        if weight < REGION_SHARE * all || findings.len() == REGIONS_MAX {
            continue;
        }
        let inside = |face: &&usize| ciede2000(shades.of_face(surface, **face), seed.lab) < REGION_DE;
        let faces: Vec<usize> = poor.iter().filter(inside).copied().collect();
        findings.extend(region(figure, surface, &faces, mean(&near), offer));
    }
    findings
}

/// Tells which one or two filaments would help most; none when they would help little.
#[must_use]
pub fn wanted(palettes: &Palettes) -> Option<Finding> {
    let [first, more @ ..] = palettes.wanted.as_slice() else { return None };
    if palettes.mean - first.mean_with < WANTED_GAIN * palettes.mean {
        return None;
    }
    let words = |wanted: &Wanted| {
        let hex = spaces::format_hex(spaces::bytes_of_linear(spaces::linear_of_lab(wanted.lab)));
        format!("{} of about {hex}", colour_word(wanted.lab))
    };
    let what = format!(
        "the filament missed most is {}: with it the mean difference falls from {:.1} to {:.1} dE",
        words(first),
        palettes.mean,
        first.mean_with
    );
    let next = more.first().filter(|second| first.mean_with - second.mean_with >= WANTED_GAIN * palettes.mean);
    let hint = match next {
        Some(second) => format!("with {} as well to {:.1} dE", words(second), second.mean_with),
        None => "put one like it on the shelf, of the same material".to_owned(),
    };
    Some(Finding::new(Severity::Note, what).hint(hint))
}

/// Tells what became of marks in the face that are too small to print.
#[must_use]
pub fn features(kept: Kept) -> Option<Finding> {
    let count = if kept.lost > 0 { kept.lost } else { kept.enlarged };
    let (marks, are) = if count == 1 { ("a mark".to_owned(), "is") } else { (format!("{count} marks"), "are") };
    match kept {
        Kept { enlarged: 0, lost: 0 } => None,
        Kept { lost: 0, .. } => {
            let what =
                format!("{marks} in the face, such as eyes, brows or lips, {are} drawn larger, to be printed at all");
            Some(
                Finding::new(Severity::Note, what)
                    .hint("set `feature_growth_max: 1` to have them true to size or not at all"),
            )
        }
        Kept { .. } => {
            let what =
                format!("{marks} in the face, such as eyes, brows or lips, {are} too small to print and left out");
            let hint = "print larger, lower `patch_min_mm2`, raise `feature_growth_max`, or paint them by hand";
            Some(Finding::new(Severity::Warning, what).hint(hint))
        }
    }
}

fn mean(samples: &[Sample]) -> Lab {
    let weight: f64 = samples.iter().map(|s| s.weight).sum();
    let part = |axis: fn(Lab) -> f64| samples.iter().map(|s| s.weight * axis(s.lab)).sum::<f64>() / weight;
    Lab { l: part(|lab| lab.l), a: part(|lab| lab.a), b: part(|lab| lab.b) }
}

/// Words for one region; none when a filament in use, or a mix, comes close to its mean.
fn region(figure: &Figure, surface: &Surface, faces: &[usize], lab: Lab, offer: Offer) -> Option<Finding> {
    let differ = |j: &usize| ciede2000_weighted(lab, offer.labs[*j], offer.lightness_divisor);
    let nearest = |all: &mut dyn Iterator<Item = usize>| all.min_by(|x, y| differ(x).total_cmp(&differ(y)));
    let used = nearest(&mut offer.palette.iter().copied()).filter(|j| differ(j) > POOR_DE)?;
    if offer.mixes.iter().any(|mix| ciede2000_weighted(lab, *mix, offer.lightness_divisor) <= POOR_DE) {
        return None;
    }
    let area_cm2 = faces.iter().map(|f| f64::from(surface.area_mm2[*f])).sum::<f64>() / 100.0;
    let hex = spaces::format_hex(spaces::bytes_of_linear(spaces::linear_of_lab(lab)));
    let what = format!(
        "{} of about {hex} on {area_cm2:.0} cm2 is not met: the nearest filament in use, `{}`, is {:.0} dE away",
        colour_word(lab),
        offer.shelf[used].name,
        differ(&used)
    );
    let better = nearest(&mut (0..offer.shelf.len())).filter(|j| differ(j) <= POOR_DE && !offer.palette.contains(j));
    let hint = match better.map(|j| (&offer.shelf[j], differ(&j))) {
        Some((Filament { name, material, .. }, de)) => format!(
            "`{name}` ({material}) is only {de:.0} dE away: allow more colours, choose for each part, or name it in `must`"
        ),
        None => format!("add a filament of about {hex} to the shelf"),
    };
    let finding = Finding::new(Severity::Warning, what).at(height_range(figure, surface, faces)).hint(hint);
    Some(finding.spots(spots(figure, surface, faces)))
}

/// Some points of a region, evenly among its faces.
fn spots(figure: &Figure, surface: &Surface, faces: &[usize]) -> Vec<DVec3> {
    const SPOTS: usize = 12;
    let middle = |face: &usize| {
        let mesh = &figure.parts[usize::from(surface.part[*face])].mesh;
        mesh.corners(surface.triangle[*face] as usize).into_iter().sum::<DVec3>() / 3.0
    };
    faces.iter().step_by(faces.len().div_ceil(SPOTS).max(1)).map(middle).collect()
}

/// Where faces lie, as heights above the figure's base; a twentieth of the faces at either end is left out.
fn height_range(figure: &Figure, surface: &Surface, faces: &[usize]) -> String {
    let (low, high) = figure.bounds();
    let height = |face: &usize| {
        let mesh = &figure.parts[usize::from(surface.part[*face])].mesh;
        mesh.corners(surface.triangle[*face] as usize)[0].z - low.z
    };
    let mut heights: Vec<f64> = faces.iter().map(height).collect();
    heights.sort_by(f64::total_cmp);
    let at = |share: f64| heights.get((share * heights.len() as f64) as usize).copied().unwrap_or(0.0);
    format!("{:.0} to {:.0} mm up, of {:.0} mm", at(0.05), at(0.95), high.z - low.z)
}

/// A plain word for a colour.
fn colour_word(lab: Lab) -> &'static str {
    let (hue, chroma) = (lab.hue_deg(), lab.chroma());
    if chroma < 8.0 {
        return match lab.l {
            l if l < 25.0 => "black",
            l if l > 85.0 => "white",
            _ => "grey",
        };
    }
    match hue {
        h if h < 90.0 && chroma < 45.0 && lab.l < 55.0 && h > 25.0 => "brown",
        h if h < 90.0 && chroma < 30.0 && h > 25.0 => "beige",
        h if !(20.0..350.0).contains(&h) && lab.l > 60.0 => "pink",
        h if !(45.0..345.0).contains(&h) => "red",
        h if h < 75.0 => "orange",
        h if h < 110.0 => "yellow",
        h if h < 195.0 => "green",
        h if h < 295.0 => "blue",
        _ => "purple",
    }
}
