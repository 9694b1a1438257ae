//! Taking self-intersections out of a closed mesh: crossing places are smoothed a little; patches of fill that still
//! cross are spanned anew; then places are cut out with a growing ring and closed (Attene 2010), with a bound on the
//! surface given up.

use std::cmp::Ordering;

use glam::DVec3;

use super::fill::close_up;
use super::intersect::first_self_intersections;
use super::islands::{largest, measure};
use super::slivers::remove_slivers;
use super::sound::{Sound, pairs_beside};
use super::topology::{Edges, components, corners_and_rings};
use super::weld::keep_triangles;
use super::{Origin, TriMesh};

/// How much may be done.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Allowance {
    pub rounds: usize,
    /// More pairs than this are not even tried.
    pub pairs_max: usize,
    /// Scanned surface that may be replaced, mm2.
    pub lost_max_mm2: f64,
    /// Triangles lower than this are removed on the way, mm.
    pub sliver_mm: f64,
}

/// What was done.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Untangled {
    pub pairs_before: usize,
    pub pairs_after: usize,
    /// Scanned surface that was replaced, mm2.
    pub lost_mm2: f64,
    pub rounds: usize,
}

/// Rounds in which crossing places are only smoothed; in the gentle ones before, nothing around them moves.
const GENTLE_ROUNDS: usize = 2;
const SMOOTH_ROUNDS: usize = 4;

/// Removes self-intersections as far as the allowance goes; `pairs_after` tells how many are left.
///
/// # Examples
/// ```
/// use glam::DVec3;
/// use statuary::mesh::intersect::self_intersections;
/// use statuary::mesh::untangle::{Allowance, untangle};
/// use statuary::mesh::{TriMesh, inspect::inspect, weld::weld_equal};
///
/// // A cushion: two sheets of 8 x 8 squares that share their rim. One point of the upper sheet is pushed through the lower.
/// let (mut points, mut faces) = (Vec::new(), Vec::new());
/// for side in [1.0, -1.0] {
///     let first = points.len() as u32;
///     for (y, x) in (0..9).flat_map(|y| (0..9).map(move |x| (y, x))) {
///         let bulge = f64::min(1.0, 0.25 * f64::from(x * (8 - x) * y * (8 - y)));
///         points.push(DVec3::new(f64::from(x), f64::from(y), side * bulge));
///     }
///     for a in (first..first + 72).filter(|a| (a - first) % 9 < 8) {
///         let square = [[a, a + 1, a + 10], [a, a + 10, a + 9]];
///         faces.extend(square.map(|[a, b, c]| if side > 0.0 { [a, b, c] } else { [a, c, b] }));
///     }
/// }
/// points[40].z = -1.5;
/// let (mut cushion, _) = weld_equal(TriMesh::from_shape(points, faces));
/// assert!(!self_intersections(&cushion).is_empty());
/// let allowed = Allowance { rounds: 10, pairs_max: 100, lost_max_mm2: 10.0, sliver_mm: 1e-3 };
/// let done = untangle(&mut cushion, allowed);
/// assert!(done.pairs_before > 0 && done.pairs_after == 0);
/// assert!(self_intersections(&cushion).is_empty() && inspect(&cushion).is_solid());
/// ```
pub fn untangle(mesh: &mut TriMesh, allowed: Allowance) -> Untangled {
    let mut pairs = first_self_intersections(mesh, allowed.pairs_max + 1);
    let mut done = Untangled { pairs_before: pairs.len(), ..Untangled::default() };
    while (1..=allowed.pairs_max).contains(&pairs.len()) && done.rounds < allowed.rounds {
        let sound = Sound::of(mesh, &pairs);
        match done.rounds.cmp(&SMOOTH_ROUNDS) {
            Ordering::Less => smooth(mesh, &pairs, done.rounds < GENTLE_ROUNDS),
            Ordering::Equal => {
                let patches = crossing_patches(mesh, &pairs);
                smooth(mesh, &pairs, false);
                done.lost_mm2 += replace(mesh, &patches);
            }
            Ordering::Greater => {
                let gone = grown(mesh, &pairs, done.rounds - SMOOTH_ROUNDS);
                let lost_mm2 = done.lost_mm2 + skin_area(mesh, &gone);
                if lost_mm2 > allowed.lost_max_mm2 {
                    break;
                }
                done.lost_mm2 += replace(mesh, &gone);
            }
        }
        remove_slivers(mesh, allowed.sliver_mm);
        pairs = pairs_beside(mesh, &sound);
        done.rounds += 1;
    }
    done.pairs_after = pairs.len();
    done
}

/// Moves the corners of crossing triangles, and those next to them unless gentle, towards the mean of their neighbours.
fn smooth(mesh: &mut TriMesh, pairs: &[[u32; 2]], gentle: bool) {
    let steps = if gentle { 1 } else { 4 };
    let crossing = pairs.iter().flatten().copied();
    let moves = corners_and_rings(&mesh.triangles, mesh.positions.len(), crossing, usize::from(!gentle));
    let near: Vec<[u32; 3]> = mesh.triangles.iter().filter(|t| t.iter().any(|v| moves[*v as usize])).copied().collect();
    for _ in 0..steps {
        let mut sums: Vec<(DVec3, u32)> = vec![(DVec3::ZERO, 0); mesh.positions.len()];
        for t in &near {
            for k in 0..3 {
                let sum = &mut sums[t[k] as usize];
                sum.0 += mesh.positions[t[(k + 1) % 3] as usize] + mesh.positions[t[(k + 2) % 3] as usize];
                sum.1 += 2;
            }
        }
        for (v, (sum, count)) in sums.iter().enumerate().filter(|(v, sum)| moves[*v] && sum.1 > 0) {
            mesh.positions[v] = mesh.positions[v].lerp(*sum / f64::from(*count), 0.5);
        }
    }
}

/// Whole patches of fill, marked, that have a crossing triangle.
fn crossing_patches(mesh: &TriMesh, pairs: &[[u32; 2]]) -> Vec<bool> {
    let mut edges = Edges::of(&mesh.triangles, mesh.positions.len());
    let is_fill = |t: usize| mesh.origins[t] == Origin::Fill;
    for (half, mate) in edges.mates.iter_mut().enumerate() {
        let inner = *mate != super::topology::NONE && is_fill(half / 3) && is_fill(*mate as usize / 3);
        if !inner {
            *mate = super::topology::NONE;
        }
    }
    let patches = components(&mesh.triangles, &edges);
    let mut marked = vec![false; patches.count];
    for t in pairs.iter().flatten().filter(|t| is_fill(**t as usize)) {
        marked[patches.label[*t as usize] as usize] = true;
    }
    patches.label.iter().map(|patch| marked[*patch as usize]).collect()
}

/// Crossing triangles and so many rings of triangles around them, marked.
fn grown(mesh: &TriMesh, pairs: &[[u32; 2]], rings: usize) -> Vec<bool> {
    let mut gone = vec![false; mesh.triangles.len()];
    pairs.iter().flatten().for_each(|t| gone[*t as usize] = true);
    for _ in 0..rings {
        let mut touched = vec![false; mesh.positions.len()];
        for (t, _) in gone.iter().enumerate().filter(|(_, gone)| **gone) {
            mesh.triangles[t].iter().for_each(|v| touched[*v as usize] = true);
        }
        for (t, gone) in gone.iter_mut().enumerate() {
            *gone |= mesh.triangles[t].iter().any(|v| touched[*v as usize]);
        }
    }
    gone
}

fn skin_area(mesh: &TriMesh, marked: &[bool]) -> f64 {
    let skin = (0..mesh.triangles.len()).filter(|t| marked[*t] && mesh.origins[*t] == Origin::Skin);
    skin.map(|t| 0.5 * mesh.area_vector(t).length()).sum()
}

/// Takes the marked triangles away, keeps the largest piece and closes it with films; tells the scanned area lost.
fn replace(mesh: &mut TriMesh, gone: &[bool]) -> f64 {
    let area = |mesh: &TriMesh| skin_area(mesh, &vec![true; mesh.triangles.len()]);
    let before = area(mesh);
    let mut kept = keep_triangles(mesh, |t| !gone[t]);
    kept = super::manifold::cut_apart(kept).mesh;
    *mesh = largest_piece(&kept);
    let lost = before - area(mesh);
    close_up(mesh, false);
    *mesh = keep_triangles(mesh, |_| true);
    lost
}

/// The piece of largest area alone.
#[must_use]
pub fn largest_piece(mesh: &TriMesh) -> TriMesh {
    let edges = Edges::of(&mesh.triangles, mesh.positions.len());
    let pieces = components(&mesh.triangles, &edges);
    let main = largest(&measure(mesh, &edges, &pieces)).unwrap_or(0) as u32;
    keep_triangles(mesh, |t| pieces.label[t] == main)
}
