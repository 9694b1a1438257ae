//! Membranes: films of long triangles that surface reconstruction spans where it saw nothing, between arm and trunk or
//! between the legs. They are found by where they lead: the way round over the rest of the surface is long.

use std::cmp::Reverse;
use std::collections::BinaryHeap;

use glam::{DMat3, DVec3};
use rayon::prelude::*;
use rustc_hash::{FxHashMap, FxHashSet};

use super::TriMesh;
use super::fans::Fans;
use super::measure::bounds;
use super::slivers::least_height;
use super::spikes::{median_edge_mm, stretched};
use super::topology::{Edges, NONE, Sets};

/// A membrane.
#[derive(Clone, Debug, PartialEq)]
pub struct Bridge {
    /// Its triangles, ascending.
    pub triangles: Vec<u32>,
    /// Mean of its corners, mm.
    pub centre: DVec3,
    pub area_mm2: f64,
}

/// Long edges, in median edges of the mesh; and triangles this much longer than high are thin (common practice, no source).
const LONG: f64 = 8.0;
const THIN: f64 = 8.0;

/// Finds membranes, by lowest triangle.
///
/// Triangles with an edge longer than 8 times the median edge that hang together are a membrane if most of them are thin,
/// they lie in one sheet, or in two back to back, and the way over the other triangles from one end of their long edges to
/// the other is more than 2.5 times as long as these. A level film at the very bottom closes the soles and is none. A mesh
/// with more than a hundredth of such triangles, or a twentieth of its area, is not a dense scan and has none (common
/// practice, no source).
///
/// # Examples
/// ```
/// use glam::DVec3;
/// use statuary::mesh::topology::Edges;
/// use statuary::mesh::{TriMesh, bridges::find_bridges};
///
/// // A sheet of 40 x 320 squares, folded into two walls 20 apart, and a film of ten strips across their far edges.
/// let fold = |x: f64| match x {
///     x if x < 150.0 => DVec3::new(0.0, 0.0, 150.0 - x),
///     x if x < 170.0 => DVec3::new(x - 150.0, 0.0, 0.0),
///     x => DVec3::new(20.0, 0.0, x - 170.0),
/// };
/// let points = (0..41 * 321).map(|i| fold(f64::from(i % 321)) + DVec3::Y * f64::from(i / 321)).collect();
/// let squares = (0..40 * 321_u32).filter(|i| i % 321 < 320);
/// let mut faces: Vec<[u32; 3]> = squares.flat_map(|i| [[i, i + 1, i + 322], [i, i + 322, i + 321]]).collect();
/// let plain = faces.len() as u32;
/// for a in (15..25).map(|row| 321 * row) {
///     faces.extend([[a + 320, a, a + 321], [a + 320, a + 321, a + 641]]);
/// }
/// let mesh = TriMesh::from_shape(points, faces);
/// let found = find_bridges(&mesh, &Edges::of(&mesh.triangles, mesh.positions.len()));
/// assert_eq!((found.len(), found[0].area_mm2), (1, 200.0));
/// assert_eq!(found[0].triangles, (plain..plain + 20).collect::<Vec<u32>>());
/// ```
#[must_use]
pub fn find_bridges(mesh: &TriMesh, edges: &Edges) -> Vec<Bridge> {
    const DENSE: f64 = 0.01;
    const AREA: f64 = 0.05;
    let median = median_edge_mm(mesh);
    let long = stretched(mesh, LONG * median);
    if long.is_empty() || long.len() as f64 > DENSE * mesh.triangles.len() as f64 {
        return Vec::new();
    }
    let doubled: f64 = long.iter().map(|t| mesh.area_vector(*t as usize).length()).sum();
    let all_mm2 = super::measure::area_mm2(mesh);
    if 0.5 * doubled > AREA * all_mm2 {
        return Vec::new();
    }
    let (low, high) = bounds(&mesh.positions);
    let rest = Rest { mesh, fans: Fans::of(mesh), barred: long.iter().copied().collect() };
    let is_membrane = |patch: &Vec<u32>| {
        let sheet = Sheet::of(mesh, patch);
        let closes_soles = sheet.axis.z.abs() > 0.9 && sheet.centre.z < low.z + 0.03 * (high.z - low.z);
        is_mostly_thin(mesh, patch) && sheet.is_flat(median) && !closes_soles && rest.is_far_round(patch)
    };
    patches(edges, &long).into_iter().filter(is_membrane).map(|patch| bridge(mesh, patch)).collect()
}

fn bridge(mesh: &TriMesh, triangles: Vec<u32>) -> Bridge {
    let Sheet { centre, doubled_area, .. } = Sheet::of(mesh, &triangles);
    Bridge { triangles, centre, area_mm2: 0.5 * doubled_area }
}

/// Groups of the given triangles that hang together by edges, by lowest triangle, each ascending.
fn patches(edges: &Edges, some: &[u32]) -> Vec<Vec<u32>> {
    let slots: FxHashMap<u32, u32> = some.iter().copied().zip(0..).collect();
    let mut sets = Sets::new(some.len());
    let mut unite = |a: u32, b: u32| {
        if let (Some(a), Some(b)) = (slots.get(&(a / 3)), slots.get(&(b / 3))) {
            sets.unite(*a, *b);
        }
    };
    for half in some.iter().flat_map(|t| 3 * t..3 * t + 3) {
        let mate = edges.mates[half as usize];
        if mate != NONE {
            unite(half, mate);
        }
    }
    for group in &edges.crowded {
        let long: Vec<u32> = group.iter().copied().filter(|half| slots.contains_key(&(half / 3))).collect();
        long.windows(2).for_each(|pair| unite(pair[0], pair[1]));
    }
    let mut found: Vec<Vec<u32>> = Vec::new();
    let mut place: FxHashMap<u32, usize> = FxHashMap::default();
    for (slot, t) in (0_u32..).zip(some) {
        let at = *place.entry(sets.find(slot)).or_insert_with(|| {
            found.push(Vec::new());
            found.len() - 1
        });
        found[at].push(*t);
    }
    found
}

fn longest_edge(mesh: &TriMesh, t: u32) -> (u32, u32, f64) {
    let [a, b, c] = mesh.triangles[t as usize];
    let length = |(v, w): (u32, u32)| mesh.positions[v as usize].distance(mesh.positions[w as usize]);
    let longer = |x: (u32, u32), y: (u32, u32)| if length(y) > length(x) { y } else { x };
    let (v, w) = longer(longer((a, b), (b, c)), (c, a));
    (v, w, length((v, w)))
}

fn is_mostly_thin(mesh: &TriMesh, patch: &[u32]) -> bool {
    let is_thin = |t: &&u32| longest_edge(mesh, **t).2 >= THIN * least_height(mesh, **t);
    2 * patch.iter().filter(is_thin).count() > patch.len()
}

/// How a patch lies.
struct Sheet {
    centre: DVec3,
    doubled_area: f64,
    /// Length of the sum of the area vectors: as much as the doubled area if all face one way.
    one_way: f64,
    /// Direction most of its triangles face or turn their back to.
    axis: DVec3,
    /// Share of the area that does so, by the square of the cosine.
    level: f64,
    /// Standard deviation of its corners along the axis, mm.
    depth_mm: f64,
}

impl Sheet {
    fn of(mesh: &TriMesh, patch: &[u32]) -> Self {
        let out = |t: &u32| mesh.area_vector(*t as usize);
        let corners = || patch.iter().flat_map(|t| mesh.corners(*t as usize));
        let count = 3.0 * patch.len() as f64;
        let centre = corners().sum::<DVec3>() / count;
        let doubled_area: f64 = patch.iter().map(|t| out(t).length()).sum();
        let one_way = patch.iter().map(out).sum::<DVec3>().length();
        let spread = patch.iter().map(out).fold(DMat3::ZERO, |sum, n| {
            let unit = n.normalize_or_zero();
            sum + DMat3::from_cols(n * unit.x, n * unit.y, n * unit.z)
        });
        let first = patch.iter().map(out).fold(DVec3::ZERO, |a, b| if b.length() > a.length() { b } else { a });
        // Power iteration for the largest eigenvalue.
        let axis = (0..30).fold(first.normalize_or_zero(), |axis, _| (spread * axis).normalize_or_zero());
        let level = axis.dot(spread * axis) / doubled_area.max(f64::MIN_POSITIVE);
        let depth_mm = (corners().map(|p| (p - centre).dot(axis).powi(2)).sum::<f64>() / count).sqrt();
        Self { centre, doubled_area, one_way, axis, level, depth_mm }
    }

    /// Whether it is one sheet, or two with less than an edge between: a rod is neither.
    fn is_flat(&self, median: f64) -> bool {
        const ONE_WAY: f64 = 0.7;
        const LEVEL: f64 = 0.8;
        self.one_way > ONE_WAY * self.doubled_area || self.level > LEVEL && self.depth_mm < median
    }
}

/// The surface without its long triangles.
struct Rest<'a> {
    mesh: &'a TriMesh,
    fans: Fans,
    barred: FxHashSet<u32>,
}

impl Rest<'_> {
    /// Whether for most of some triangles the way round is far from one end of the longest edge to the other.
    fn is_far_round(&self, patch: &[u32]) -> bool {
        const PROBES: usize = 9;
        const FAR: f64 = 2.5;
        let probes: Vec<u32> = (0..PROBES).map(|i| patch[(2 * i + 1) * patch.len() / (2 * PROBES)]).collect();
        let is_far = |t: &u32| {
            let (from, to, length) = longest_edge(self.mesh, *t);
            self.is_farther(from, to, FAR * length)
        };
        let answers: Vec<Option<bool>> = probes.par_iter().map(is_far).collect();
        let count = |wanted: bool| answers.iter().filter(|a| **a == Some(wanted)).count();
        count(true) > count(false)
    }

    /// Whether the way from one vertex to another is longer than `most_mm`: a best-first search that gives up there. `None`
    /// when either is not on the rest, or when that takes too long to find out.
    fn is_farther(&self, from: u32, to: u32, most_mm: f64) -> Option<bool> {
        const VISITS: usize = 200_000;
        let is_on = |v: u32| self.fans.around(v).iter().any(|t| !self.barred.contains(t));
        if !is_on(from) || !is_on(to) {
            return None;
        }
        let place = |v: u32| self.mesh.positions[v as usize];
        let goal = place(to);
        // Lengths are not negative, so their bits are in their order.
        let mut open = BinaryHeap::from([Reverse((0_u64, from, 0_u64))]);
        let mut done: FxHashSet<u32> = FxHashSet::default();
        while let Some(Reverse((_, v, bits))) = open.pop() {
            if v == to {
                return Some(false);
            }
            if !done.insert(v) {
                continue;
            }
            if done.len() > VISITS {
                return None;
            }
            let way = f64::from_bits(bits);
            let around = self.fans.around(v).iter().filter(|t| !self.barred.contains(t));
            for w in around.flat_map(|t| self.mesh.triangles[*t as usize]).filter(|w| !done.contains(w)) {
                let there = way + place(v).distance(place(w));
                let at_least = there + place(w).distance(goal);
                if at_least <= most_mm {
                    open.push(Reverse((at_least.to_bits(), w, there.to_bits())));
                }
            }
        }
        Some(true)
    }
}
