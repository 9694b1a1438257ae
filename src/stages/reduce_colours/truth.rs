//! How far the printed colours are from the scan's, beside the best that one filament for each triangle could do.

use rayon::prelude::*;

use super::drawn::Drawn;
use super::labels::Task;
use crate::colour::difference::ciede2000;
use crate::colour::spaces::{self, Lab};

/// Stands for the difference of a label that a part may not use; finite, as it is multiplied by areas of zero.
const FAR: f64 = 1e9;

/// Mean and 95th percentile of colour differences by area.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Spread {
    pub mean: f64,
    pub p95: f64,
}

/// Differences of colours from what is printed.
#[derive(Clone, Debug, PartialEq)]
pub struct Truth {
    /// With the best filament of its part for each triangle of the scan.
    pub best: Spread,
    /// With the labels.
    pub labels: Spread,
    /// Mean with the labels over the mean with the best, in the worst part.
    pub excess_worst: f64,
}

impl Truth {
    /// Mean with the labels over the mean with the best.
    #[must_use]
    pub fn excess(&self) -> f64 {
        self.labels.mean - self.best.mean
    }
}

/// Differences (CIEDE2000) of each label from the colour of each piece of a triangle.
pub trait Differences: Sync {
    fn of(&self, piece: usize, label: u8) -> f64;
}

/// From one colour for each triangle of the scan.
pub struct OfTriangles<'a, C> {
    pub drawn: &'a Drawn,
    pub palette: &'a [Lab],
    pub colour: C,
}

impl<C: Fn(usize) -> Lab + Sync> Differences for OfTriangles<'_, C> {
    fn of(&self, piece: usize, label: u8) -> f64 {
        ciede2000((self.colour)(self.drawn.source[piece] as usize), self.palette[usize::from(label)])
    }
}

/// From colours that change evenly between the corners of the pieces: the mean over the corners.
#[derive(Debug)]
pub struct OfCorners<'a> {
    drawn: &'a Drawn,
    labels: usize,
    /// Label `l` of vertex `v` at `v * labels + l`.
    differences: Vec<f32>,
}

impl<'a> OfCorners<'a> {
    #[must_use]
    pub fn new(drawn: &'a Drawn, palette: &[Lab]) -> Self {
        let colours = &drawn.surface.linear;
        let mut differences = vec![0.0; colours.len() * palette.len()];
        differences.par_chunks_mut(palette.len().max(1)).zip(colours).for_each(|(row, colour)| {
            let lab = spaces::lab_of_linear(*colour);
            for (difference, filament) in row.iter_mut().zip(palette) {
                *difference = ciede2000(lab, *filament) as f32;
            }
        });
        Self { drawn, labels: palette.len(), differences }
    }
}

impl Differences for OfCorners<'_> {
    fn of(&self, piece: usize, label: u8) -> f64 {
        let at = |corner: u32| f64::from(self.differences[corner as usize * self.labels + usize::from(label)]);
        self.drawn.surface.corners[piece].into_iter().map(at).sum::<f64>() / 3.0
    }
}

/// Measures how far the labels of the pieces are from the scan.
#[must_use]
pub fn truth(task: &Task, drawn: &Drawn, differences: &impl Differences) -> Truth {
    let (surface, labels) = (&drawn.surface, &drawn.labels);
    let best = best_of_pieces(task, drawn, differences);
    let mine: Vec<f64> = (0..surface.len()).into_par_iter().map(|piece| differences.of(piece, labels[piece])).collect();
    let excess = |pieces: &[usize]| {
        let range = pieces[0]..pieces[1];
        let area: f64 = range.clone().map(|p| f64::from(surface.area_mm2[p])).sum();
        let sum: f64 = range.map(|p| f64::from(surface.area_mm2[p]) * (mine[p] - best[p])).sum();
        sum / area.max(f64::MIN_POSITIVE)
    };
    let excess_worst = surface.part_start.windows(2).map(excess).fold(0.0, f64::max);
    let spread = |values: Vec<f64>| spread(values.into_iter().zip(&surface.area_mm2));
    Truth { labels: spread(mine), excess_worst, best: spread(best) }
}

/// The difference of each piece under the one label that is best for the whole triangle it is a piece of.
fn best_of_pieces(task: &Task, drawn: &Drawn, differences: &impl Differences) -> Vec<f64> {
    let (count, area) = (task.labels(), &drawn.surface.area_mm2);
    let mut rows = vec![FAR; drawn.source.len() * count];
    rows.par_chunks_mut(count.max(1)).enumerate().for_each(|(piece, row)| {
        for label in task.allowed(drawn.source[piece] as usize) {
            row[usize::from(*label)] = differences.of(piece, *label);
        }
    });
    let mut sums = vec![0.0; task.surface.len() * count];
    for ((source, area), row) in drawn.source.iter().zip(area).zip(rows.chunks(count.max(1))) {
        for (sum, difference) in sums[*source as usize * count..].iter_mut().zip(row) {
            *sum += f64::from(*area) * difference;
        }
    }
    let best = |(source, row): (&u32, &[f64])| {
        let all = &sums[*source as usize * count..][..count];
        all.iter().zip(row).min_by(|x, y| x.0.total_cmp(y.0)).map_or(0.0, |(_, difference)| *difference)
    };
    drawn.source.par_iter().zip(rows.par_chunks(count.max(1))).map(best).collect()
}

/// The filament nearest to the colour of each triangle, whatever its neighbours have. Colours are linear, of vertices.
#[must_use]
pub fn unsmoothed(task: &Task, palette: &[Lab], colours: &[[f32; 3]]) -> Vec<u8> {
    let nearest = |face: usize| {
        let [x, y, z] = task.surface.corners[face].map(|v| colours[v as usize]);
        let lab = spaces::lab_of_linear([0, 1, 2].map(|i| (x[i] + y[i] + z[i]) / 3.0));
        let difference = |label: &u8| ciede2000(lab, palette[usize::from(*label)]);
        let allowed = task.allowed(face).iter().map(|label| (difference(label), *label));
        allowed.min_by(|x, y| x.0.total_cmp(&y.0)).map_or(0, |(_, label)| label)
    };
    (0..task.surface.len()).into_par_iter().map(nearest).collect()
}

/// Mean and percentile of weighted values, the percentile to a hundredth.
fn spread<'a>(values: impl Iterator<Item = (f64, &'a f32)>) -> Spread {
    let mut bins = vec![0.0; 20_000];
    let (mut sum, mut weights) = (0.0, 0.0);
    for (value, &weight) in values {
        let weight = f64::from(weight);
        bins[((value * 100.0) as usize).min(19_999)] += weight;
        sum += value * weight;
        weights += weight;
    }
    if weights <= 0.0 {
        return Spread::default();
    }
    let mut below = 0.0;
    let reaches = |bin: &f64| {
        below += bin;
        below >= 0.95 * weights
    };
    let p95 = bins.iter().position(reaches).unwrap_or(0) as f64 / 100.0;
    Spread { mean: sum / weights, p95 }
}
