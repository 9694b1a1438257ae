//! Dowels between the printed half and the rest: sockets in the rest, holes to drill in the half. They keep the walls that
//! `split` keeps, on both sides of the cut and down to their floor.

use glam::DVec2;

use super::pieces::Rest;
use crate::joining::{self, KeyRules, Placed, Side, Site, Survey, Taken};
use crate::mesh::TriMesh;
use crate::mesh::cut::{self, Feature, Plane};
use crate::mesh::sound::{Sound, pairs_beside};
use crate::stages::split::Split;

/// A dowel: a round hole of one depth on either side of the cut.
#[derive(Clone, Copy, Debug, PartialEq)]
#[allow(clippy::struct_field_names, reason = "lengths carry their unit")]
pub struct Dowel {
    /// On the bed, mm.
    pub centre: DVec2,
    pub dowel_mm: f64,
    pub hole_mm: f64,
    pub depth_mm: f64,
}

/// Looks for places in one part, cut at a height of the bed it lies on.
#[derive(Clone, Debug)]
pub struct Search<'a> {
    part: &'a TriMesh,
    plane_mm: f64,
    rules: KeyRules,
}

impl<'a> Search<'a> {
    /// For dowels of these diameters by the rules of the run's `split`.
    #[must_use]
    pub fn new(part: &'a TriMesh, plane_mm: f64, sizes_mm: &[f64], split: &Split) -> Self {
        // A pocket for glue or a pin cannot be made in the printed half.
        let dowels_mm = joining::largest_first(sizes_mm);
        let rules = KeyRules { dowels_mm, pins: false, gap_mm: 0.0, marks_mm: None, ..split.key_rules() };
        Self { part, plane_mm, rules }
    }

    /// Up to two keys for a face of these outlines.
    #[must_use]
    pub fn place(&self, face: &[Vec<DVec2>], area_mm2: f64) -> Vec<Placed> {
        if self.rules.dowels_mm.is_empty() {
            return Vec::new();
        }
        let site = Site { plane: Plane::new(2, self.plane_mm), outlines: face.to_vec(), area_mm2 };
        let none = Taken::default();
        let placed = Survey::of(&site, [self.part; 2], [None; 2], &self.rules).place([&none, &none], &self.rules, &[]);
        // Holes that are drilled are round.
        placed.into_iter().map(|key| Placed { flat: false, ..key }).collect()
    }
}

/// The piece with a socket for each key; `None` when a socket would cross its surface.
#[must_use]
pub fn socketed(rest: &Rest, keys: &[Placed]) -> Option<Rest> {
    let flat = cut::flats(&rest.mesh).into_iter().find(|flat| flat.joint == rest.joint)?;
    let sockets: Vec<Feature> = keys.iter().map(|key| key.feature(rest.joint, Side::Above)).collect();
    let piece = cut::add_features(&rest.mesh, &flat, &sockets).ok()?;
    let sound = pairs_beside(&piece.mesh, &Sound::of(&rest.mesh, &[])).is_empty();
    sound.then(|| Rest { source: piece.source_in(&rest.source), mesh: piece.mesh, ..rest.clone() })
}

impl From<&Placed> for Dowel {
    fn from(key: &Placed) -> Self {
        Self { centre: key.centre, dowel_mm: key.dowel_mm, hole_mm: 2.0 * key.radius_mm, depth_mm: key.depth_mm }
    }
}
