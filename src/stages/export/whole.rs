//! `figure.ply`: the assembled figure in its filament colours, its parts' outsides welded along the joints. Rims of a
//! joint are equal bit by bit, so welding closes the figure.

use glam::DVec3;
use rustc_hash::FxHashMap;

use super::inks::Inks;
use super::totals::{Totals, Written};
use crate::figure::Figure;
use crate::finding::{Finding, Severity};
use crate::format::threemf::ColouredObject;
use crate::format::write_ply;
use crate::mesh::TriMesh;
use crate::mesh::inspect::inspect;
use crate::stage::{StageContext, StageError};

const FILE: &str = "figure.ply";

/// Welds, checks and writes the figure.
pub fn write(figure: &Figure, inks: &Inks, ctx: &mut StageContext<'_>, totals: &mut Totals) -> Result<(), StageError> {
    let (mesh, labels) = assembled(figure, &totals.parts);
    let faults = inspect(&mesh);
    let loose = faults.open_edges + faults.crowded_edges + faults.flipped_edges;
    if loose == 0 {
        totals.figure_mm3 = Some(faults.volume_mm3);
    } else {
        let what = format!("`{FILE}` is not closed: {loose} edges do not meet just one other along the joints");
        let hint = "use it for pictures only; the parts themselves are closed";
        ctx.finding(Finding::new(Severity::Warning, what).hint(hint));
    }
    let object = ColouredObject {
        name: "assembled figure".to_owned(),
        positions: mesh.positions.iter().map(DVec3::to_array).collect(),
        triangles: mesh.triangles,
        colours: inks.colours.clone(),
        colour_of: labels,
    };
    let bytes = write_ply::write(&object).map_err(|e| {
        StageError::failed(format!("`{FILE}` cannot be written: {e}"), "this is a fault of the program")
    })?;
    totals.put(ctx, FILE, &bytes)
}

/// The outside triangles of all parts in figure coordinates, and their labels. Only vertices at cut faces are welded.
fn assembled(figure: &Figure, written: &[Written]) -> (TriMesh, Vec<u8>) {
    let mut welded: FxHashMap<[u64; 3], u32> = FxHashMap::default();
    let (mut positions, mut triangles, mut labels) = (Vec::new(), Vec::new(), Vec::new());
    for (part, written) in figure.parts.iter().zip(written) {
        let mesh = &part.mesh;
        let mut at_joint = vec![false; mesh.positions.len()];
        for (corners, _) in mesh.triangles.iter().zip(&mesh.origins).filter(|(_, origin)| !origin.is_outside()) {
            corners.iter().for_each(|v| at_joint[*v as usize] = true);
        }
        let mut place = vec![u32::MAX; mesh.positions.len()];
        let outside =
            mesh.triangles.iter().zip(&mesh.origins).zip(&written.labels).filter(|((_, o), _)| o.is_outside());
        for ((corners, _), label) in outside {
            for v in corners.map(|v| v as usize).into_iter().filter(|v| place[*v] == u32::MAX).collect::<Vec<_>>() {
                let next = positions.len() as u32;
                let bits = (mesh.positions[v] + DVec3::ZERO).to_array().map(f64::to_bits);
                place[v] = if at_joint[v] { *welded.entry(bits).or_insert(next) } else { next };
                if place[v] == next {
                    positions.push(mesh.positions[v]);
                }
            }
            triangles.push(corners.map(|v| place[v as usize]));
            labels.push(*label);
        }
    }
    (TriMesh::from_shape(positions, triangles), labels)
}
