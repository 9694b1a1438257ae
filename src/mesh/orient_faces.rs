//! Which side is out: neighbours are made to agree, then each piece as a whole is turned outwards.
//! Here a piece ends at crowded edges too.

use glam::DVec3;

use super::TriMesh;
use super::topology::{Components, Edges, NONE, components, ends, rims};

/// What was turned.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Turned {
    /// Triangles that now wind the other way.
    pub triangles: usize,
    /// Shared edges whose triangles cannot be made to agree, as on a Moebius band.
    pub conflicts: usize,
}

/// Makes neighbouring triangles agree and each piece face outwards.
pub fn orient_outwards(mesh: &mut TriMesh) -> Turned {
    let edges = Edges::of(&mesh.triangles, mesh.positions.len());
    let before = mesh.triangles.clone();
    let flips = agreeing_flips(&mesh.triangles, &edges);
    apply(mesh, |t| flips[t]);
    let halves = (0_u32..).zip(edges.mates.iter().copied()).filter(|(half, mate)| *mate != NONE && half < mate);
    let pairs: Vec<(u32, u32)> = halves.map(|(half, mate)| (moved(half, &flips), moved(mate, &flips))).collect();
    let conflicts = pairs.iter().filter(|(a, b)| Edges::runs_alike(&mesh.triangles, *a, *b)).count();
    turn_pieces(mesh, &flips);
    let triangles = before.iter().zip(&mesh.triangles).filter(|(a, b)| a != b).count();
    Turned { triangles, conflicts }
}

/// Where a half-edge is after its triangle was turned: turning swaps the last two corners.
fn moved(half: u32, flips: &[bool]) -> u32 {
    if flips[half as usize / 3] { half / 3 * 3 + 2 - half % 3 } else { half }
}

fn apply(mesh: &mut TriMesh, flip: impl Fn(usize) -> bool) {
    for (_, triangle) in mesh.triangles.iter_mut().enumerate().filter(|(t, _)| flip(*t)) {
        triangle.swap(1, 2);
    }
}

/// For each triangle whether to turn it so that it agrees with the first triangle of its piece, found breadth-first
/// across edges with two triangles.
#[must_use]
pub fn agreeing_flips(triangles: &[[u32; 3]], edges: &Edges) -> Vec<bool> {
    let mut flips = vec![false; triangles.len()];
    let mut seen = vec![false; triangles.len()];
    let mut queue = Vec::new();
    for seed in 0..triangles.len() {
        if std::mem::replace(&mut seen[seed], true) {
            continue;
        }
        queue.push(seed as u32);
        let mut at = 0;
        while let Some(t) = queue.get(at).copied() {
            at += 1;
            for half in [3 * t, 3 * t + 1, 3 * t + 2] {
                let mate = edges.mates[half as usize];
                if mate == NONE || std::mem::replace(&mut seen[mate as usize / 3], true) {
                    continue;
                }
                flips[mate as usize / 3] = flips[t as usize] ^ Edges::runs_alike(triangles, half, mate);
                queue.push(mate / 3);
            }
        }
        queue.clear();
    }
    flips
}

/// Turns each piece outwards: by the volume it encloses with its holes closed by cones, or, for a sheet that encloses
/// next to nothing, the way most of its area was wound in the file.
fn turn_pieces(mesh: &mut TriMesh, flipped: &[bool]) {
    /// Share of the volume of a ball of equal area below which a piece is a sheet.
    const SHEET: f64 = 0.01;
    let edges = Edges::of(&mesh.triangles, mesh.positions.len());
    let pieces = components(&mesh.triangles, &Edges { crowded: Vec::new(), ..edges.clone() });
    let volumes = cone_volumes(mesh, &edges, &pieces);
    let mut areas = vec![[0.0; 2]; pieces.count];
    for (t, piece) in pieces.label.iter().enumerate() {
        areas[*piece as usize][usize::from(flipped[t])] += 0.5 * mesh.area_vector(t).length();
    }
    let inside_out: Vec<bool> = volumes
        .iter()
        .zip(&areas)
        .map(|(volume, [as_filed, turned])| {
            let ball = (as_filed + turned).powf(1.5) / (6.0 * std::f64::consts::PI.sqrt());
            if volume.abs() > SHEET * ball { *volume < 0.0 } else { turned > as_filed }
        })
        .collect();
    apply(mesh, |t| inside_out[pieces.label[t] as usize]);
}

/// Volume of each piece with every rim closed by a cone to its mean point, mm3.
fn cone_volumes(mesh: &TriMesh, edges: &Edges, pieces: &Components) -> Vec<f64> {
    let base = mesh.positions.first().copied().unwrap_or_default();
    let six = |a: DVec3, b: DVec3, c: DVec3| (a - base).dot((b - base).cross(c - base));
    let mut volumes = vec![0.0; pieces.count];
    for (t, piece) in pieces.label.iter().enumerate() {
        let [a, b, c] = mesh.corners(t);
        volumes[*piece as usize] += six(a, b, c) / 6.0;
    }
    for rim in rims(&mesh.triangles, edges) {
        let points = rim.iter().map(|half| mesh.positions[ends(&mesh.triangles, *half).0 as usize]);
        let middle = points.sum::<DVec3>() / rim.len() as f64;
        for half in &rim {
            let (from, to) = ends(&mesh.triangles, *half);
            let (from, to) = (mesh.positions[from as usize], mesh.positions[to as usize]);
            volumes[pieces.label[*half as usize / 3] as usize] += six(to, from, middle) / 6.0;
        }
    }
    volumes
}
