//! Triangles with next to no height: needles lose their short edge, caps have their long edge turned. Holes never open,
//! and a closed manifold stays one; what cannot be changed safely is left.

use glam::DVec3;
use rayon::prelude::*;

use super::TriMesh;
use super::topology::{Edges, NONE, next, previous};
use super::weld::keep_triangles;

/// Removes triangles whose least height is below `height_mm`; tells how many went or changed.
///
/// The mesh must be edge- and vertex-manifold and oriented. Vertices move by collapsing only, onto a neighbour nearer
/// than twice the height.
pub fn remove_slivers(mesh: &mut TriMesh, height_mm: f64) -> usize {
    const ROUNDS: usize = 10;
    let mut changed = 0;
    for _ in 0..ROUNDS {
        let slivers: Vec<u32> =
            (0..mesh.triangles.len() as u32).into_par_iter().filter(|t| least_height(mesh, *t) < height_mm).collect();
        if slivers.is_empty() {
            break;
        }
        let mut round = Round::of(mesh);
        for t in &slivers {
            round.improve(*t, height_mm);
        }
        let (done, dead) = (round.changes, round.dead);
        if done == 0 {
            break;
        }
        changed += done;
        if dead.contains(&true) {
            *mesh = keep_triangles(mesh, |t| !dead[t]);
        }
    }
    changed
}

pub(super) fn least_height(mesh: &TriMesh, t: u32) -> f64 {
    let [a, b, c] = mesh.corners(t as usize);
    let longest = a.distance_squared(b).max(b.distance_squared(c)).max(c.distance_squared(a)).sqrt();
    if longest > 0.0 { (b - a).cross(c - a).length() / longest } else { 0.0 }
}

/// Changes to places that do not touch one another, against one half-edge table.
struct Round<'a> {
    mesh: &'a mut TriMesh,
    mates: Vec<u32>,
    /// Vertices whose surroundings have changed in this round.
    locked: Vec<bool>,
    dead: Vec<bool>,
    changes: usize,
}

impl<'a> Round<'a> {
    fn of(mesh: &'a mut TriMesh) -> Self {
        let mates = Edges::of(&mesh.triangles, mesh.positions.len()).mates;
        let (locked, dead) = (vec![false; mesh.positions.len()], vec![false; mesh.triangles.len()]);
        Self { mesh, mates, locked, dead, changes: 0 }
    }

    fn start(&self, half: u32) -> u32 {
        self.mesh.triangles[half as usize / 3][half as usize % 3]
    }

    fn point(&self, vertex: u32) -> DVec3 {
        self.mesh.positions[vertex as usize]
    }

    fn length(&self, half: u32) -> f64 {
        self.point(self.start(half)).distance(self.point(self.start(next(half))))
    }

    fn improve(&mut self, t: u32, height_mm: f64) {
        if self.mesh.triangles[t as usize].iter().any(|v| self.locked[*v as usize]) {
            return;
        }
        let mut halves = [3 * t, 3 * t + 1, 3 * t + 2];
        halves.sort_by(|a, b| self.length(*a).total_cmp(&self.length(*b)).then(a.cmp(b)));
        let short = self.length(halves[0]) < 2.0 * height_mm;
        let done = (short && self.collapse(halves[0])) || self.turn(halves[2]);
        self.changes += usize::from(done);
    }

    /// Half-edges that leave the vertex `half` leaves, once round; `None` at a rim.
    fn spokes(&self, half: u32) -> Option<Vec<u32>> {
        let mut spokes = vec![half];
        loop {
            let mate = self.mates[previous(*spokes.last()?) as usize];
            if mate == NONE {
                return None;
            }
            if mate == half {
                return Some(spokes);
            }
            spokes.push(mate);
        }
    }

    /// Moves the end of `half` onto its start, if all stays manifold and no triangle turns over.
    fn collapse(&mut self, half: u32) -> bool {
        let mate = self.mates[half as usize];
        let (kept, gone) = (self.start(half), self.start(next(half)));
        if mate == NONE {
            return false;
        }
        let (Some(at_kept), Some(at_gone)) = (self.spokes(half), self.spokes(mate)) else { return false };
        let ring = |spokes: &[u32]| -> Vec<u32> { spokes.iter().map(|s| self.start(next(*s))).collect() };
        let (near_kept, near_gone) = (ring(&at_kept), ring(&at_gone));
        let shared = near_kept.iter().filter(|v| near_gone.contains(v)).count();
        let is_locked = near_gone.iter().chain(&near_kept).any(|v| self.locked[*v as usize]);
        if shared != 2 || near_gone.len() < 4 || is_locked || near_kept.len() + near_gone.len() < 8 {
            return false;
        }
        let doomed = [half / 3, mate / 3];
        let moved: Vec<u32> = at_gone.iter().map(|s| s / 3).filter(|t| !doomed.contains(t)).collect();
        if moved.iter().any(|t| self.turns_over(*t, gone, kept)) {
            return false;
        }
        for t in moved {
            let corners = &mut self.mesh.triangles[t as usize];
            *corners = corners.map(|v| if v == gone { kept } else { v });
        }
        for t in &doomed {
            self.dead[*t as usize] = true;
        }
        near_gone.iter().chain(&near_kept).for_each(|v| self.locked[*v as usize] = true);
        true
    }

    fn turns_over(&self, t: u32, gone: u32, kept: u32) -> bool {
        let corners = self.mesh.triangles[t as usize];
        let cross = |[a, b, c]: [DVec3; 3]| (b - a).cross(c - a);
        let before = cross(corners.map(|v| self.point(v)));
        let after = cross(corners.map(|v| self.point(if v == gone { kept } else { v })));
        after.length() <= 0.0 || before.dot(after) < 0.0
    }

    /// Turns the edge `half` in its two triangles, if the new edge is not drawn yet and their least height grows.
    fn turn(&mut self, half: u32) -> bool {
        let mate = self.mates[half as usize];
        if mate == NONE {
            return false;
        }
        let [a, b] = [half, mate].map(|h| self.start(h));
        let [c, d] = [half, mate].map(|h| self.start(previous(h)));
        let corners = [a, b, c, d];
        let Some(spokes) = self.spokes(previous(half)) else { return false };
        let is_drawn = spokes.iter().any(|s| self.start(next(*s)) == d);
        if c == d || is_drawn || corners.iter().any(|v| self.locked[*v as usize]) {
            return false;
        }
        let before = least_height(self.mesh, half / 3).min(least_height(self.mesh, mate / 3));
        let (one, other) = (half as usize / 3, mate as usize / 3);
        let old = [self.mesh.triangles[one], self.mesh.triangles[other]];
        let out = self.mesh.area_vector(one) + self.mesh.area_vector(other);
        (self.mesh.triangles[one], self.mesh.triangles[other]) = ([a, d, c], [d, b, c]);
        let after = least_height(self.mesh, half / 3).min(least_height(self.mesh, mate / 3));
        let stands = [one, other].iter().all(|t| self.mesh.area_vector(*t).dot(out) > 0.0);
        if after <= before || !stands {
            (self.mesh.triangles[one], self.mesh.triangles[other]) = (old[0], old[1]);
            return false;
        }
        for v in &corners {
            self.locked[*v as usize] = true;
        }
        true
    }
}
