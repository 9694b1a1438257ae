//! Rectangles around patches of cells.

use glam::DVec2;

/// Turns tried for a rectangle, over a quarter.
const TURNS: usize = 90;
/// A patch fills its rectangle this well to tell how the board lies (a disc fills .785).
const STRAIGHT: f64 = 0.88;

/// The smallest rectangle around a patch.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Frame {
    pub middle: DVec2,
    pub size: DVec2,
    /// How its first side is turned, radians, 0 to a quarter.
    pub turn: f64,
    /// Share of it the patch fills, holes counted as filled.
    pub filled: f64,
}

impl Frame {
    /// Of cells by their middles; `count` of them with holes filled.
    pub fn of(places: &[DVec2], cell_mm: f64, count: usize) -> Self {
        let around = |turn: f64| {
            let back = DVec2::from_angle(-turn);
            let ends = (DVec2::INFINITY, DVec2::NEG_INFINITY);
            let turned = places.iter().map(|p| back.rotate(*p));
            let (low, high) = turned.fold(ends, |(low, high), p| (low.min(p), high.max(p)));
            (DVec2::from_angle(turn).rotate(0.5 * (low + high)), high - low + cell_mm, turn)
        };
        let turn = |i: usize| std::f64::consts::FRAC_PI_2 * i as f64 / TURNS as f64;
        let area = |frame: &(DVec2, DVec2, f64)| frame.1.x * frame.1.y;
        let mut best = around(0.0);
        for i in 1..TURNS {
            let other = around(turn(i));
            if area(&other) < area(&best) {
                best = other;
            }
        }
        let filled = count as f64 * cell_mm * cell_mm / area(&best).max(1e-9);
        Self { middle: best.0, size: best.1, turn: best.2, filled }
    }
}

/// How far the board lies turned counter-clockwise, radians: as said, and on by less than an eighth so that most rectangles
/// stand straight. Round patches tell nothing.
pub fn board_turn(frames: &[Frame], said: f64) -> f64 {
    // Turns count by quarters, so they are averaged four times as fast.
    let straight = frames.iter().filter(|f| f.filled > STRAIGHT);
    let sum: DVec2 = straight.map(|f| DVec2::from_angle(4.0 * (f.turn - said))).sum();
    said + if sum.length() < 1e-9 { 0.0 } else { sum.to_angle() / 4.0 }
}
