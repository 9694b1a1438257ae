//! Patches of one label that touch in a single vertex bound no solid there: they are parted before small patches are
//! cleared away, so that nothing is left to mend when files are written.

use std::collections::BTreeMap;

use rayon::prelude::*;

use super::Surface;
use crate::figure::Figure;
use crate::mesh::solids::{SolidsError, unpinch};

/// Parts patches that touch in a single vertex; tells how many faces changed their label.
///
/// # Errors
/// When a part is no closed, oriented 2-manifold.
pub fn part(figure: &Figure, surface: &Surface, labels: &mut [u8]) -> Result<usize, SolidsError> {
    let parted = |index: usize| -> Result<Vec<(usize, u8)>, SolidsError> {
        let faces = surface.part_start[index]..surface.part_start[index + 1];
        let mut area = BTreeMap::<u8, f64>::new();
        for face in faces.clone() {
            *area.entry(labels[face]).or_default() += f64::from(surface.area_mm2[face]);
        }
        // Inner faces are printed in the core's filament, see `Part::printed_labels`.
        let core = area.iter().rev().max_by(|x, y| x.1.total_cmp(y.1)).map_or(0, |(label, _)| *label);
        let mesh = &figure.parts[index].mesh;
        let mut all = vec![core; mesh.triangles.len()];
        for face in faces.clone() {
            all[surface.triangle[face] as usize] = labels[face];
        }
        unpinch(mesh, &mut all)?;
        let new = faces.map(|face| (face, all[surface.triangle[face] as usize]));
        Ok(new.filter(|(face, label)| labels[*face] != *label).collect())
    };
    let changes: Vec<Vec<(usize, u8)>> =
        (0..figure.parts.len()).into_par_iter().map(parted).collect::<Result<_, _>>()?;
    let changed = changes.iter().map(Vec::len).sum();
    for (face, label) in changes.into_iter().flatten() {
        labels[face] = label;
    }
    Ok(changed)
}
