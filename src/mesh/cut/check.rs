//! Local proofs that a cut left a sound mesh: every rim vertex has one closed fan of triangles that have an area.

use std::collections::BTreeMap;

use glam::DVec3;
use robust::{Coord, orient2d};

use super::{CutError, Plane};
use crate::mesh::TriMesh;
use crate::mesh::inspect::is_degenerate;
use crate::mesh::intersect::self_intersect;
use crate::mesh::tree::TriTree;

/// Whether three points lie on one line, exactly.
pub(super) fn collinear(a: DVec3, b: DVec3, c: DVec3) -> bool {
    let flat = |p: DVec3, i: usize| Coord { x: p[i], y: p[(i + 1) % 3] };
    (0..3).all(|i| orient2d(flat(a, i), flat(b, i), flat(c, i)) == 0.0)
}

/// Divides a quad along its shorter diagonal, or along the other one if that leaves a triangle without area.
pub(super) fn split_quad(positions: &[DVec3], [a, b, c, d]: [u32; 4]) -> [[u32; 3]; 2] {
    let at = |v: u32| positions[v as usize];
    let ways = [[[a, b, c], [a, c, d]], [[b, c, d], [b, d, a]]];
    let shorter = usize::from(at(b).distance_squared(at(d)) < at(a).distance_squared(at(c)));
    let flat = |way: [[u32; 3]; 2]| way.iter().any(|[x, y, z]| collinear(at(*x), at(*y), at(*z)));
    if flat(ways[shorter]) { ways[1 - shorter] } else { ways[shorter] }
}

/// Checks the triangles around all vertices at the rim of a cut.
///
/// # Errors
/// `Touches` when a rim vertex has more than one fan or an open one, or a triangle at the rim has no area.
pub(super) fn rim_is_sound(mesh: &TriMesh, at_rim: impl Fn(u32) -> bool) -> Result<(), CutError> {
    let mut spokes: Vec<[u32; 3]> = Vec::new();
    for (t, [a, b, c]) in mesh.triangles.iter().enumerate() {
        let corners = [[*a, *b, *c], [*b, *c, *a], [*c, *a, *b]];
        let before = spokes.len();
        spokes.extend(corners.iter().filter(|t| at_rim(t[0])));
        if spokes.len() > before && is_degenerate(mesh, t) {
            return Err(CutError::Touches);
        }
    }
    spokes.sort_unstable();
    if spokes.chunk_by(|s, t| s[0] == t[0]).all(is_one_fan) { Ok(()) } else { Err(CutError::Touches) }
}

/// Whether the triangles around one vertex, as `[vertex, from, to]`, close to a single ring.
fn is_one_fan(fan: &[[u32; 3]]) -> bool {
    let steps: BTreeMap<u32, u32> = fan.iter().map(|[_, from, to]| (*from, *to)).collect();
    let mut at = fan[0][1];
    let mut length = 0;
    while let Some(to) = steps.get(&at) {
        length += 1;
        at = *to;
        if at == fan[0][1] || length > fan.len() {
            break;
        }
    }
    steps.len() == fan.len() && length == fan.len() && at == fan[0][1]
}

/// Number of triangles that a cut in `plane` made and that cross or touch others, beyond shared corners; at most `enough`.
/// Rounding rim points to the lattice can do that where surfaces all but touch. The cut face itself is left out: others meet its
/// plane only along its outlines, and outlines that cross are not filled.
#[must_use]
pub fn rim_crossings(mesh: &TriMesh, plane: Plane, enough: usize) -> usize {
    let height = |v: &u32| plane.height(mesh.positions[*v as usize]);
    let held = |t: &[u32; 3]| t.iter().filter(|v| plane.holds(mesh.positions[**v as usize])).count();
    let at_rim = |t: &[u32; 3]| (1..3).contains(&held(t));
    let reach = |t: &[u32; 3]| {
        let heights = [0, 1, 2].map(|i| height(&t[i]));
        (heights.iter().copied().fold(f64::MAX, f64::min), heights.iter().copied().fold(f64::MIN, f64::max))
    };
    let rim = mesh.triangles.iter().filter(|t| at_rim(t)).map(reach);
    let (low, high) = rim.fold((f64::MAX, f64::MIN), |(l, h), (a, b)| (l.min(a), h.max(b)));
    let near = |t: &u32| {
        let (a, b) = reach(&mesh.triangles[*t as usize]);
        a <= high && b >= low && held(&mesh.triangles[*t as usize]) < 3
    };
    let near: Vec<u32> = (0..mesh.triangles.len() as u32).filter(near).collect();
    let triangles: Vec<[u32; 3]> = near.iter().map(|t| mesh.triangles[*t as usize]).collect();
    let made: Vec<bool> = triangles.iter().map(at_rim).collect();
    let meet = |i: u32, j: u32| {
        let touched = made[i as usize] || made[j as usize];
        (touched && self_intersect(mesh, near[i as usize], near[j as usize])).then_some(())
    };
    TriTree::new(&mesh.positions, &triangles).self_pairs(enough, meet).len().min(enough)
}
