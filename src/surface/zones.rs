//! Where on a figure the eye dwells: skin, and the front of the head.

use glam::DVec3;
use rayon::prelude::*;

use super::Surface;
use crate::colour::spaces::Lab;
use crate::figure::Figure;

/// A standing person is about this many heads tall (common practice, no source).
const HEADS: f64 = 7.5;

/// How much more than plain surface the eye dwells on skin and on the face.
#[derive(Clone, Copy, Debug)]
pub struct ZoneWeights {
    pub skin: f32,
    pub face: f32,
}

impl Surface {
    /// Weight of each face by its colour and place: 1, or more for skin and for the front of the head.
    #[must_use]
    pub fn zone_weights(
        &self,
        figure: &Figure,
        colour: impl Fn(usize) -> Lab + Sync,
        weights: ZoneWeights,
    ) -> Vec<f32> {
        let (low, high) = figure.bounds();
        let neck_mm = high.z - (high.z - low.z) / HEADS;
        let place = |face: usize| {
            let mesh = &figure.parts[usize::from(self.part[face])].mesh;
            let triangle = self.triangle[face] as usize;
            (mesh.corners(triangle)[0].z > neck_mm, self.area_vector(figure, face))
        };
        let in_head = |face: usize| place(face).0;
        let is_skin: Vec<bool> = (0..self.len()).into_par_iter().map(|face| is_skin(colour(face))).collect();

        // Where the skin of the head looks is the front.
        let bare = (0..self.len()).filter(|f| is_skin[*f] && in_head(*f)).map(|f| place(f).1.with_z(0.0));
        let (forward, spread) = bare.fold((DVec3::ZERO, 0.0), |(sum, spread), n| (sum + n, spread + n.length()));
        let front = if forward.length() > 0.1 * spread { forward.normalize_or_zero() } else { DVec3::ZERO };
        let weight = |face: usize| {
            let (in_head, normal) = place(face);
            if in_head && (is_skin[face] || normal.dot(front) > 0.3 * normal.length()) {
                weights.face
            } else if is_skin[face] {
                weights.skin
            } else {
                1.0
            }
        };
        (0..self.len()).into_par_iter().map(weight).collect()
    }
}

/// Whether a colour may be skin: hue from reddish to yellowish, neither grey nor vivid (from memory, no source).
fn is_skin(lab: Lab) -> bool {
    (30.0..=80.0).contains(&lab.hue_deg()) && (8.0..=45.0).contains(&lab.chroma()) && lab.l > 15.0
}
