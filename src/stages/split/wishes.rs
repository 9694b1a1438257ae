//! What the owner asks of the cuts: planes to cut, and places not to cut.

use glam::DVec3;
use serde::{Deserialize, Serialize};

use super::body::Zone;
use super::care::Barred;
use crate::mesh::cut::Plane;
use crate::problem::Problem;

/// Steepest tilt of a level plane, degrees.
const TILT_MAX_DEG: f64 = 45.0;

/// An axis of the figure: x to its left, y to its back, z up.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, schemars::JsonSchema)]
#[serde(rename_all = "lowercase")]
pub enum Axis {
    X,
    Y,
    Z,
}

/// A direction on the figure.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, schemars::JsonSchema)]
#[serde(rename_all = "lowercase")]
pub enum Towards {
    Left,
    Right,
    Front,
    Back,
}

/// The figure's own left or right.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, schemars::JsonSchema)]
#[serde(rename_all = "lowercase")]
pub enum Side {
    Left,
    Right,
}

/// A plane that was asked for: at a length from the figure's low end, or at a share of its extent, along its middle.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize, schemars::JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct FixedCut {
    pub axis: Axis,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub at_mm: Option<f64>,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub share: Option<f64>,
    /// Tilt of a level plane, degrees, up to 45: what lies above it leans this way.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub tilt_deg: Option<f64>,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub towards: Option<Towards>,
    /// Cuts only what lies wholly on this side of the middle, such as one arm.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub side: Option<Side>,
}

/// A plane to cut, on one side of the body only if so asked.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Asked {
    pub plane: Plane,
    pub side: Option<Side>,
}

/// A place that is not to be cut: a part of the body, or all between two heights.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize, schemars::JsonSchema)]
#[serde(untagged)]
pub enum Avoid {
    Zone(AvoidZone),
    Heights(Heights),
}

/// Parts of the body that can be avoided.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, schemars::JsonSchema)]
#[serde(rename_all = "lowercase")]
pub enum AvoidZone {
    Head,
    Neck,
    Chest,
    Waist,
    Hips,
    Arms,
    Hands,
    Thighs,
    Shins,
    Feet,
}

/// A stretch of height above the figure's low end: in millimetres or as shares of its height.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize, schemars::JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct Heights {
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub from_mm: Option<f64>,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub to_mm: Option<f64>,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub from_share: Option<f64>,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub to_share: Option<f64>,
}

impl FixedCut {
    /// The plane in a figure with this box and middle.
    pub(super) fn plane(&self, low: DVec3, high: DVec3, middle: DVec3) -> Plane {
        let axis = self.axis as usize;
        let along = self.at_mm.or(self.share.map(|s| s * (high - low)[axis])).unwrap_or(0.0);
        let towards = self.towards.zip(self.tilt_deg);
        let Some((towards, tilt_deg)) = towards else { return Plane::new(axis, low[axis] + along) };
        let lean = match towards {
            Towards::Left => DVec3::X,
            Towards::Right => DVec3::NEG_X,
            Towards::Front => DVec3::NEG_Y,
            Towards::Back => DVec3::Y,
        };
        let mut through = middle;
        through[axis] = low[axis] + along;
        Plane::across(DVec3::AXES[axis] + tilt_deg.to_radians().tan() * lean, through)
    }

    /// The same cut on the other side.
    pub(super) fn mirrored(self) -> Option<Self> {
        let towards = self.towards.map(|t| match t {
            Towards::Left => Towards::Right,
            Towards::Right => Towards::Left,
            same => same,
        });
        let side = self.side.map(|s| if s == Side::Left { Side::Right } else { Side::Left });
        side.map(|side| Self { towards, side: Some(side), ..self })
    }
}

impl Avoid {
    pub(super) fn barred(&self, height_mm: f64) -> Vec<Barred> {
        let zones: &[Zone] = match self {
            Self::Heights(h) => {
                let end = |mm: Option<f64>, share: Option<f64>| mm.or(share.map(|s| s * height_mm));
                let (from, to) = (end(h.from_mm, h.from_share), end(h.to_mm, h.to_share));
                return vec![Barred::Heights(from.unwrap_or(0.0), to.unwrap_or(f64::INFINITY))];
            }
            Self::Zone(zone) => match zone {
                AvoidZone::Head => &[Zone::Head],
                AvoidZone::Neck => &[Zone::Neck],
                AvoidZone::Chest => &[Zone::Chest],
                AvoidZone::Waist => &[Zone::Waist],
                AvoidZone::Hips => &[Zone::Hips],
                AvoidZone::Arms => &[Zone::UpperArm, Zone::Forearm],
                AvoidZone::Hands => &[Zone::Hand],
                AvoidZone::Thighs => &[Zone::Thigh],
                AvoidZone::Shins => &[Zone::Shin],
                AvoidZone::Feet => &[Zone::Foot],
            },
        };
        zones.iter().map(|z| Barred::Zone(*z)).collect()
    }
}

impl Heights {
    pub(super) fn problem(&self, name: &str) -> Option<Problem> {
        let hint = "give `from_mm` and `to_mm`, or `from_share` and `to_share`, the lower one first";
        let what = match (self.from_mm.zip(self.to_mm), self.from_share.zip(self.to_share)) {
            (Some((from, to)), None) | (None, Some((from, to))) if from < to => return None,
            (None, None) => "has no two ends",
            (Some(_), Some(_)) => "is given twice",
            _ => "ends below its start",
        };
        Some(Problem::new(name, what, hint))
    }
}

impl FixedCut {
    pub(super) fn problem(&self, name: &str) -> Option<Problem> {
        let problem = |what: String, hint: &str| Some(Problem::new(name, what, hint));
        match (self.axis, self.tilt_deg, self.towards) {
            (_, None, None) => {}
            (Axis::Z, Some(tilt), Some(_)) if (0.0..=TILT_MAX_DEG).contains(&tilt) => {}
            (Axis::Z, Some(tilt), Some(_)) => {
                return problem(
                    format!("has tilt_deg {tilt}, expected 0 to {TILT_MAX_DEG}"),
                    "use `axis: x` beyond that",
                );
            }
            (Axis::X | Axis::Y, _, _) => {
                return problem("tilts an upright plane".to_owned(), "tilt a level one: `axis: z`");
            }
            _ => {
                let hint = "give both, or neither";
                return problem("has only one of `tilt_deg` and `towards`".to_owned(), hint);
            }
        }
        let what = match (self.at_mm, self.share) {
            (Some(at), None) if at.is_finite() && at > 0.0 => return None,
            (None, Some(share)) if share > 0.0 && share < 1.0 => return None,
            (Some(at), None) => format!("has at_mm {at}, expected more than 0"),
            (None, Some(share)) => format!("has share {share}, expected between 0 and 1"),
            (None, None) => "has no place".to_owned(),
            (Some(_), Some(_)) => "has two places".to_owned(),
        };
        Some(Problem::new(name, what, "give either `at_mm` or `share`, from the figure's low end"))
    }
}
