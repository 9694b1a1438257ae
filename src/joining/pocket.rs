//! Room for glue: a shallow pocket in the lower of two faces that leaves a rim, so that a joint shuts tight where it shows.

use glam::DVec2;

use super::Site;
use super::keys::KeyRules;
use crate::mesh::cut::{Feature, Ring};
use crate::mesh::outline;

/// Rim left around a pocket, as a share of the wall that keys keep to it.
const RIM: f64 = 0.5;

/// Outlines of the pocket of a joint; none where it is too narrow, or no gap is wanted.
#[must_use]
pub fn pocket_outlines(site: &Site, rules: &KeyRules) -> Vec<Vec<DVec2>> {
    if rules.gap_mm > 0.0 { outline::inset(&site.outlines, RIM * rules.wall_mm) } else { Vec::new() }
}

/// A pocket with these features of the face in it.
#[must_use]
pub fn around(features: Vec<Feature>, joint: u16, outlines: &[Vec<DVec2>], gap_mm: f64) -> Feature {
    let ring = |height_mm| Ring { loops: outlines.to_vec(), height_mm };
    let inner = features.into_iter().map(|feature| lowered(feature, gap_mm)).collect();
    Feature { joint, rings: vec![ring(0.0), ring(-gap_mm)], inner }
}

/// A feature of the pocket's floor: hollows go as much deeper, pins keep their height over the face.
fn lowered(mut feature: Feature, gap_mm: f64) -> Feature {
    let rises = feature.rings.last().is_some_and(|ring| ring.height_mm > 0.0);
    let moved = if rises { 1 } else { feature.rings.len() };
    for ring in feature.rings.iter_mut().take(moved) {
        ring.height_mm -= gap_mm;
    }
    feature
}
