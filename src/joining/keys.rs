//! Keys of joints: what they must keep to, the sockets and pins they become, and the room they take in a part.

use glam::{DVec2, DVec3};

use super::walls::Band;
use crate::mesh::cut::{Feature, Plane, Ring, flattened, round};

/// Wanted depth of a dowel's socket in diameters (common practice, no source).
const DIAMETERS: f64 = 3.0;
/// Height of a printed pin in diameters (common practice: 1 to 1.5, no source).
const PIN_DIAMETERS: f64 = 1.2;
/// A pin gets thinner by this much for each millimetre of height: 3 degrees (common practice: 2 to 5, no source).
const DRAFT: f64 = 0.052_4;
/// Chamfer at a pin's end, mm.
const PIN_CHAMFER_MM: f64 = 0.6;
/// A pin's socket is deeper than the pin is high by this much, for glue and dust, mm (common practice: 0.5 to 1, no source).
const PIN_AIR_MM: f64 = 0.5;
/// Distance of a flat from a key's axis, in radii.
const FLAT: f64 = 0.6;
/// A dowel is filed to no less than this share of its diameter: in a socket that is wider still a flat would not hold.
const FILED_MIN: f64 = 0.5;

/// What sockets must keep to.
#[derive(Clone, Debug)]
#[allow(clippy::struct_field_names, reason = "lengths carry their unit")]
pub struct KeyRules {
    /// Diameters of dowels on the shelf, or of pins, largest first, mm.
    pub dowels_mm: Vec<f64>,
    /// Whether keys are printed on one of the parts.
    pub pins: bool,
    pub clearance_mm: f64,
    pub wall_mm: f64,
    /// Wanted depth, where it is given.
    pub depth_mm: Option<f64>,
    /// Chamfer of a socket's mouth.
    pub chamfer_mm: f64,
    /// Depth of the pocket for glue in a lower face.
    pub gap_mm: f64,
    /// Wanted height of the figures of marks; none without marks.
    pub marks_mm: Option<f64>,
}

/// Diameters as [`KeyRules::dowels_mm`] has them: largest first, each once.
#[must_use]
pub fn largest_first(sizes_mm: &[f64]) -> Vec<f64> {
    let mut sorted = sizes_mm.to_vec();
    sorted.sort_by(|a, b| b.total_cmp(a));
    sorted.dedup();
    sorted
}

impl KeyRules {
    /// Wanted depth of a socket for a dowel or pin of this size, mm.
    pub fn depth_for(&self, dowel_mm: f64) -> f64 {
        let usual = if self.pins { PIN_DIAMETERS * dowel_mm + PIN_AIR_MM } else { DIAMETERS * dowel_mm };
        self.depth_mm.unwrap_or(usual)
    }

    /// Radius of its socket, mm.
    pub fn radius_mm(&self, dowel_mm: f64) -> f64 {
        dowel_mm / 2.0 + self.clearance_mm
    }

    /// Distance from its axis to the rim of the face that a key needs.
    #[must_use]
    pub fn reach_mm(&self, dowel_mm: f64) -> f64 {
        self.radius_mm(dowel_mm) + self.chamfer_mm + self.wall_mm
    }

    /// How far pins stand out, mm; 0 for dowels.
    #[must_use]
    pub fn stands_out_mm(&self) -> f64 {
        let highest = self.dowels_mm.iter().map(|d| self.depth_for(*d) - PIN_AIR_MM).fold(0.0, f64::max);
        if self.pins { highest } else { 0.0 }
    }

    /// Half width a cut face needs for the smallest key, mm; 0 when there are no keys.
    #[must_use]
    pub fn room_mm(&self) -> f64 {
        self.dowels_mm.last().map_or(0.0, |d| self.reach_mm(*d))
    }
}

/// A key on a joint.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Placed {
    /// In the frame of the joint's plane, mm.
    pub centre: DVec2,
    /// Diameter of the dowel, or of the pin at its foot.
    pub dowel_mm: f64,
    /// Of the socket.
    pub radius_mm: f64,
    /// Of the socket.
    pub depth_mm: f64,
    pub chamfer_mm: f64,
    /// Whether the part below or above carries it as a pin; a dowel otherwise.
    pub pin: Option<Side>,
    /// Whether a flat keeps it from turning.
    pub flat: bool,
}

/// A part at a joint.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Side {
    Below,
    Above,
}

impl Placed {
    /// What it is on the part on this side of the joint.
    #[must_use]
    pub fn feature(&self, joint: u16, side: Side) -> Feature {
        let rings = match self.pin {
            Some(pin) if pin == side => self.pin_rings(),
            Some(_) => self.socket_rings(DRAFT),
            None => self.socket_rings(0.0),
        };
        Feature { joint, rings, inner: Vec::new() }
    }

    /// Thickness of the dowel across the flat that is filed along it, mm: the flat has the clearance that the rest of it has.
    /// None for a round one, and for a pin, which is printed with its flat.
    #[must_use]
    pub fn filed_to_mm(&self) -> Option<f64> {
        let clearance_mm = self.radius_mm - 0.5 * self.dowel_mm;
        let flat = self.flat && self.pin.is_none();
        flat.then_some(0.5 * self.dowel_mm + FLAT * self.radius_mm - clearance_mm)
    }

    /// The same with a flat, so that it cannot turn, where one holds in its socket.
    #[must_use]
    pub(super) fn flattened(self) -> Self {
        let flat = Self { flat: true, ..self };
        let holds = flat.filed_to_mm().is_none_or(|filed| filed >= FILED_MIN * self.dowel_mm);
        if holds { flat } else { self }
    }

    fn ring(&self, radius_mm: f64, wider_mm: f64, height_mm: f64) -> Ring {
        let radius_mm = radius_mm + wider_mm;
        let corners =
            if self.flat { flattened(self.centre, radius_mm, FLAT * radius_mm) } else { round(self.centre, radius_mm) };
        Ring { loops: vec![corners], height_mm }
    }

    fn pin_rings(&self) -> Vec<Ring> {
        let high = self.depth_mm - PIN_AIR_MM;
        let at = |height: f64| 0.5 * self.dowel_mm - DRAFT * height;
        let chamfer = PIN_CHAMFER_MM.min(0.3 * high).min(0.2 * self.dowel_mm);
        vec![
            self.ring(at(0.0), 0.0, 0.0),
            self.ring(at(high - chamfer), 0.0, high - chamfer),
            self.ring(at(high), -chamfer, high),
        ]
    }

    fn socket_rings(&self, draft: f64) -> Vec<Ring> {
        let at = |depth: f64| self.radius_mm - draft * depth;
        let mut rings =
            vec![self.ring(at(0.0), self.chamfer_mm, 0.0), self.ring(at(self.depth_mm), 0.0, -self.depth_mm)];
        if self.chamfer_mm > 0.0 {
            rings.insert(1, self.ring(at(self.chamfer_mm), 0.0, -self.chamfer_mm));
        }
        rings
    }

    /// Surfaces its socket keeps to, under a pocket for glue: at the mouth, around and below.
    #[must_use]
    pub(super) fn bands(&self, gap_mm: f64) -> [Band; 3] {
        // The corners of the prism stick out a little.
        let radius = 1.01 * self.radius_mm;
        let (mouth, floor) = ((radius + self.chamfer_mm, 0.0), (radius, self.depth_mm + gap_mm));
        let neck = (radius, self.chamfer_mm + gap_mm);
        [
            Band { from: mouth, to: neck },
            Band { from: neck, to: floor },
            Band { from: floor, to: (0.0, self.depth_mm + gap_mm) },
        ]
    }
}

/// The direction into a part at a joint.
#[must_use]
pub fn inward(plane: Plane, side: Side) -> DVec3 {
    match side {
        Side::Below => -plane.normal(),
        Side::Above => plane.normal(),
    }
}

/// Sockets a part has got so far: from mouth to floor, with radii.
#[derive(Clone, Debug, Default)]
pub struct Taken(Vec<(DVec3, DVec3, f64)>);

impl Taken {
    /// Notes a socket of a cut in `plane`, into the part on this side.
    pub fn add(&mut self, plane: Plane, side: Side, key: &Placed) {
        let mouth = plane.at(key.centre);
        self.0.push((mouth, mouth + key.depth_mm * inward(plane, side), key.radius_mm));
    }

    #[must_use]
    pub fn clear_of(&self, plane: Plane, side: Side, key: &Placed, wall_mm: f64) -> bool {
        let mouth = plane.at(key.centre);
        let own = [mouth, mouth + key.depth_mm * inward(plane, side)];
        self.0.iter().all(|(a, b, radius)| distance([*a, *b], own) >= radius + key.radius_mm + wall_mm)
    }
}

/// Distance between two segments, mm: of their lines, where both feet lie within, else from the ends (after Ericson 2005).
fn distance([a, b]: [DVec3; 2], [c, d]: [DVec3; 2]) -> f64 {
    let (u, v, w) = (b - a, d - c, a - c);
    let (uu, uv, vv) = (u.dot(u), u.dot(v), v.dot(v));
    let sine = uu * vv - uv * uv;
    let (s, t) = ((uv * v.dot(w) - vv * u.dot(w)) / sine, (uu * v.dot(w) - uv * u.dot(w)) / sine);
    if sine > 1e-12 * uu * vv && (0.0..=1.0).contains(&s) && (0.0..=1.0).contains(&t) {
        return (a + s * u).distance(c + t * v);
    }
    let end = |p: DVec3, from: DVec3, along: DVec3| {
        let t = ((p - from).dot(along) / along.length_squared().max(1e-300)).clamp(0.0, 1.0);
        p.distance(from + t * along)
    };
    end(a, c, v).min(end(b, c, v)).min(end(c, a, u)).min(end(d, a, u))
}
