//! In which direction colours change around a hole, and on across it.

use glam::{DMat2, DMat3, DVec2, DVec3};
use rayon::prelude::*;

use super::super::TriMesh;
use super::super::fans::Fans;
use super::{System, spread};

/// Lines of equal colour at the unknown vertices.
pub(super) struct Changes {
    /// By row: direction of the line, unit length, and how clear it is, 0 to 1.
    lines: Vec<Option<(DVec3, f64)>>,
}

impl Changes {
    /// As around the hole, smoothly spread from its rim.
    pub fn of(mesh: &TriMesh, fans: &Fans, system: &System) -> Self {
        let mut rim: Vec<u32> = system.known.iter().flatten().map(|(v, _)| *v).collect();
        rim.sort_unstable();
        rim.dedup();
        let rings: Vec<Vec<u32>> = rim.par_iter().map(|v| known_rings(mesh, fans, system, *v)).collect();
        let mut near = rings.concat();
        near.sort_unstable();
        near.dedup();
        let single: Vec<DMat3> = near.par_iter().map(|v| change(mesh, fans, system, *v)).collect();
        let of = |v: &u32| near.binary_search(v).map_or(DMat3::ZERO, |at| single[at]);
        let summed: Vec<DMat3> =
            rings.par_iter().map(|ring| ring.iter().map(of).fold(DMat3::ZERO, |a, b| a + b)).collect();
        let at_rim = |v: u32| rim.binary_search(&v).map_or(DMat3::ZERO, |at| summed[at]);
        let half = |of: fn(DMat3) -> DVec3| spread(system, |v| of(at_rim(v)));
        let diagonal = half(|m| DVec3::new(m.x_axis.x, m.y_axis.y, m.z_axis.z));
        let beside = half(|m| DVec3::new(m.y_axis.z, m.x_axis.z, m.x_axis.y));
        let line = |row: usize| {
            let (d, b) = (diagonal[row], beside[row]);
            let matrix =
                DMat3::from_cols(DVec3::new(d.x, b.z, b.y), DVec3::new(b.z, d.y, b.x), DVec3::new(b.y, b.x, d.z));
            line(mesh, fans, system.vertices[row], matrix)
        };
        Self { lines: (0..system.vertices.len()).into_par_iter().map(line).collect() }
    }

    /// Direction along which colours do not change at a row, and how clear it is; `None` where there is none.
    pub fn line(&self, row: usize) -> Option<(DVec3, f64)> {
        self.lines[row]
    }
}

/// The direction across the steepest change, in the tangent plane of a vertex.
fn line(mesh: &TriMesh, fans: &Fans, v: u32, change: DMat3) -> Option<(DVec3, f64)> {
    let normal = fans.normal(mesh, v);
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

/// The known vertices within two rings of one, ascending; not all of them where triangles crowd around a vertex.
fn known_rings(mesh: &TriMesh, fans: &Fans, system: &System, v: u32) -> Vec<u32> {
    const RINGS: usize = 2;
    const MOST: usize = 96;
    let mut near = vec![v];
    for _ in 0..RINGS {
        let ring = near.iter().flat_map(|u| fans.around(*u)).flat_map(|t| mesh.triangles[*t as usize]);
        near = ring.filter(|u| system.row(*u).is_none()).chain([v]).collect();
        near.sort_unstable();
        near.dedup();
        near.truncate(MOST);
    }
    near
}

/// How colours change around a known vertex: the sum over the channels of the outer product of their gradients. Those are
/// of the plane nearest, by least squares, to the known colours within two rings, so that the edge of a stripe has its
/// own direction and not that of the triangles it is drawn with. Cube roots of linear light stand for what the eye sees.
fn change(mesh: &TriMesh, fans: &Fans, system: &System, v: u32) -> DMat3 {
    /// Fewer colours say nothing of a direction.
    const LEAST: usize = 6;
    let near = known_rings(mesh, fans, system, v);
    let tone = |u: &u32| DVec3::from_array(mesh.colours[*u as usize].map(|c| f64::from(c).max(0.0).cbrt()));
    let count = near.len() as f64;
    let middle = near.iter().map(|u| mesh.positions[*u as usize]).sum::<DVec3>() / count;
    let mean = near.iter().map(tone).sum::<DVec3>() / count;
    let normal = fans.normal(mesh, v);
    if normal == DVec3::ZERO || near.len() < LEAST {
        return DMat3::ZERO;
    }
    let (x, y) = normal.any_orthonormal_pair();
    let (mut square, mut sides) = (DMat2::ZERO, [DVec2::ZERO; 3]);
    for u in &near {
        let way = mesh.positions[*u as usize] - middle;
        let (flat, tone) = (DVec2::new(way.dot(x), way.dot(y)), (tone(u) - mean).to_array());
        square += DMat2::from_cols(flat * flat.x, flat * flat.y);
        sides.iter_mut().zip(tone).for_each(|(side, tone)| *side += flat * tone);
    }
    let inverse = square.inverse();
    if !inverse.is_finite() {
        return DMat3::ZERO;
    }
    let outer = |side: DVec2| {
        let slope = inverse * side;
        let gradient = x * slope.x + y * slope.y;
        DMat3::from_cols(gradient * gradient.x, gradient * gradient.y, gradient * gradient.z)
    };
    sides.into_iter().fold(DMat3::ZERO, |sum, side| sum + outer(side))
}
