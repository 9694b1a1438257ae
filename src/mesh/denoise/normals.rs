//! Bilateral filtering of face normals (Zheng, Fu, Au, Tai 2011), the local scheme over faces that share a vertex.

use glam::DVec3;
use rayon::prelude::*;

use super::super::TriMesh;
use super::super::fans::Fans;
use super::{CHUNK, Smoothing};

/// Faces that share a vertex with a run of faces, each face with itself first, and what of their weights does not change:
/// area and distance.
struct Rings {
    /// Where the ring of each face ends.
    ends: Vec<u32>,
    faces: Vec<(u32, f32)>,
}

/// Unit normals of the triangles after all rounds; zero for those without area.
pub(super) fn filtered(mesh: &TriMesh, fans: &Fans, smoothing: &Smoothing<'_>) -> Vec<DVec3> {
    let mut normals: Vec<DVec3> = (0..mesh.triangles.len())
        .into_par_iter()
        .with_min_len(CHUNK)
        .map(|t| mesh.area_vector(t).normalize_or_zero())
        .collect();
    let rings = rings(mesh, fans);
    let steepness = 0.5 / (smoothing.normal_sigma * smoothing.normal_sigma).max(f64::MIN_POSITIVE);
    for _ in 0..smoothing.normal_rounds {
        let round = |rings: &Rings| {
            let mut start = 0;
            let mean = |end: &u32| {
                let ring = &rings.faces[start..*end as usize];
                start = *end as usize;
                mean_normal(&normals, ring, steepness)
            };
            rings.ends.iter().map(mean).collect::<Vec<DVec3>>()
        };
        let runs: Vec<Vec<DVec3>> = rings.par_iter().map(round).collect();
        normals = runs.concat();
    }
    normals
}

/// Weighted mean of a ring's normals; that of its first face if they cancel out.
fn mean_normal(normals: &[DVec3], ring: &[(u32, f32)], steepness: f64) -> DVec3 {
    let Some((own, _)) = ring.first() else { return DVec3::ZERO };
    let own = normals[*own as usize];
    let weighted = |(face, weight): &(u32, f32)| {
        let normal = normals[*face as usize];
        let likeness = (-steepness * own.distance_squared(normal)).exp();
        normal * (f64::from(*weight) * likeness)
    };
    ring.iter().map(weighted).sum::<DVec3>().try_normalize().unwrap_or(own)
}

/// The rings of all faces, in runs of `CHUNK`.
fn rings(mesh: &TriMesh, fans: &Fans) -> Vec<Rings> {
    let of_face = |t: usize| (mesh.corners(t).iter().sum::<DVec3>() / 3.0, 0.5 * mesh.area_vector(t).length());
    let faces: Vec<(DVec3, f64)> = (0..mesh.triangles.len()).into_par_iter().with_min_len(CHUNK).map(of_face).collect();
    // Squared distances wait in place of weights until their mean is known.
    let run = |first: usize| {
        let mut rings = Rings { ends: Vec::new(), faces: Vec::with_capacity(14 * CHUNK) };
        let mut reach = (0.0, 0_usize);
        for t in first..(first + CHUNK).min(faces.len()) {
            rings.faces.push((t as u32, 0.0));
            visit_ring(mesh, fans, t, |other| {
                let distance = faces[t].0.distance(faces[other].0);
                reach = (reach.0 + distance, reach.1 + 1);
                rings.faces.push((other as u32, (distance * distance) as f32));
            });
            rings.ends.push(rings.faces.len() as u32);
        }
        (rings, reach)
    };
    let starts: Vec<usize> = (0..faces.len()).step_by(CHUNK).collect();
    let (mut rings, reaches): (Vec<Rings>, Vec<(f64, usize)>) = starts.into_par_iter().map(run).unzip();
    let (sum, count) = reaches.iter().fold((0.0, 0), |sum, of| (sum.0 + of.0, sum.1 + of.1));
    let reach = (sum / count.max(1) as f64).max(f64::MIN_POSITIVE);
    // Areas are taken in units of the reach, so that no unit of length can overflow a weight.
    let weight = |(face, squared): &mut (u32, f32)| {
        let near = (-0.5 * f64::from(*squared) / (reach * reach)).exp();
        *squared = (near * faces[*face as usize].1 / (reach * reach)) as f32;
    };
    rings.par_iter_mut().for_each(|run| run.faces.iter_mut().for_each(weight));
    rings
}

/// Visits each other face that shares a vertex with face `t` once.
fn visit_ring(mesh: &TriMesh, fans: &Fans, t: usize, mut visit: impl FnMut(usize)) {
    let corners = mesh.triangles[t];
    for k in 0..3 {
        for other in fans.around(corners[k]) {
            let seen = mesh.triangles[*other as usize].iter().any(|v| corners[..k].contains(v));
            if !seen && *other as usize != t {
                visit(*other as usize);
            }
        }
    }
}
