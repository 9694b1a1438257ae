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
use crate::mesh::topology::{Edges, ends, rims};
use crate::stage::{StageContext, StageError};

const FILE: &str = "figure.ply";

/// Welds, checks and writes the figure.
pub fn write(figure: &Figure, inks: &Inks, ctx: &mut StageContext<'_>, totals: &mut Totals) -> Result<(), StageError> {
    let (mut mesh, mut labels) = assembled(figure, &totals.parts);
    close_junctions(&mut mesh, &mut labels);
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
            for v in corners {
                at_joint[*v as usize] = true;
            }
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

/// Rounds of closing: a triangle with gaps on two sides takes one of them per round.
const ROUNDS_MAX: usize = 4;

/// Where three parts meet, one part's rim has a vertex in the middle of an edge of another's, a hair off its line.
/// Each such gap is a short rim; the triangle at its longest edge is cut up to take in the vertices between.
fn close_junctions(mesh: &mut TriMesh, labels: &mut Vec<u8>) {
    for _ in 0..ROUNDS_MAX {
        let edges = Edges::of(&mesh.triangles, mesh.positions.len());
        let gaps: Vec<(u32, Vec<u32>)> =
            rims(&mesh.triangles, &edges).iter().filter_map(|rim| gap(mesh, rim)).collect();
        if gaps.is_empty() {
            return;
        }
        for (half, chain) in gaps {
            cut_up(mesh, labels, half, &chain);
        }
    }
}

/// A rim's longest half-edge, and the vertices along the rest of the rim from its start to its end.
fn gap(mesh: &TriMesh, rim: &[u32]) -> Option<(u32, Vec<u32>)> {
    let length = |half: &u32| {
        let (from, to) = ends(&mesh.triangles, *half);
        mesh.positions[from as usize].distance_squared(mesh.positions[to as usize])
    };
    let longest = (0..rim.len()).rev().max_by(|a, b| length(&rim[*a]).total_cmp(&length(&rim[*b])))?;
    let start = |i: usize| ends(&mesh.triangles, rim[(longest + i) % rim.len()]).0;
    let chain = std::iter::once(0).chain((1..rim.len()).rev()).map(start).collect();
    Some((rim[longest], chain))
}

/// Replaces the triangle of a half-edge by a fan over a chain of vertices from the half-edge's start to its end.
fn cut_up(mesh: &mut TriMesh, labels: &mut Vec<u8>, half: u32, chain: &[u32]) {
    let (triangle, corner) = (half as usize / 3, half as usize % 3);
    let is_stale = chain.first().copied().zip(chain.last().copied()) != Some(ends(&mesh.triangles, half));
    if is_stale {
        return;
    }
    let apex = mesh.triangles[triangle][(corner + 2) % 3];
    for (i, pair) in chain.windows(2).enumerate() {
        let piece = [pair[0], pair[1], apex];
        if i == 0 {
            mesh.triangles[triangle] = piece;
        } else {
            mesh.triangles.push(piece);
            mesh.origins.push(mesh.origins[triangle]);
            labels.push(labels[triangle]);
        }
    }
}
