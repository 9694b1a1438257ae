//! What a sliced part takes on one printer: grams of every filament by height, hours, changes, purge and its tower.

use super::Estimate;
use super::part::{STEPS, Sliced};
use crate::equipment::{Equipment, Printer};
use crate::figure::{Figure, PartEstimate, Tower};
use crate::mesh::label_layers::{LabelSet, changes_in_order};

/// Density taken when the shelf is empty, g/cm3: that of PLA.
const DENSITY_G_PER_CM3: f64 = 1.24;

/// Time to heat the bed and the nozzle (common practice, no source), s.
const HEAT_UP_SECS: f64 = 300.0;

/// Moving up and travelling between contours, per layer (common practice, no source), s.
const LAYER_SECS: f64 = 1.0;

/// A tower is at least this deep over its width, so that it stands (common practice, no source).
const TOWER_DEPTH_LEAST: f64 = 1.0 / 3.0;

/// Grams per mm3 of each palette entry; the shelf's first one before colours are reduced.
#[must_use]
pub fn densities(figure: &Figure, own: &Equipment) -> Vec<f64> {
    let first = own.shelf.first().map_or(DENSITY_G_PER_CM3, |filament| filament.density_g_per_cm3);
    let known = figure.palette.iter().map(|filament| filament.density_g_per_cm3);
    let per_cm3 = if figure.palette.is_empty() { vec![first] } else { known.collect() };
    per_cm3.into_iter().map(|density| density / 1000.0).collect()
}

/// A part on a printer.
#[derive(Clone, Copy, Debug)]
pub struct Takes<'a> {
    pub settings: &'a Estimate,
    pub printer: &'a Printer,
    /// Grams per mm3 of each palette entry.
    pub densities: &'a [f64],
    /// Whether the figure has a palette; without one no filament is told by name.
    pub coloured: bool,
}

impl Takes<'_> {
    /// All a part takes.
    #[must_use]
    pub fn of(&self, part: &Sliced) -> PartEstimate {
        let filament_g: Vec<f64> =
            part.volumes_mm3.iter().zip(self.densities).map(|(mm3, density)| mm3 * density).collect();
        let base_density = self.densities[part.base];
        let tower = self.tower(part);
        let tower_g = tower.map_or(0.0, |tower| tower.extra_g);
        let need_by_height_g = self.need_by_height_g(part, tower_g);
        let need_g: Vec<f64> = (0..filament_g.len()).map(|label| self.need_g(part, label, tower_g)).collect();
        let named = |list: Vec<f64>| if self.coloured { list } else { Vec::new() };
        PartEstimate {
            volume_mm3: part.volume_mm3,
            mass_g: filament_g.iter().sum(),
            support_g: part.support_mm3.iter().sum::<f64>() * base_density,
            purge_g: part.changes.count as f64 * self.printer.change_g + tower_g,
            layers: part.layers.count,
            tool_changes: part.changes.count,
            tool_changes_unordered: changes_in_order(&part.sets),
            seconds: self.seconds(part, tower_g / base_density),
            overhang_mm2: part.overhang_mm2,
            filament_g: named(filament_g),
            need_g: named(need_g),
            need_by_height_g: if self.coloured { need_by_height_g } else { Vec::new() },
            in_layers: if self.coloured { by_height(&part.sets, self.densities.len()) } else { Vec::new() },
            tower,
        }
    }

    /// Printing, layer by layer, no layer faster than it cools; then tool changes, what its tower takes beyond them, and
    /// heating up.
    fn seconds(&self, part: &Sliced, tower_mm3: f64) -> f64 {
        let grown = part.grown();
        let per_mm3 = self.settings.speed_factor / self.printer.flow_mm3_per_sec;
        let layer = |(plastic, support): (&f64, &f64)| {
            (LAYER_SECS + per_mm3 * (grown * plastic + support)).max(self.settings.minimum_layer_secs)
        };
        let layers: f64 = part.plastic.layers.iter().zip(&part.support_mm3).map(layer).sum();
        let changes = part.changes.count as f64 * self.printer.change_secs;
        self.printer.time_factor * (HEAT_UP_SECS + layers + changes + per_mm3 * tower_mm3)
    }

    /// Grams to have at hand: support and the tower's filling come from the base filament, each change purges the filament it
    /// loads.
    fn need_g(&self, part: &Sliced, label: usize, tower_g: f64) -> f64 {
        let loaded = part.changes.to_label.get(label).copied().unwrap_or(0);
        let own = part.volumes_mm3[label] * self.densities[label] + loaded as f64 * self.printer.change_g;
        let with_base = part.support_mm3.iter().sum::<f64>() * self.densities[label] + tower_g;
        own + if label == part.base { with_base } else { 0.0 }
    }

    /// The same up to the top of each step of height. A shell's plastic lies where the shell is, the core fills up each layer.
    fn need_by_height_g(&self, part: &Sliced, tower_g: f64) -> Vec<Vec<f32>> {
        let plastic = by_step(&part.plastic.layers);
        let grown = part.grown();
        let mut by_label: Vec<Vec<f64>> = part.shells_mm3.clone();
        for (label, steps) in by_label.iter_mut().enumerate() {
            let shell: f64 = steps.iter().sum();
            let fit = if shell > 0.0 { part.volumes_mm3[label] / shell } else { 0.0 };
            for mm3 in steps {
                *mm3 *= fit;
            }
        }
        let core =
            |step: usize| (grown * plastic[step] - by_label.iter().map(|steps| steps[step]).sum::<f64>()).max(0.0);
        by_label[part.base] = (0..STEPS).map(core).collect();
        let support = by_step(&part.support_mm3);
        let changed = part.changes.loaded.iter().map(|set| f64::from(set.count_ones())).collect::<Vec<_>>();
        let tower_end = changed.iter().rposition(|count| *count > 0.0).map_or(0, |layer| layer + 1);
        let tower: Vec<f64> = (0..part.layers.count).map(|layer| f64::from(u8::from(layer < tower_end))).collect();
        let tower = by_step(&tower);
        let row = |label: usize| {
            let purged: Vec<f64> = part.changes.loaded.iter().map(|set| (set >> label & 1) as f64).collect();
            let purged = by_step(&purged);
            let is_base = f64::from(u8::from(label == part.base));
            let of = |step: usize| {
                let plastic_g = self.densities[label] * (by_label[label][step] + is_base * support[step]);
                plastic_g
                    + self.printer.change_g * purged[step]
                    + is_base * tower_g * tower[step] / (tower_end.max(1) as f64)
            };
            let grams: Vec<f64> = (0..STEPS).map(of).collect();
            summed_up_to(&grams, self.need_g(part, label, tower_g))
        };
        (0..by_label.len()).map(row).collect()
    }

    /// The tower of a part with changes on a printer that has one.
    fn tower(&self, part: &Sliced) -> Option<Tower> {
        let tower = self.printer.purge_tower.filter(|_| part.changes.count > 0)?;
        let layer_mm = part.layers.layer_mm;
        let change_mm3 = self.printer.change_g / self.densities[part.base];
        let counts = || part.changes.loaded.iter().map(|set| f64::from(set.count_ones()));
        let most = counts().fold(0.0, f64::max);
        let depth_mm = (most * change_mm3 / (layer_mm * tower.width_mm)).max(TOWER_DEPTH_LEAST * tower.width_mm);
        let least_mm3 = tower.fill_share * tower.width_mm * depth_mm * layer_mm;
        let last = part.changes.loaded.iter().rposition(|set| *set != 0)?;
        let extra_mm3: f64 = counts().take(last + 1).map(|count| (least_mm3 - count * change_mm3).max(0.0)).sum();
        let height_mm = (last + 1) as f64 * layer_mm;
        Some(Tower { size_mm: [tower.width_mm, depth_mm, height_mm], extra_g: extra_mm3 * self.densities[part.base] })
    }
}

/// Sums of layers in [`STEPS`] steps; a layer that lies in two goes to the lower.
fn by_step(layers: &[f64]) -> Vec<f64> {
    let end = |step: usize| step * layers.len() / STEPS;
    (0..STEPS).map(|step| layers[end(step)..end(step + 1)].iter().sum()).collect()
}

/// Running sums, brought to end at `all`.
fn summed_up_to(steps: &[f64], all: f64) -> Vec<f32> {
    let total: f64 = steps.iter().sum();
    let fit = if total > 0.0 { all / total } else { 0.0 };
    let mut sum = 0.0;
    let step = |grams: &f64| {
        sum += fit * grams;
        sum as f32
    };
    steps.iter().map(step).collect()
}

/// For each label in how many of a hundred layers of each step it is needed.
fn by_height(sets: &[LabelSet], labels: usize) -> Vec<Vec<u8>> {
    let steps = STEPS.min(sets.len()).max(1);
    let share = |label: usize, step: usize| {
        let layers = &sets[step * sets.len() / steps..(step + 1) * sets.len() / steps];
        let with = layers.iter().filter(|set| **set >> label & 1 == 1).count();
        (100 * with).div_ceil(layers.len().max(1)) as u8
    };
    (0..labels).map(|label| (0..steps).map(|step| share(label, step)).collect()).collect()
}
