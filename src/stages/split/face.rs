//! Head and face of a figure: which blocks are head, where its chin and its hairline are, and where the face looks.

use glam::DVec3;
use serde::{Deserialize, Serialize};

use super::arms::paths;
use super::body::Body;
use super::grid::NONE;
use super::head::{Head, REACH};
use crate::mesh::{TriMesh, base};

/// The chin of a standing adult, where no neck is seen (Drillis & Contini 1966).
const CHIN: f64 = 0.87;
/// The hairline between chin and crown.
const HAIRLINE: f64 = 0.8;
/// Chin and hairline are so many balls of the head below and above its middle; the nearest and farthest the chin may be.
const BALLS_TO_CHIN: f64 = 1.5;
const BALLS_TO_HAIRLINE_MAX: f64 = 1.1;
const CHIN_BALLS: std::ops::Range<f64> = 0.8..2.4;
/// Necks are looked for above this level, in sections this far apart, as shares of the stature.
const NECK_MIN: f64 = 0.7;
const NECK_STEP: f64 = 0.005;
/// A neck is at most this share of the head's largest section, and what is below it at least so many times larger.
const NECK_SHARE_MAX: f64 = 0.8;
const SHOULDERS_TIMES: f64 = 1.5;
/// Hair may hang about the head without touching it, in balls from an upright axis that is so many behind the middle.
const HAIR_BALLS: f64 = 1.9;
const HAIR_BEHIND: f64 = 0.5;
/// Half the width of a face, in balls: farther out are ears and hair.
const FACE_BALLS: f64 = 1.15;

/// The head of a figure in its blocks, and the face in it.
#[derive(Clone, Debug, Serialize, Deserialize)]
pub(super) struct Face {
    /// Whether each block is of the head.
    pub is_head: Vec<bool>,
    /// Where the head begins, as a share of the stature; below the feet where blocks alone tell, above 1 without a head.
    pub chin: f64,
    /// Where hair or a hat begins, as a share of the stature.
    hairline: f64,
    /// Where the face looks, level, and how far that way it begins, mm.
    front: DVec3,
    ears_mm: f64,
    /// Where its middle is, level and across, mm, and half its width.
    across_mm: f64,
    half_mm: f64,
}

impl Face {
    /// Of a figure without a head.
    pub fn none() -> Self {
        let (across_mm, half_mm) = (0.0, f64::INFINITY);
        Self { is_head: Vec::new(), chin: 2.0, hairline: 2.0, front: DVec3::NEG_Y, ears_mm: 0.0, across_mm, half_mm }
    }

    /// Of a body whose head has been looked for.
    pub fn of(body: &Body, mesh: &TriMesh) -> Self {
        let places: Vec<DVec3> = (0..body.blocks()).map(|b| body.centre(b)).collect();
        let seen = if body.is_standing() { neck(body, mesh) } else { None };
        let (is_head, chin) = match body.head() {
            Some(head) if body.is_standing() => {
                let chin = chin(body, &head, seen);
                (upright(body, &head, chin, &places), chin)
            }
            Some(head) => (joined(body, &head, &places.iter().map(|p| head.reaches(*p)).collect::<Vec<_>>()), -1.0),
            None if body.is_standing() => {
                let chin = seen.unwrap_or(CHIN);
                (places.iter().map(|p| body.level(*p) >= chin).collect(), chin)
            }
            None => return Self { is_head: vec![false; places.len()], ..Self::none() },
        };
        let mut face = Self { is_head, chin, ..Self::none() };
        face.look(body, &places);
        face
    }

    /// Whether a point of the head, at this level, is of the face.
    pub fn holds(&self, p: DVec3, level: f64) -> bool {
        let across = (self.across().dot(p) - self.across_mm).abs();
        level < self.hairline && self.front.dot(p) > self.ears_mm && across < self.half_mm
    }

    /// The figure's own left of the face.
    fn across(&self) -> DVec3 {
        DVec3::Z.cross(self.front)
    }

    /// Finds hairline and front of the head.
    fn look(&mut self, body: &Body, places: &[DVec3]) {
        let head: Vec<DVec3> = (0..places.len()).filter(|b| self.is_head[*b]).map(|b| places[b]).collect();
        let lowest = head.iter().map(|p| body.level(*p)).fold(1.0, f64::min);
        let chin = if self.chin > 0.0 { self.chin } else { lowest };
        self.hairline = chin + HAIRLINE * (1.0 - chin);
        if let Some(ball) = body.head() {
            let highest = ball.middle + BALLS_TO_HAIRLINE_MAX * ball.ball_mm * DVec3::Z;
            self.hairline = self.hairline.min(body.level(highest));
            if !body.is_standing() {
                self.front = ball.facing(&head, ball.shoulders(places));
            }
            self.across_mm = self.across().dot(ball.middle);
            self.half_mm = FACE_BALLS * ball.ball_mm;
        }
        self.ears_mm = self.front.dot(head.iter().sum::<DVec3>() / head.len().max(1) as f64);
    }
}

/// Level of the chin of a standing person: of the neck seen in the sections if that suits the head, else by its size.
fn chin(body: &Body, head: &Head, seen: Option<f64>) -> f64 {
    let at = |balls: f64| body.level(head.middle - balls * head.ball_mm * DVec3::Z);
    let range = at(CHIN_BALLS.end)..at(CHIN_BALLS.start);
    seen.filter(|level| range.contains(level)).unwrap_or_else(|| at(BALLS_TO_CHIN))
}

/// Blocks of the head of a standing person; a hand held up beside it is none of it.
fn upright(body: &Body, head: &Head, chin: f64, places: &[DVec3]) -> Vec<bool> {
    let is_over = |p: DVec3| body.level(p) >= chin - 0.5 * body.step();
    let allowed: Vec<bool> = places.iter().map(|p| is_over(*p) && head.is_beside(*p, REACH)).collect();
    let joined = joined(body, head, &allowed);
    let axis_off = HAIR_BEHIND * head.ball_mm * DVec3::Y;
    let is_hair = |p: DVec3| is_over(p) && head.is_beside(p - axis_off, HAIR_BALLS);
    (0..places.len()).map(|b| joined[b] || is_hair(places[b])).collect()
}

/// Those of the blocks allowed that hang together with the middle of the head.
fn joined(body: &Body, head: &Head, allowed: &[bool]) -> Vec<bool> {
    let near: Vec<[u32; 6]> = (0..allowed.len()).map(|b| body.near(b)).collect();
    let middle = body.block(head.middle).map(|b| b as u32);
    let from_middle = paths(&near, allowed, middle.as_slice());
    (0..allowed.len()).map(|b| allowed[b] && from_middle[b] != NONE).collect()
}

/// Level of the narrowest section between head and shoulders.
fn neck(body: &Body, mesh: &TriMesh) -> Option<f64> {
    let count = ((1.0 - NECK_MIN) / NECK_STEP) as usize;
    let levels: Vec<f64> = (1..count).map(|i| 1.0 - NECK_STEP * i as f64).collect();
    let heights: Vec<f64> = levels.iter().rev().map(|l| body.low.z + l * body.stature_mm() + 1e-4).collect();
    let areas = base::section_areas_mm2(mesh, &heights);
    let (mut head, mut neck): (f64, Option<(f64, f64)>) = (0.0, None);
    for (level, area) in levels.iter().zip(areas.iter().rev()) {
        match neck {
            Some((least, at)) if *area > SHOULDERS_TIMES * least => return Some(at + NECK_STEP),
            Some((least, _)) if *area > least => {}
            _ if *area < NECK_SHARE_MAX * head => neck = Some((*area, *level)),
            _ => head = head.max(*area),
        }
    }
    None
}
