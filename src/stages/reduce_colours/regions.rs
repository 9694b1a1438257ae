//! The colours of the scan, region by region, and what each is printed with.

use rayon::prelude::*;

use super::drawn::Drawn;
use super::shades::Shades;
use crate::colour::choose::{self, Sample};
use crate::colour::difference::ciede2000;
use crate::colour::spaces::{self, Lab};
use crate::figure::ColourRegion;
use crate::surface::Surface;

/// Colours closer than this to a region's belong to it, dE.
const NEAR_DE: f64 = 10.0;
/// Most regions, and the least share of the surface for one.
const MOST: usize = 12;
const SHARE_MIN: f64 = 0.004;

/// The regions of like colour, the largest first: `filaments` are those the labels stand for.
#[must_use]
pub fn regions(surface: &Surface, shades: &Shades, drawn: &Drawn, filaments: &[Lab]) -> Vec<ColourRegion> {
    let colours: Vec<Lab> = (0..surface.len()).into_par_iter().map(|face| shades.of_face(surface, face)).collect();
    let oklab = |face: usize| shades.oklab_of_face(surface, face).map(f64::from);
    let weighed = (0..surface.len()).map(|face| (oklab(face), f64::from(surface.area_mm2[face])));
    let seeds = seeds(&choose::histogram(choose::CELL, weighed));
    if seeds.is_empty() {
        return Vec::new();
    }
    let nearest = |lab: &Lab| {
        let off = |i: &usize| ciede2000(*lab, seeds[*i]);
        (0..seeds.len()).min_by(|a, b| off(a).total_cmp(&off(b))).unwrap_or(0)
    };
    let region_of: Vec<usize> = colours.par_iter().map(nearest).collect();
    let mut sums = vec![([0.0_f64; 3], vec![0.0_f64; filaments.len()]); seeds.len()];
    for (face, label) in drawn.labels.iter().enumerate() {
        let source = drawn.source[face] as usize;
        let (colour, of_label) = &mut sums[region_of[source]];
        let area = f64::from(drawn.surface.area_mm2[face]);
        let Lab { l, a, b } = colours[source];
        colour.iter_mut().zip([l, a, b]).for_each(|(sum, x)| *sum += area * x);
        of_label[usize::from(*label)] += area;
    }
    let mut regions: Vec<ColourRegion> =
        sums.iter().filter_map(|(colour, areas)| region(colour, areas, filaments)).collect();
    regions.sort_by(|x, y| y.area_mm2.total_cmp(&x.area_mm2));
    regions
}

/// Colours in the middle of regions: each time the one most of what is left is like.
fn seeds(cells: &[Sample]) -> Vec<Lab> {
    let all: f64 = cells.iter().map(|cell| cell.weight).sum();
    let mut left: Vec<Sample> = cells.to_vec();
    left.sort_by(|x, y| y.weight.total_cmp(&x.weight));
    let mut seeds = Vec::new();
    while let Some(seed) = left.first().map(|cell| cell.lab).filter(|_| seeds.len() < MOST) {
        let (near, rest): (Vec<Sample>, Vec<Sample>) =
            left.iter().partition(|cell| ciede2000(cell.lab, seed) < NEAR_DE);
        left = rest;
        let weight: f64 = near.iter().map(|cell| cell.weight).sum();
        if weight >= SHARE_MIN * all {
            seeds.push(seed);
        }
    }
    seeds
}

fn region(colour: &[f64; 3], areas: &[f64], filaments: &[Lab]) -> Option<ColourRegion> {
    let area_mm2: f64 = areas.iter().sum();
    let label = (0..areas.len()).max_by(|a, b| areas[*a].total_cmp(&areas[*b]).then(b.cmp(a)))?;
    if area_mm2 <= 0.0 {
        return None;
    }
    let [l, a, b] = colour.map(|sum| sum / area_mm2);
    let lab = Lab { l, a, b };
    Some(ColourRegion {
        colour: spaces::format_hex(spaces::bytes_of_linear(spaces::linear_of_lab(lab))),
        area_mm2,
        filament: label as u8,
        share: areas[label] / area_mm2,
        distance: ciede2000(lab, filaments[label]),
    })
}
