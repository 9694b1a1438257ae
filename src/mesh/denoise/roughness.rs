//! How rough a surface is at each vertex, without what is curvature or a single edge.

use glam::DVec3;
use rayon::prelude::*;

use super::super::TriMesh;
use super::super::fans::Fans;
use super::CHUNK;

/// Standard deviation of noise along the normal, estimated at each vertex, mm.
///
/// The height of a vertex over the mean of its ring, less the mean of such heights around it, holds no constant
/// curvature. For noise that differs from vertex to vertex with deviation s, on a net of valence 6, it spreads by 1.36 s
/// (sum of the squared weights of the twofold umbrella operator: 1.847). The median of its size over the ring, over the
/// 0.6745 of a normal distribution, gives s and passes over single edges; a mean over the ring evens it.
#[must_use]
pub fn roughness_mm(mesh: &TriMesh) -> Vec<f64> {
    const SPREAD: f64 = 1.36;
    const MEDIAN: f64 = 0.6745;
    let fans = Fans::of(mesh);
    let over = |of: &(dyn Fn(usize) -> f64 + Sync)| -> Vec<f64> {
        (0..mesh.positions.len()).into_par_iter().with_min_len(CHUNK).map(of).collect()
    };
    let heights = over(&|v| height(mesh, &fans, v));
    let rough = over(&|v| (heights[v] - ring_mean(mesh, &fans, v, &heights)).abs());
    let robust = over(&|v| ring_median(mesh, &fans, v, &rough) / (MEDIAN * SPREAD));
    over(&|v| ring_mean(mesh, &fans, v, &robust))
}

/// Height of a vertex over the mean of its ring along its normal, mm.
fn height(mesh: &TriMesh, fans: &Fans, v: usize) -> f64 {
    let normal = fans.normal(mesh, v as u32);
    let (sum, count) = fans
        .ring(mesh, v as u32)
        .map(|w| w as usize)
        .fold((DVec3::ZERO, 0.0), |(sum, n), w| (sum + mesh.positions[w], n + 1.0));
    if count > 0.0 { normal.dot(mesh.positions[v] - sum / count) } else { 0.0 }
}

/// Mean over a vertex' ring; its own value when it has none.
fn ring_mean(mesh: &TriMesh, fans: &Fans, v: usize, values: &[f64]) -> f64 {
    let (sum, count) =
        fans.ring(mesh, v as u32).map(|w| w as usize).fold((0.0, 0.0), |(sum, n), w| (sum + values[w], n + 1.0));
    if count > 0.0 { sum / count } else { values[v] }
}

/// Median over a vertex and its ring, the vertex counted as often as each neighbour.
fn ring_median(mesh: &TriMesh, fans: &Fans, v: usize, values: &[f64]) -> f64 {
    let mut near: Vec<f64> = fans.ring(mesh, v as u32).map(|w| w as usize).chain([v, v]).map(|w| values[w]).collect();
    near.sort_unstable_by(f64::total_cmp);
    near[near.len() / 2]
}
