//! Cut faces of earlier cuts: known by their outline, not by their triangles, so that they can be filled anew.

use std::collections::BTreeMap;

use glam::{DVec2, DVec3};

use super::{CutError, Plane};
use crate::mesh::{Origin, TriMesh, outline};

/// A cut face: all triangles of one joint, in one axis plane.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Flat {
    pub joint: u16,
    pub plane: Plane,
    /// Whether the outward normal points along the axis.
    pub faces_up: bool,
}

impl Flat {
    /// The axis plane a triangle lies in and the way it faces.
    fn of(mesh: &TriMesh, triangle: usize, joint: u16) -> Option<Self> {
        let [a, b, c] = mesh.corners(triangle);
        let axis = (0..3).find(|i| a[*i] == b[*i] && b[*i] == c[*i])?;
        let plane = Plane::new(axis, a[axis]);
        let turn = outline::doubled_area(plane.flatten(a), plane.flatten(b), plane.flatten(c));
        Some(Self { joint, plane, faces_up: turn > 0.0 })
    }

    /// Outward normal.
    #[must_use]
    pub fn outward(&self) -> DVec3 {
        if self.faces_up { self.plane.normal() } else { -self.plane.normal() }
    }

    /// Directed edges around the face, material of the face to their left seen from outside.
    #[must_use]
    pub fn rim(&self, mesh: &TriMesh) -> Vec<[u32; 2]> {
        let origins = mesh.origins.iter().enumerate().filter(|(_, o)| **o == Origin::Cut(self.joint));
        let mut edges: Vec<[u32; 2]> =
            origins.map(|(t, _)| mesh.triangles[t]).flat_map(|[a, b, c]| [[a, b], [b, c], [c, a]]).collect();
        edges.sort_unstable();
        let inside = |e: &[u32; 2]| edges.binary_search(&[e[1], e[0]]).is_ok();
        edges.iter().filter(|e| !inside(e)).copied().collect()
    }

    /// Triangles, over `points`, that fill directed rim edges of this face; wound to face outwards.
    ///
    /// # Errors
    /// When the outlines touch or cross.
    pub fn fill(&self, points: &[DVec2], rim: &[[u32; 2]]) -> Result<outline::Filled, CutError> {
        if self.faces_up {
            return Ok(outline::fill(points, rim)?);
        }
        let turned: Vec<[u32; 2]> = rim.iter().map(|[a, b]| [*b, *a]).collect();
        let mut filled = outline::fill(points, &turned)?;
        filled.triangles.iter_mut().for_each(|t| t.swap(1, 2));
        Ok(filled)
    }
}

/// Cut faces among these triangles, by joint; triangles that are not in an axis plane belong to none.
pub(super) fn flats_of(mesh: &TriMesh, triangles: impl Iterator<Item = u32>) -> Vec<Flat> {
    let mut found: BTreeMap<u16, Option<Flat>> = BTreeMap::new();
    for triangle in triangles {
        if let Origin::Cut(joint) = mesh.origins[triangle as usize] {
            let flat = Flat::of(mesh, triangle as usize, joint);
            let known = found.entry(joint).or_insert(flat);
            if *known != flat {
                *known = None;
            }
        }
    }
    found.into_values().flatten().collect()
}

/// All cut faces of a part, by joint.
#[must_use]
pub fn flats(mesh: &TriMesh) -> Vec<Flat> {
    flats_of(mesh, 0..mesh.triangles.len() as u32)
}
