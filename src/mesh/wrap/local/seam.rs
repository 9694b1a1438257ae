//! Joining the rims of a patch to those of the surface it was made for.

use glam::DVec3;

use super::strip::strip;
use crate::mesh::topology::{Edges, ends, rims};
use crate::mesh::tree::TriTree;
use crate::mesh::{Origin, TriMesh};

/// Share of a rim's points whose nearest rim on the other side has to be the same.
const AGREEING: f64 = 0.9;

/// Joins each rim of the first `kept` triangles to the rim of the other triangles that runs along it, no farther from it
/// than `reach_mm`; returns the points of rims of more than `small_mm` that have no such partner.
pub(super) fn join_rims(mesh: &mut TriMesh, kept: usize, reach_mm: f64, small_mm: f64) -> Vec<DVec3> {
    let edges = Edges::of(&mesh.triangles, mesh.positions.len());
    let walks = rims(&mesh.triangles, &edges);
    let (old, new): (Vec<Vec<u32>>, Vec<Vec<u32>>) = walks.into_iter().partition(|walk| (walk[0] as usize / 3) < kept);
    let vertices = |walks: &[Vec<u32>]| -> Vec<Vec<u32>> {
        walks.iter().map(|walk| walk.iter().map(|half| ends(&mesh.triangles, *half).0).collect()).collect()
    };
    // The strip runs against the rim of the kept surface.
    let mut old = vertices(&old);
    for rim in &mut old {
        rim.reverse();
    }
    let new = vertices(&new);
    let (to_new, to_old) = (partners(mesh, &old, &new, reach_mm), partners(mesh, &new, &old, reach_mm));
    let mut alone = Vec::new();
    let mut joined = vec![false; new.len()];
    for (rim, partner) in old.iter().zip(&to_new) {
        let mutual = partner.filter(|other| to_old[*other].is_some_and(|back| old[back][0] == rim[0]));
        if let Some(other) = mutual {
            joined[other] = true;
            add_strip(mesh, rim, &new[other]);
        } else {
            tell(mesh, rim, small_mm, &mut alone);
        }
    }
    let left = new.iter().zip(joined).filter(|(_, joined)| !joined);
    left.for_each(|(rim, _)| tell(mesh, rim, small_mm, &mut alone));
    alone
}

fn tell(mesh: &TriMesh, rim: &[u32], small_mm: f64, alone: &mut Vec<DVec3>) {
    let points = || rim.iter().map(|v| mesh.positions[*v as usize]);
    let length: f64 = points().zip(points().cycle().skip(1)).map(|(p, q)| p.distance(q)).sum();
    if length > small_mm {
        alone.extend(points());
    }
}

/// For each rim the other rim that is nearest to most of its points.
fn partners(mesh: &TriMesh, rims: &[Vec<u32>], others: &[Vec<u32>], reach_mm: f64) -> Vec<Option<usize>> {
    let mut owners = Vec::new();
    let mut sides = Vec::new();
    for (owner, rim) in others.iter().enumerate() {
        for (i, v) in rim.iter().enumerate() {
            owners.push(owner);
            sides.push([*v, rim[(i + 1) % rim.len()], rim[(i + 1) % rim.len()]]);
        }
    }
    let tree = TriTree::new(&mesh.positions, &sides);
    let partner = |rim: &Vec<u32>| {
        let near = rim.iter().filter_map(|v| tree.nearest(mesh.positions[*v as usize], reach_mm));
        let mut votes: Vec<usize> = near.map(|near| owners[near.triangle as usize]).collect();
        votes.sort_unstable();
        let most = votes.chunk_by(|a, b| a == b).max_by_key(|same| same.len())?;
        (most.len() as f64 >= AGREEING * rim.len() as f64).then(|| most[0])
    };
    rims.iter().map(partner).collect()
}

fn add_strip(mesh: &mut TriMesh, old: &[u32], new: &[u32]) {
    let points = |rim: &[u32]| -> Vec<DVec3> { rim.iter().map(|v| mesh.positions[*v as usize]).collect() };
    let names: Vec<u32> = old.iter().chain(new).copied().collect();
    let triangles = strip(&points(old), &points(new));
    mesh.triangles.extend(triangles.iter().map(|t| t.map(|v| names[v as usize])));
    mesh.origins.resize(mesh.triangles.len(), Origin::Skin);
}
