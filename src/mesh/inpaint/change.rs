//! In which direction colours change around a hole, and on across it.

use glam::{DMat2, DMat3, DVec2, DVec3};
use rayon::prelude::*;
use rustc_hash::{FxHashMap, FxHashSet};

use super::super::TriMesh;
use super::super::fans::Fans;
use super::{System, spread};

/// Lines of equal colour at the unknown vertices.
pub(super) struct Changes {
    /// By vertex: direction of the line, unit length, and how clear it is, 0 to 1.
    lines: Vec<Option<(DVec3, f64)>>,
}

impl Changes {
    /// As around the hole, smoothly spread from the known triangles within two rings of its rim.
    pub fn of(mesh: &TriMesh, fans: &Fans, system: &System) -> Self {
        let tones = tones(mesh, fans, system);
        let is_known = |t: u32| mesh.triangles[t as usize].iter().all(|v| system.row(*v).is_none());
        let at_rim = |v: u32| {
            let ring = fans.around(v).iter().flat_map(|t| mesh.triangles[*t as usize]);
            let mut near: Vec<u32> = ring.flat_map(|u| fans.around(u)).copied().filter(|t| is_known(*t)).collect();
            near.sort_unstable();
            near.dedup();
            near.into_iter().fold(DMat3::ZERO, |sum, t| sum + change(mesh, &tones, t as usize))
        };
        let half = |of: fn(DMat3) -> DVec3| spread(system, |v| of(at_rim(v)));
        let diagonal = half(|m| DVec3::new(m.x_axis.x, m.y_axis.y, m.z_axis.z));
        let beside = half(|m| DVec3::new(m.y_axis.z, m.x_axis.z, m.x_axis.y));
        let line = |row: usize| {
            let (d, b) = (diagonal[row], beside[row]);
            let matrix =
                DMat3::from_cols(DVec3::new(d.x, b.z, b.y), DVec3::new(b.z, d.y, b.x), DVec3::new(b.y, b.x, d.z));
            line(mesh, fans, system.vertices[row], matrix)
        };
        let found: Vec<Option<(DVec3, f64)>> = (0..system.vertices.len()).into_par_iter().map(line).collect();
        let mut lines = vec![None; mesh.positions.len()];
        for (v, line) in system.vertices.iter().zip(found) {
            lines[*v as usize] = line;
        }
        Self { lines }
    }

    /// Direction along which colours do not change, and how clear it is; `None` for known vertices and where there is none.
    pub fn line(&self, v: u32) -> Option<(DVec3, f64)> {
        self.lines[v as usize]
    }
}

/// The direction across the steepest change, in the tangent plane of a vertex.
fn line(mesh: &TriMesh, fans: &Fans, v: u32, change: DMat3) -> Option<(DVec3, f64)> {
    let normal = fans.around(v).iter().map(|t| mesh.area_vector(*t as usize)).sum::<DVec3>().normalize_or_zero();
    let (x, y) = (normal != DVec3::ZERO).then(|| normal.any_orthonormal_pair())?;
    let (cx, cy) = (change * x, change * y);
    let flat = DMat2::from_cols(DVec2::new(x.dot(cx), y.dot(cx)), DVec2::new(x.dot(cy), y.dot(cy)));
    // Half the angle of the tensor as a vector is the direction of steepest change.
    let sum = flat.x_axis.x + flat.y_axis.y;
    let double = DVec2::new(flat.x_axis.x - flat.y_axis.y, flat.x_axis.y + flat.y_axis.x);
    let clearness = (double.length() / sum).powi(2);
    let across = DVec2::from_angle(0.5 * double.to_angle()).perp();
    let is_clear = sum > 0.0 && clearness > 1e-6 && across.is_finite();
    is_clear.then(|| (x * across.x + y * across.y, clearness.min(1.0)))
}

/// Colours around the hole as cube roots of linear light, which are nearer to what the eye sees, blurred over two rings,
/// so that the edge of a stripe has its own direction and not that of the triangles it is drawn with.
fn tones(mesh: &TriMesh, fans: &Fans, system: &System) -> FxHashMap<u32, DVec3> {
    const RINGS: usize = 5;
    const BLURS: usize = 2;
    let mut near: FxHashSet<u32> = system.known.iter().flatten().map(|(v, _)| *v).collect();
    for _ in 1..RINGS {
        let ring = near.iter().flat_map(|v| fans.around(*v)).flat_map(|t| mesh.triangles[*t as usize]);
        let grown: Vec<u32> = ring.filter(|u| system.row(*u).is_none()).collect();
        near.extend(grown);
    }
    let tone = |v: &u32| (*v, DVec3::from_array(mesh.colours[*v as usize].map(|c| f64::from(c).max(0.0).cbrt())));
    let mut tones: FxHashMap<u32, DVec3> = near.iter().map(tone).collect();
    for _ in 0..BLURS {
        let blurred = |v: &u32| {
            let ring = fans.around(*v).iter().flat_map(|t| mesh.triangles[*t as usize]);
            let (sum, count) =
                ring.filter_map(|u| tones.get(&u)).fold((tones[v], 1.0), |(sum, n), c| (sum + *c, n + 1.0));
            (*v, sum / count)
        };
        tones = near.iter().map(blurred).collect();
    }
    tones
}

/// How tones change over one triangle: the sum over the channels of the outer product of their gradients, times the area.
fn change(mesh: &TriMesh, tones: &FxHashMap<u32, DVec3>, t: usize) -> DMat3 {
    let ([a, b, c], corners) = (mesh.corners(t), mesh.triangles[t]);
    let normal = (b - a).cross(c - a);
    let square = normal.length_squared();
    if square <= 0.0 {
        return DMat3::ZERO;
    }
    let turned = [c - b, a - c, b - a].map(|edge| normal.cross(edge) / square);
    let Some(tones) = corners.map(|v| tones.get(&v)).into_iter().collect::<Option<Vec<_>>>() else {
        return DMat3::ZERO;
    };
    let mut sum = DMat3::ZERO;
    for channel in 0..3 {
        let gradient: DVec3 = (0..3).map(|k| turned[k] * tones[k][channel]).sum();
        sum += DMat3::from_cols(gradient * gradient.x, gradient * gradient.y, gradient * gradient.z);
    }
    sum * (0.5 * square.sqrt())
}
