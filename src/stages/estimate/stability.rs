//! Whether the glued figure stands: its centre of mass over the hull of its feet.

use glam::{DVec2, DVec3};

use crate::mesh::hull::{convex_hull, depth_inside};

/// Vertices this close above the lowest one carry the figure, mm.
const FOOT_MM: f64 = 0.5;

/// How a figure stands.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Stance {
    /// Tilt at which it falls over its nearest foot edge, degrees; negative when it does not stand at all.
    pub tip_deg: f64,
    /// Direction in which it falls first, seen from above.
    pub towards: DVec2,
    /// Height of the centre of mass above the floor, mm.
    pub centre_mm: f64,
}

/// Stance of something with these vertices and this centre of mass on the floor; `None` without a foot area.
///
/// The tip angle is the least of atan(distance of the centre to a hull edge / height of the centre).
#[must_use]
pub fn stance<'a>(points: impl Iterator<Item = &'a DVec3> + Clone, centre: DVec3) -> Option<Stance> {
    let floor = points.clone().fold(f64::INFINITY, |low, p| low.min(p.z));
    let feet: Vec<DVec2> = points.filter(|p| p.z < floor + FOOT_MM).map(|p| p.truncate()).collect();
    let (distance, towards) = depth_inside(&convex_hull(feet), centre.truncate())?;
    let centre_mm = centre.z - floor;
    (centre_mm > 0.0).then(|| Stance { tip_deg: distance.atan2(centre_mm).to_degrees(), towards, centre_mm })
}
