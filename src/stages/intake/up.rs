//! Guesses which way is up: people and statues are tallest along it, and stand on something wider than their crown.

use glam::{DMat3, DVec3};
use serde::{Deserialize, Serialize};

use super::body::Body;

/// A direction of the file's axes.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, schemars::JsonSchema)]
pub enum Axis {
    #[serde(rename = "+x")]
    PlusX,
    #[serde(rename = "-x")]
    MinusX,
    #[serde(rename = "+y")]
    PlusY,
    #[serde(rename = "-y")]
    MinusY,
    #[serde(rename = "+z")]
    PlusZ,
    #[serde(rename = "-z")]
    MinusZ,
}

/// Ties go to the first: z, then y, upwards first.
const ALL: [Axis; 6] = [Axis::PlusZ, Axis::PlusY, Axis::MinusZ, Axis::MinusY, Axis::PlusX, Axis::MinusX];

impl Axis {
    #[must_use]
    pub fn name(self) -> &'static str {
        match self {
            Self::PlusX => "+x",
            Self::MinusX => "-x",
            Self::PlusY => "+y",
            Self::MinusY => "-y",
            Self::PlusZ => "+z",
            Self::MinusZ => "-z",
        }
    }

    #[must_use]
    pub fn vector(self) -> DVec3 {
        match self {
            Self::PlusX => DVec3::X,
            Self::MinusX => DVec3::NEG_X,
            Self::PlusY => DVec3::Y,
            Self::MinusY => DVec3::NEG_Y,
            Self::PlusZ => DVec3::Z,
            Self::MinusZ => DVec3::NEG_Z,
        }
    }

    /// The direction along a vector of the file's axes.
    fn along(vector: DVec3) -> Option<Self> {
        ALL.into_iter().find(|axis| axis.vector() == vector)
    }

    /// Index of the axis: 0 is x.
    pub(super) fn index(self) -> usize {
        match self {
            Self::PlusX | Self::MinusX => 0,
            Self::PlusY | Self::MinusY => 1,
            Self::PlusZ | Self::MinusZ => 2,
        }
    }

    /// The quarter or half turn that brings this direction up; its entries are -1, 0 or 1.
    pub(super) fn to_z(self) -> DMat3 {
        match self {
            Self::PlusZ => DMat3::IDENTITY,
            Self::MinusZ => DMat3::from_cols(DVec3::X, DVec3::NEG_Y, DVec3::NEG_Z),
            Self::PlusY => DMat3::from_cols(DVec3::X, DVec3::Z, DVec3::NEG_Y),
            Self::MinusY => DMat3::from_cols(DVec3::X, DVec3::NEG_Z, DVec3::Y),
            Self::PlusX => DMat3::from_cols(DVec3::Z, DVec3::Y, DVec3::NEG_X),
            Self::MinusX => DMat3::from_cols(DVec3::NEG_Z, DVec3::Y, DVec3::X),
        }
    }
}

/// A direction and how sure it is, 0 to 1.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct UpGuess {
    pub axis: Axis,
    pub confidence: f64,
    /// What the shape alone says, when that contradicts the file format.
    pub shape_says: Option<Axis>,
}

/// Share of the height that counts as foot or crown.
const BAND: f64 = 0.03;
/// Weight of being tall, against standing wide; fitted on ten scans in all six orientations.
const TALL_WEIGHT: f64 = 4.0;

/// Guesses from the shape, unless the format prescribes an axis.
pub(super) fn guess(body: &Body, hint: Option<DVec3>) -> UpGuess {
    let extent = body.high - body.low;
    let scores = ALL.map(|axis| {
        let tall = (extent[axis.index()] / extent.max_element()).max(1e-6).ln();
        TALL_WEIGHT * tall + stands_on(body, axis)
    });
    let best = (1..6).fold(0, |best, n| if scores[n] > scores[best] + 1e-9 { n } else { best });
    // Shares of a softmax: scores are sums of log-ratios, so differences compare as odds.
    let share = |n: usize| 1.0 / scores.iter().map(|s| (s - scores[n]).exp()).sum::<f64>();
    match hint.and_then(Axis::along) {
        None => UpGuess { axis: ALL[best], confidence: share(best), shape_says: None },
        Some(axis) => {
            let own = ALL.iter().position(|a| *a == axis).unwrap_or(best);
            let differs = best != own && share(best) > 0.8;
            let shape_says = differs.then_some(ALL[best]);
            UpGuess { axis, confidence: 0.5 + 0.5 * share(own), shape_says }
        }
    }
}

/// How much wider and larger the lowest band is than the highest, as a sum of log-ratios.
fn stands_on(body: &Body, axis: Axis) -> f64 {
    let ends = [false, true].map(|is_top| {
        let at = axis.index();
        let is_low_end = (axis.vector()[at] > 0.0) != is_top;
        let reach = BAND * (body.high[at] - body.low[at]);
        let is_inside =
            |p: DVec3| if is_low_end { p[at] < body.low[at] + reach } else { p[at] > body.high[at] - reach };
        spread_and_area(body, at, is_inside)
    });
    let [(foot, foot_area), (crown, crown_area)] = ends;
    let ratio = |a: f64, b: f64| if a > 0.0 && b > 0.0 { (a / b).ln().clamp(-1.5, 1.5) } else { 0.0 };
    ratio(foot, crown) + 0.5 * ratio(foot_area, crown_area)
}

/// Mean distance from the middle across an axis (root mean square), and area, of the specks that pass the test.
fn spread_and_area(body: &Body, axis: usize, is_inside: impl Fn(DVec3) -> bool) -> (f64, f64) {
    let across = |p: DVec3| {
        let mut p = p - body.low;
        p[axis] = 0.0;
        p
    };
    let (mut area, mut sum, mut squares) = (0.0, DVec3::ZERO, 0.0);
    for speck in body.specks.iter().filter(|speck| is_inside(speck.centre)) {
        let p = across(speck.centre);
        area += speck.area;
        sum += speck.area * p;
        squares += speck.area * p.length_squared();
    }
    if area == 0.0 {
        return (0.0, 0.0);
    }
    let variance = squares / area - (sum / area).length_squared();
    (variance.max(0.0).sqrt(), area)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_turn_is_proper_and_brings_its_axis_up() {
        for axis in ALL {
            let turn = axis.to_z();
            assert_eq!(turn * axis.vector(), DVec3::Z);
            assert!(turn.determinant() > 0.0);
        }
    }
}
