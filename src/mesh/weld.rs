//! Vertices that are the same point become one; triangles that are nothing or said twice go.
//!
//! Positions are never averaged: the vertex with the lowest index stays, so the result depends on order alone.

use glam::DVec3;
use rayon::prelude::*;
use rustc_hash::FxHashMap;

use super::TriMesh;
use super::topology::{Edges, NONE, Sets, ends};

/// Keeps the marked triangles and the vertices they use, in order.
#[must_use]
pub fn keep_triangles(mesh: &TriMesh, keep: impl Fn(usize) -> bool + Sync) -> TriMesh {
    let chosen: Vec<u32> = (0..mesh.triangles.len() as u32).into_par_iter().filter(|t| keep(*t as usize)).collect();
    let mut renamed = vec![NONE; mesh.positions.len()];
    for v in chosen.iter().flat_map(|t| mesh.triangles[*t as usize]) {
        renamed[v as usize] = 0;
    }
    let mut kept = Vec::with_capacity(mesh.positions.len());
    for (v, name) in (0_u32..).zip(&mut renamed).filter(|(_, name)| **name == 0) {
        *name = kept.len() as u32;
        kept.push(v);
    }
    TriMesh {
        positions: kept.par_iter().map(|v| mesh.positions[*v as usize]).collect(),
        triangles: chosen.par_iter().map(|t| mesh.triangles[*t as usize].map(|v| renamed[v as usize])).collect(),
        colours: kept.par_iter().map(|v| mesh.colours[*v as usize]).collect(),
        origins: chosen.par_iter().map(|t| mesh.origins[*t as usize]).collect(),
    }
}

/// Drops triangles that name a missing vertex or one whose position is not finite; tells how many.
#[must_use]
pub fn drop_unusable(mesh: &TriMesh) -> (TriMesh, usize) {
    let usable = |v: u32| mesh.positions.get(v as usize).is_some_and(|p| p.is_finite());
    let kept = keep_triangles(mesh, |t| mesh.triangles[t].iter().all(|v| usable(*v)));
    let dropped = mesh.triangles.len() - kept.triangles.len();
    (kept, dropped)
}

/// Makes vertices at exactly the same place one; tells how many went. Triangles keep their number and order.
///
/// # Examples
/// ```
/// use glam::DVec3;
/// use statuary::mesh::{TriMesh, weld::weld_equal};
///
/// // Two triangles of a square, each with corners of its own, as in an STL file.
/// let points = vec![DVec3::ZERO, DVec3::X, DVec3::Y, DVec3::X, DVec3::new(1.0, 1.0, 0.0), DVec3::Y];
/// let (square, gone) = weld_equal(TriMesh::from_shape(points, vec![[0, 1, 2], [3, 4, 5]]));
/// assert_eq!((square.positions.len(), gone), (4, 2));
/// assert_eq!(square.triangles, [[0, 1, 2], [1, 3, 2]]);
/// ```
#[must_use]
pub fn weld_equal(mesh: TriMesh) -> (TriMesh, usize) {
    let mut first: FxHashMap<[u64; 3], u32> = FxHashMap::default();
    first.reserve(mesh.positions.len());
    // Adding zero makes -0.0 and 0.0 the same bits.
    let bits = |p: &DVec3| (*p + 0.0).to_array().map(f64::to_bits);
    let rename = (0_u32..).zip(&mesh.positions).map(|(v, p)| *first.entry(bits(p)).or_insert(v)).collect();
    rename_vertices(mesh, rename)
}

/// Makes open-rim vertices within `eps_mm` of one another one; tells how many went. `edges` are those of the mesh. Inner vertices are left alone, so
/// that fine detail never collapses.
#[must_use]
pub fn weld_near(mesh: TriMesh, edges: &Edges, eps_mm: f64) -> (TriMesh, usize) {
    let mut grid = PointGrid::new(eps_mm.max(f64::MIN_POSITIVE) * 16.0);
    let mut rename: Vec<u32> = (0..mesh.positions.len() as u32).collect();
    for v in rim_vertices(&mesh, edges) {
        let point = mesh.positions[v as usize];
        let near = |w: &u32| mesh.positions[*w as usize].distance(point) <= eps_mm;
        match grid.around(point, eps_mm).filter(near).min() {
            Some(kept) => rename[v as usize] = kept,
            None => grid.put(point, v),
        }
    }
    rename_vertices(mesh, rename)
}

/// Vertices at the ends of open edges, ascending.
fn rim_vertices(mesh: &TriMesh, edges: &Edges) -> Vec<u32> {
    let mut on_rim = vec![false; mesh.positions.len()];
    for (half, _) in edges.open_halves(&mesh.triangles).iter().enumerate().filter(|(_, open)| **open) {
        let (from, to) = ends(&mesh.triangles, half as u32);
        on_rim[from as usize] = true;
        on_rim[to as usize] = true;
    }
    (0..on_rim.len() as u32).filter(|v| on_rim[*v as usize]).collect()
}

/// Points in cubes of a side, found again by place.
struct PointGrid {
    side_mm: f64,
    cells: FxHashMap<[i64; 3], Vec<u32>>,
}

impl PointGrid {
    fn new(side_mm: f64) -> Self {
        Self { side_mm, cells: FxHashMap::default() }
    }

    fn cell(&self, point: DVec3) -> [i64; 3] {
        (point / self.side_mm).floor().to_array().map(|c| c as i64)
    }

    fn put(&mut self, point: DVec3, item: u32) {
        self.cells.entry(self.cell(point)).or_default().push(item);
    }

    /// Items of all cells within `reach_mm` of a point, cell by cell.
    fn around(&self, point: DVec3, reach_mm: f64) -> impl Iterator<Item = u32> + '_ {
        let (low, high) = (self.cell(point - reach_mm), self.cell(point + reach_mm));
        let cells = (low[0]..=high[0])
            .flat_map(move |x| (low[1]..=high[1]).flat_map(move |y| (low[2]..=high[2]).map(move |z| [x, y, z])));
        cells.filter_map(|cell| self.cells.get(&cell)).flatten().copied()
    }
}

/// Gives each vertex the name in `rename` (an index no higher than its own) and drops those that gave theirs up.
fn rename_vertices(mut mesh: TriMesh, mut rename: Vec<u32>) -> (TriMesh, usize) {
    let before = mesh.positions.len();
    let mut kept = 0;
    for v in 0..before {
        if rename[v] as usize == v {
            mesh.positions[kept] = mesh.positions[v];
            mesh.colours[kept] = mesh.colours[v];
            rename[v] = kept as u32;
            kept += 1;
        } else {
            rename[v] = rename[rename[v] as usize];
        }
    }
    mesh.positions.truncate(kept);
    mesh.colours.truncate(kept);
    for corner in mesh.triangles.iter_mut().flatten() {
        *corner = rename[*corner as usize];
    }
    (mesh, before - kept)
}

/// What [`drop_repeats`] removed.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Repeats {
    /// Triangles that name a vertex twice.
    pub collapsed: usize,
    /// Triangles that name the same three vertices as another one.
    pub duplicates: usize,
}

/// Drops triangles with a repeated vertex and copies of triangles.
///
/// One copy stays if it closes more edges than it opens, judged by the other triangles at its three edges; so a doubled
/// piece of skin is kept once, and two triangles back to back that stick out as a fin both go.
#[must_use]
pub fn drop_repeats(mesh: &TriMesh) -> (TriMesh, Repeats) {
    let edges = Edges::of(&mesh.triangles, mesh.positions.len());
    drop_repeats_along(mesh.clone(), &edges)
}

/// The same for a mesh whose half-edge table is known; without repeats it is given back as it is.
#[must_use]
pub fn drop_repeats_along(mesh: TriMesh, edges: &Edges) -> (TriMesh, Repeats) {
    let is_collapsed = |[a, b, c]: [u32; 3]| a == b || b == c || c == a;
    let mut keep: Vec<bool> = mesh.triangles.iter().map(|t| !is_collapsed(*t)).collect();
    let collapsed = keep.iter().filter(|k| !**k).count();
    let groups = copies(&mesh.triangles, edges);
    let mut duplicates = 0;
    for group in &groups {
        for copy in &group[1..] {
            keep[*copy as usize] = false;
            duplicates += 1;
        }
    }
    for fin in fins(&mesh.triangles, &groups, &keep) {
        keep[fin as usize] = false;
        duplicates += 1;
    }
    let repeats = Repeats { collapsed, duplicates };
    if repeats == Repeats::default() { (mesh, repeats) } else { (keep_triangles(&mesh, |t| keep[t]), repeats) }
}

/// Groups of two or more triangles over the same three vertices, each ascending, by lowest triangle.
fn copies(triangles: &[[u32; 3]], edges: &Edges) -> Vec<Vec<u32>> {
    let sorted = |t: u32| {
        let mut corners = triangles[t as usize];
        corners.sort_unstable();
        corners
    };
    // A copy lies on all three edges: each is crowded, or has the copy for its mate.
    let may_repeat = |t: &u32| {
        let mates = [0, 1, 2].map(|k| edges.mates[(3 * t + k) as usize]).map(|mate| mate / 3);
        mates[0] == mates[1] && mates[1] == mates[2] || mates.contains(&(NONE / 3))
    };
    let suspects: Vec<u32> = (0..triangles.len() as u32).into_par_iter().filter(may_repeat).collect();
    let mut first: FxHashMap<[u32; 3], u32> = FxHashMap::default();
    let mut doubled: FxHashMap<u32, Vec<u32>> = FxHashMap::default();
    for t in suspects {
        let lowest = *first.entry(sorted(t)).or_insert(t);
        if lowest != t {
            doubled.entry(lowest).or_insert_with(|| vec![lowest]).push(t);
        }
    }
    let mut groups: Vec<Vec<u32>> = doubled.into_values().collect();
    groups.sort_unstable();
    groups
}

/// Of the groups that hold both windings, the kept triangles that would leave most of their edges with an odd count.
fn fins(triangles: &[[u32; 3]], groups: &[Vec<u32>], keep: &[bool]) -> Vec<u32> {
    let is_even = |t: u32| {
        let [a, b, c] = triangles[t as usize];
        [(a, b), (b, c), (c, a)].iter().filter(|(from, to)| from < to).count() % 2 == 0
    };
    let both_ways = |group: &&Vec<u32>| group.iter().any(|t| is_even(*t) != is_even(group[0]));
    let suspects: Vec<u32> = groups.iter().filter(both_ways).map(|group| group[0]).collect();
    if suspects.is_empty() {
        return suspects;
    }
    let edge = |a: u32, b: u32| (a.min(b), a.max(b));
    let sides = |[a, b, c]: [u32; 3]| [edge(a, b), edge(b, c), edge(c, a)];
    let mut counts: FxHashMap<(u32, u32), usize> = FxHashMap::default();
    counts.extend(suspects.iter().flat_map(|t| sides(triangles[*t as usize])).map(|side| (side, 0)));
    for (triangle, _) in triangles.iter().zip(keep).filter(|(_, keep)| **keep) {
        for side in sides(*triangle) {
            if let Some(count) = counts.get_mut(&side) {
                *count += 1;
            }
        }
    }
    let odd_sides = |t: u32| sides(triangles[t as usize]).iter().filter(|side| counts[side] % 2 == 1).count();
    suspects.into_iter().filter(|t| odd_sides(*t) >= 2).collect()
}

/// Splits triangles at rim vertices that lie within `eps_mm` of their open edges, so that a long edge facing a row of
/// short ones closes by welding; `edges` are those of the mesh; tells how many vertices were put on edges.
#[must_use]
pub fn split_t_junctions(mesh: &TriMesh, edges: &Edges, eps_mm: f64) -> (TriMesh, usize) {
    let open = edges.open_halves(&mesh.triangles);
    let rim = rim_vertices(mesh, edges);
    let lengths = (0..open.len()).filter(|h| open[*h]).map(|h| edge_length(mesh, h as u32));
    let (sum, count) = lengths.fold((0.0, 0_usize), |(sum, count), length| (sum + length, count + 1));
    if count == 0 {
        return (mesh.clone(), 0);
    }
    let mut grid = PointGrid::new((2.0 * sum / count as f64).max(eps_mm * 4.0));
    for v in &rim {
        grid.put(mesh.positions[*v as usize], *v);
    }
    let mut split = mesh.clone();
    let mut added = 0;
    for t in 0..mesh.triangles.len() {
        let sides =
            [0, 1, 2].map(|k| 3 * t + k).map(|h| if open[h] { on_edge(mesh, &grid, h as u32, eps_mm) } else { vec![] });
        if sides.iter().any(|side| !side.is_empty()) {
            added += sides.iter().map(Vec::len).sum::<usize>();
            insert_on_sides(&mut split, t, &sides);
        }
    }
    (split, added)
}

fn edge_length(mesh: &TriMesh, half: u32) -> f64 {
    let (from, to) = ends(&mesh.triangles, half);
    mesh.positions[from as usize].distance(mesh.positions[to as usize])
}

/// Vertices of the grid strictly inside an edge, in its direction.
fn on_edge(mesh: &TriMesh, grid: &PointGrid, half: u32, eps_mm: f64) -> Vec<u32> {
    let (from, to) = ends(&mesh.triangles, half);
    let (a, b) = (mesh.positions[from as usize], mesh.positions[to as usize]);
    let length = a.distance(b);
    let tip = mesh.triangles[half as usize / 3][(half as usize + 2) % 3];
    let place = |v: u32| {
        let along = (mesh.positions[v as usize] - a).dot(b - a) / length;
        let away = mesh.positions[v as usize].distance(a + (b - a) * (along / length));
        let is_inside = along > eps_mm && along < length - eps_mm && away <= eps_mm;
        (is_inside && v != from && v != to && v != tip).then_some((along, v))
    };
    let steps = (length / grid.side_mm).ceil().max(1.0);
    let reach_mm = 0.5 * length / steps + eps_mm;
    let middles = (0..steps as usize).map(|i| a.lerp(b, (i as f64 + 0.5) / steps));
    let mut found: Vec<_> = middles.flat_map(|middle| grid.around(middle, reach_mm)).filter_map(place).collect();
    found.sort_unstable_by(|x, y| x.0.total_cmp(&y.0).then(x.1.cmp(&y.1)));
    found.dedup();
    found.into_iter().map(|(_, v)| v).collect()
}

/// Replaces a triangle by triangles over the given vertices on its sides.
fn insert_on_sides(mesh: &mut TriMesh, t: usize, sides: &[Vec<u32>; 3]) {
    let first = (0..3).find(|k| !sides[*k].is_empty()).unwrap_or(0);
    let [a, b, c] = [0, 1, 2].map(|k| mesh.triangles[t][(first + k) % 3]);
    let [below, right, left] = [0, 1, 2].map(|k| &sides[(first + k) % 3]);
    let line: Vec<u32> = [a].iter().chain(below).chain(&[b]).copied().collect();
    let mut pieces: Vec<[u32; 3]> = line.windows(2).map(|pair| [pair[0], pair[1], c]).collect();
    let mut fan = |apex: u32, from: u32, inner: &[u32], to: u32, replaced: usize| {
        let ring: Vec<u32> = [from].iter().chain(inner).chain(&[to]).copied().collect();
        let mut triangles = ring.windows(2).map(|pair| [apex, pair[0], pair[1]]);
        pieces[replaced] = triangles.next().unwrap_or(pieces[replaced]);
        pieces.extend(triangles);
    };
    let last = line.len() - 2;
    if !left.is_empty() {
        fan(line[1], c, left, a, 0);
    }
    if !right.is_empty() {
        fan(line[last], b, right, c, last);
    }
    mesh.triangles[t] = pieces[0];
    mesh.triangles.extend(&pieces[1..]);
    mesh.origins.extend(vec![mesh.origins[t]; pieces.len() - 1]);
}

/// Merges vertices by pairs `(kept, gone)`; for rims that touch at a point.
#[must_use]
pub fn merge_pairs(mesh: TriMesh, pairs: &[(u32, u32)]) -> TriMesh {
    let mut sets = Sets::new(mesh.positions.len());
    for (a, b) in pairs {
        sets.unite(*a, *b);
    }
    let rename = (0..mesh.positions.len() as u32).map(|v| sets.find(v)).collect();
    rename_vertices(mesh, rename).0
}
