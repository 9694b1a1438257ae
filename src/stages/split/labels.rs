//! Carries filament labels through cuts: skin keeps its label, a cut face gets the one that most of its rim shows.

use std::collections::BTreeMap;

use super::divide::Work;
use super::rims::rims;
use crate::mesh::cut::{NO_SOURCE, Plane};
use crate::mesh::{Origin, TriMesh};

/// Label weights of one face: length of rim by label, mm.
type Weights = BTreeMap<u8, f64>;

/// Labels of a part, given those of the figure it was cut from and the plane of each cut; `joint_cut` tells the cut of a
/// socket's joint.
pub(super) fn carried(part: &Work, figure: &[u8], cuts: &[Option<Plane>], joint_cut: impl Fn(u16) -> u16) -> Vec<u8> {
    let mesh = &part.mesh;
    let source = &part.source;
    let own = |t: usize| source.get(t).filter(|s| **s != NO_SOURCE).and_then(|s| figure.get(*s as usize)).copied();
    let rims = rim_labels(mesh, cuts, &own);
    let mut all = Weights::new();
    (0..mesh.triangles.len()).filter_map(&own).for_each(|label| *all.entry(label).or_default() += 1.0);
    let common = heaviest(&all).unwrap_or(0);
    let label = |t: usize| {
        own(t).unwrap_or_else(|| {
            let cut = match mesh.origins[t] {
                Origin::Cut(cut) => Some(cut),
                Origin::Key(joint) => Some(joint_cut(joint)),
                Origin::Skin | Origin::Fill => None,
            };
            cut.and_then(|c| rims.get(&c)).and_then(heaviest).unwrap_or(common)
        })
    };
    (0..mesh.triangles.len()).map(label).collect()
}

/// For each cut face the labels beside its rim.
fn rim_labels(mesh: &TriMesh, cuts: &[Option<Plane>], own: &impl Fn(usize) -> Option<u8>) -> BTreeMap<u16, Weights> {
    let mut weights: BTreeMap<u16, Weights> = BTreeMap::new();
    for rim in rims(mesh, cuts) {
        if let Some(label) = own(rim.triangle) {
            *weights.entry(rim.face.joint).or_default().entry(label).or_default() += rim.length_mm;
        }
    }
    weights
}

/// The label with the greatest weight; the lowest among equals.
fn heaviest(weights: &Weights) -> Option<u8> {
    let best = weights.iter().rev().max_by(|a, b| a.1.total_cmp(b.1));
    best.map(|(label, _)| *label)
}
