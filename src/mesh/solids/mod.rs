//! One closed solid per label of a closed, labelled mesh: a shell of given depth under each label's surface, and the
//! core with the label that covers most of it.
//!
//! Neighbouring solids share their walls bit by bit, so their volumes sum to the mesh's. Every solid is closed and
//! consistently oriented; an edge has more than two faces only where two patches of a label touch in a single vertex.

mod assemble;
mod inner;
mod layer;
mod pinch;
mod prism;
mod twins;
mod uncross;

use glam::DVec3;
use rayon::prelude::*;

use super::TriMesh;
use super::fans::Fans;
use super::topology::{Edges, NONE};
pub use pinch::unpinch;

/// The solid of one label.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Solid {
    pub label: u8,
    pub positions: Vec<DVec3>,
    pub triangles: Vec<[u32; 3]>,
}

/// A mesh split by label.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Solids {
    /// One per label in use, in the order of labels.
    pub solids: Vec<Solid>,
    /// The label that holds the core.
    pub base: u8,
    /// Share of the coloured surface whose shell is nearly as deep as was asked for.
    pub deep_share: f64,
    /// Faces of shells whose prism stays folded at the least depth: they have hardly any area.
    pub folded: usize,
    /// Pairs of inner faces and walls that still cross at the least depth.
    pub crossing: usize,
    /// Edges with four faces, where patches of one label touch in a single vertex.
    pub pinched_edges: usize,
}

/// Why a mesh could not be split by label.
#[derive(Debug, PartialEq, Eq, thiserror::Error)]
pub enum SolidsError {
    #[error("there are {labels} labels for {triangles} triangles")]
    LabelCount { labels: usize, triangles: usize },
    #[error("label {0} has no depth")]
    UnknownLabel(u8),
    #[error("the mesh is not closed and oriented: {0} sides of triangles lack their one opposite")]
    NotClosed(usize),
}

/// Triangles whose shells go in level.
#[derive(Clone, Copy, Debug)]
pub struct InLevel<'a> {
    /// Unit vector across the levels.
    pub up: DVec3,
    pub triangles: &'a [bool],
}

/// Splits a closed mesh into one solid per label; `depth_mm` says by label how deep its colour must go.
///
/// # Errors
/// When labels and mesh do not match or the mesh is not a closed, oriented 2-manifold.
pub fn split_by_label(mesh: &TriMesh, labels: &[u8], depth_mm: &[f64]) -> Result<Solids, SolidsError> {
    split_in_level(mesh, labels, depth_mm, InLevel { up: DVec3::Z, triangles: &[] })
}

/// The same, where the shells under some triangles go in level.
///
/// # Errors
/// When labels and mesh do not match or the mesh is not a closed, oriented 2-manifold.
pub fn split_in_level(
    mesh: &TriMesh,
    labels: &[u8],
    depth_mm: &[f64],
    level: InLevel<'_>,
) -> Result<Solids, SolidsError> {
    if labels.len() != mesh.triangles.len() {
        return Err(SolidsError::LabelCount { labels: labels.len(), triangles: mesh.triangles.len() });
    }
    if let Some(label) = labels.iter().find(|label| **label as usize >= depth_mm.len()) {
        return Err(SolidsError::UnknownLabel(*label));
    }
    let across = across_sides(mesh)?;
    let (used, base) = used_labels(mesh, labels, depth_mm.len());
    if used.is_empty() {
        return Ok(Solids::default());
    }
    let surface = Surface { mesh, labels, depth_mm, base, level, fans: Fans::of(mesh), across };
    let inner = inner::place(&surface);
    let solids: Vec<(Solid, usize)> = used.par_iter().map(|label| assemble::solid(&surface, &inner, *label)).collect();
    Ok(Solids {
        base,
        deep_share: inner.deep_share,
        folded: inner.folded,
        crossing: inner.crossing,
        pinched_edges: solids.iter().map(|(_, pinched)| pinched).sum(),
        solids: solids.into_iter().map(|(solid, _)| solid).collect(),
    })
}

/// A level direction leads inside when all faces around stand across it by at least so much (cosine).
pub(super) const SEEN_MIN: f64 = 0.1;

/// A closed, labelled mesh with what splitting it needs to know.
struct Surface<'a> {
    mesh: &'a TriMesh,
    labels: &'a [u8],
    depth_mm: &'a [f64],
    base: u8,
    level: InLevel<'a>,
    fans: Fans,
    /// Triangle across each side: `a -> b`, `b -> c`, `c -> a`.
    across: Vec<[u32; 3]>,
}

impl Surface<'_> {
    /// Whether a triangle has a shell under it.
    fn is_shell(&self, triangle: u32) -> bool {
        self.labels[triangle as usize] != self.base
    }

    /// A direction at a vertex, laid level where its shell goes in level; beside flat faces it would run along them.
    fn laid(&self, vertex: u32, direction: DVec3) -> DVec3 {
        let around = self.fans.around(vertex);
        let is_level = |t: &u32| self.level.triangles.get(*t as usize).copied().unwrap_or(false);
        let laid = direction.reject_from_normalized(self.level.up).normalize_or_zero();
        let sees = |t: &u32| self.mesh.area_vector(*t as usize).normalize_or_zero().dot(laid) > SEEN_MIN;
        if around.iter().any(is_level) && around.iter().all(sees) { laid } else { direction }
    }

    /// Sides that part two labels: the triangle whose label is `label`, or any when none is given, and the side's ends.
    /// Without a label each such side is met once, from the lower label.
    fn borders(&self, label: Option<u8>) -> impl Iterator<Item = (u32, u32)> + '_ {
        (0..self.mesh.triangles.len()).flat_map(move |t| {
            let (own, corners) = (self.labels[t], self.mesh.triangles[t]);
            let counts = move |beyond: u8| label.map_or(own < beyond, |label| own == label && beyond != label);
            (0..3)
                .filter(move |side| counts(self.labels[self.across[t][*side] as usize]))
                .map(move |side| (corners[side], corners[(side + 1) % 3]))
        })
    }
}

fn across_sides(mesh: &TriMesh) -> Result<Vec<[u32; 3]>, SolidsError> {
    let mates = Edges::of(&mesh.triangles, mesh.positions.len()).mates;
    let fits = |(half, mate): (usize, &u32)| *mate != NONE && !Edges::runs_alike(&mesh.triangles, half as u32, *mate);
    let lonely = mates.iter().enumerate().filter(|(half, mate)| !fits((*half, *mate))).count();
    if lonely > 0 {
        return Err(SolidsError::NotClosed(lonely));
    }
    Ok(mates.chunks_exact(3).map(|m| [m[0] / 3, m[1] / 3, m[2] / 3]).collect())
}

/// Labels in use, and the one with the most area; the lowest of equals.
fn used_labels(mesh: &TriMesh, labels: &[u8], count: usize) -> (Vec<u8>, u8) {
    let (mut area, mut triangles) = (vec![0.0; count], vec![0_usize; count]);
    for (triangle, label) in labels.iter().enumerate() {
        area[*label as usize] += mesh.area_vector(triangle).length();
        triangles[*label as usize] += 1;
    }
    let used: Vec<u8> = (0..count).filter(|l| triangles[*l] > 0).map(|l| l as u8).collect();
    let largest = used.iter().copied().rev().max_by(|a, b| area[*a as usize].total_cmp(&area[*b as usize]));
    (used, largest.unwrap_or(0))
}
