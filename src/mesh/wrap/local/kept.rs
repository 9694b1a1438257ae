//! What stays of a surface when the neighbourhood of some places is taken away.

use glam::DVec3;
use rayon::prelude::*;

use crate::mesh::TriMesh;
use crate::mesh::topology::{Components, Edges, NONE, components, fans};
use crate::mesh::winding::Winding;

/// What becomes of a triangle.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum State {
    Stays,
    /// Near a place; new surface is laid there.
    Away,
    /// On a stretch that is not the boundary of the solid.
    Inside,
}

/// The states of all triangles.
#[derive(Clone, Debug)]
pub(super) struct Kept {
    pub(super) states: Vec<State>,
    /// Whether a vertex lies between what stays and what is away.
    pub(super) rim: Vec<bool>,
}

/// Stretches of fewer triangles go with what was taken away around them.
const STRETCH_MIN: usize = 12;

impl Kept {
    /// Takes away what is within the reach of the boxes.
    pub(super) fn beside(mesh: &TriMesh, winding: &Winding, places: &[[DVec3; 2]], reach_mm: f64) -> Self {
        let mut states = vec![State::Stays; mesh.triangles.len()];
        let near = |[low, high]: &[DVec3; 2]| {
            let mut found = Vec::new();
            winding.tree().overlapping(*low - reach_mm, *high + reach_mm, |t| found.push(t));
            found
        };
        let found: Vec<u32> = places.par_iter().flat_map_iter(near).collect();
        for t in &found {
            states[*t as usize] = State::Away;
        }
        let mut kept = Self { states, rim: Vec::new() };
        kept.part_pinches(mesh);
        kept.drop_inside(mesh, winding);
        kept.rim = kept.rims(mesh);
        kept
    }

    pub(super) fn count(&self, state: State) -> usize {
        self.states.iter().filter(|s| **s == state).count()
    }

    fn staying(&self) -> Vec<u32> {
        (0..).zip(&self.states).filter(|(_, state)| **state == State::Stays).map(|(t, _)| t).collect()
    }

    /// Takes away all triangles at vertices where what stays would only touch itself.
    fn part_pinches(&mut self, mesh: &TriMesh) {
        loop {
            let staying = self.staying();
            let triangles: Vec<[u32; 3]> = staying.iter().map(|t| mesh.triangles[*t as usize]).collect();
            let pinched = pinched(&triangles, mesh.positions.len());
            let mut changed = false;
            for (t, triangle) in staying.iter().zip(&triangles) {
                if triangle.iter().any(|v| pinched[*v as usize]) {
                    self.states[*t as usize] = State::Away;
                    changed = true;
                }
            }
            if !changed {
                return;
            }
        }
    }

    /// Drops stretches whose two sides are not outside and inside. Nothing crosses a stretch, so that its winding number
    /// is the same all over it.
    fn drop_inside(&mut self, mesh: &TriMesh, winding: &Winding) {
        let staying = self.staying();
        let triangles: Vec<[u32; 3]> = staying.iter().map(|t| mesh.triangles[*t as usize]).collect();
        let pieces = components(&triangles, &Edges::of(&triangles, mesh.positions.len()));
        let verdicts = verdicts(mesh, winding, &staying, &pieces);
        for (t, piece) in staying.iter().zip(&pieces.label) {
            self.states[*t as usize] = verdicts[*piece as usize];
        }
    }

    fn rims(&self, mesh: &TriMesh) -> Vec<bool> {
        let mut at = vec![0_u8; mesh.positions.len()];
        for (triangle, state) in mesh.triangles.iter().zip(&self.states) {
            let bit = u8::from(*state == State::Stays) | u8::from(*state != State::Stays) << 1;
            for v in triangle {
                at[*v as usize] |= bit;
            }
        }
        at.into_iter().map(|bits| bits == 3).collect()
    }
}

/// Votes of the largest triangles of each stretch.
fn verdicts(mesh: &TriMesh, winding: &Winding, staying: &[u32], pieces: &Components) -> Vec<State> {
    const VOTERS: usize = 5;
    let mut voters: Vec<Vec<(f64, u32)>> = vec![Vec::new(); pieces.count];
    let mut sizes = vec![0; pieces.count];
    for (t, piece) in staying.iter().zip(&pieces.label) {
        let (voters, area) = (&mut voters[*piece as usize], mesh.area_vector(*t as usize).length());
        sizes[*piece as usize] += 1;
        if voters.len() < VOTERS || voters.last().is_some_and(|last| area > last.0) {
            voters.push((area, *t));
            voters.sort_by(|a, b| b.0.total_cmp(&a.0).then(a.1.cmp(&b.1)));
            voters.truncate(VOTERS);
        }
    }
    let verdict = |(voters, size): (&Vec<(f64, u32)>, &usize)| {
        let bounding = voters.iter().filter(|(_, t)| bounds_solid(mesh, winding, *t)).count();
        match (2 * bounding > voters.len(), *size < STRETCH_MIN) {
            (_, true) => State::Away,
            (true, _) => State::Stays,
            (false, _) => State::Inside,
        }
    };
    voters.iter().zip(&sizes).map(verdict).collect()
}

/// Whether it is outside in front of a triangle and inside behind it.
fn bounds_solid(mesh: &TriMesh, winding: &Winding, t: u32) -> bool {
    /// Distance from the triangle, as share of its size.
    const OFF: f64 = 1e-3;
    let [a, b, c] = mesh.corners(t as usize);
    let normal = mesh.area_vector(t as usize);
    let step = normal.normalize_or_zero() * normal.length().sqrt() * OFF;
    let middle = (a + b + c) / 3.0;
    winding.at(middle + step) < 0.5 && winding.at(middle - step) > 0.5
}

/// Vertices with more than one fan.
pub(super) fn pinched(triangles: &[[u32; 3]], vertices: usize) -> Vec<bool> {
    let fan_of = fans(triangles, &Edges::of(triangles, vertices).mates);
    let mut first = vec![NONE; vertices];
    let mut pinched = vec![false; vertices];
    for (v, fan) in triangles.iter().flatten().zip(fan_of) {
        let first = &mut first[*v as usize];
        if *first == NONE {
            *first = fan;
        }
        pinched[*v as usize] |= *first != fan;
    }
    pinched
}
