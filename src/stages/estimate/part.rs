//! One part: its plastic, filaments, support, tool changes and time.

use glam::DVec3;
use rayon::prelude::*;

use super::Estimate;
use super::filaments::{Shares, flat_shell_mm3};
use super::plastic::{Filling, Plastic, plastic};
use crate::equipment::{Equipment, Filament};
use crate::figure::{Figure, Part, PartEstimate};
use crate::mesh::columns::{Column, OverhangRule, support_columns};
use crate::mesh::label_layers::{Changes, LabelSet, changes_in_order, fewest_changes};
use crate::mesh::measure;
use crate::mesh::shells::Coloured;
use crate::mesh::slice::{Layers, Slicer, layer_sums};
use crate::stage::StageError;

/// Density taken when the shelf is empty, g/cm3: that of PLA.
const DENSITY_G_PER_CM3: f64 = 1.24;

/// Time to heat the bed and the nozzle (common practice, no source), s.
const HEAT_UP_SECS: f64 = 300.0;

/// Moving up and travelling between contours, per layer (common practice, no source), s.
const LAYER_SECS: f64 = 1.0;

/// Grid cells along the longer side of a part when looking for overhang.
const CELLS_MAX: f64 = 250.0;

/// Contours are simplified by this share of a line before they are inset.
const TOLERANCE_LINES: f64 = 0.07;

/// A part's estimate with what only sums over all parts need.
#[derive(Clone, Debug)]
pub struct PartWork {
    pub estimate: PartEstimate,
    /// Palette entries the part is printed with, ascending.
    pub used: Vec<usize>,
    /// Centre of mass on the assembled figure, mm.
    pub centre: DVec3,
}

/// Everything printing one part takes.
///
/// # Errors
/// When the part has no bed pose.
pub fn estimate(settings: &Estimate, figure: &Figure, index: usize, own: &Equipment) -> Result<PartWork, StageError> {
    let part = &figure.parts[index];
    let Some(pose) = part.pose else {
        let what = format!("part {} has no bed pose", part.name);
        return Err(StageError::failed(what, "put `orient` before `estimate`"));
    };
    let positions: Vec<DVec3> = part.mesh.positions.par_iter().map(|p| pose.to_bed(*p)).collect();
    let labels = part.printed_labels().unwrap_or_default();
    let banded = figure.banded(index);
    let coloured = Coloured {
        positions: &positions,
        triangles: &part.mesh.triangles,
        labels: &labels,
        label_count: figure.palette.len().max(1),
        level: &banded,
    };
    Ok(Worker { settings, figure, part, own, coloured }.work())
}

/// Steps from the bed to the top in which layers are told of.
const STEPS: usize = 60;

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

struct Worker<'a> {
    settings: &'a Estimate,
    figure: &'a Figure,
    part: &'a Part,
    own: &'a Equipment,
    coloured: Coloured<'a>,
}

impl Worker<'_> {
    fn work(&self) -> PartWork {
        let layers = self.layers();
        let (positions, triangles) = (self.coloured.positions, self.coloured.triangles);
        let area_mm2 = layer_sums(positions, triangles, None, 1, layers).area_mm2;
        let filling = self.filling(layers);
        let plastic = plastic(&Slicer::new(positions, triangles), &area_mm2, layers, &filling);

        let label_area_mm2 = self.coloured.area_mm2();
        let base = self.part.core_label().map_or(0, usize::from).min(self.coloured.label_count - 1);
        let used: Vec<usize> = (0..label_area_mm2.len()).filter(|&l| label_area_mm2[l] > 0.0).collect();
        let inner = self.coloured.inner_positions(base, &self.depths_mm());
        let flat_mm3 = flat_shell_mm3(positions, triangles, filling.wall_mm, filling.skin_mm);
        let volumes = Shares {
            base,
            area_mm2: &label_area_mm2,
            shell_mm3: &self.coloured.shell_mm3(base, &inner),
            wall_mm: filling.wall_mm,
            fullness: if flat_mm3 > 0.0 { (plastic.shell / flat_mm3).clamp(0.0, 1.0) } else { 1.0 },
            infill_share: filling.infill_share,
            plastic_mm3: plastic.layers.iter().sum(),
        }
        .volume_mm3();

        let sets = self.coloured.layer_sets(layers, base, &inner);
        let changes = fewest_changes(&sets);
        let (columns, rule) = self.supports(layers);
        let support_mm3 = self.settings.support_share * rule.cell_mm * rule.cell_mm;
        let support = support_by_layer(&columns, support_mm3, layers);

        let grams = |label: usize, mm3: f64| mm3 / 1000.0 * self.density(label);
        let filament_g: Vec<f64> = volumes.iter().enumerate().map(|(label, mm3)| grams(label, *mm3)).collect();
        let support_g = grams(base, support.iter().sum());
        let mut estimate = PartEstimate {
            volume_mm3: measure::volume_mm3(&self.part.mesh),
            mass_g: filament_g.iter().sum(),
            support_g,
            purge_g: changes.count as f64 * self.own.printer.change_g,
            layers: layers.count,
            tool_changes: changes.count,
            tool_changes_unordered: changes_in_order(&sets),
            seconds: self.seconds(&plastic, &support, volumes.iter().sum(), changes.count),
            overhang_mm2: self.overhang_mm2(&rule),
            filament_g: if self.figure.palette.is_empty() { Vec::new() } else { filament_g },
            need_g: Vec::new(),
            in_layers: by_height(&sets, self.figure.palette.len()),
        };
        estimate.need_g = self.need_g(&estimate, &changes, base);
        PartWork { estimate, used, centre: self.centre(&plastic, &filling) }
    }

    fn layers(&self) -> Layers {
        let top = self.coloured.positions.iter().fold(0.0, |top: f64, p| top.max(p.z));
        Layers::up_to(top, self.own.printer.layer_or(self.settings.layer_mm))
    }

    fn filling(&self, layers: Layers) -> Filling {
        let line_mm = self.own.printer.line_mm();
        Filling {
            wall_mm: f64::from(self.settings.walls) * line_mm,
            skin_mm: f64::from(self.settings.top_bottom_layers) * layers.layer_mm,
            infill_share: self.settings.infill_share,
            tolerance_mm: TOLERANCE_LINES * line_mm,
        }
    }

    /// Depth of each label's colour.
    fn depths_mm(&self) -> Vec<f64> {
        let depth = |label| self.settings.depth_mm(&self.own.printer, self.filament(label));
        (0..self.coloured.label_count).map(depth).collect()
    }

    /// The filament of a label; the shelf's first one before colours are reduced.
    fn filament(&self, label: usize) -> Option<&Filament> {
        self.figure.palette.get(label).or_else(|| self.own.shelf.first())
    }

    fn density(&self, label: usize) -> f64 {
        self.filament(label).map_or(DENSITY_G_PER_CM3, |filament| filament.density_g_per_cm3)
    }

    fn supports(&self, layers: Layers) -> (Vec<Column>, OverhangRule) {
        let (low, high) = measure::bounds(self.coloured.positions);
        let rule = OverhangRule {
            overhang_max_deg: self.settings.overhang_max_deg,
            on_bed_mm: layers.layer_mm,
            cell_mm: ((high - low).truncate().max_element() / CELLS_MAX).max(self.own.printer.line_mm()),
        };
        (support_columns(self.coloured.positions, self.coloured.triangles, rule), rule)
    }

    fn overhang_mm2(&self, rule: &OverhangRule) -> f64 {
        let (positions, triangles) = (self.coloured.positions, self.coloured.triangles);
        let of = |t: &[u32; 3]| {
            let [a, b, c] = t.map(|v| positions[v as usize]);
            let area_vector = (b - a).cross(c - a);
            let above_bed = a.z.max(b.z).max(c.z) > rule.on_bed_mm;
            if above_bed && rule.hangs_over(area_vector) { 0.5 * area_vector.length() } else { 0.0 }
        };
        triangles.iter().map(of).sum()
    }

    /// Printing, layer by layer, no layer faster than it cools; then tool changes and heating up.
    fn seconds(&self, plastic: &Plastic, support: &[f64], all_mm3: f64, changes: usize) -> f64 {
        let in_layers: f64 = plastic.layers.iter().sum();
        let grown = if in_layers > 0.0 { all_mm3 / in_layers } else { 1.0 };
        let per_mm3 = self.settings.speed_factor / self.own.printer.flow_mm3_per_sec;
        let layer = |(plastic, support): (&f64, &f64)| {
            (LAYER_SECS + per_mm3 * (grown * plastic + support)).max(self.settings.minimum_layer_secs)
        };
        let layers: f64 = plastic.layers.iter().zip(support).map(layer).sum();
        self.own.printer.time_factor * (HEAT_UP_SECS + layers + changes as f64 * self.own.printer.change_secs)
    }

    /// Grams to have at hand: support comes from the base filament, each change purges the filament it loads.
    fn need_g(&self, estimate: &PartEstimate, changes: &Changes, base: usize) -> Vec<f64> {
        let mut need_g = estimate.filament_g.clone();
        for (label, need) in need_g.iter_mut().enumerate() {
            let loaded = changes.to_label.get(label).copied().unwrap_or(0);
            *need += loaded as f64 * self.own.printer.change_g;
        }
        if let Some(need) = need_g.get_mut(base) {
            *need += estimate.support_g;
        }
        need_g
    }

    /// Centre of mass: the shell's share where the surface is, walls and skins each as thick as they are printed; the
    /// infill's at the solid's centroid.
    fn centre(&self, plastic: &Plastic, filling: &Filling) -> DVec3 {
        let mesh = &self.part.mesh;
        let up = self.part.pose.map_or(DVec3::Z, |pose| pose.rotation.transpose() * DVec3::Z);
        let thickness = |area_vector: DVec3| {
            let normal = area_vector.normalize_or_zero();
            let rise = normal.dot(up);
            (filling.wall_mm * (1.0 - rise * rise).max(0.0).sqrt()).hypot(filling.skin_mm * rise)
        };
        let solid = measure::centroid(mesh).unwrap_or_default();
        let surface = measure::shell_centroid(mesh, thickness).unwrap_or(solid);
        let infill = self.settings.infill_share;
        let (shell, all) = ((1.0 - infill) * plastic.shell, infill * (plastic.shell + plastic.sparse));
        if shell + all > 0.0 { (shell * surface + all * solid) / (shell + all) } else { solid }
    }
}

/// Support plastic of each layer, mm3; `section` is what a column holds per millimetre.
fn support_by_layer(columns: &[Column], section: f64, layers: Layers) -> Vec<f64> {
    let mut steps = vec![0_i64; layers.count + 1];
    for column in columns {
        steps[layers.below(column.from_mm)] += 1;
        steps[layers.below(column.to_mm)] -= 1;
    }
    let mut open = 0;
    let volume = |step: &i64| {
        open += step;
        open as f64 * section * layers.layer_mm
    };
    steps[..layers.count].iter().map(volume).collect()
}
