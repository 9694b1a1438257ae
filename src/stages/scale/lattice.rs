//! Onto the lattice and still a solid: vertices are rounded, triangles that lost their area are removed, and the few
//! that crossed by rounding are drawn apart.

use std::fmt;

use glam::DVec3;
use rayon::prelude::*;
use rustc_hash::FxHashSet;

use crate::mesh::TriMesh;
use crate::mesh::inspect::{Faults, inspect};
use crate::mesh::intersect::self_intersections;
use crate::mesh::slivers::remove_slivers;
use crate::mesh::sound::{self, pairs_beside};
use crate::units::{LATTICE_MM, snap_mm};

/// Triangles lower than this have no room on the lattice, mm.
const LEAST_HEIGHT_MM: f64 = 2.0 * LATTICE_MM;

/// Times that crossing triangles are drawn apart before giving up.
const ROUNDS: usize = 12;

/// Longest way a vertex is drawn in the first round, mm; in the round after twice as far, and so on: 0.08 mm in all.
const STEP_MM: f64 = 16.0 * LATTICE_MM;

/// More crossing pairs than this, and than this share of all triangles, do not come from rounding.
const CROSSING_MAX: usize = 200;
const CROSSING_SHARE_MAX: f64 = 0.01;

/// The mesh with every vertex placed anew and rounded to the lattice, and how many slivers went before rounding.
pub fn place(mesh: &TriMesh, to: impl Fn(DVec3) -> DVec3 + Sync) -> (TriMesh, usize) {
    let mut placed = mesh.clone();
    placed.positions.par_iter_mut().for_each(|p| *p = to(*p));
    let slivers = remove_slivers(&mut placed, LEAST_HEIGHT_MM);
    placed.positions.par_iter_mut().for_each(|p| *p = snap(*p));
    (placed, slivers)
}

fn snap(p: DVec3) -> DVec3 {
    DVec3::new(snap_mm(p.x), snap_mm(p.y), snap_mm(p.z))
}

/// A mesh that bounds a solid, with what it took.
#[derive(Debug)]
pub struct Sound {
    pub mesh: TriMesh,
    pub slivers: usize,
    pub moved: usize,
}

/// Why a mesh is not a solid on the lattice.
#[derive(Debug)]
pub enum Unsound {
    Faulty(Faults),
    Crossing(usize),
}

impl fmt::Display for Unsound {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Crossing(pairs) => write!(f, "{pairs} pairs of triangles cross at this size"),
            Self::Faulty(faults) => {
                let edges = faults.open_edges + faults.crowded_edges + faults.flipped_edges;
                let (pinched, flat) = (faults.pinched_vertices, faults.degenerate);
                write!(
                    f,
                    "not a solid at this size: {edges} faulty edges, {pinched} pinched vertices, {flat} flat triangles"
                )
            }
        }
    }
}

/// Makes a rounded mesh a solid again and puts it on z = 0.
///
/// # Errors
/// When it was no solid before, or triangles cross that smoothing does not draw apart.
pub fn mend(mut mesh: TriMesh) -> Result<Sound, Unsound> {
    let (mut slivers, mut moved) = (remove_slivers(&mut mesh, LEAST_HEIGHT_MM), 0);
    let most = CROSSING_MAX.max((CROSSING_SHARE_MAX * mesh.triangles.len() as f64) as usize);
    let mut crossing = self_intersections(&mesh);
    for round in 0..ROUNDS {
        if crossing.is_empty() || crossing.len() > most {
            break;
        }
        let sound = sound::Sound::of(&mesh, &crossing);
        moved += draw_apart(&mut mesh, &crossing, round);
        slivers += remove_slivers(&mut mesh, LEAST_HEIGHT_MM);
        crossing = pairs_beside(&mesh, &sound);
    }
    let faults = inspect(&mesh);
    if !faults.is_solid() {
        return Err(Unsound::Faulty(faults));
    }
    if !crossing.is_empty() {
        return Err(Unsound::Crossing(crossing.len()));
    }
    let floor = mesh.positions.iter().fold(f64::INFINITY, |low, p| low.min(p.z));
    for p in &mut mesh.positions {
        p.z -= floor;
    }
    Ok(Sound { mesh, slivers, moved })
}

/// Moves the corners of crossing triangles towards their neighbours' mean, on the lattice, further in later rounds and
/// then with the rings around them; tells how many vertices moved.
fn draw_apart(mesh: &mut TriMesh, crossing: &[[u32; 2]], round: usize) -> usize {
    let (step_max_mm, rings) = (STEP_MM * (round + 1) as f64, round / 3);
    let corners = crossing.iter().flatten().flat_map(|t| mesh.triangles[*t as usize]);
    let mut chosen: FxHashSet<u32> = corners.collect();
    for _ in 0..rings {
        let near = mesh.triangles.iter().filter(|t| t.iter().any(|v| chosen.contains(v)));
        let grown: Vec<u32> = near.flatten().copied().collect();
        chosen.extend(grown);
    }
    let mut sums = vec![(DVec3::ZERO, 0_u32); mesh.positions.len()];
    for t in &mesh.triangles {
        for corner in 0..3 {
            let (v, next) = (t[corner], t[(corner + 1) % 3]);
            if chosen.contains(&v) {
                let sum = &mut sums[v as usize];
                *sum = (sum.0 + mesh.positions[next as usize], sum.1 + 1);
            }
        }
    }
    let mut moved = 0;
    for (p, (sum, count)) in mesh.positions.iter_mut().zip(sums).filter(|(_, (_, count))| *count > 0) {
        let step = 0.5 * (sum / f64::from(count) - *p);
        let aim = snap(*p + step.clamp_length_max(step_max_mm));
        moved += usize::from(aim != *p);
        *p = aim;
    }
    moved
}
