//! What each region of colour is printed with after the trade.

use rayon::prelude::*;

use crate::colour::difference::ciede2000;
use crate::colour::spaces::{self, Lab, Oklab};
use crate::figure::ColourRegion;
use crate::surface::Surface;

/// The regions with the filaments that most of them have now, given old and new labels of the faces. A face belongs to the
/// region whose mean colour is nearest (`OKLab`); regions that no relabelled face belongs to stay as they are.
#[must_use]
pub fn regions(old: &[ColourRegion], surface: &Surface, labels: [&[u8]; 2], filaments: &[Lab]) -> Vec<ColourRegion> {
    let colour = |region: &ColourRegion| spaces::parse_hex(&region.colour).map(spaces::linear_of_bytes);
    let Some(means) = old.iter().map(colour).collect::<Option<Vec<_>>>().filter(|means| !means.is_empty()) else {
        return old.to_vec();
    };
    let near: Vec<Oklab> = means.iter().map(|mean| spaces::oklab_of_linear(*mean)).collect();
    let nearest = |face: usize| {
        let own = spaces::oklab_of_linear(surface.colour(face));
        let off = |i: &usize| -> f64 { own.iter().zip(near[*i]).map(|(x, y)| (x - y) * (x - y)).sum() };
        (0..near.len()).min_by(|a, b| off(a).total_cmp(&off(b))).unwrap_or(0)
    };
    let region_of: Vec<usize> = (0..surface.len()).into_par_iter().map(nearest).collect();
    let mut areas = vec![vec![0.0_f64; filaments.len()]; old.len()];
    let mut touched = vec![false; old.len()];
    for (face, region) in region_of.iter().enumerate() {
        areas[*region][usize::from(labels[1][face])] += f64::from(surface.area_mm2[face]);
        touched[*region] |= labels[0][face] != labels[1][face];
    }
    let anew = |(i, region): (usize, &ColourRegion)| {
        let all: f64 = areas[i].iter().sum();
        if !touched[i] || all <= 0.0 {
            return region.clone();
        }
        let most =
            (0..filaments.len()).max_by(|a, b| areas[i][*a].total_cmp(&areas[i][*b]).then(b.cmp(a))).unwrap_or(0);
        let distance = ciede2000(spaces::lab_of_linear(means[i]), filaments[most]);
        ColourRegion { filament: most as u8, share: areas[i][most] / all, distance, ..region.clone() }
    };
    old.iter().enumerate().map(anew).collect()
}
