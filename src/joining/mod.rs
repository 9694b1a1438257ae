//! Kernel: what makes two parts go together at a joint: keys, marks and room for glue, placed so that the solid around them is
//! thick enough in both parts, and given as features of the cut faces. No files, no settings.

pub mod keys;
pub mod marks;
mod pattern;
mod pocket;
mod spots;
mod survey;
mod walls;

use glam::{DVec2, DVec3};

use crate::mesh::cut::Plane;

pub use keys::{KeyRules, Placed, Side, Taken, largest_first};
pub use pattern::{Pattern, look_alike};
pub use pocket::{around, pocket_outlines};
pub use survey::Survey;
pub use walls::Walls;

/// Where two parts meet.
#[derive(Clone, Debug)]
pub struct Site {
    pub plane: Plane,
    /// Outlines of the common area in the plane's frame, material to the left seen from the plane's upper side, mm.
    pub outlines: Vec<Vec<DVec2>>,
    pub area_mm2: f64,
}

impl Site {
    /// Box of the site and of what lies behind it as far as this, mm.
    #[must_use]
    pub fn span(&self, into: DVec3) -> [DVec3; 2] {
        let start = (DVec3::INFINITY, DVec3::NEG_INFINITY);
        let corners = self.outlines.iter().flatten().map(|p| self.plane.at(*p));
        let (low, high) = corners.flat_map(|p| [p, p + into]).fold(start, |(l, h), p| (l.min(p), h.max(p)));
        [low, high]
    }

    /// The mean corner of its outlines, in the plane's frame, mm.
    #[must_use]
    pub fn middle(&self) -> DVec2 {
        let corners: Vec<DVec2> = self.outlines.iter().flatten().copied().collect();
        corners.iter().sum::<DVec2>() / corners.len().max(1) as f64
    }

    /// Its outlines, edge by edge.
    #[must_use]
    pub fn edges(&self) -> Vec<(DVec2, DVec2)> {
        let closed = |l: &Vec<DVec2>| (0..l.len()).map(|i| (l[i], l[(i + 1) % l.len()])).collect::<Vec<_>>();
        self.outlines.iter().flat_map(closed).collect()
    }
}
