//! The one value that goes through every stage: the figure, its parts, joints and palette.

use std::collections::BTreeMap;
use std::sync::Arc;

use glam::{DMat3, DVec3};
use serde::{Deserialize, Serialize};

use crate::equipment::Filament;
use crate::mesh::TriMesh;
use crate::schedule::Schedule;

/// What an earlier stage has made true and a later one may need.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Fact {
    /// The scan is read: millimetres, z up.
    Read,
    /// One closed, oriented 2-manifold.
    Solid,
    /// At the size it is printed in, on the lattice.
    Sized,
    /// Every part fits the printer.
    FitsBed,
    /// Each triangle has a filament.
    FewColours,
    /// Each part has its bed pose.
    Posed,
    /// Mass, time and tool changes are known.
    Estimated,
    /// Print files are written.
    Exported,
}

/// What is known about the scan itself.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct ScanInfo {
    /// Name for reports: the file's stem.
    pub name: String,
    pub triangles: usize,
    pub has_colour: bool,
    /// Unit the file's lengths were taken for, such as `m`, and how sure that is (0 to 1).
    pub unit: String,
    pub unit_confidence: f64,
    /// Axis taken for up, such as `+y`, and how sure that is (0 to 1).
    pub up: String,
    pub up_confidence: f64,
    /// Height of the scanned subject, mm.
    pub height_mm: f64,
}

/// A rigid move from figure coordinates to bed coordinates: `bed = rotation * figure + shift`.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct Pose {
    /// A proper rotation, exact where it is made of quarter turns.
    pub rotation: DMat3,
    pub shift: DVec3,
}

impl Pose {
    pub const IDENTITY: Self = Self { rotation: DMat3::IDENTITY, shift: DVec3::ZERO };

    /// Whether every entry of the rotation is -1, 0 or 1, so that a posed part stays on the lattice.
    #[must_use]
    pub fn is_by_quarters(&self) -> bool {
        self.rotation.to_cols_array().iter().all(|x| [-1.0, 0.0, 1.0].contains(x))
    }

    #[must_use]
    pub fn to_bed(&self, figure: DVec3) -> DVec3 {
        self.rotation * figure + self.shift
    }

    /// The way back: bed coordinates to the assembled figure, row-major 4x4 for column vectors, mm.
    #[must_use]
    pub fn placement(&self) -> [f64; 16] {
        let back = self.rotation.transpose();
        let t = -(back * self.shift);
        let (x, y, z) = (back.row(0), back.row(1), back.row(2));
        [x.x, x.y, x.z, t.x, y.x, y.y, y.z, t.y, z.x, z.y, z.z, t.z, 0.0, 0.0, 0.0, 1.0].map(|v| v + 0.0)
    }
}

/// What printing a part takes.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct PartEstimate {
    pub volume_mm3: f64,
    /// Grams per palette entry, purge not counted; same length as the figure's palette.
    pub filament_g: Vec<f64>,
    pub mass_g: f64,
    pub support_g: f64,
    pub purge_g: f64,
    /// Grams to have at hand per palette entry, support and purge with it.
    #[serde(default)]
    pub need_g: Vec<f64>,
    /// For each palette entry, from the bed to the top in equal steps, in how many of a hundred layers it is needed.
    #[serde(default)]
    pub in_layers: Vec<Vec<u8>>,
    pub layers: usize,
    pub tool_changes: usize,
    /// Tool changes if every layer loaded its filaments in shelf order.
    pub tool_changes_unordered: usize,
    pub seconds: f64,
    /// Grams to have at hand per palette entry up to the top of each of equal steps from the bed; the last is all of `need_g`.
    #[serde(default)]
    pub need_by_height_g: Vec<Vec<f32>>,
    /// None on a printer without one, and for a part without changes.
    #[serde(default)]
    pub tower: Option<Tower>,
    /// Largest share of the surface that hangs over by more than the limit, mm2.
    pub overhang_mm2: f64,
}

/// The block printed beside a part into which the nozzle is purged.
#[derive(Clone, Copy, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct Tower {
    /// Width, depth and height, mm.
    pub size_mm: [f64; 3],
    /// What it takes beyond the purge itself, in layers with few changes or none, g.
    pub extra_g: f64,
}

/// A piece that is printed on its own.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Part {
    /// Counted from 1, bottom to top; the same in files, report and log.
    pub number: usize,
    /// Number and place, such as `03-left-shoulder`: also the file name.
    pub name: String,
    /// In figure coordinates, mm.
    #[serde(skip)]
    pub mesh: Arc<TriMesh>,
    /// Palette entry of each triangle; none before colours are reduced.
    pub labels: Option<Arc<Vec<u8>>>,
    pub pose: Option<Pose>,
    pub estimate: Option<PartEstimate>,
}

impl Part {
    /// The filament that fills the part: the label with the most visible surface, the first among equals; `None`
    /// before colours are reduced.
    #[must_use]
    pub fn core_label(&self) -> Option<u8> {
        let labels = self.labels.as_deref().filter(|labels| labels.len() == self.mesh.triangles.len())?;
        let mut area = BTreeMap::<u8, f64>::new();
        for (t, label) in labels.iter().enumerate() {
            let seen = if self.mesh.origins[t].is_outside() { self.mesh.area_vector(t).length() } else { 0.0 };
            *area.entry(*label).or_default() += seen;
        }
        area.into_iter().rev().max_by(|x, y| x.1.total_cmp(&y.1)).map(|(label, _)| label)
    }

    /// Labels as printed: cut faces, keys and sockets are of the core's filament, for nobody sees them, and so they
    /// need neither shell nor tool change; `None` before colours are reduced.
    #[must_use]
    pub fn printed_labels(&self) -> Option<Vec<u8>> {
        let core = self.core_label()?;
        let labels = self.labels.as_deref()?.iter().zip(&self.mesh.origins);
        Some(labels.map(|(label, origin)| if origin.is_outside() { *label } else { core }).collect())
    }
}

/// A key: a round socket on each side of a joint for a dowel of this size, or a pin on one side and its socket on the other.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct Key {
    /// Centre of its section in the cut plane, figure coordinates, mm.
    pub centre: DVec3,
    pub dowel_mm: f64,
    pub socket_mm: f64,
    /// Depth of the socket, mm; of a dowel on either side of the cut.
    pub depth_mm: f64,
    /// Thickness to which a flat is filed along the dowel, mm: the sockets have one as well, so that it cannot turn. None for
    /// a round dowel and for a pin.
    pub filed_to_mm: Option<f64>,
    /// Index of the part that carries the key as a pin; a dowel otherwise.
    pub pin_of: Option<usize>,
}

/// A planar cut between two parts.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Joint {
    /// Indices into `Figure::parts`: `a` lies below the plane, `b` above.
    pub a: usize,
    pub b: usize,
    /// Unit normal, from `a` to `b`.
    pub normal: DVec3,
    /// Plane: `normal . p = offset_mm`.
    pub offset_mm: f64,
    pub area_mm2: f64,
    pub keys: Vec<Key>,
    /// Whether the faces of `a` and of `b` carry the numbers of both parts.
    pub marked: [bool; 2],
}

/// What fills the cavity of a base plate.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Ballast {
    /// Such as `steel`.
    pub material: String,
    pub mass_g: f64,
    pub volume_mm3: f64,
    /// Its centre of mass, figure coordinates, mm.
    pub centre: DVec3,
}

/// The plate a figure stands on; its parts are the last ones of the figure.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Base {
    /// Height of the soles above the floor, mm.
    pub height_mm: f64,
    /// Number of parts the plate is printed in.
    pub parts: usize,
    #[serde(default)]
    pub ballast: Option<Ballast>,
}

/// One way in which the figure could be cut.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct CutPlan {
    pub parts: usize,
    /// How much its seams show: length, where plain skin seen from the front counts once, mm.
    pub seam_shown_mm: f64,
    /// Tool changes of its parts, about: of the scan's main colours, at layers of 0.2 mm.
    pub tool_changes: f64,
    /// What it costs in all, in parts: parts, their tool changes, seams, and joints that hold or print badly.
    pub price: f64,
    /// Its cuts in words, in the order they are made.
    pub cuts: Vec<String>,
    /// Whether the figure was cut so.
    pub followed: bool,
}

/// What a region of like colour is printed with.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct ColourRegion {
    /// Mean colour with light taken off, sRGB `#RRGGBB`.
    pub colour: String,
    pub area_mm2: f64,
    /// Palette entry that most of it is printed with, and how much, 0 to 1.
    pub filament: u8,
    pub share: f64,
    /// From its mean colour to that filament, CIEDE2000.
    pub distance: f64,
}

/// One way to trade true colours for tool changes.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct TradePoint {
    /// Tool changes of all parts.
    pub changes: usize,
    /// Mean colour difference over the visible surface, light taken off, CIEDE2000.
    pub de_mean: f64,
    /// Surface that has another filament than the one first chosen for it, mm2.
    pub given_up_mm2: f64,
}

/// What fewer tool changes cost in colour, from every colour kept to one filament in each part.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct ColourTrade {
    /// Fewer changes from point to point; the first gives up nothing.
    pub points: Vec<TradePoint>,
    /// Index of the point taken.
    pub chosen: usize,
}

/// A tone that no filament of a part has, made of level bands of several.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct BlendedTone {
    /// Mean colour with light taken off, and what the bands look like from afar, sRGB `#RRGGBB`.
    pub colour: String,
    pub looks: String,
    pub area_mm2: f64,
    /// Palette entries and how many bands of a period each has.
    pub bands: Vec<(u8, usize)>,
    /// Height of a band, mm: a whole number of layers.
    pub band_mm: f64,
    /// Mean difference over its surface with one filament and as blended, CIEDE2000.
    pub distance_before: f64,
    pub distance: f64,
}

/// No tone in bands.
pub const NO_TONE: u8 = u8::MAX;

/// Level bands that melt into one colour from afar.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct Blend {
    pub tones: Vec<BlendedTone>,
    /// From here on no band is seen, mm.
    pub viewing_mm: f64,
    /// By part, which of the tones each triangle is a band of, or [`NO_TONE`].
    pub tone_of: Vec<Arc<Vec<u8>>>,
}

/// What the figure would take in other layers or in another size.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct Alternative {
    /// Its size over that of this figure.
    pub scale: f64,
    pub layer_mm: f64,
    pub seconds: f64,
    /// What the hours of its printers cost, in the owner's currency.
    pub hours_cost: f64,
    /// Grams to have at hand per palette entry.
    pub need_g: Vec<f64>,
    pub tool_changes: usize,
}

/// How a figure was brought to its size: `(p - from) * factor`.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct ToSize {
    pub from: DVec3,
    pub factor: f64,
}

impl ToSize {
    #[must_use]
    pub fn place(&self, p: DVec3) -> DVec3 {
        (p - self.from) * self.factor
    }

    /// Both, one after the other.
    #[must_use]
    pub fn then(&self, next: Self) -> Self {
        Self { from: self.from + next.from / self.factor, factor: self.factor * next.factor }
    }
}

/// The figure as the last stage left it. Heavy fields are shared: a stage returns a new value and keeps what it did
/// not touch.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct Figure {
    pub scan: ScanInfo,
    /// The scan as read, mm and z up: for pictures and comparison.
    #[serde(skip)]
    pub scan_mesh: Arc<TriMesh>,
    /// The closed figure before it was cut, its base plate included, mm: for pictures, `figure.ply` and volume checks.
    #[serde(skip)]
    pub whole: Arc<TriMesh>,
    /// Figure size over scan size.
    pub scale: f64,
    /// How the points of stages before `scale` came to where they are; none before `scale`.
    #[serde(default)]
    pub to_size: Option<ToSize>,
    /// Points over walls too thin to print, spread evenly over such surface, figure coordinates, mm.
    #[serde(default)]
    pub thin_at: Vec<DVec3>,
    pub parts: Vec<Part>,
    pub joints: Vec<Joint>,
    /// Filaments in use; labels index into it.
    pub palette: Vec<Filament>,
    /// Order in which parts are glued: indices of joints.
    pub glue_order: Vec<usize>,
    /// None when it stands on its own feet.
    #[serde(default)]
    pub base: Option<Base>,
    /// The best ways to cut it, the cheapest first; none when there was nothing to choose.
    #[serde(default)]
    pub cut_plans: Vec<CutPlan>,
    /// Its colours, the largest region first; none before they are reduced.
    #[serde(default)]
    pub colour_regions: Vec<ColourRegion>,
    /// None when no colour is blended.
    #[serde(default)]
    pub blend: Option<Blend>,
    /// The layer height and size chosen, then others; empty when none was compared.
    #[serde(default)]
    pub alternatives: Vec<Alternative>,
    /// Who prints what when; none before the estimate.
    #[serde(default)]
    pub schedule: Option<Schedule>,
    /// None before colours are weighed against tool changes.
    #[serde(default)]
    pub colour_trade: Option<ColourTrade>,
}

impl Figure {
    /// Grams to have at hand for all parts, per palette entry; zeros before the estimate.
    #[must_use]
    pub fn need_g(&self) -> Vec<f64> {
        let mut sums = vec![0.0; self.palette.len()];
        for estimate in self.parts.iter().filter_map(|part| part.estimate.as_ref()) {
            for (sum, g) in sums.iter_mut().zip(&estimate.need_g) {
                *sum += g;
            }
        }
        sums
    }

    /// What so many grams of each palette entry cost, in the owner's currency.
    #[must_use]
    pub fn filament_cost(&self, need_g: &[f64]) -> f64 {
        self.palette.iter().zip(need_g).map(|(filament, g)| filament.price_per_kg * g / 1000.0).sum()
    }

    /// Whether each triangle of a part is of a band: what is behind it goes straight in, so that no band reaches into the layers of
    /// the next. Empty when nothing is blended.
    #[must_use]
    pub fn banded(&self, part: usize) -> Vec<bool> {
        self.tone_of(part).iter().map(|tone| *tone != NO_TONE).collect()
    }

    /// Which of the blended tones each triangle of a part is a band of, or [`NO_TONE`]; empty when nothing is blended.
    #[must_use]
    pub fn tone_of(&self, part: usize) -> &[u8] {
        self.blend.as_ref().and_then(|blend| blend.tone_of.get(part)).map_or(&[], |tones| tones.as_slice())
    }

    /// Lowest and highest corner over all parts, figure coordinates, mm.
    #[must_use]
    pub fn bounds(&self) -> (DVec3, DVec3) {
        let start = (DVec3::INFINITY, DVec3::NEG_INFINITY);
        let points = self.parts.iter().flat_map(|part| &part.mesh.positions);
        points.fold(start, |(low, high), p| (low.min(*p), high.max(*p)))
    }

    /// Every mesh the figure holds, in a fixed order: scan, whole, parts. The cache stores them apart.
    #[must_use]
    pub fn meshes(&self) -> Vec<&Arc<TriMesh>> {
        [&self.scan_mesh, &self.whole].into_iter().chain(self.parts.iter().map(|p| &p.mesh)).collect()
    }

    /// Puts meshes back in the order of [`Self::meshes`]; `None` when their number is wrong.
    #[must_use]
    pub fn with_meshes(mut self, meshes: Vec<Arc<TriMesh>>) -> Option<Self> {
        if meshes.len() != self.parts.len() + 2 {
            return None;
        }
        let mut meshes = meshes.into_iter();
        self.scan_mesh = meshes.next()?;
        self.whole = meshes.next()?;
        for part in &mut self.parts {
            part.mesh = meshes.next()?;
        }
        Some(self)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn two_sizes_one_after_the_other_are_one() {
        let first = ToSize { from: DVec3::new(1.0, 2.0, 3.0), factor: 0.5 };
        let second = ToSize { from: DVec3::new(-4.0, 0.0, 7.0), factor: 3.0 };
        let p = DVec3::new(10.0, 20.0, 30.0);
        assert!((first.then(second).place(p) - second.place(first.place(p))).length() < 1e-12);
    }
}
