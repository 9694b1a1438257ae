//! What a scan lacks and where, told while the subject still stands there: the scan against the solid that `clean` made
//! of it.
//!
//! ```text
//! Figure after clean -missing-> zones -+
//! scan mesh -noise, front--------------+-> Survey -verdict-> good, usable, again
//! figures of intake and clean ---------+
//! ```

mod front;
mod missing;
mod noise;
pub mod pictures;
mod verdict;

use std::collections::BTreeMap;

use serde::Serialize;

use crate::figure::{Figure, ScanInfo};
use crate::mesh::measure::area_mm2;

pub use front::FrontGuess;
pub use missing::{Opening, ZONES, ZoneArea};
pub use noise::Grain;
pub use verdict::{Fault, Verdict};

/// A guess of `intake` or of the survey, with how sure it is (0 to 1).
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Guess {
    pub what: String,
    pub confidence: f64,
}

/// All that was found out about a scan. Areas in mm2, lengths in mm, shares from 0 to 1.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Survey {
    pub scan: String,
    pub verdict: Verdict,
    /// What is wrong, worst first, each with what to do.
    pub faults: Vec<Fault>,
    pub triangles: usize,
    pub height_mm: f64,
    pub unit: Guess,
    pub up: Guess,
    pub front: Guess,
    pub has_colour: bool,
    /// Surface of the solid that the scanner did not see, soles left out, as a share of all.
    pub missing_share: f64,
    /// The same by zone of the body, largest first; zones that lack nothing are left out.
    pub missing: Vec<ZoneArea>,
    /// Single openings, largest first.
    pub openings: Vec<Opening>,
    pub islands: usize,
    pub island_mm2: f64,
    /// Surface that was scanned twice, a little apart, as a share of all.
    pub double_share: f64,
    /// Grain of the surface, over the body and in the face.
    pub body: Grain,
    pub face: Grain,
    /// Whether mending is not enough, so that the surface is laid anew.
    pub wrapped: bool,
    /// Counts that `clean` logged: what it would change.
    pub changes: BTreeMap<String, f64>,
}

/// Names of logged numbers that say what `clean` changes.
const CHANGES: &[&str] = &[
    "vertices_welded",
    "duplicate_faces_removed",
    "triangles_without_area",
    "needles_collapsed",
    "caps_turned",
    "membranes_removed",
    "non_manifold_edges_cut",
    "triangles_turned",
    "edges_stitched",
    "t_junctions_closed",
    "spikes_pulled",
    "spikes_removed",
    "islands_removed",
    "pieces_joined",
    "holes_filled",
    "soles_closed",
    "self_intersections_before",
    "triangles",
];

/// Surveys a figure that `clean` has made solid; `logged` are the numbers `intake` and `clean` noted.
#[must_use]
pub fn survey(figure: &Figure, logged: &BTreeMap<String, f64>) -> Survey {
    let number = |name: &str| logged.get(name).copied().unwrap_or(0.0);
    let ScanInfo { name, triangles, has_colour, unit, unit_confidence, up, up_confidence, height_mm } = &figure.scan;
    let body_mm2 = area_mm2(&figure.whole).max(f64::MIN_POSITIVE);
    let seen = missing::look(&figure.whole);
    let front = front::guess(&figure.whole);
    let (body, face) = noise::grain(&figure.scan_mesh, &figure.whole);
    let changes = CHANGES.iter().map(|name| ((*name).to_owned(), number(name))).filter(|(_, value)| *value > 0.0);
    let mut survey = Survey {
        scan: name.clone(),
        verdict: Verdict::Good,
        faults: Vec::new(),
        triangles: *triangles,
        height_mm: *height_mm,
        unit: Guess { what: unit.clone(), confidence: *unit_confidence },
        up: Guess { what: up.clone(), confidence: *up_confidence },
        front: Guess { what: front.axis.to_owned(), confidence: front.confidence },
        has_colour: *has_colour,
        missing_share: seen.without_soles_mm2() / body_mm2,
        missing: seen.zones,
        openings: seen.openings,
        islands: number("islands_removed") as usize,
        island_mm2: number("island_area_mm2"),
        double_share: number("second_layer_removed_mm2") / body_mm2,
        body,
        face,
        wrapped: number("wrapped") > 0.0,
        changes: changes.collect(),
    };
    survey.faults = verdict::faults(&survey, body_mm2);
    survey.verdict = verdict::verdict(&survey.faults);
    survey
}
