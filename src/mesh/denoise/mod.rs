//! Scanner noise taken off a mesh while its edges stay: face normals are filtered bilaterally (Zheng, Fu, Au, Tai 2011),
//! then vertices follow them (Sun, Rosin, Martin, Langbein 2007). Nothing moves farther than allowed, nothing crosses
//! that did not cross before.

mod normals;
mod roughness;

use glam::DVec3;
use rayon::prelude::*;

pub use roughness::roughness_mm;

use super::TriMesh;
use super::fans::Fans;
use super::put_back::put_back;

/// Vertices or triangles per task and partial sum.
const CHUNK: usize = 4096;

/// How to smooth. Strengths go by vertex; a vertex moves at most its strength times `move_max_mm`.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Smoothing<'a> {
    /// 0 leaves a vertex exactly where it is, 1 takes it all the way; vertices beyond the slice count as 0.
    pub strength: &'a [f64],
    pub move_max_mm: f64,
    /// Rounds of filtering normals, 5 to 20 in the paper.
    pub normal_rounds: usize,
    /// Rounds of moving vertices, 10 to 20 in the paper.
    pub vertex_rounds: usize,
    /// Difference of unit normals beyond which triangles lie across an edge, 0.2 to 0.6 in the paper.
    pub normal_sigma: f64,
    /// Triangles may not become lower than this by moving, mm.
    pub sliver_mm: f64,
}

impl<'a> Smoothing<'a> {
    /// Eight rounds of normals and ten of vertices with a spread of 0.35 between normals.
    #[must_use]
    pub fn usual(strength: &'a [f64], move_max_mm: f64) -> Self {
        Self { strength, move_max_mm, normal_rounds: 8, vertex_rounds: 10, normal_sigma: 0.35, sliver_mm: 0.0 }
    }

    fn strength(&self, v: usize) -> f64 {
        self.strength.get(v).map_or(0.0, |s| s.clamp(0.0, 1.0))
    }
}

/// What was done.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Denoised {
    /// Vertices that moved.
    pub moved: usize,
    /// Vertices put back to their old place, for triangles there would cross, turn over or become slivers.
    pub put_back: usize,
    /// Root mean square of the way moved over all vertices, mm.
    pub rms_mm: f64,
    /// Longest way moved, mm.
    pub max_mm: f64,
}

/// Smooths a mesh in place; triangles, colours and origins stay. Triangles must name existing vertices.
///
/// # Examples
/// ```
/// use glam::DVec3;
/// use statuary::mesh::TriMesh;
/// use statuary::mesh::denoise::{Smoothing, denoise};
///
/// // A level sheet of 12 x 12 points that lie 0.1 mm too high and too low by turns.
/// let points = (0..144).map(|i| {
///     let (x, y) = (i % 12, i / 12);
///     DVec3::new(f64::from(x), f64::from(y), if (x + y) % 2 == 0 { 0.1 } else { -0.1 })
/// });
/// let squares = (0..132_u32).filter(|i| i % 12 < 11);
/// let faces = squares.flat_map(|i| [[i, i + 1, i + 13], [i, i + 13, i + 12]]).collect();
/// let mut sheet = TriMesh::from_shape(points.collect(), faces);
/// let done = denoise(&mut sheet, &Smoothing::usual(&[1.0; 144], 0.2));
/// assert!(done.moved > 100 && done.max_mm <= 0.2);
/// let inner = sheet.positions.iter().filter(|p| p.x > 1.5 && p.x < 9.5 && p.y > 1.5 && p.y < 9.5);
/// assert!(inner.map(|p| p.z.abs()).fold(0.0, f64::max) < 0.05);
/// ```
pub fn denoise(mesh: &mut TriMesh, smoothing: &Smoothing<'_>) -> Denoised {
    let can_move = (0..mesh.positions.len()).any(|v| smoothing.strength(v) > 0.0);
    if !can_move || smoothing.move_max_mm.is_nan() || smoothing.move_max_mm <= 0.0 {
        return Denoised::default();
    }
    let fans = Fans::of(mesh);
    let normals = normals::filtered(mesh, &fans, smoothing);
    let followed = follow(mesh, &fans, &normals, smoothing);
    let before = mesh.positions.clone();
    let place = |(v, p): (usize, &mut DVec3)| *p = limited(*p, followed[v] - *p, smoothing.strength(v), smoothing);
    mesh.positions.par_iter_mut().with_min_len(CHUNK).enumerate().for_each(place);
    let back = put_back(mesh, &before, smoothing.sliver_mm);
    Denoised { put_back: back.into_iter().filter(|back| *back).count(), ..moved(&before, &mesh.positions) }
}

/// Vertices moved so that triangles get these normals (Sun et al. 2007): each steps by the mean of its offsets, along
/// their normals, from the centres of its triangles.
fn follow(mesh: &TriMesh, fans: &Fans, normals: &[DVec3], smoothing: &Smoothing<'_>) -> Vec<DVec3> {
    let before = &mesh.positions;
    let mut places = before.clone();
    for _ in 0..smoothing.vertex_rounds {
        let centre = |t: &[u32; 3]| t.iter().map(|v| places[*v as usize]).sum::<DVec3>() / 3.0;
        let centres: Vec<DVec3> = mesh.triangles.par_iter().with_min_len(CHUNK).map(centre).collect();
        let step = |(v, p): (usize, &mut DVec3)| {
            let fan = fans.around(v as u32);
            if smoothing.strength(v) > 0.0 && !fan.is_empty() {
                let offset = |t: &u32| normals[*t as usize] * normals[*t as usize].dot(centres[*t as usize] - *p);
                let way = *p + fan.iter().map(offset).sum::<DVec3>() / fan.len() as f64 - before[v];
                *p = limited(before[v], way, 1.0, smoothing);
            }
        };
        places.par_iter_mut().with_min_len(CHUNK).enumerate().for_each(step);
    }
    places
}

/// The place a share of the way off, `way` first cut to `move_max_mm`; never farther than the share of it, rounding
/// included.
fn limited(from: DVec3, way: DVec3, share: f64, smoothing: &Smoothing<'_>) -> DVec3 {
    /// Keeps rounding from lengthening the way.
    const SHY: f64 = 1.0 - 1e-9;
    let most = smoothing.move_max_mm;
    let length = way.length();
    let cut = if length > SHY * most { way * (SHY * most / length) } else { way };
    let to = from + share * cut;
    if share > 0.0 && (to - from).length() <= share * most { to } else { from }
}

/// Counts and sizes of the ways between two lists of places.
fn moved(before: &[DVec3], after: &[DVec3]) -> Denoised {
    let sum = |(a, b): (&[DVec3], &[DVec3])| {
        a.iter().zip(b).fold((0, 0.0, 0.0_f64), |(count, squares, max), (a, b)| {
            let way = a.distance(*b);
            (count + usize::from(a != b), squares + way * way, max.max(way))
        })
    };
    let partial: Vec<(usize, f64, f64)> = before.par_chunks(CHUNK).zip(after.par_chunks(CHUNK)).map(sum).collect();
    let (moved, squares, max_mm) =
        partial.into_iter().fold((0, 0.0, 0.0_f64), |sum, of| (sum.0 + of.0, sum.1 + of.1, sum.2.max(of.2)));
    Denoised { moved, put_back: 0, rms_mm: (squares / before.len().max(1) as f64).sqrt(), max_mm }
}
