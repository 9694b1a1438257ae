//! `orient`: lays each part on the bed. Of the six sides of a part and its cut faces the cheapest to print is turned down,
//! counted in minutes of printing and handwork. What fits so in quarter turns keeps its exact vertices; what does not is
//! turned on the bed by any angle, and leans only when it fits on none of its sides.

mod notes;
mod sides;

use glam::{DMat3, DVec2, DVec3};
use rayon::prelude::*;
use serde::{Deserialize, Serialize};

use crate::equipment::Printer;
use crate::figure::{Fact, Figure, Part, Pose};
use crate::mesh::columns::{OverhangRule, support_columns};
use crate::mesh::label_layers::{LABELS_MAX, Presence, fewest_changes};
use crate::mesh::slice::Layers;
use crate::mesh::{TriMesh, fit, hull, measure};
use crate::problem::{Problem, out_of_range};
use crate::stage::{Settings, StageContext, StageError, Transform, Uses};
use crate::units::snap_mm;

use sides::{Side, sides};

/// What makes a pose dear.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, schemars::JsonSchema)]
#[serde(default, deny_unknown_fields)]
pub struct Orient {
    /// Kept free along the sides of the bed and below the top of the build volume, mm.
    pub margin_mm: f64,
    /// Steepest overhang from the vertical that prints without support, degrees.
    pub overhang_max_deg: f64,
    /// Minutes for a cubic centimetre of space filled with support.
    pub support_weight: f64,
    /// Minutes for a square centimetre of visible surface that support touches; three times that on the head.
    pub mark_weight: f64,
    /// Minutes for a tool change, as a multiple of the printer's own.
    pub change_weight: f64,
    /// Minutes for a layer.
    pub layer_weight: f64,
    /// Minutes for standing on a point instead of on a face of 20 cm2 or more.
    pub contact_weight: f64,
    /// Minutes for a part that would tip over on the bed.
    pub tip_weight: f64,
}

impl Default for Orient {
    fn default() -> Self {
        Self {
            margin_mm: 3.0,
            overhang_max_deg: 45.0,
            support_weight: 0.5,
            mark_weight: 3.0,
            change_weight: 1.0,
            layer_weight: 0.05,
            contact_weight: 60.0,
            tip_weight: 120.0,
        }
    }
}

impl Settings for Orient {
    const NAME: &'static str = "orient";
    const VERSION: u32 = 3;
    const SUMMARY: &'static str = "lays each part on the bed with little support, few tool changes and a firm foot";
    const EXAMPLE: &'static str = "margin_mm: 3\noverhang_max_deg: 45\n";
}

/// Contact from which more does not help, cm2.
const CONTACT_FULL_CM2: f64 = 20.0;

/// Least flat area a part can stand on at all (common practice, no source), mm2.
const FOOT_MIN_MM2: f64 = 25.0;

/// Unevenness that still counts as flat on the bed, mm.
const FLAT_MM: f64 = 0.02;

/// Least tilt a part has to bear on the bed, degrees.
const TIP_MIN_DEG: f64 = 5.0;

/// What leaving the figure's own up costs: layer lines then run another way than on its neighbours, minutes.
const TURNED_MINUTES: f64 = 5.0;

/// What any other turn than by quarters costs, so that it is taken only where it gains something, minutes.
const FINE_MINUTES: f64 = 2.0;

/// The head begins at this share of stature (neck base of a standing adult, Drillis and Contini 1966, from memory).
const HEAD_SHARE: f64 = 0.87;

/// Marks on the head count this many times.
const HEAD_FACTOR: f64 = 3.0;

/// Grid cells along the longer side of a part when looking for overhang.
const CELLS: f64 = 120.0;

impl Transform for Orient {
    fn needs(&self) -> &'static [Fact] {
        &[Fact::FitsBed, Fact::Sized]
    }

    fn gives(&self) -> &'static [Fact] {
        &[Fact::Posed]
    }

    fn spoils(&self) -> &'static [Fact] {
        &[Fact::Estimated]
    }

    fn uses(&self) -> Uses {
        Uses { printer: true, ..Uses::default() }
    }

    fn check(&self) -> Vec<Problem> {
        out_of_range(&[
            ("margin_mm", self.margin_mm, 0.0, 100.0),
            ("overhang_max_deg", self.overhang_max_deg, 0.0, 90.0),
            ("support_weight", self.support_weight, 0.0, 1e6),
            ("mark_weight", self.mark_weight, 0.0, 1e6),
            ("change_weight", self.change_weight, 0.0, 1e6),
            ("layer_weight", self.layer_weight, 0.0, 1e6),
            ("contact_weight", self.contact_weight, 0.0, 1e6),
            ("tip_weight", self.tip_weight, 0.0, 1e6),
        ])
    }

    fn run(&self, figure: &Figure, ctx: &mut StageContext<'_>) -> Result<Figure, StageError> {
        let printer = ctx.equipment.printer.clone();
        let (low, high) = figure.bounds();
        let head_mm = low.z + HEAD_SHARE * (high.z - low.z);
        let mut posed = figure.clone();
        let mut laid = Vec::with_capacity(figure.parts.len());
        for (i, part) in posed.parts.iter_mut().enumerate() {
            ctx.checkpoint()?;
            ctx.progress(i as f64 / figure.parts.len() as f64, &part.name);
            let labels = part.printed_labels();
            let job = Job { settings: self, printer: &printer, part, head_mm, labels };
            let best = job.best()?;
            part.pose = Some(best.pose);
            part.estimate = None;
            laid.push(best);
        }
        notes::report(&posed, &laid, ctx);
        Ok(posed)
    }
}

/// One way to lay a part, with what it costs.
#[derive(Clone, Copy, Debug)]
struct Laid {
    pose: Pose,
    minutes: f64,
    size_mm: DVec3,
    contact_mm2: f64,
    /// How far the centre of mass is inside the outline of the foot, mm; negative outside of it.
    inside_foot_mm: Option<f64>,
    support_mm3: f64,
    /// Visible surface on the head that support touches, mm2.
    head_marks_mm2: f64,
    turned: bool,
}

struct Job<'a> {
    settings: &'a Orient,
    printer: &'a Printer,
    part: &'a Part,
    head_mm: f64,
    /// Labels as printed; none before colours are reduced.
    labels: Option<Vec<u8>>,
}

impl Job<'_> {
    /// The cheapest pose that fits and has a flat foot, if any has one; of equal ones the figure's own up, then the
    /// order of [`sides`]. What fits on no side leans.
    fn best(&self) -> Result<Laid, StageError> {
        let points = &self.part.mesh.positions;
        let lay = |side: &Side| fit::stand(points, side.down, self.room()).map(|turn| self.lay(turn, side.turned));
        let mut all: Vec<Laid> = sides(&self.part.mesh).par_iter().filter_map(lay).collect();
        if all.is_empty() {
            all.extend(fit::lean(points, self.room()).map(|turn| self.lay(turn, true)));
        }
        let on_foot = |laid: &Laid| laid.contact_mm2 >= FOOT_MIN_MM2;
        let any_on_foot = all.iter().any(on_foot);
        let sound = all.into_iter().filter(|laid| on_foot(laid) || !any_on_foot);
        let best = sound.min_by(|a, b| a.minutes.total_cmp(&b.minutes));
        best.ok_or_else(|| {
            let (low, high) = measure::bounds(&self.part.mesh.positions);
            let (size, volume) = (high - low, self.printer.volume_mm);
            let what = format!(
                "part {} of {:.1} x {:.1} x {:.1} mm fits the {} x {} x {} mm of printer {} in no pose with a margin of {} mm",
                self.part.name, size.x, size.y, size.z, volume[0], volume[1], volume[2], self.printer.name,
                self.settings.margin_mm
            );
            StageError::failed(what, "let `split` cut with the same `margin_mm`, or make the margin smaller")
        })
    }

    /// Build volume less the margins, mm.
    fn room(&self) -> DVec3 {
        DVec3::from(self.printer.volume_mm) - self.settings.margin_mm * DVec3::new(2.0, 2.0, 1.0)
    }

    /// Puts the part on the middle of the bed with its lowest vertex at just 0.
    fn lay(&self, rotation: DMat3, turned: bool) -> Laid {
        let mut positions: Vec<DVec3> = self.part.mesh.positions.par_iter().map(|p| rotation * *p).collect();
        let (low, high) = measure::bounds(&positions);
        let middle = 0.5 * (low + high);
        let [bed_x, bed_y, _] = self.printer.volume_mm;
        let shift = DVec3::new(snap_mm(0.5 * bed_x - middle.x), snap_mm(0.5 * bed_y - middle.y), -low.z);
        positions.par_iter_mut().for_each(|p| *p += shift);
        self.price(&positions, Pose { rotation, shift }, high - low, turned)
    }

    fn price(&self, positions: &[DVec3], pose: Pose, size_mm: DVec3, turned: bool) -> Laid {
        let foot = Foot::of(positions, &self.part.mesh);
        let centre = measure::centroid(&self.part.mesh).map_or(DVec3::ZERO, |p| pose.to_bed(p));
        let inside_foot_mm = hull::depth_inside(&foot.hull, centre.truncate()).map(|(depth, _)| depth);
        let tips = inside_foot_mm.is_none_or(|depth| depth < centre.z * TIP_MIN_DEG.to_radians().tan());
        let under = self.under(positions, size_mm);
        let settings = self.settings;
        let layers = Layers::up_to(size_mm.z, self.printer.layer_mm);
        let free_of_contact = 1.0 - (foot.contact_mm2 / 100.0 / CONTACT_FULL_CM2).min(1.0);
        let minutes = settings.support_weight * under.space_mm3 / 1000.0
            + settings.mark_weight * (under.marks_mm2 + HEAD_FACTOR * under.head_marks_mm2) / 100.0
            + settings.change_weight * self.changes(positions, layers) as f64 * self.printer.change_secs / 60.0
            + settings.layer_weight * layers.count as f64
            + settings.contact_weight * free_of_contact
            + if tips { settings.tip_weight } else { 0.0 }
            + if turned { TURNED_MINUTES } else { 0.0 }
            + if pose.is_by_quarters() { 0.0 } else { FINE_MINUTES };
        Laid {
            pose,
            minutes,
            size_mm,
            contact_mm2: foot.contact_mm2,
            inside_foot_mm,
            support_mm3: under.space_mm3,
            head_marks_mm2: under.head_marks_mm2,
            turned,
        }
    }

    /// Space to support, and what the support touches.
    fn under(&self, positions: &[DVec3], size_mm: DVec3) -> Under {
        let mesh = &self.part.mesh;
        let cell_mm = (size_mm.truncate().max_element() / CELLS).max(self.printer.line_mm());
        let rule = OverhangRule {
            overhang_max_deg: self.settings.overhang_max_deg,
            on_bed_mm: self.printer.layer_mm,
            cell_mm,
        };
        let cell_mm2 = cell_mm * cell_mm;
        let mut under = Under::default();
        for column in support_columns(positions, &mesh.triangles, rule) {
            under.space_mm3 += cell_mm2 * (column.to_mm - column.from_mm);
            let triangle = column.triangle as usize;
            if mesh.origins[triangle].is_outside() {
                let in_head = mesh.corners(triangle)[0].z > self.head_mm;
                *(if in_head { &mut under.head_marks_mm2 } else { &mut under.marks_mm2 }) += cell_mm2;
            }
        }
        under
    }

    /// Tool changes by the heights the labels' surface spans, the core's filament going all the way up; none before
    /// colours are reduced.
    fn changes(&self, positions: &[DVec3], layers: Layers) -> usize {
        let (Some(labels), Some(core)) = (&self.labels, self.part.core_label()) else { return 0 };
        let mut presence = Presence::new(LABELS_MAX, layers);
        presence.mark(usize::from(core), 0.0, layers.count as f64 * layers.layer_mm);
        for (t, &label) in self.part.mesh.triangles.iter().zip(labels.iter()) {
            let z = t.map(|v| positions[v as usize].z);
            presence.mark(usize::from(label), z[0].min(z[1]).min(z[2]), z[0].max(z[1]).max(z[2]));
        }
        fewest_changes(&presence.sets()).count
    }
}

#[derive(Clone, Copy, Debug, Default)]
struct Under {
    space_mm3: f64,
    marks_mm2: f64,
    head_marks_mm2: f64,
}

/// What touches the bed.
#[derive(Debug)]
struct Foot {
    contact_mm2: f64,
    hull: Vec<DVec2>,
}

impl Foot {
    /// Downward triangles that lie flat on the bed.
    fn of(positions: &[DVec3], mesh: &TriMesh) -> Self {
        let (mut contact_mm2, mut corners) = (0.0, Vec::new());
        for t in &mesh.triangles {
            let [a, b, c] = t.map(|v| positions[v as usize]);
            let up = (b - a).cross(c - a).z;
            if up < 0.0 && a.z.max(b.z).max(c.z) < FLAT_MM {
                contact_mm2 -= 0.5 * up;
                corners.extend([a, b, c].map(DVec3::truncate));
            }
        }
        Self { contact_mm2, hull: hull::convex_hull(corners) }
    }
}
