//! Cut faces of earlier cuts: known by their outline, not by their triangles, so that they can be filled anew.

use std::collections::{BTreeMap, BTreeSet};

use glam::{DVec2, DVec3};

use super::{CutError, Plane};
use crate::mesh::{Origin, TriMesh, outline};

/// A cut face: all triangles of one joint, in one plane.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Flat {
    pub joint: u16,
    pub plane: Plane,
    /// Whether the outward normal points along the axis.
    pub faces_up: bool,
}

impl Flat {
    /// The face these triangles make, with the plane they were cut in where it is known. Otherwise a plane across an axis is
    /// found exactly and a sloped one as well as rounded points show it; `None` when they lie in no plane.
    fn of(mesh: &TriMesh, triangles: &[u32], joint: u16, cut: Option<Plane>) -> Option<Self> {
        let sum: DVec3 = triangles.iter().map(|t| mesh.area_vector(*t as usize)).sum();
        let corners = || triangles.iter().flat_map(|t| mesh.corners(*t as usize));
        let first = corners().next()?;
        let across = || (0..3).find(|i| corners().all(|p| p[*i] == first[*i])).map(|i| Plane::new(i, first[i]));
        let plane = cut.or_else(across).or_else(|| fitted(sum, corners))?;
        let faces_up = sum.dot(plane.normal()) > 0.0;
        let flat = Self { joint, plane, faces_up };
        if cut.is_some() {
            return Some(flat);
        }
        let turn = |t: &u32| {
            let [a, b, c] = mesh.corners(*t as usize).map(|p| plane.flatten(p));
            outline::doubled_area(a, b, c)
        };
        let is_flat = corners().all(|p| plane.holds(p)) && triangles.iter().all(|t| (turn(t) > 0.0) == faces_up);
        is_flat.then_some(flat)
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

    /// Outlines of the face in the plane's frame (see [`Plane::within`]), mm: material to the left seen from the plane's upper
    /// side, so that both faces of a cut have the same.
    #[must_use]
    pub fn outlines(&self, mesh: &TriMesh) -> Vec<Vec<DVec2>> {
        let place = |v: u32| self.plane.within(mesh.positions[v as usize]);
        let loops = outline::loops(&self.rim(mesh)).into_iter();
        let mut outlines: Vec<Vec<DVec2>> = loops.map(|l| l.into_iter().map(place).collect()).collect();
        if !self.faces_up {
            for outline in &mut outlines {
                outline.reverse();
            }
        }
        outlines
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

/// The sloped plane that triangles with this sum of area vectors lie about.
fn fitted<I: Iterator<Item = DVec3>>(sum: DVec3, corners: impl Fn() -> I) -> Option<Plane> {
    let plane = Plane::across(sum, corners().next()?);
    let (total, count) = corners().fold((0.0, 0.0), |(total, count), p| (total + plane.above_mm(p), count + 1.0));
    Some(plane.moved(total / count))
}

/// Cut faces by joint, of those joints only that `wanted` tells; triangles that lie in no plane belong to none.
fn flats_of(mesh: &TriMesh, wanted: impl Fn(u16) -> bool, plane_of: impl Fn(u16) -> Option<Plane>) -> Vec<Flat> {
    let mut found: BTreeMap<u16, Vec<u32>> = BTreeMap::new();
    for (triangle, origin) in (0_u32..).zip(&mesh.origins) {
        if let Origin::Cut(joint) = *origin
            && wanted(joint)
        {
            found.entry(joint).or_default().push(triangle);
        }
    }
    found.into_iter().filter_map(|(joint, triangles)| Flat::of(mesh, &triangles, joint, plane_of(joint))).collect()
}

/// The cut faces that some of these triangles belong to.
pub(super) fn flats_among(mesh: &TriMesh, triangles: impl Iterator<Item = u32>) -> Vec<Flat> {
    let cut = |t: u32| match mesh.origins[t as usize] {
        Origin::Cut(joint) => Some(joint),
        _ => None,
    };
    let joints: BTreeSet<u16> = triangles.filter_map(cut).collect();
    if joints.is_empty() { Vec::new() } else { flats_of(mesh, |joint| joints.contains(&joint), |_| None) }
}

/// All cut faces of a part, by joint.
#[must_use]
pub fn flats(mesh: &TriMesh) -> Vec<Flat> {
    flats_of(mesh, |_| true, |_| None)
}

/// All cut faces of a part, by joint, where `plane_of` tells the planes they were cut in.
#[must_use]
pub fn flats_in(mesh: &TriMesh, plane_of: impl Fn(u16) -> Option<Plane>) -> Vec<Flat> {
    flats_of(mesh, |_| true, plane_of)
}
