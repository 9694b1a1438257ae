//! Puts the labels on the parts: the outside as chosen, cut faces and keys like their rim, so that they add no filament.

use std::collections::BTreeMap;
use std::sync::Arc;

use rayon::prelude::*;

use super::{NO_JOINT, Surface};
use crate::equipment::Filament;
use crate::figure::{Figure, Part};
use crate::mesh::TriMesh;

/// The figure with labels on every part, given those of all outside faces; filaments that no triangle has are left out.
#[must_use]
pub fn paint(figure: &Figure, surface: &Surface, labels: &[u8], filaments: &[Filament]) -> Figure {
    let paint = |(part, index): (&Part, usize)| part_labels(surface, index, &part.mesh, labels);
    let mut painted: Vec<Vec<u8>> = figure.parts.par_iter().zip(0..figure.parts.len()).map(paint).collect();
    let mut used = vec![false; filaments.len()];
    for label in painted.iter().flatten() {
        used[usize::from(*label)] = true;
    }
    let new_labels: Vec<u8> =
        (0..used.len()).map(|label| used[..label].iter().filter(|used| **used).count() as u8).collect();
    for label in painted.iter_mut().flatten() {
        *label = new_labels[usize::from(*label)];
    }
    let mut result = Figure { blend: None, ..figure.clone() };
    for region in &mut result.colour_regions {
        region.filament = new_labels[usize::from(region.filament)];
    }
    result.palette = filaments.iter().zip(&used).filter(|(_, used)| **used).map(|(f, _)| f.clone()).collect();
    for (part, labels) in result.parts.iter_mut().zip(painted) {
        part.labels = Some(Arc::new(labels));
        part.estimate = None;
    }
    result
}

/// Label of each triangle of a part, given the labels of all outside faces.
fn part_labels(surface: &Surface, part: usize, mesh: &TriMesh, labels: &[u8]) -> Vec<u8> {
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
