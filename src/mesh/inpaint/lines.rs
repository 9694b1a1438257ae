//! Stripes, hems and hairlines go on through a hole: colours are carried along the lines on which they do not change.
//!
//! The way colours change at the rim (the structure tensor: Di Zenzo 1986, Förstner and Gülch 1987) is spread smoothly
//! over the hole. Where it has one clear direction, a vertex takes its colour from where the line of equal colour
//! through it leaves the ring around it, at both ends (after the coherence transport of Bornemann and März 2007);
//! elsewhere it stays the mean of its neighbours. All weights are positive, so the maximum principle holds.

use glam::{DMat2, DMat3, DVec2, DVec3};

use super::super::TriMesh;
use super::super::fans::Fans;
use super::{System, spread};

/// Most that lines count against the mean of the neighbours, and the clearness of direction at which they count half.
const LINES_MOST: f64 = 0.97;
const CLEAR: f64 = 0.15;

/// Sweeps over the hole, back and forth; each carries colours at least one edge on.
const SWEEPS: usize = 300;

/// A sweep that changes no colour by more than this is the last.
const STILL: f64 = 1e-4;

/// How colours change around a vertex: sum over the channels of the outer product of their gradients.
type Change = DMat3;

/// Carries colours along lines, given the smooth solution.
pub(super) fn carry(mesh: &TriMesh, system: &System, solved: &mut [DVec3], colour: impl Fn(u32) -> DVec3) {
    let fans = Fans::of(mesh);
    let changes = changes(mesh, &fans, system);
    let rows: Vec<Option<Row>> =
        system.vertices.iter().zip(&changes).map(|(v, change)| row(mesh, &fans, *v, *change)).collect();
    let known = |solved: &[DVec3], v: u32| system.row(v).map_or_else(|| colour(v), |row| solved[row]);
    for sweep in 0..SWEEPS {
        let mut most = 0.0_f64;
        for i in 0..rows.len() {
            let i = if sweep % 2 == 0 { i } else { rows.len() - 1 - i };
            let Some(row) = &rows[i] else { continue };
            let along: DVec3 = row.ends.iter().map(|(v, weight)| known(solved, *v) * *weight).sum();
            let new = along * row.share + system.mean(i, solved, &colour) * (1.0 - row.share);
            most = most.max((new - solved[i]).abs().max_element());
            solved[i] = new;
        }
        if most < STILL {
            break;
        }
    }
}

/// Where a vertex takes its colour from.
struct Row {
    /// Ring vertices at both ends of the line, with weights that add up to 1.
    ends: [(u32, f64); 4],
    /// How much that counts against the mean of all neighbours.
    share: f64,
}

/// `None` where colours have no direction or the line leaves the surface.
fn row(mesh: &TriMesh, fans: &Fans, v: u32, change: Change) -> Option<Row> {
    let normal = fans.around(v).iter().map(|t| mesh.area_vector(*t as usize)).sum::<DVec3>().normalize_or_zero();
    let (x, y) = (normal != DVec3::ZERO).then(|| normal.any_orthonormal_pair())?;
    let (cx, cy) = (change * x, change * y);
    let flat = DMat2::from_cols(DVec2::new(x.dot(cx), y.dot(cx)), DVec2::new(x.dot(cy), y.dot(cy)));
    // Half the angle of the tensor as a vector is the direction of steepest change; the line runs across it.
    let (sum, double) =
        (flat.x_axis.x + flat.y_axis.y, DVec2::new(flat.x_axis.x - flat.y_axis.y, flat.x_axis.y + flat.y_axis.x));
    let clearness = (double.length() / sum).powi(2);
    if !(clearness.is_finite() && clearness > 0.0) {
        return None;
    }
    let along = DVec2::from_angle(0.5 * double.to_angle()).perp();
    let (ahead, behind) = (leave(mesh, fans, v, along, x, y)?, leave(mesh, fans, v, -along, x, y)?);
    let [near_ahead, near_behind] = [1.0 / ahead.distance, 1.0 / behind.distance];
    let all = near_ahead + near_behind;
    let end = |exit: &Exit, near: f64| exit.ends.map(|(v, weight)| (v, weight * near / all));
    let ([a, b], [c, d]) = (end(&ahead, near_ahead), end(&behind, near_behind));
    let share = LINES_MOST * clearness / (clearness + CLEAR) * (1.0 + CLEAR);
    Some(Row { ends: [a, b, c, d], share: share.min(LINES_MOST) })
}

/// Where a line from a vertex leaves the triangles around it.
struct Exit {
    /// Ends of the edge there, with weights that add up to 1.
    ends: [(u32, f64); 2],
    distance: f64,
}

/// Follows a direction, given in the tangent plane of `x` and `y`, to the edge opposite the vertex.
fn leave(mesh: &TriMesh, fans: &Fans, v: u32, direction: DVec2, x: DVec3, y: DVec3) -> Option<Exit> {
    let flat = |u: u32| {
        let way = mesh.positions[u as usize] - mesh.positions[v as usize];
        // As long as the edge is in space, so that a steep triangle is not taken for a near one.
        DVec2::new(way.dot(x), way.dot(y)).normalize_or_zero() * way.length()
    };
    fans.around(v).iter().find_map(|t| {
        let triangle = mesh.triangles[*t as usize];
        let k = triangle.iter().position(|u| *u == v)?;
        let (a, b) = (triangle[(k + 1) % 3], triangle[(k + 2) % 3]);
        let shares = DMat2::from_cols(flat(a), flat(b)).inverse() * direction;
        let sum = shares.x + shares.y;
        let is_between = shares.min_element() >= -1e-9 && sum.is_finite() && sum > 0.0;
        is_between.then(|| {
            let weight = (shares.x / sum).clamp(0.0, 1.0);
            Exit { ends: [(a, weight), (b, 1.0 - weight)], distance: 1.0 / sum }
        })
    })
}

/// How colours change at each unknown vertex: as around it, smoothly spread from the known triangles at the rim.
fn changes(mesh: &TriMesh, fans: &Fans, system: &System) -> Vec<Change> {
    let is_known = |t: usize| mesh.triangles[t].iter().all(|v| system.row(*v).is_none());
    let at_rim = |v: u32| {
        // Two rings of known triangles, weighted by area.
        let ring = fans.around(v).iter().flat_map(|t| mesh.triangles[*t as usize]);
        let mut near: Vec<u32> = ring.flat_map(|u| fans.around(u)).copied().filter(|t| is_known(*t as usize)).collect();
        near.sort_unstable();
        near.dedup();
        near.into_iter().fold(DMat3::ZERO, |sum, t| sum + change(mesh, t as usize))
    };
    let half = |of: fn(DMat3) -> DVec3| spread(system, |v| of(at_rim(v)));
    let diagonal = half(|m| DVec3::new(m.x_axis.x, m.y_axis.y, m.z_axis.z));
    let beside = half(|m| DVec3::new(m.y_axis.z, m.x_axis.z, m.x_axis.y));
    let matrix = |(d, b): (&DVec3, &DVec3)| {
        DMat3::from_cols(DVec3::new(d.x, b.z, b.y), DVec3::new(b.z, d.y, b.x), DVec3::new(b.y, b.x, d.z))
    };
    diagonal.iter().zip(&beside).map(matrix).collect()
}

/// How colours change over one triangle, times its area. Roots of the channels stand for what the eye sees.
fn change(mesh: &TriMesh, t: usize) -> Change {
    let ([a, b, c], corners) = (mesh.corners(t), mesh.triangles[t]);
    let normal = (b - a).cross(c - a);
    let square = normal.length_squared();
    if square <= 0.0 {
        return DMat3::ZERO;
    }
    let turned = [c - b, a - c, b - a].map(|edge| normal.cross(edge) / square);
    let mut sum = DMat3::ZERO;
    for channel in 0..3 {
        let value = |k: usize| f64::from(mesh.colours[corners[k] as usize][channel]).max(0.0).cbrt();
        let gradient: DVec3 = (0..3).map(|k| turned[k] * value(k)).sum();
        sum += DMat3::from_cols(gradient * gradient.x, gradient * gradient.y, gradient * gradient.z);
    }
    sum * (0.5 * square.sqrt())
}
