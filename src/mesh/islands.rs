//! The pieces of a scan: how large they are, and what each is to the largest one.

use glam::DVec3;
use rayon::prelude::*;

use super::TriMesh;
use super::topology::{Components, Edges, ends};
use super::tree::TriTree;
use super::winding::Winding;

/// One connected piece.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Piece {
    pub triangles: usize,
    pub area_mm2: f64,
    /// Area of its triangles seen along z, mm2: equal to its area when it is level.
    pub level_mm2: f64,
    pub open_edges: usize,
    pub low: DVec3,
    pub high: DVec3,
}

impl Piece {
    const NOTHING: Self = Self {
        triangles: 0,
        area_mm2: 0.0,
        level_mm2: 0.0,
        open_edges: 0,
        low: DVec3::INFINITY,
        high: DVec3::NEG_INFINITY,
    };

    fn add(&mut self, other: &Self) {
        self.triangles += other.triangles;
        self.area_mm2 += other.area_mm2;
        self.level_mm2 += other.level_mm2;
        self.open_edges += other.open_edges;
        self.low = self.low.min(other.low);
        self.high = self.high.max(other.high);
    }

    fn add_triangle(&mut self, mesh: &TriMesh, t: usize) {
        let (area, [a, b, c]) = (0.5 * mesh.area_vector(t), mesh.corners(t));
        self.triangles += 1;
        self.area_mm2 += area.length();
        self.level_mm2 += area.z.abs();
        self.low = self.low.min(a).min(b).min(c);
        self.high = self.high.max(a).max(b).max(c);
    }
}

/// Triangles per task; sums depend on it.
const CHUNK: usize = 1 << 16;

/// Measures each piece of `pieces`, in their order.
///
/// # Examples
/// ```
/// use glam::DVec3;
/// use statuary::mesh::islands::{largest, measure};
/// use statuary::mesh::topology::{Edges, components};
/// use statuary::mesh::{TriMesh, weld::keep_triangles};
///
/// // A triangle of 8 mm2 and a crumb beside it.
/// let at = |x: f64, y: f64| DVec3::new(x, y, 0.0);
/// let points = vec![at(9.0, 0.0), at(9.5, 0.0), at(9.0, 0.5), at(0.0, 0.0), at(4.0, 0.0), at(0.0, 4.0)];
/// let mesh = TriMesh::from_shape(points, vec![[0, 1, 2], [3, 4, 5]]);
/// let edges = Edges::of(&mesh.triangles, mesh.positions.len());
/// let pieces = components(&mesh.triangles, &edges);
/// let sizes = measure(&mesh, &edges, &pieces);
/// assert_eq!((largest(&sizes), sizes[1].area_mm2, sizes[1].open_edges), (Some(1), 8.0, 3));
/// let main = keep_triangles(&mesh, |t| pieces.label[t] == 1);
/// assert_eq!((main.positions.len(), main.triangles), (3, vec![[0, 1, 2]]));
/// ```
#[must_use]
pub fn measure(mesh: &TriMesh, edges: &Edges, pieces: &Components) -> Vec<Piece> {
    let chunk_sums = |(chunk, labels): (usize, &[u32])| {
        let mut sums: Vec<(u32, Piece)> = Vec::new();
        for (t, label) in (chunk * CHUNK..).zip(labels) {
            if sums.last().is_none_or(|(last, _)| last != label) {
                sums.push((*label, Piece::NOTHING));
            }
            if let Some((_, sum)) = sums.last_mut() {
                sum.add_triangle(mesh, t);
            }
        }
        sums
    };
    let sums: Vec<Vec<(u32, Piece)>> = pieces.label.par_chunks(CHUNK).enumerate().map(chunk_sums).collect();
    let mut found = vec![Piece::NOTHING; pieces.count];
    for (label, sum) in sums.iter().flatten() {
        found[*label as usize].add(sum);
    }
    for (half, _) in edges.open_halves(&mesh.triangles).iter().enumerate().filter(|(_, open)| **open) {
        found[pieces.label[half / 3] as usize].open_edges += 1;
    }
    found
}

/// The piece of largest area, the first of equals; `None` without pieces.
#[must_use]
pub fn largest(pieces: &[Piece]) -> Option<usize> {
    (0..pieces.len()).reduce(|best, i| if pieces[i].area_mm2 > pieces[best].area_mm2 { i } else { best })
}

/// Where a piece is relative to a body.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Relation {
    /// Least distance from its vertices to the body's surface, mm.
    pub gap_mm: f64,
    /// Move that brings its nearest vertex onto the body, mm.
    pub step: DVec3,
    /// Distance nine tenths of its vertices keep at most, mm.
    pub reach_mm: f64,
    /// Share of its vertices inside the body.
    pub inside: f64,
    /// Share of its vertices that face the way the nearest surface of the body does.
    pub agreeing: f64,
}

/// Measures a piece against a body; `within_mm` bounds the distances of interest.
#[must_use]
pub fn relation(piece: &TriMesh, body: &TriMesh, winding: &Winding, within_mm: f64) -> Relation {
    /// Vertices looked at for everything but the gap.
    const SAMPLES: usize = 400;
    let normals = vertex_directions(piece);
    let nearest: Vec<Option<(f64, DVec3, u32)>> = piece
        .positions
        .par_iter()
        .map(|p| winding.tree().nearest(*p, within_mm).map(|n| (n.distance, n.point - *p, n.triangle)))
        .collect();
    let closest = nearest.iter().flatten().copied().reduce(|best, n| if n.0 < best.0 { n } else { best });
    let every = piece.positions.len().div_ceil(SAMPLES).max(1);
    let sampled: Vec<usize> = (0..piece.positions.len()).step_by(every).collect();
    let looks: Vec<(bool, bool, f64)> = sampled
        .par_iter()
        .map(|i| {
            let agrees = nearest[*i].is_some_and(|n| body.area_vector(n.2 as usize).dot(normals[*i]) > 0.0);
            (winding.at(piece.positions[*i]) > 0.5, agrees, nearest[*i].map_or(f64::INFINITY, |n| n.0))
        })
        .collect();
    let share = |count: usize| count as f64 / looks.len().max(1) as f64;
    let mut distances: Vec<f64> = looks.iter().map(|look| look.2).collect();
    distances.sort_unstable_by(f64::total_cmp);
    Relation {
        gap_mm: closest.map_or(f64::INFINITY, |n| n.0),
        step: closest.map_or(DVec3::ZERO, |n| n.1),
        reach_mm: distances.get(distances.len() * 9 / 10).copied().unwrap_or(f64::INFINITY),
        inside: share(looks.iter().filter(|look| look.0).count()),
        agreeing: share(looks.iter().filter(|look| look.1).count()),
    }
}

/// The least move that brings a vertex of a piece onto a surface, mm; zero when none is within `within_mm`.
#[must_use]
pub fn step_onto(piece: &TriMesh, tree: &TriTree, within_mm: f64) -> DVec3 {
    let steps = piece.positions.par_iter().map(|p| tree.nearest(*p, within_mm).map(|n| n.point - *p));
    let steps: Vec<Option<DVec3>> = steps.collect();
    let shorter = |a: DVec3, b: DVec3| if b.length_squared() < a.length_squared() { b } else { a };
    steps.into_iter().flatten().reduce(shorter).unwrap_or_default()
}

/// Sum of the area vectors around each vertex.
fn vertex_directions(mesh: &TriMesh) -> Vec<DVec3> {
    let mut directions = vec![DVec3::ZERO; mesh.positions.len()];
    for (t, triangle) in mesh.triangles.iter().enumerate() {
        let out = mesh.area_vector(t);
        for v in triangle {
            directions[*v as usize] += out;
        }
    }
    directions
}

/// Mean length of the open edges, mm; 0 when there are none.
#[must_use]
pub fn mean_open_edge_mm(mesh: &TriMesh, edges: &Edges) -> f64 {
    let open = edges.open_halves(&mesh.triangles);
    let lengths = (0..open.len()).filter(|half| open[*half]).map(|half| {
        let (from, to) = ends(&mesh.triangles, half as u32);
        mesh.positions[from as usize].distance(mesh.positions[to as usize])
    });
    let (sum, count) = lengths.fold((0.0, 0_usize), |(sum, count), length| (sum + length, count + 1));
    sum / count.max(1) as f64
}
