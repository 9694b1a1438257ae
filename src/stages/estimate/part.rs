//! One part in its layers: plastic, filaments, support and tool changes.

use glam::DVec3;
use rayon::prelude::*;

use super::Estimate;
use super::filaments::{Shares, flat_shell_mm3};
use super::plastic::{Filling, Plastic, plastic};
use crate::equipment::{Equipment, Filament};
use crate::figure::{Figure, Part};
use crate::mesh::columns::{Column, OverhangRule, support_columns};
use crate::mesh::label_layers::{Changes, LabelSet, fewest_changes};
use crate::mesh::measure;
use crate::mesh::shells::Coloured;
use crate::mesh::slice::{Layers, Slicer, layer_sums};
use crate::stage::StageError;

/// Grid cells along the longer side of a part when looking for overhang.
const CELLS_MAX: f64 = 250.0;

/// Contours are simplified by this share of a line before they are inset.
const TOLERANCE_LINES: f64 = 0.07;

/// A part in its layers: what does not depend on how fast and how cleanly a printer works.
#[derive(Clone, Debug)]
pub struct Sliced {
    pub layers: Layers,
    pub plastic: Plastic,
    /// Plastic of each palette entry, mm3; of the one filament before colours are reduced.
    pub volumes_mm3: Vec<f64>,
    /// Volume of each coloured shell in equal steps of height, mm3; none of the core.
    pub shells_mm3: Vec<Vec<f64>>,
    pub sets: Vec<LabelSet>,
    pub changes: Changes,
    /// Plastic of supports in each layer, mm3.
    pub support_mm3: Vec<f64>,
    /// The filament of the core.
    pub base: usize,
    /// Palette entries the part is printed with, ascending.
    pub used: Vec<usize>,
    pub overhang_mm2: f64,
    /// Of the closed mesh.
    pub volume_mm3: f64,
    /// Sides of what it covers on the bed, mm.
    pub covers_mm: [f64; 2],
    /// Centre of mass on the assembled figure, mm.
    pub centre: DVec3,
}

impl Sliced {
    /// How much more plastic it takes than its walls, skins and infill of one colour: deep colour closes what would be sparse.
    #[must_use]
    pub fn grown(&self) -> f64 {
        let in_layers: f64 = self.plastic.layers.iter().sum();
        if in_layers > 0.0 { self.volumes_mm3.iter().sum::<f64>() / in_layers } else { 1.0 }
    }
}

/// Steps from the bed to the top in which layers are told of.
pub const STEPS: usize = 60;

/// A part in its layers, in the size of the figure times `scale`.
///
/// # Errors
/// When the part has no bed pose.
pub fn slice(
    settings: &Estimate,
    figure: &Figure,
    index: usize,
    own: &Equipment,
    scale: f64,
) -> Result<Sliced, StageError> {
    let part = &figure.parts[index];
    let Some(pose) = part.pose else {
        let what = format!("part {} has no bed pose", part.name);
        return Err(StageError::failed(what, "put `orient` before `estimate`"));
    };
    let positions: Vec<DVec3> = part.mesh.positions.par_iter().map(|p| scale * pose.to_bed(*p)).collect();
    let labels = part.printed_labels().unwrap_or_default();
    let banded = figure.banded(index);
    let coloured = Coloured {
        positions: &positions,
        triangles: &part.mesh.triangles,
        labels: &labels,
        label_count: figure.palette.len().max(1),
        level: &banded,
    };
    Ok(Worker { settings, figure, part, own, scale, coloured }.work())
}

struct Worker<'a> {
    settings: &'a Estimate,
    figure: &'a Figure,
    part: &'a Part,
    own: &'a Equipment,
    scale: f64,
    coloured: Coloured<'a>,
}

impl Worker<'_> {
    fn work(&self) -> Sliced {
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
        let (columns, rule) = self.supports(layers);
        let support_mm3 = self.settings.support_share * rule.cell_mm * rule.cell_mm;
        let (low, high) = measure::bounds(positions);
        Sliced {
            layers,
            volumes_mm3: volumes,
            shells_mm3: self.coloured.shell_by_height_mm3(base, &inner, layers.count as f64 * layers.layer_mm, STEPS),
            changes: fewest_changes(&sets),
            sets,
            support_mm3: support_by_layer(&columns, support_mm3, layers),
            base,
            used,
            overhang_mm2: self.overhang_mm2(&rule),
            volume_mm3: self.scale.powi(3) * measure::volume_mm3(&self.part.mesh),
            covers_mm: (high - low).truncate().to_array(),
            centre: self.centre(&plastic, &filling),
            plastic,
        }
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
