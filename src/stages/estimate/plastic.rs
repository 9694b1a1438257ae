//! How much plastic a part takes, layer by layer: sections are exact in every layer; what is sparse inside them is
//! found by polygon insets in sampled layers and interpolated as a share of the section between them.
//!
//! The shell is what lies nearer to the surface than the walls' thickness sideways or the top layers' thickness up and
//! down, with the corner between the two rounded, so that slopes are as thick as walls. The rounding is drawn in steps
//! of 22.5 degrees: on a sphere the plastic is right within half a percent, on upright and level faces exactly.

use std::collections::BTreeMap;
use std::f64::consts::FRAC_PI_2;

use rayon::prelude::*;

use crate::mesh::region::Region;
use crate::mesh::slice::{Layers, Slicer};

/// How a part is filled.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Filling {
    /// Thickness of all walls together, mm.
    pub wall_mm: f64,
    /// Thickness of the closed layers above and below, mm.
    pub skin_mm: f64,
    /// Share of the inside that is plastic, 0 to 1.
    pub infill_share: f64,
    /// How far contours may be simplified before they are inset, mm.
    pub tolerance_mm: f64,
}

/// Volumes of a part in mm3.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Plastic {
    /// Plastic of each layer, bottom first.
    pub layers: Vec<f64>,
    /// The closed shell.
    pub shell: f64,
    /// What the shell encloses, to be filled sparsely.
    pub sparse: f64,
}

/// Steps in which the shell's corner between sideways and up is rounded.
const ROUNDING_STEPS: u32 = 4;

/// Stretches a part is first looked at in.
const FIRST_STRETCHES: usize = 8;

/// A stretch is halved while its middle layer changes the part's plastic by more than this share.
const ERROR_SHARE: f64 = 5e-4;

/// A step of the section's area by this share between two layers is looked at from both sides.
const AREA_STEP_SHARE: f64 = 0.1;

/// Plastic of a part whose sections have these areas.
#[must_use]
pub fn plastic(slicer: &Slicer<'_>, area_mm2: &[f64], layers: Layers, filling: &Filling) -> Plastic {
    let sparse = sparse_shares(slicer, area_mm2, layers, filling);
    let h = layers.layer_mm;
    let sparse_mm3: Vec<f64> = area_mm2.iter().zip(&sparse).map(|(area, share)| h * area * share).collect();
    let solid_mm3 = area_mm2.iter().map(|area| h * area);
    let plastic_mm3 = solid_mm3.zip(&sparse_mm3).map(|(solid, sparse)| solid - (1.0 - filling.infill_share) * sparse);
    let total_sparse: f64 = sparse_mm3.iter().sum();
    Plastic {
        layers: plastic_mm3.collect(),
        shell: h * area_mm2.iter().sum::<f64>() - total_sparse,
        sparse: total_sparse,
    }
}

/// Share of each layer's section that is filled sparsely: sampled where it changes, linear between samples.
fn sparse_shares(slicer: &Slicer<'_>, area_mm2: &[f64], layers: Layers, filling: &Filling) -> Vec<f64> {
    let count = area_mm2.len();
    if count == 0 {
        return Vec::new();
    }
    let measure = |wanted: &[usize]| -> Vec<f64> {
        wanted.par_iter().map(|&i| sparse_share(slicer, layers.middle_mm(i), area_mm2[i], filling)).collect()
    };
    let start = first_samples(area_mm2, layers, filling);
    let mut known: BTreeMap<usize, f64> = start.iter().copied().zip(measure(&start)).collect();
    let limit = ERROR_SHARE * area_mm2.iter().sum::<f64>();
    let mut open: Vec<(usize, usize)> = start.windows(2).map(|pair| (pair[0], pair[1])).collect();
    loop {
        open.retain(|(a, b)| b - a > 1);
        if open.is_empty() {
            break;
        }
        let middles: Vec<usize> = open.iter().map(|(a, b)| usize::midpoint(*a, *b)).collect();
        let found = measure(&middles);
        let mut next = Vec::new();
        for ((&(a, b), &middle), &share) in open.iter().zip(&middles).zip(&found) {
            let guess = f64::midpoint(known[&a], known[&b]);
            let weight: f64 = area_mm2[a..b].iter().sum();
            if (share - guess).abs() * weight > limit {
                next.extend([(a, middle), (middle, b)]);
            }
            known.insert(middle, share);
        }
        open = next;
    }
    interpolate(&known, count)
}

/// Layers to look at first: even stretches, and both sides of every sudden change of the section.
fn first_samples(area_mm2: &[f64], layers: Layers, filling: &Filling) -> Vec<usize> {
    let last = area_mm2.len() - 1;
    let largest = area_mm2.iter().copied().fold(0.0, f64::max);
    let reach = (filling.skin_mm / layers.layer_mm).round() as usize;
    let mut samples: Vec<usize> = (0..=FIRST_STRETCHES).map(|i| i * last / FIRST_STRETCHES).collect();
    samples.extend([reach, last.saturating_sub(reach)]);
    for i in 1..=last {
        if (area_mm2[i] - area_mm2[i - 1]).abs() > AREA_STEP_SHARE * largest {
            samples.extend([i.saturating_sub(reach + 1), i.saturating_sub(reach), i - 1, i, i + reach - reach.min(1)]);
            samples.push(i + reach);
        }
    }
    for sample in &mut samples {
        *sample = (*sample).min(last);
    }
    samples.sort_unstable();
    samples.dedup();
    samples
}

fn interpolate(known: &BTreeMap<usize, f64>, count: usize) -> Vec<f64> {
    let mut shares = vec![0.0; count];
    for ((&a, &at_a), (&b, &at_b)) in known.iter().zip(known.iter().skip(1)) {
        for (i, share) in shares.iter_mut().enumerate().take(b + 1).skip(a) {
            *share = at_a + (at_b - at_a) * (i - a) as f64 / (b - a) as f64;
        }
    }
    if let (1, Some(&only)) = (known.len(), known.values().next()) {
        shares.fill(only);
    }
    shares
}

/// Share of the section at a height that lies deeper than the shell on all sides.
fn sparse_share(slicer: &Slicer<'_>, z_mm: f64, area_mm2: f64, filling: &Filling) -> f64 {
    if area_mm2 <= 0.0 {
        return 0.0;
    }
    let mut regions = vec![section(slicer, z_mm, filling, filling.wall_mm)];
    let steps = if filling.skin_mm > 0.0 { ROUNDING_STEPS } else { 0 };
    for step in 1..=steps {
        let (up, side) = (FRAC_PI_2 * f64::from(step) / f64::from(ROUNDING_STEPS)).sin_cos();
        for dz in [up * filling.skin_mm, -up * filling.skin_mm] {
            if regions.last().is_some_and(Region::is_empty) {
                return 0.0;
            }
            regions.push(section(slicer, z_mm + dz, filling, side * filling.wall_mm));
        }
    }
    let all: Vec<&Region> = regions.iter().collect();
    (Region::common_area_mm2(&all) / area_mm2).clamp(0.0, 1.0)
}

fn section(slicer: &Slicer<'_>, z_mm: f64, filling: &Filling, inset_mm: f64) -> Region {
    Region::from_loops(&slicer.loops(z_mm), filling.tolerance_mm).inset(inset_mm)
}
