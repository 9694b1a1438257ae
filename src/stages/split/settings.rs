//! Settings of `split` and what they mean to its parts.

use serde::{Deserialize, Serialize};

use super::plan::RANKED;
use super::wishes::{Avoid, FixedCut};
use crate::joining::{KeyRules, largest_first};
use crate::problem::Problem;
use crate::stage::Settings;

/// Cuts the figure into parts that fit the printer.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, schemars::JsonSchema)]
#[serde(default, deny_unknown_fields)]
pub struct Split {
    /// Kept free on every side of the bed and at the top, mm.
    pub margin_mm: f64,
    /// What holds a joint besides glue.
    pub keys: Keys,
    /// Dowels at hand, or pins to choose from, mm.
    pub dowel_mm: Vec<f64>,
    /// Socket over dowel, on each side, mm (common practice: 0.1 to 0.25, no source).
    pub clearance_mm: f64,
    /// Depth of a socket, mm; when left out three diameters for a dowel, for a pin a little more than it is high.
    pub key_depth_mm: Option<f64>,
    /// Chamfer around a socket's mouth, so that first layers that spread out do not narrow it, mm.
    pub mouth_chamfer_mm: f64,
    /// Room for glue between two faces, within a rim that shuts tight, mm: a pocket in the lower one. One layer is enough
    /// (common practice: 0.05 to 0.2, no source).
    pub glue_gap_mm: f64,
    /// Whether the numbers of the parts are engraved in the cut faces.
    pub marks: bool,
    /// Height of their figures where there is room, mm.
    pub mark_height_mm: f64,
    /// Solid kept around a socket, mm.
    pub wall_min_mm: f64,
    /// Thinner parts are avoided, mm.
    pub part_min_mm: f64,
    /// Distance between planes that are tried, mm; large parts are searched more coarsely.
    pub search_step_mm: f64,
    /// Planes to cut first, whatever they cross.
    pub cuts: Vec<FixedCut>,
    /// Whether to cut nowhere else.
    pub cuts_only: bool,
    /// What is not to be cut if it can be helped, beside the face.
    pub avoid: Vec<Avoid>,
    /// Most parts wanted: seams count less until there are no more.
    pub parts_max: Option<usize>,
    /// Whether limbs that are alike must be cut alike.
    pub same_cut_both_sides: bool,
    /// Which of the plans found to follow: 1 is the cheapest, the report shows the next two.
    pub plan: usize,
}

/// What holds a joint besides glue.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize, schemars::JsonSchema)]
#[serde(rename_all = "lowercase")]
pub enum Keys {
    /// Round sockets on both sides for bought or printed dowels.
    #[default]
    Dowels,
    /// Pins printed on one of the two parts.
    Pins,
    None,
}

impl Default for Split {
    fn default() -> Self {
        Self {
            margin_mm: 3.0,
            keys: Keys::Dowels,
            dowel_mm: vec![8.0, 6.0, 4.0, 3.0],
            clearance_mm: 0.15,
            key_depth_mm: None,
            mouth_chamfer_mm: 0.4,
            glue_gap_mm: 0.0,
            marks: true,
            mark_height_mm: 10.0,
            wall_min_mm: 2.0,
            part_min_mm: 30.0,
            search_step_mm: 5.0,
            cuts: Vec::new(),
            cuts_only: false,
            avoid: Vec::new(),
            parts_max: None,
            same_cut_both_sides: false,
            plan: 1,
        }
    }
}

impl Settings for Split {
    const NAME: &'static str = "split";
    const VERSION: u32 = 7;
    const SUMMARY: &'static str = "cuts the figure into parts that fit the printer, with keys and engraved numbers";
    const EXAMPLE: &'static str = "\
margin_mm: 5
keys: dowels
dowel_mm: [8, 6, 4]
clearance_mm: 0.15
mark_height_mm: 8
avoid: [hands, {from_share: 0.5, to_share: 0.56}]
parts_max: 12
same_cut_both_sides: true
cuts:
  - {axis: z, share: 0.86}
  - {axis: z, share: 0.81, tilt_deg: 40, towards: left, side: left}
";
}

impl Split {
    /// What keys and marks keep to.
    #[must_use]
    pub fn key_rules(&self) -> KeyRules {
        KeyRules {
            dowels_mm: if self.keys == Keys::None { Vec::new() } else { largest_first(&self.dowel_mm) },
            pins: self.keys == Keys::Pins,
            clearance_mm: self.clearance_mm,
            wall_mm: self.wall_min_mm,
            depth_mm: self.key_depth_mm,
            chamfer_mm: self.mouth_chamfer_mm,
            gap_mm: self.glue_gap_mm,
            marks_mm: self.marks.then_some(self.mark_height_mm),
        }
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
        within("mouth_chamfer_mm", self.mouth_chamfer_mm, 0.0, 3.0);
        within("glue_gap_mm", self.glue_gap_mm, 0.0, 1.0);
        within("mark_height_mm", self.mark_height_mm, 6.0, 40.0);
        within("part_min_mm", self.part_min_mm, 0.0, 500.0);
        within("search_step_mm", self.search_step_mm, 0.5, 100.0);
        if let Some(depth) = self.key_depth_mm {
            within("key_depth_mm", depth, 1.0, 200.0);
        }
        for (i, dowel) in self.dowel_mm.iter().enumerate() {
            within(&format!("dowel_mm[{i}]"), *dowel, 1.0, 50.0);
        }
        if self.keys != Keys::None && self.dowel_mm.is_empty() {
            let hint = "list the diameters at hand, or set `keys: none`";
            problems.push(Problem::new("dowel_mm", "is empty, expected at least one diameter", hint));
        }
        for (i, cut) in self.cuts.iter().enumerate() {
            problems.extend(cut.problem(&format!("cuts[{i}]")));
        }
        for (i, avoid) in self.avoid.iter().enumerate() {
            if let Avoid::Heights(heights) = avoid {
                problems.extend(heights.problem(&format!("avoid[{i}]")));
            }
        }
        if !(1..=RANKED).contains(&self.plan) {
            let what = format!("is {}, expected 1 to {RANKED}", self.plan);
            problems.push(Problem::new("plan", what, "the report numbers the plans it shows"));
        }
        if self.parts_max == Some(0) {
            problems.push(Problem::new("parts_max", "is 0, expected at least 1", "leave it out for no limit"));
        }
        if self.cuts_only && self.cuts.is_empty() {
            problems.push(Problem::new("cuts_only", "leaves nothing to cut", "list the planes in `cuts`"));
        }
        problems
    }
}
