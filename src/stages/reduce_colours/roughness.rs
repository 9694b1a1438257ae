//! How ragged borders are: their length over that of the same borders smoothed.

use std::collections::BTreeMap;

use glam::DVec3;
use rayon::prelude::*;

use super::drawn::Drawn;
use crate::mesh::TriMesh;
use crate::surface::NONE;

/// Length over which borders are smoothed to be compared, mm.
const WINDOW_MM: f64 = 5.0;
/// Shorter borders are left out, for smoothing shrinks them.
const LEAST_MM: f64 = 40.0;
/// Distance of the points compared.
const STEP_MM: f64 = 0.25;

/// Length of all longer borders over their length when every point is the mean of 5 mm of border around it; 1 when there are
/// none.
#[must_use]
pub fn roughness(drawn: &Drawn) -> f64 {
    let of_part = |part: usize| {
        let mesh = drawn.figure.parts[part].mesh.as_ref();
        chains(drawn, part).iter().map(|chain| lengths(mesh, chain)).fold([0.0; 2], |s, l| [s[0] + l[0], s[1] + l[1]])
    };
    let sums: Vec<[f64; 2]> = (0..drawn.figure.parts.len()).into_par_iter().map(of_part).collect();
    let [length, smooth] = sums.iter().fold([0.0; 2], |s, l| [s[0] + l[0], s[1] + l[1]]);
    if smooth > 0.0 { length / smooth } else { 1.0 }
}

/// Borders within a part as chains of vertices; closed ones end where they start.
fn chains(drawn: &Drawn, part: usize) -> Vec<Vec<u32>> {
    let surface = &drawn.surface;
    let mesh = &drawn.figure.parts[part].mesh;
    let mut next: BTreeMap<u32, Vec<u32>> = BTreeMap::new();
    for face in surface.part_start[part]..surface.part_start[part + 1] {
        let corners = mesh.triangles[surface.triangle[face] as usize];
        for (e, other) in surface.neighbours[face].iter().enumerate().filter(|(_, n)| **n != NONE) {
            let other = *other as usize;
            if other > face && usize::from(surface.part[other]) == part && drawn.labels[other] != drawn.labels[face] {
                let (a, b) = (corners[e], corners[(e + 1) % 3]);
                next.entry(a).or_default().push(b);
                next.entry(b).or_default().push(a);
            }
        }
    }
    let mut chains = Vec::new();
    let ends: Vec<u32> = next.iter().filter(|(_, others)| others.len() != 2).map(|(v, _)| *v).collect();
    for start in ends.into_iter().chain(next.keys().copied().collect::<Vec<_>>()) {
        while let Some(chain) = walk(&mut next, start) {
            chains.push(chain);
        }
    }
    chains
}

/// Follows a border from a vertex to where it ends or meets others, taking its edges out.
fn walk(next: &mut BTreeMap<u32, Vec<u32>>, start: u32) -> Option<Vec<u32>> {
    let mut chain = vec![start];
    let mut at = start;
    let meets = |next: &BTreeMap<u32, Vec<u32>>, v: u32| next.get(&v).is_some_and(|others| others.len() != 1);
    while let Some(to) = next.get_mut(&at).and_then(Vec::pop) {
        if let Some(back) = next.get_mut(&to)
            && let Some(i) = back.iter().position(|v| *v == at)
        {
            back.swap_remove(i);
        }
        chain.push(to);
        at = to;
        if at == start || meets(next, at) {
            break;
        }
    }
    (chain.len() > 1).then_some(chain)
}

/// Length of a chain as it is and smoothed, mm; nothing for a short one.
fn lengths(mesh: &TriMesh, chain: &[u32]) -> [f64; 2] {
    let corners: Vec<DVec3> = chain.iter().map(|v| mesh.positions[*v as usize]).collect();
    let length: f64 = corners.windows(2).map(|w| w[0].distance(w[1])).sum();
    if length < LEAST_MM {
        return [0.0; 2];
    }
    let points = spaced(&corners, length);
    let closed = chain[0] == chain[chain.len() - 1];
    let (count, half) = (points.len(), (WINDOW_MM / STEP_MM / 2.0) as usize);
    let mean = |i: usize| {
        let half = if closed { half } else { half.min(i).min(count - 1 - i) };
        let around =
            (0..=2 * half).map(|k| if closed { points[(i + count + k - half) % count] } else { points[i + k - half] });
        around.sum::<DVec3>() / (2 * half + 1) as f64
    };
    let smooth: Vec<DVec3> = (0..count).map(mean).collect();
    let along: f64 = smooth.windows(2).map(|w| w[0].distance(w[1])).sum();
    [length, along + if closed { smooth[0].distance(smooth[count - 1]) } else { 0.0 }]
}

/// Points along a line, evenly spaced; without its end when that is where it starts.
fn spaced(corners: &[DVec3], length: f64) -> Vec<DVec3> {
    let count = (length / STEP_MM).ceil() as usize;
    let step = length / count as f64;
    let closed = corners[0] == corners[corners.len() - 1];
    let mut points = Vec::with_capacity(count + 1);
    let (mut at, mut before) = (0, 0.0);
    for i in 0..count + usize::from(!closed) {
        let wanted = i as f64 * step;
        while at + 2 < corners.len() && before + corners[at].distance(corners[at + 1]) < wanted {
            before += corners[at].distance(corners[at + 1]);
            at += 1;
        }
        let edge = corners[at].distance(corners[at + 1]).max(1e-12);
        points.push(corners[at].lerp(corners[at + 1], ((wanted - before) / edge).clamp(0.0, 1.0)));
    }
    points
}
