//! Stands a scan upright: turned by quarters, in millimetres, its feet on the origin.

use glam::{DMat3, DVec3};
use rayon::prelude::*;

use super::body::Body;
use super::unit::UnitGuess;
use super::up::UpGuess;

/// How the scan is stood up: turned, scaled to mm, its feet on the origin.
pub(super) struct Stand {
    pub unit: UnitGuess,
    pub up: UpGuess,
    turn: DMat3,
    shift_mm: DVec3,
    pub height_mm: f64,
}

impl Stand {
    pub fn new(body: &Body, unit: UnitGuess, up: UpGuess) -> Self {
        let turn = up.axis.to_z();
        let ends = [body.floor, body.ceiling].map(|end| unit.unit.mm() * (turn * end));
        let (low, high) = (ends[0].min(ends[1]), ends[0].max(ends[1]));
        let middle = 0.5 * (low + high);
        let shift_mm = -DVec3::new(middle.x, middle.y, low.z);
        Self { unit, up, turn, shift_mm, height_mm: high.z - low.z }
    }

    pub fn apply(&self, positions: &mut [DVec3]) {
        let mm = self.unit.unit.mm();
        positions.par_iter_mut().for_each(|p| *p = mm * (self.turn * *p) + self.shift_mm);
    }
}
