//! Settings of `split` and what they mean to its parts.

use glam::DVec3;
use serde::{Deserialize, Serialize};

use super::keys::KeyRules;
use crate::mesh::cut::Plane;
use crate::problem::Problem;
use crate::stage::Settings;

/// Cuts the figure into parts that fit the printer.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(default, deny_unknown_fields)]
pub struct Split {
    /// Kept free on every side of the bed and at the top, mm.
    pub margin_mm: f64,
    /// What holds a joint besides glue.
    pub keys: Keys,
    /// Dowels at hand, mm.
    pub dowel_mm: Vec<f64>,
    /// Socket over dowel, on each side, mm (common practice: 0.1 to 0.25, no source).
    pub clearance_mm: f64,
    /// Depth of a socket, mm; three dowel diameters when left out.
    pub key_depth_mm: Option<f64>,
    /// Solid kept around a socket, mm.
    pub wall_min_mm: f64,
    /// Thinner parts are avoided, mm.
    pub part_min_mm: f64,
    /// Distance between planes that are tried, mm; large parts are searched more coarsely.
    pub search_step_mm: f64,
    /// Planes to cut first, whatever they cross.
    pub cuts: Vec<FixedCut>,
}

/// What holds a joint besides glue.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum Keys {
    /// Round sockets on both sides for bought or printed dowels.
    #[default]
    Dowels,
    None,
}

/// An axis of the figure: x to its left, y to its back, z up.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum Axis {
    X,
    Y,
    Z,
}

/// A plane that was asked for: at a length from the figure's low end, or at a share of its extent.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct FixedCut {
    pub axis: Axis,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub at_mm: Option<f64>,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub share: Option<f64>,
}

impl Default for Split {
    fn default() -> Self {
        Self {
            margin_mm: 3.0,
            keys: Keys::Dowels,
            dowel_mm: vec![8.0, 6.0, 4.0, 3.0],
            clearance_mm: 0.15,
            key_depth_mm: None,
            wall_min_mm: 2.0,
            part_min_mm: 30.0,
            search_step_mm: 5.0,
            cuts: Vec::new(),
        }
    }
}

impl Settings for Split {
    const NAME: &'static str = "split";
    const VERSION: u32 = 2;
    const SUMMARY: &'static str = "cuts the figure into parts that fit the printer, with sockets for dowels";
    const EXAMPLE: &'static str = "\
margin_mm: 5
keys: dowels
dowel_mm: [8, 6, 4]
clearance_mm: 0.15
cuts:
  - axis: z
    share: 0.86
";
}

impl FixedCut {
    /// The plane in a figure with this box.
    pub(super) fn plane(&self, low: DVec3, high: DVec3) -> Plane {
        let axis = self.axis as usize;
        let along = self.at_mm.or(self.share.map(|s| s * (high - low)[axis])).unwrap_or(0.0);
        Plane::new(axis, low[axis] + along)
    }
}

impl Split {
    pub(super) fn key_rules(&self) -> KeyRules {
        let mut dowels_mm = if self.keys == Keys::Dowels { self.dowel_mm.clone() } else { Vec::new() };
        dowels_mm.sort_by(|a, b| b.total_cmp(a));
        dowels_mm.dedup();
        KeyRules { dowels_mm, clearance_mm: self.clearance_mm, wall_mm: self.wall_min_mm, depth_mm: self.key_depth_mm }
    }

    /// Faults of the settings.
    pub(super) fn problems(&self) -> Vec<Problem> {
        let mut problems = Vec::new();
        let mut within = |name: &str, value: f64, low: f64, high: f64| {
            if !(low..=high).contains(&value) {
                let what = format!("is {value}, expected {low} to {high}");
                problems.push(Problem::new(name, what, "give a length in millimetres within these bounds"));
            }
        };
        within("margin_mm", self.margin_mm, 0.0, 100.0);
        within("clearance_mm", self.clearance_mm, 0.0, 2.0);
        within("wall_min_mm", self.wall_min_mm, 0.4, 50.0);
        within("part_min_mm", self.part_min_mm, 0.0, 500.0);
        within("search_step_mm", self.search_step_mm, 0.5, 100.0);
        if let Some(depth) = self.key_depth_mm {
            within("key_depth_mm", depth, 1.0, 200.0);
        }
        for (i, dowel) in self.dowel_mm.iter().enumerate() {
            within(&format!("dowel_mm[{i}]"), *dowel, 1.0, 50.0);
        }
        if self.keys == Keys::Dowels && self.dowel_mm.is_empty() {
            let hint = "list the diameters at hand, or set `keys: none`";
            problems.push(Problem::new("dowel_mm", "is empty, expected at least one diameter", hint));
        }
        for (i, cut) in self.cuts.iter().enumerate() {
            problems.extend(cut.problem(&format!("cuts[{i}]")));
        }
        problems
    }
}

impl FixedCut {
    fn problem(&self, name: &str) -> Option<Problem> {
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
