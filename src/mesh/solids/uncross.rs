//! Keeps inner faces and walls from crossing each other and the surface: thins the shells out where they do.

use super::super::TriMesh;
use super::super::intersect::self_intersect;
use super::super::tree::TriTree;
use super::Surface;
use super::assemble::wall;
use super::inner::{DEPTH_MIN_MM, Inner, SHRINK, foot, sorted, unfold};
use super::layer::Layer;

const ROUNDS_MAX: usize = 12;

/// Thins shells out until no inner face or wall crosses anything; counts what still does.
pub fn uncross(surface: &Surface<'_>, tree: &TriTree, layer: &mut Layer, inner: &mut Inner) {
    let (outer_faces, outer) = (surface.mesh.triangles.len(), inner.outer());
    let mut everything = TriMesh::from_shape(surface.mesh.positions.clone(), surface.mesh.triangles.clone());
    everything.positions.extend(&inner.positions);
    let below = (0_u32..).zip(&surface.mesh.triangles).filter(|(t, _)| surface.is_shell(*t));
    everything.triangles.extend(below.map(|(_, corners)| corners.map(|v| inner.below(v))));
    everything.triangles.extend(surface.borders(None).flat_map(|(from, to)| wall(inner, from, to)));
    let mut suspects: Vec<u32> = (outer_faces as u32..everything.triangles.len() as u32).collect();
    for round in 0..=ROUNDS_MAX {
        let crossing = crossings(&everything, outer_faces, tree, &suspects);
        inner.crossing = crossing.len();
        if crossing.is_empty() || round == ROUNDS_MAX {
            break;
        }
        let is_inner = |v: &u32| *v >= outer;
        let corners = crossing.iter().flatten().flat_map(|t| everything.triangles[*t as usize]);
        let slots = sorted(corners.filter(is_inner).map(|v| v - outer));
        let thinned = layer.shrink(surface, &slots, SHRINK, DEPTH_MIN_MM);
        let around = sorted(thinned.iter().flat_map(|s| surface.fans.around(layer.vertices[*s as usize])).copied());
        let (folded, unfolded) = unfold(surface, layer, &around);
        inner.folded = inner.folded.max(folded.len());
        let mut moved = vec![false; inner.positions.len()];
        for slot in thinned.iter().chain(&unfolded).map(|s| *s as usize) {
            inner.positions[slot] = foot(surface, layer, slot);
            everything.positions[outer as usize + slot] = inner.positions[slot];
            moved[slot] = true;
        }
        let has_moved =
            |t: &u32| everything.triangles[*t as usize].iter().any(|v| is_inner(v) && moved[(v - outer) as usize]);
        suspects = (outer_faces as u32..everything.triangles.len() as u32).filter(has_moved).collect();
    }
}

/// Pairs of triangles that cross, at least one of each among the suspects.
fn crossings(everything: &TriMesh, outer_faces: usize, tree: &TriTree, suspects: &[u32]) -> Vec<[u32; 2]> {
    let triangles: Vec<[u32; 3]> = suspects.iter().map(|t| everything.triangles[*t as usize]).collect();
    let own = TriTree::new(&everything.positions, &triangles);
    let id = |t: u32| suspects[t as usize];
    let test = |a: u32, b: u32| self_intersect(everything, a, b).then_some([a, b]);
    let mut pairs = own.self_pairs(usize::MAX, |a, b| test(id(a), id(b)));
    pairs.extend(own.pairs_with(tree, usize::MAX, |a, b| test(b, id(a))));
    debug_assert!(pairs.iter().all(|pair| pair[1] as usize >= outer_faces));
    pairs
}
