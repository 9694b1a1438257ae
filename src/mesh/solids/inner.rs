//! Where the shells end: one inner vertex under each vertex of a shell, deep enough and never through another wall.
//!
//! A vertex moves along a direction smoothed over about its depth; depth gives way where the part is thin, where a
//! prism between outer and inner face would turn inside out, and where walls would cross.

use glam::DVec3;
use rayon::prelude::*;

use super::super::tree::TriTree;
use super::layer::Layer;
use super::uncross::uncross;
use super::{Surface, prism, twins};
use crate::units::snap_mm;

/// Depth down to which a shell may thin out before its prisms are left as they are, mm.
pub const DEPTH_MIN_MM: f64 = 0.05;
/// What is left of the depth around a fault, per round.
pub const SHRINK: f64 = 0.7;
const SHRINK_ROUNDS: usize = 24;
/// Share of the wanted depth that counts as deep.
const DEEP: f64 = 0.8;

/// The inner vertices of all shells.
pub struct Inner {
    /// Index into `positions` by vertex of the mesh.
    slot: Vec<u32>,
    /// Number of vertices of the mesh: inner vertices are counted on from here.
    outer: u32,
    pub positions: Vec<DVec3>,
    pub deep_share: f64,
    pub folded: usize,
    pub crossing: usize,
}

impl Inner {
    /// Number of vertices of the mesh: the first inner vertex.
    pub fn outer(&self) -> u32 {
        self.outer
    }

    /// Index of the vertex under a shell's vertex.
    pub fn below(&self, vertex: u32) -> u32 {
        self.outer + self.slot[vertex as usize]
    }
}

/// Places the inner vertices.
pub fn place(surface: &Surface<'_>) -> Inner {
    let tree = TriTree::new(&surface.mesh.positions, &surface.mesh.triangles);
    let mut layer = Layer::of(surface);
    layer.limit_to_thickness(surface, &tree);
    layer.smooth_directions(surface);
    layer.limit_to_thickness(surface, &tree);
    let shells: Vec<u32> = (0..surface.mesh.triangles.len() as u32).filter(|t| surface.is_shell(*t)).collect();
    let (folded, _) = unfold(surface, &mut layer, &shells);
    let mut inner = Inner {
        slot: layer.slot.clone(),
        outer: surface.mesh.positions.len() as u32,
        positions: (0..layer.vertices.len()).map(|s| foot(surface, &layer, s)).collect(),
        deep_share: 0.0,
        folded: folded.len(),
        crossing: 0,
    };
    uncross(surface, &tree, &mut layer, &mut inner);
    twins::part(&surface.mesh.positions, &mut inner.positions, &layer.direction);
    inner.deep_share = deep_share(surface, &layer);
    inner
}

/// The inner vertex of a slot, on the lattice.
pub fn foot(surface: &Surface<'_>, layer: &Layer, slot: usize) -> DVec3 {
    let outer = surface.mesh.positions[layer.vertices[slot] as usize];
    let inner = outer - layer.depth_mm[slot] * layer.direction[slot];
    DVec3::new(snap_mm(inner.x), snap_mm(inner.y), snap_mm(inner.z))
}

/// Thins shells out until every prism under the triangles given is upright; gives the triangles where that did not
/// help, and the slots whose depth changed.
pub fn unfold(surface: &Surface<'_>, layer: &mut Layer, triangles: &[u32]) -> (Vec<u32>, Vec<u32>) {
    let is_folded = |layer: &Layer, t: u32| {
        let corners = surface.mesh.triangles[t as usize];
        let feet = corners.map(|v| foot(surface, layer, layer.slot[v as usize] as usize));
        !prism::is_upright(corners, surface.mesh.corners(t as usize), feet)
    };
    let find = |layer: &Layer, among: &[u32]| -> Vec<u32> {
        among.par_iter().filter(|t| surface.is_shell(**t) && is_folded(layer, **t)).copied().collect()
    };
    let mut folded = find(layer, triangles);
    let mut all_changed = Vec::new();
    for _ in 0..SHRINK_ROUNDS {
        if folded.is_empty() {
            break;
        }
        let slots =
            sorted(folded.iter().flat_map(|t| surface.mesh.triangles[*t as usize]).map(|v| layer.slot[v as usize]));
        let changed = layer.shrink(surface, &slots, SHRINK, DEPTH_MIN_MM);
        let around = changed.iter().flat_map(|s| surface.fans.around(layer.vertices[*s as usize]));
        let suspects = sorted(around.copied());
        folded = find(layer, &suspects);
        all_changed.extend(changed);
    }
    (folded, sorted(all_changed.into_iter()))
}

/// The different items, ascending.
pub fn sorted(items: impl Iterator<Item = u32>) -> Vec<u32> {
    let mut items: Vec<u32> = items.collect();
    items.sort_unstable();
    items.dedup();
    items
}

/// Share of the shells' area that is nearly as deep as wanted.
fn deep_share(surface: &Surface<'_>, layer: &Layer) -> f64 {
    let (mut deep, mut all) = (0.0, 0.0);
    for (t, corners) in surface.mesh.triangles.iter().enumerate().filter(|(t, _)| surface.is_shell(*t as u32)) {
        let normal = surface.mesh.area_vector(t);
        let down = corners.map(|v| layer.slot[v as usize] as usize).map(|s| layer.depth_mm[s] * layer.direction[s]);
        let wanted = DEEP * surface.depth_mm[surface.labels[t] as usize] * normal.length();
        all += normal.length();
        if (down[0] + down[1] + down[2]).dot(normal) / 3.0 >= wanted {
            deep += normal.length();
        }
    }
    if all > 0.0 { deep / all } else { 1.0 }
}
