//! Puts a label's solid together from outer faces, inner faces and the walls between labels.

use super::inner::Inner;
use super::{Solid, Surface};

/// The solid of one label and the number of its edges that have four faces.
///
/// A shell has its outer faces and its inner faces turned over; the core has the base's outer faces and all inner
/// faces; both have a wall along every side that parts their label from another.
pub fn solid(surface: &Surface<'_>, inner: &Inner, label: u8) -> (Solid, usize) {
    let is_core = label == surface.base;
    let mut triangles = Vec::new();
    for (corners, own) in surface.mesh.triangles.iter().zip(surface.labels) {
        if *own == label {
            triangles.push(*corners);
        }
        match (*own == label, is_core) {
            (true, false) => {
                let [a, b, c] = corners.map(|v| inner.below(v));
                triangles.push([a, c, b]);
            }
            (false, true) => triangles.push(corners.map(|v| inner.below(v))),
            _ => {}
        }
    }
    let mut starts = Vec::new();
    for (from, to) in surface.borders(Some(label)) {
        triangles.extend(wall(inner, from, to));
        starts.push(from);
    }
    starts.sort_unstable();
    let pinched = starts.windows(2).filter(|pair| pair[0] == pair[1]).count();
    (compact(surface, inner, label, triangles), pinched)
}

/// The wall under a side `from -> to` of a patch, seen from outside the patch; its diagonal leaves the lower index at
/// the surface, so that the patches on both sides cut it alike.
pub fn wall(inner: &Inner, from: u32, to: u32) -> [[u32; 3]; 2] {
    let (from_below, to_below) = (inner.below(from), inner.below(to));
    if from < to {
        [[to, from, to_below], [from, from_below, to_below]]
    } else {
        [[to, from, from_below], [to, from_below, to_below]]
    }
}

/// Keeps the corners in use, in their order: first those of the mesh, then the inner ones.
fn compact(surface: &Surface<'_>, inner: &Inner, label: u8, mut triangles: Vec<[u32; 3]>) -> Solid {
    let outer = surface.mesh.positions.len();
    let mut place = vec![u32::MAX; outer + inner.positions.len()];
    for v in triangles.iter().flatten() {
        place[*v as usize] = 0;
    }
    let mut positions = Vec::new();
    for (v, place) in place.iter_mut().enumerate().filter(|(_, place)| **place == 0) {
        *place = positions.len() as u32;
        positions.push(if v < outer { surface.mesh.positions[v] } else { inner.positions[v - outer] });
    }
    for v in triangles.iter_mut().flatten() {
        *v = place[*v as usize];
    }
    Solid { label, positions, triangles }
}
