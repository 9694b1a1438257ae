//! Guesses the unit of lengths from the height of a standing person: each height fits at most one common unit.

use serde::{Deserialize, Serialize};

/// A unit of length.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, schemars::JsonSchema)]
#[serde(rename_all = "lowercase")]
pub enum Unit {
    Mm,
    Cm,
    M,
    In,
    Ft,
}

/// Units with their cost when nothing fits: files in inches or feet are rare (common practice, no source).
const CANDIDATES: [(Unit, f64); 5] =
    [(Unit::Mm, 0.0), (Unit::M, 0.0), (Unit::Cm, 0.4), (Unit::In, 0.7), (Unit::Ft, 0.7)];

/// Heights of standing people from small child to tall adult, mm. The ratio is below 2.54, the least between two of
/// the units, so at most one fits.
const STANDING_MM: [f64; 2] = [900.0, 2150.0];
/// Heights nearly all adults lie between, mm.
const ADULT_MM: [f64; 2] = [1400.0, 2100.0];

impl Unit {
    #[must_use]
    pub fn name(self) -> &'static str {
        match self {
            Self::Mm => "mm",
            Self::Cm => "cm",
            Self::M => "m",
            Self::In => "in",
            Self::Ft => "ft",
        }
    }

    /// Length of the unit, mm.
    #[must_use]
    pub fn mm(self) -> f64 {
        match self {
            Self::Mm => 1.0,
            Self::Cm => 10.0,
            Self::M => 1000.0,
            Self::In => 25.4,
            Self::Ft => 304.8,
        }
    }
}

/// A unit and how sure it is, 0 to 1.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct UnitGuess {
    pub unit: Unit,
    pub confidence: f64,
}

/// Guesses from the height in file units, unless the format prescribes a unit.
pub(super) fn guess(height: f64, hint_mm: Option<f64>) -> UnitGuess {
    let hinted = hint_mm.and_then(|mm| CANDIDATES.iter().map(|c| c.0).find(|unit| (unit.mm() - mm).abs() < 1e-9));
    if let Some(unit) = hinted {
        return UnitGuess { unit, confidence: if is_within(height * unit.mm(), STANDING_MM) { 0.99 } else { 0.6 } };
    }
    if let Some(unit) = CANDIDATES.iter().map(|c| c.0).find(|u| is_within(height * u.mm(), STANDING_MM)) {
        let is_adult = is_within(height * unit.mm(), ADULT_MM);
        let is_common = matches!(unit, Unit::Mm | Unit::Cm | Unit::M);
        let confidence = match (is_adult, is_common) {
            (true, true) => 0.95,
            (true, false) => 0.85,
            (false, true) => 0.8,
            // 50 units may be a child in inches or a bust in centimetres.
            (false, false) => 0.5,
        };
        return UnitGuess { unit, confidence };
    }
    // Busts and figurines are more common than giants, so being too small costs half.
    let cost = |unit: Unit, rarity: f64| {
        let mm = height * unit.mm();
        rarity + if mm < STANDING_MM[0] { 0.5 * (STANDING_MM[0] / mm).ln() } else { (mm / STANDING_MM[1]).ln() }
    };
    let cheaper =
        |best: (Unit, f64), next: (Unit, f64)| if cost(next.0, next.1) < cost(best.0, best.1) { next } else { best };
    let best = CANDIDATES.into_iter().reduce(cheaper).unwrap_or(CANDIDATES[0]);
    UnitGuess { unit: best.0, confidence: 0.3 }
}

fn is_within(value: f64, [low, high]: [f64; 2]) -> bool {
    (low..=high).contains(&value)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_man_of_175_is_recognised_in_every_unit() {
        for (height, unit) in
            [(1.75, Unit::M), (5.74, Unit::Ft), (68.9, Unit::In), (175.0, Unit::Cm), (1750.0, Unit::Mm)]
        {
            let guess = guess(height, None);
            assert_eq!(guess.unit, unit);
            assert!(guess.confidence >= 0.85);
        }
    }

    #[test]
    fn no_height_fits_two_units() {
        for step in 0..4000 {
            let height = 0.5 * 1.0025_f64.powi(step);
            let fitting = CANDIDATES.iter().filter(|c| is_within(height * c.0.mm(), STANDING_MM)).count();
            assert!(fitting <= 1, "{height}");
        }
    }

    #[test]
    fn other_sizes_are_guessed_with_little_confidence() {
        for (height, unit) in [(2.7, Unit::M), (0.45, Unit::M), (300.0, Unit::Mm), (450.0, Unit::Mm)] {
            let guess = guess(height, None);
            assert_eq!((guess.unit, guess.confidence < 0.5), (unit, true), "{height}");
        }
        assert_eq!(guess(815.0, Some(1000.0)), UnitGuess { unit: Unit::M, confidence: 0.6 });
    }
}
