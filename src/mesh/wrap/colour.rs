//! Colours of the wrap: those of the scan where it is near, spread evenly into holes elsewhere.

use std::collections::VecDeque;

use glam::{DVec3, Vec3};
use rayon::prelude::*;
use rustc_hash::FxHashMap;

use super::contour::Contour;
use crate::mesh::TriMesh;
use crate::mesh::tree::{TriTree, nearest_in_triangle};

/// Up to this distance, in voxels, a vertex counts as lying on the scan.
const NEAR: f64 = 1.5;
/// Passes of averaging over the vertices in holes, there and back.
const SWEEPS: usize = 40;
/// Colour of a surface that is nowhere near the scan.
const GREY: Vec3 = Vec3::splat(0.5);

/// A colour for each vertex of the contour, and whether the vertex lies on the scan.
pub(super) fn colours(contour: &Contour, scan: &TriMesh, tree: &TriTree, voxel: f64) -> (Vec<Vec3>, Vec<bool>) {
    let found: Vec<Option<Vec3>> = contour
        .positions
        .par_iter()
        .zip(&contour.on)
        .map(|(position, on)| match on {
            Some(triangle) => Some(colour_on(scan, *triangle, *position)),
            None => tree.nearest(*position, NEAR * voxel).map(|near| colour_on(scan, near.triangle, near.point)),
        })
        .collect();
    let near = found.iter().map(Option::is_some).collect();
    (spread(&found, &contour.triangles), near)
}

/// The scan's colour at the point of a triangle nearest to a point.
fn colour_on(scan: &TriMesh, triangle: u32, point: DVec3) -> Vec3 {
    let (_, weights) = nearest_in_triangle(point, &scan.corners(triangle as usize));
    let corners = scan.triangles[triangle as usize];
    let parts = corners.iter().zip(weights).map(|(v, weight)| Vec3::from(scan.colours[*v as usize]) * weight as f32);
    parts.sum()
}

/// Gives the vertices without a colour the mean of their neighbours', towards the harmonic solution: never a colour
/// outside the range of those around the hole.
fn spread(found: &[Option<Vec3>], triangles: &[[u32; 3]]) -> Vec<Vec3> {
    let neighbours = neighbours_in_holes(found, triangles);
    let around = |v: u32| neighbours.get(&v).map_or(&[][..], Vec::as_slice);
    let mut colours: Vec<Option<Vec3>> = found.to_vec();
    let mut waiting: VecDeque<u32> =
        (0..found.len() as u32).filter(|v| around(*v).iter().any(|other| found[*other as usize].is_some())).collect();
    let mut inward = Vec::with_capacity(neighbours.len());
    while let Some(v) = waiting.pop_front() {
        if colours[v as usize].is_none() {
            colours[v as usize] = mean(around(v), &colours);
            inward.push(v);
            waiting.extend(around(v).iter().filter(|other| colours[**other as usize].is_none()));
        }
    }
    for _ in 0..SWEEPS {
        for v in inward.iter().chain(inward.iter().rev()) {
            colours[*v as usize] = mean(around(*v), &colours);
        }
    }
    colours.into_iter().map(|colour| colour.unwrap_or(GREY)).collect()
}

/// Neighbours of each vertex without a colour. On a closed surface each follows it in one triangle.
fn neighbours_in_holes(found: &[Option<Vec3>], triangles: &[[u32; 3]]) -> FxHashMap<u32, Vec<u32>> {
    let mut neighbours: FxHashMap<u32, Vec<u32>> = FxHashMap::default();
    for [a, b, c] in triangles {
        for (v, next) in [(a, b), (b, c), (c, a)] {
            if found[*v as usize].is_none() {
                neighbours.entry(*v).or_default().push(*next);
            }
        }
    }
    neighbours
}

/// Mean of the colours there are.
fn mean(vertices: &[u32], colours: &[Option<Vec3>]) -> Option<Vec3> {
    let known = vertices.iter().filter_map(|v| colours[*v as usize]);
    let (sum, count) = known.fold((Vec3::ZERO, 0.0), |(sum, count), colour| (sum + colour, count + 1.0));
    (count > 0.0).then(|| sum / count)
}
