//! The working state under the shells: per vertex a direction and a depth, smoothed and limited along the surface.

use glam::DVec3;
use rayon::prelude::*;

use super::super::Origin;
use super::super::solve::{Limits, conjugate_gradients};
use super::super::topology::NONE;
use super::super::tree::TriTree;
use super::Surface;

/// Most a shell's depth changes per length along the surface.
const SLOPE_MAX: f64 = 2.0;
/// Share of the local thickness a shell may take, so that a core is left between two shells.
const THICKNESS_SHARE: f64 = 0.45;
/// Smoothing needs no more than a few digits.
const SMOOTHING: Limits = Limits { rounds: 40, tolerance: 1e-3 };
/// How far a direction leans into the part at the edge of a cut face, so that the shell stays under the face: 1 in 10.
const LEAN: f64 = 0.1;
/// Tries to turn a normal until all faces around its vertex see it.
const TURNS_MAX: usize = 30;

/// A neighbour along the surface.
#[derive(Clone, Copy)]
struct Spoke {
    slot: u32,
    length_mm: f32,
    /// Coupling for smoothing: large along short sides of long triangles.
    weight: f32,
}

/// One slot per vertex that has a shell under it, in the order of vertices.
pub struct Layer {
    pub vertices: Vec<u32>,
    pub slot: Vec<u32>,
    /// Unit vectors outward; the inner vertex lies against it.
    pub direction: Vec<DVec3>,
    pub depth_mm: Vec<f64>,
    /// Unit normals that all faces around the vertex see, if there is such a vector.
    normal: Vec<DVec3>,
    /// Neighbours of slot `s` lie from `start[s]` to `start[s + 1]`.
    start: Vec<u32>,
    spokes: Vec<Spoke>,
}

impl Layer {
    pub fn of(surface: &Surface<'_>) -> Self {
        let mut slot = vec![NONE; surface.mesh.positions.len()];
        let shells = (0_u32..).zip(&surface.mesh.triangles).filter(|(t, _)| surface.is_shell(*t));
        for v in shells.flat_map(|(_, corners)| corners) {
            slot[*v as usize] = 0;
        }
        let vertices: Vec<u32> = (0..slot.len() as u32).filter(|v| slot[*v as usize] == 0).collect();
        for (s, v) in vertices.iter().enumerate() {
            slot[*v as usize] = s as u32;
        }
        let normal: Vec<DVec3> = vertices
            .par_iter()
            .map(|v| under_cut_faces(surface, *v, surface.laid(*v, seen_normal(surface, *v))))
            .collect();
        let depth_mm = vertices.par_iter().map(|v| wanted_mm(surface, *v)).collect();
        let rings: Vec<Vec<Spoke>> = vertices.par_iter().map(|v| ring(surface, &slot, *v)).collect();
        let mut start = Vec::with_capacity(vertices.len() + 1);
        start.push(0);
        start.extend(rings.iter().scan(0, |end, ring| {
            *end += ring.len() as u32;
            Some(*end)
        }));
        let spokes = rings.into_iter().flatten().collect();
        Self { vertices, slot, direction: normal.clone(), depth_mm, normal, start, spokes }
    }

    fn ring(&self, slot: usize) -> &[Spoke] {
        &self.spokes[self.start[slot] as usize..self.start[slot + 1] as usize]
    }

    /// Takes from each depth what the part's thickness does not leave room for.
    pub fn limit_to_thickness(&mut self, surface: &Surface<'_>, tree: &TriTree) {
        let thinner = |(slot, depth): (usize, &f64)| {
            let reach = depth / THICKNESS_SHARE;
            depth.min(THICKNESS_SHARE * thickness_mm(surface, tree, self.vertices[slot], self.direction[slot], reach))
        };
        self.depth_mm = self.depth_mm.par_iter().enumerate().map(thinner).collect();
        self.limit_slope_from((0..self.vertices.len() as u32).collect());
    }

    /// Lets no depth near some slots exceed a neighbour's by more than the slope allows; gives every slot whose depth
    /// was reduced, sorted, those at the start included.
    fn limit_slope_from(&mut self, mut queue: Vec<u32>) -> Vec<u32> {
        let mut next = 0;
        while let Some(slot) = queue.get(next).map(|s| *s as usize) {
            next += 1;
            let depth = self.depth_mm[slot];
            for i in self.start[slot]..self.start[slot + 1] {
                let spoke = self.spokes[i as usize];
                let limit = depth + SLOPE_MAX * f64::from(spoke.length_mm);
                if self.depth_mm[spoke.slot as usize] > limit {
                    self.depth_mm[spoke.slot as usize] = limit;
                    queue.push(spoke.slot);
                }
            }
        }
        queue.sort_unstable();
        queue.dedup();
        queue
    }

    /// Smooths the normals over about the shell's depth, so that rough skin does not fold underneath: minimises the sum
    /// of `area |d - n|^2` over vertices and of `weight depth^2 |d - d'|^2` over edges.
    pub fn smooth_directions(&mut self, surface: &Surface<'_>) {
        let area_mm2: Vec<f64> = self.vertices.par_iter().map(|v| area_mm2(surface, *v)).collect();
        let coupling = |slot: usize, spoke: &Spoke| {
            f64::from(spoke.weight) * self.depth_mm[slot] * self.depth_mm[spoke.slot as usize]
        };
        let diagonal: Vec<f64> = (0..self.vertices.len())
            .into_par_iter()
            .map(|s| area_mm2[s] + self.ring(s).iter().map(|spoke| coupling(s, spoke)).sum::<f64>())
            .collect();
        let apply = |x: &[DVec3], image: &mut [DVec3]| {
            image.par_iter_mut().enumerate().for_each(|(s, image)| {
                let around = self.ring(s).iter().map(|spoke| x[spoke.slot as usize] * coupling(s, spoke));
                *image = x[s] * diagonal[s] - around.sum::<DVec3>();
            });
        };
        let pull: Vec<DVec3> = self.normal.iter().zip(&area_mm2).map(|(n, area)| *n * *area).collect();
        let mut smooth = self.normal.clone();
        conjugate_gradients(apply, &diagonal, &pull, &mut smooth, SMOOTHING);
        let unit = |(s, d): (usize, &DVec3)| {
            let smooth = surface.laid(self.vertices[s], d.try_normalize().unwrap_or(self.normal[s]));
            under_cut_faces(surface, self.vertices[s], smooth)
        };
        self.direction = smooth.par_iter().enumerate().map(unit).collect();
    }

    /// Thins the shell under some slots; gives every slot whose depth changed. Where a face does not see the direction
    /// it also turns towards the vertex's own normal.
    pub fn shrink(&mut self, surface: &Surface<'_>, slots: &[u32], factor: f64, least_mm: f64) -> Vec<u32> {
        for slot in slots.iter().map(|s| *s as usize) {
            let depth = self.depth_mm[slot];
            self.depth_mm[slot] = depth.min((depth * factor).max(least_mm));
            let faces = surface.fans.around(self.vertices[slot]).iter();
            let mut cosines = faces.map(|t| unit_normal(surface, *t).dot(self.direction[slot]));
            if cosines.any(|cosine| cosine < LEAN / 2.0) {
                let turned = self.direction[slot] + 0.5 * self.normal[slot];
                self.direction[slot] = turned.try_normalize().unwrap_or(self.normal[slot]);
            }
        }
        self.limit_slope_from(slots.to_vec())
    }
}

/// The deepest depth wanted by a shell at a vertex, mm.
fn wanted_mm(surface: &Surface<'_>, vertex: u32) -> f64 {
    let shells = surface.fans.around(vertex).iter().filter(|t| surface.is_shell(**t));
    shells.map(|t| surface.depth_mm[surface.labels[*t as usize] as usize]).fold(0.0, f64::max)
}

/// How far the part goes on under a vertex before its surface comes out again, mm; infinite beyond `reach`.
fn thickness_mm(surface: &Surface<'_>, tree: &TriTree, vertex: u32, direction: DVec3, reach: f64) -> f64 {
    let origin = surface.mesh.positions[vertex as usize];
    let hits = tree.ray_hits(origin, -direction, reach);
    let leaves = |t: u32| {
        !surface.mesh.triangles[t as usize].contains(&vertex)
            && surface.mesh.area_vector(t as usize).dot(direction) < 0.0
    };
    hits.into_iter().find(|hit| leaves(hit.triangle)).map_or(f64::INFINITY, |hit| hit.distance)
}

/// Neighbours of a vertex that have a slot.
fn ring(surface: &Surface<'_>, slot: &[u32], vertex: u32) -> Vec<Spoke> {
    let here = surface.mesh.positions[vertex as usize];
    let spoke = |t: &u32| {
        let corners = surface.mesh.triangles[*t as usize];
        let side = corners.iter().position(|v| *v == vertex).unwrap_or(0);
        let other = corners[(side + 1) % 3] as usize;
        let length = (surface.mesh.positions[other] - here).length();
        let beyond = surface.across[*t as usize][side];
        let area = [*t, beyond].iter().map(|t| surface.mesh.area_vector(*t as usize).length()).sum::<f64>();
        let weight = (area / 3.0 / length.powi(2).max(1e-12)).clamp(1e-2, 1e2);
        Spoke { slot: slot[other], length_mm: length as f32, weight: weight as f32 }
    };
    surface.fans.around(vertex).iter().map(spoke).filter(|spoke| spoke.slot != NONE).collect()
}

/// A vertex's share of the surface.
fn area_mm2(surface: &Surface<'_>, vertex: u32) -> f64 {
    let doubled = surface.fans.around(vertex).iter().map(|t| surface.mesh.area_vector(*t as usize).length());
    (doubled.sum::<f64>() / 6.0).max(1e-9)
}

/// The angle-weighted normal of a vertex (Thürmer and Wüthrich 1998), turned until every face around it sees it.
fn seen_normal(surface: &Surface<'_>, vertex: u32) -> DVec3 {
    let faces = surface.fans.around(vertex);
    let weighted = faces.iter().map(|t| unit_normal(surface, *t) * angle(surface, *t, vertex));
    let mut normal = weighted.sum::<DVec3>().normalize_or(DVec3::Z);
    for _ in 0..TURNS_MAX {
        let unit = faces.iter().map(|t| unit_normal(surface, *t));
        match unit.min_by(|a, b| a.dot(normal).total_cmp(&b.dot(normal))) {
            Some(worst) if worst.dot(normal) < 2.0 * LEAN => normal = (normal + 0.3 * worst).normalize_or(normal),
            _ => break,
        }
    }
    normal
}

/// At the edge of cut faces of the core: the direction laid into their planes, so that the colour reaches the joint,
/// but for a slight lean that keeps a film of the core's own under the face.
fn under_cut_faces(surface: &Surface<'_>, vertex: u32, direction: DVec3) -> DVec3 {
    let mut laid = direction;
    for t in surface.fans.around(vertex) {
        if matches!(surface.mesh.origins[*t as usize], Origin::Cut(_)) && !surface.is_shell(*t) {
            let normal = unit_normal(surface, *t);
            laid += normal * (LEAN - laid.dot(normal));
        }
    }
    let is_sound = laid.length() > 3.0 * LEAN;
    if is_sound { laid.normalize_or(direction) } else { direction }
}

fn unit_normal(surface: &Surface<'_>, triangle: u32) -> DVec3 {
    surface.mesh.area_vector(triangle as usize).normalize_or_zero()
}

/// The angle of a triangle at a vertex, radians.
fn angle(surface: &Surface<'_>, triangle: u32, vertex: u32) -> f64 {
    let corners = surface.mesh.triangles[triangle as usize];
    let lead = corners.iter().position(|v| *v == vertex).unwrap_or(0);
    let [here, left, right] = [0, 1, 2].map(|i| surface.mesh.positions[corners[(lead + i) % 3] as usize]);
    let (u, v) = (left - here, right - here);
    u.cross(v).length().atan2(u.dot(v))
}
