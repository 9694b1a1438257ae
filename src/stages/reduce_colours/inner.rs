//! Labels of whole parts: the outside as chosen, cut faces and keys like their rim, so that they add no filament.

use std::collections::BTreeMap;

use super::surface::{NO_JOINT, Surface};
use crate::mesh::TriMesh;

/// Label of each triangle of a part, given the labels of all outside faces.
#[must_use]
pub fn part_labels(surface: &Surface, part: usize, mesh: &TriMesh, labels: &[u8]) -> Vec<u8> {
    let faces = surface.part_start[part]..surface.part_start[part + 1];
    let mut areas = BTreeMap::new();
    let mut rims: BTreeMap<u16, BTreeMap<u8, f64>> = BTreeMap::new();
    for face in faces.clone() {
        *areas.entry(labels[face]).or_default() += f64::from(surface.area_mm2[face]);
        for (joint, length) in surface.rim[face].iter().zip(surface.length_mm[face]) {
            if *joint != NO_JOINT {
                *rims.entry(*joint).or_default().entry(labels[face]).or_default() += f64::from(length);
            }
        }
    }
    let main = largest(&areas).unwrap_or(0);
    let of_joint: BTreeMap<u16, u8> = rims.iter().map(|(joint, rim)| (*joint, largest(rim).unwrap_or(main))).collect();
    let inner = |joint: Option<u16>| joint.and_then(|joint| of_joint.get(&joint)).copied().unwrap_or(main);
    let mut all: Vec<u8> = mesh.origins.iter().map(|origin| inner(origin.joint())).collect();
    for face in faces {
        all[surface.triangle[face] as usize] = labels[face];
    }
    all
}

/// The label with the most behind it; of equal ones the first.
fn largest(sums: &BTreeMap<u8, f64>) -> Option<u8> {
    sums.iter().rev().max_by(|x, y| x.1.total_cmp(y.1)).map(|(label, _)| *label)
}
