//! `figure.ply`: the figure before it was cut, closed, in the filament colours of its parts.

use glam::DVec3;
use rayon::prelude::*;

use super::inks::Inks;
use super::totals::{Totals, Written};
use crate::figure::Figure;
use crate::format::threemf::ColouredObject;
use crate::format::write_ply;
use crate::mesh::tree::TriTree;
use crate::stage::{StageContext, StageError};

const FILE: &str = "figure.ply";

/// Colours and writes the figure.
pub fn write(figure: &Figure, inks: &Inks, ctx: &mut StageContext<'_>, totals: &mut Totals) -> Result<(), StageError> {
    let object = ColouredObject {
        name: "assembled figure".to_owned(),
        positions: figure.whole.positions.iter().map(DVec3::to_array).collect(),
        triangles: figure.whole.triangles.clone(),
        colours: inks.colours.clone(),
        colour_of: labels(figure, &totals.parts),
        transform: None,
    };
    let bytes = write_ply::write(&object).map_err(|e| {
        StageError::failed(format!("`{FILE}` cannot be written: {e}"), "this is a fault of the program")
    })?;
    totals.put(ctx, FILE, &bytes)
}

/// The label of each triangle of the whole: that of the outside of the parts at its middle. A triangle that a cut runs
/// through has one label there, as its pieces do.
fn labels(figure: &Figure, written: &[Written]) -> Vec<u8> {
    if let ([part], [only]) = (figure.parts.as_slice(), written)
        && part.mesh.triangles == figure.whole.triangles
    {
        return only.labels.clone();
    }
    let (mut positions, mut triangles, mut labels) = (Vec::new(), Vec::new(), Vec::new());
    for (part, written) in figure.parts.iter().zip(written) {
        let first = positions.len() as u32;
        positions.extend(&part.mesh.positions);
        let outside = part.mesh.triangles.iter().zip(&part.mesh.origins).zip(&written.labels);
        for ((corners, _), label) in outside.filter(|((_, origin), _)| origin.is_outside()) {
            triangles.push(corners.map(|v| v + first));
            labels.push(*label);
        }
    }
    let tree = TriTree::new(&positions, &triangles);
    let label = |t: usize| {
        let middle = figure.whole.corners(t).into_iter().sum::<DVec3>() / 3.0;
        tree.nearest(middle, f64::INFINITY).map_or(0, |nearest| labels[nearest.triangle as usize])
    };
    (0..figure.whole.triangles.len()).into_par_iter().map(label).collect()
}
