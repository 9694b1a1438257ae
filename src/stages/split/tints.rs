//! The figure's colours in a few tints, and how often the layers of parts would change between them: what a plan costs in tool
//! changes, told before any filament is chosen.

use rayon::prelude::*;
use serde::{Deserialize, Serialize};

use super::bed::Shape;
use super::blocks::Model;
use super::divide::Work;
use crate::colour::spaces::{Oklab, oklab_of_linear};
use crate::mesh::TriMesh;
use crate::mesh::cut::NO_SOURCE;

/// Most tints: spools that many printers hold (common practice: 4 or 5, no source).
pub(super) const TINTS: usize = 5;
/// Lightness counts so much of hue and chroma: light and shade are no filament.
const LIGHTNESS: f64 = 0.5;
/// Triangles asked for their colours, at least.
const ASKED: usize = 30_000;
/// Edge of the cells colours are gathered in, in `OKLab`.
const CELL: f64 = 0.02;
/// Tints closer than this would be one filament.
const APART: f64 = 0.08;
/// Rounds of moving each tint to the mean of its colours (Lloyd 1982).
const ROUNDS: usize = 8;
/// Least share of a layer's skin that counts as a colour of its own.
const SHARE_MIN: f64 = 0.03;
/// Triangles summed up at a time.
const CHUNK: usize = 1 << 14;
/// Layers are looked at this far apart in parts, mm.
const STEP_MM: f64 = 10.0;
/// Layers as they are mostly printed, mm (common practice, no source).
const LAYER_MM: f64 = 0.2;
/// Parts that as many tool changes are worth as printing the figure whole would take.
const WEIGHT: f64 = 3.0;
/// A figure with fewer is hardly coloured: tool changes per layer.
const PER_LAYER_MIN: f64 = 0.5;

/// Area of skin by tint, mm2.
pub(super) type Areas = [f64; TINTS];

/// The tint of every triangle of the whole figure, and the tool changes of printing it whole.
#[derive(Clone, Debug, Serialize, Deserialize)]
pub(super) struct Tints {
    of: Vec<u8>,
    whole: f64,
}

impl Tints {
    pub fn of(mesh: &TriMesh) -> Self {
        let colour = |c: &[f32; 3]| {
            let [l, a, b] = oklab_of_linear(*c);
            [LIGHTNESS * l, a, b]
        };
        let colours: Vec<Oklab> = mesh.colours.par_iter().map(colour).collect();
        let mean =
            |t: usize| mesh.triangles[t].iter().fold([0.0; 3], |sum, v| plus(sum, colours[*v as usize], 1.0 / 3.0));
        let means: Vec<Oklab> = (0..mesh.triangles.len()).into_par_iter().map(mean).collect();
        let asked = (0..means.len()).step_by((means.len() / ASKED).max(1));
        let centres = centres(&gathered(asked.map(|t| (means[t], mesh.area_vector(t).length()))));
        let of = means.par_iter().map(|m| nearest(&centres, *m) as u8).collect();
        let mut tints = Self { of, whole: 0.0 };
        let height_mm = Shape::of(mesh).size().z;
        let source = |t: usize| t as u32;
        tints.whole = tints.in_mesh(mesh, source, 2).max(PER_LAYER_MIN * height_mm / LAYER_MM);
        tints
    }

    /// The tint of a triangle of the whole figure.
    pub fn at(&self, t: usize) -> usize {
        usize::from(self.of[t])
    }

    /// Price of so many tool changes, in parts.
    pub fn price(&self, changes: f64) -> f64 {
        WEIGHT * changes / self.whole
    }

    /// Tool changes of a finished part, about, in the best of the poses it may have.
    pub fn of_part(&self, work: &Work) -> f64 {
        let shape = Shape::of(&work.mesh);
        in_best_pose(&shape, |axis| self.in_mesh(&work.mesh, |t| work.source[t], axis))
    }

    /// Tool changes of a piece in blocks that needs no further cut.
    pub fn of_model(model: &Model, shape: &Shape) -> f64 {
        in_best_pose(shape, |axis| {
            let lowest = model.blocks.iter().map(|b| b.at[axis]).min().unwrap_or(0);
            let mut layers: Vec<Areas> = Vec::new();
            for (b, block) in model.blocks.iter().enumerate() {
                let layer = usize::from(block.at[axis] - lowest);
                layers.resize(layers.len().max(layer + 1), [0.0; TINTS]);
                let skin = model.skin(b as u32);
                layers[layer].iter_mut().zip(skin.tints()).for_each(|(sum, area)| *sum += area);
            }
            changes(&layers, model.step_mm)
        })
    }

    /// Tool changes of layers across an axis.
    fn in_mesh(&self, mesh: &TriMesh, source: impl Fn(usize) -> u32 + Sync, axis: usize) -> f64 {
        let ends = mesh.positions.iter().map(|p| p[axis]).fold((f64::MAX, f64::MIN), |(l, h), z| (l.min(z), h.max(z)));
        let count = ((ends.1 - ends.0) / STEP_MM).max(0.0) as usize + 1;
        let in_chunk = |chunk: usize| {
            let mut layers = vec![[0.0; TINTS]; count];
            for t in CHUNK * chunk..mesh.triangles.len().min(CHUNK * (chunk + 1)) {
                let source = source(t);
                if source != NO_SOURCE && mesh.origins[t].is_outside() {
                    let middle = mesh.corners(t).iter().map(|p| p[axis]).sum::<f64>() / 3.0;
                    let layer = ((middle - ends.0) / STEP_MM) as usize;
                    layers[layer.min(count - 1)][self.at(source as usize)] += 0.5 * mesh.area_vector(t).length();
                }
            }
            layers
        };
        let chunks: Vec<Vec<Areas>> = (0..mesh.triangles.len().div_ceil(CHUNK)).into_par_iter().map(in_chunk).collect();
        let sum = |layer: usize| {
            chunks.iter().fold([0.0; TINTS], |sum: Areas, c| std::array::from_fn(|i| sum[i] + c[layer][i]))
        };
        changes(&(0..count).map(sum).collect::<Vec<_>>(), STEP_MM)
    }
}

/// The least over the axes a part can stand along; over all of them where none is known.
fn in_best_pose(shape: &Shape, changes: impl Fn(usize) -> f64) -> f64 {
    let has_foot = shape.has_foot();
    let any = has_foot.contains(&true);
    (0..3).filter(|axis| has_foot[*axis] || !any).map(changes).fold(f64::INFINITY, f64::min)
}

/// Tool changes of layers so thick, given the skin in each: one less in every printed layer than it has colours.
fn changes(layers: &[Areas], thick_mm: f64) -> f64 {
    let more = |areas: &Areas| {
        let least = SHARE_MIN * areas.iter().sum::<f64>();
        areas.iter().filter(|area| **area > least).count().saturating_sub(1)
    };
    layers.iter().map(more).sum::<usize>() as f64 * thick_mm / LAYER_MM
}

fn plus(sum: Oklab, colour: Oklab, weight: f64) -> Oklab {
    [0, 1, 2].map(|i| sum[i] + weight * colour[i])
}

fn squared(a: Oklab, b: Oklab) -> f64 {
    (0..3).map(|i| (a[i] - b[i]).powi(2)).sum()
}

fn nearest(centres: &[Oklab], colour: Oklab) -> usize {
    let off = |i: &usize| squared(centres[*i], colour);
    (0..centres.len()).min_by(|a, b| off(a).total_cmp(&off(b))).unwrap_or(0)
}

/// Mean colour and weight of each cell in use.
fn gathered(colours: impl Iterator<Item = (Oklab, f64)>) -> Vec<(Oklab, f64)> {
    let mut cells: std::collections::BTreeMap<[i32; 3], (Oklab, f64)> = std::collections::BTreeMap::new();
    for (colour, weight) in colours {
        let cell = cells.entry(colour.map(|c| (c / CELL).floor() as i32)).or_default();
        *cell = (plus(cell.0, colour, weight), cell.1 + weight);
    }
    let mean = |(sum, weight): (Oklab, f64)| (sum.map(|s| s / weight), weight);
    cells.into_values().filter(|cell| cell.1 > 0.0).map(mean).collect()
}

/// Tints for these colours: each next one where most is far from those there are, then moved to the means.
fn centres(colours: &[(Oklab, f64)]) -> Vec<Oklab> {
    let mut centres: Vec<Oklab> = Vec::new();
    while centres.len() < TINTS {
        let missed =
            |(colour, weight): &(Oklab, f64)| weight * centres.iter().map(|c| squared(*c, *colour)).fold(1.0, f64::min);
        match colours.iter().max_by(|a, b| missed(a).total_cmp(&missed(b))) {
            Some(next) if missed(next) > 0.0 => centres.push(next.0),
            _ => break,
        }
    }
    for _ in 0..ROUNDS {
        let mut sums = vec![([0.0; 3], 0.0); centres.len()];
        for (colour, weight) in colours {
            let (sum, total) = &mut sums[nearest(&centres, *colour)];
            (*sum, *total) = (plus(*sum, *colour, *weight), *total + weight);
        }
        for (centre, (sum, total)) in centres.iter_mut().zip(sums).filter(|(_, (_, total))| *total > 0.0) {
            *centre = sum.map(|s| s / total);
        }
    }
    let mut apart: Vec<Oklab> = Vec::new();
    for centre in centres {
        if apart.iter().all(|other| squared(*other, centre) > APART * APART) {
            apart.push(centre);
        }
    }
    apart
}

#[cfg(test)]
mod tests {
    use super::*;

    const RED: Oklab = [0.3, 0.2, 0.1];
    const BLUE: Oklab = [0.2, 0.0, -0.2];

    #[test]
    fn colours_far_apart_become_tints_and_shades_do_not() {
        let shaded = |colour: Oklab, by: f64| [colour[0] + by, colour[1], colour[2]];
        let colours: Vec<(Oklab, f64)> =
            [RED, BLUE].iter().flat_map(|c| (0..9).map(|i| (shaded(*c, 0.004 * f64::from(i)), 1.0))).collect();
        let found = centres(&gathered(colours.into_iter()));
        assert_eq!(found.len(), 2, "{found:?}");
        assert!(nearest(&found, RED) != nearest(&found, BLUE));
    }

    #[test]
    fn a_layer_changes_once_less_than_it_has_colours() {
        let [one, two, speck] = [[5.0, 0.0, 0.0, 0.0, 0.0], [5.0, 5.0, 0.0, 0.0, 0.0], [5.0, 0.01, 0.0, 0.0, 0.0]];
        assert_eq!(changes(&[one, two, speck, two], 10.0), 100.0);
    }
}
