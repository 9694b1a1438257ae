//! Triangles without area in any soup of triangles, before it is oriented or cut: needles lose their short edge, caps have
//! their long edge turned. Nothing is just left out of the middle, for that would open a crack.

use glam::DVec3;
use rayon::prelude::*;
use rustc_hash::{FxHashMap, FxHashSet};

use super::TriMesh;
use super::measure::bounds;
use super::slivers::least_height;
use super::weld::keep_triangles;

/// What became of triangles without area.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Flattened {
    /// Needles whose short edge was collapsed.
    pub collapsed: usize,
    /// Caps whose long edge was turned, or that were taken off a rim.
    pub turned: usize,
    /// Those that could not be changed safely.
    pub left: usize,
}

/// Removes triangles whose least height is below 1e-5 of their longest edge or whose area is below 1e-12 of the squared
/// diagonal (common practice, no source).
///
/// The mesh may have holes, crowded edges and triangles that disagree; no step makes more of these. Vertices move by
/// collapsing only, by less than twice that height.
///
/// # Examples
/// ```
/// use glam::DVec3;
/// use statuary::mesh::{TriMesh, degenerate::flatten_out};
///
/// // A square of two triangles; a third without area lies between them, its tip on their diagonal.
/// let at = |x: f64, y: f64| DVec3::new(x, y, 0.0);
/// let points = vec![at(0.0, 0.0), at(4.0, 0.0), at(4.0, 4.0), at(0.0, 4.0), at(2.0, 2.0)];
/// let mut mesh = TriMesh::from_shape(points, vec![[0, 1, 2], [0, 2, 4], [0, 4, 3], [4, 2, 3]]);
/// let done = flatten_out(&mut mesh);
/// assert_eq!((done.collapsed, done.turned, done.left), (0, 1, 0));
/// assert!(mesh.triangles.len() == 4 && (0..4).all(|t| mesh.area_vector(t).z == 8.0));
/// ```
pub fn flatten_out(mesh: &mut TriMesh) -> Flattened {
    const ROUNDS: usize = 10;
    let (low, high) = bounds(&mesh.positions);
    let doubled_area = 2e-12 * (high - low).length_squared();
    let mut done = Flattened::default();
    for _ in 0..ROUNDS {
        let triangles = 0..mesh.triangles.len() as u32;
        let found: Vec<u32> = triangles.into_par_iter().filter(|t| is_flat(mesh, *t, doubled_area)).collect();
        done.left = found.len();
        if found.is_empty() {
            break;
        }
        let mut round = Round::of(mesh, &found, doubled_area);
        for t in &found {
            round.improve(*t);
        }
        let (collapsed, turned, dead) = (round.collapsed, round.turned, round.dead);
        if collapsed + turned == 0 {
            break;
        }
        done.collapsed += collapsed;
        done.turned += turned;
        if !dead.is_empty() {
            *mesh = keep_triangles(mesh, |t| !dead.contains(&(t as u32)));
        }
    }
    done
}

/// Least height over longest edge of a triangle that has an area.
const THIN: f64 = 1e-5;

/// Least height a triangle of this longest edge must have, mm.
fn height_mm(longest: f64, doubled_area: f64) -> f64 {
    if longest > 0.0 { (THIN * longest).max(doubled_area / longest) } else { f64::INFINITY }
}

fn is_flat(mesh: &TriMesh, t: u32, doubled_area: f64) -> bool {
    let [a, b, c] = mesh.corners(t as usize);
    let longest2 = a.distance_squared(b).max(b.distance_squared(c)).max(c.distance_squared(a));
    let doubled = (b - a).cross(c - a).length();
    doubled < doubled_area || doubled < THIN * longest2
}

/// Changes to places that do not touch one another.
struct Round<'a> {
    mesh: &'a mut TriMesh,
    doubled_area: f64,
    /// Triangles around each corner of a flat triangle, ascending.
    around: FxHashMap<u32, Vec<u32>>,
    /// Vertices whose surroundings have changed in this round.
    locked: FxHashSet<u32>,
    dead: FxHashSet<u32>,
    collapsed: usize,
    turned: usize,
}

impl<'a> Round<'a> {
    fn of(mesh: &'a mut TriMesh, flat: &[u32], doubled_area: f64) -> Self {
        let mut marked = vec![false; mesh.positions.len()];
        flat.iter().flat_map(|t| mesh.triangles[*t as usize]).for_each(|v| marked[v as usize] = true);
        let touches = |t: &u32| mesh.triangles[*t as usize].iter().any(|v| marked[*v as usize]);
        let near: Vec<u32> = (0..mesh.triangles.len() as u32).into_par_iter().filter(touches).collect();
        let mut around: FxHashMap<u32, Vec<u32>> = FxHashMap::default();
        for t in near {
            for v in mesh.triangles[t as usize].iter().filter(|v| marked[**v as usize]) {
                around.entry(*v).or_default().push(t);
            }
        }
        let (locked, dead) = (FxHashSet::default(), FxHashSet::default());
        Self { mesh, doubled_area, around, locked, dead, collapsed: 0, turned: 0 }
    }

    fn improve(&mut self, t: u32) {
        let corners = self.mesh.triangles[t as usize];
        if corners.iter().any(|v| self.locked.contains(v)) {
            return;
        }
        let places = self.mesh.corners(t as usize);
        let length = |k: usize| places[k].distance(places[(k + 1) % 3]);
        let mut sides = [0, 1, 2];
        sides.sort_by(|a, b| length(*a).total_cmp(&length(*b)).then(a.cmp(b)));
        let [short, _, long] = sides;
        let is_needle = length(short) <= 2.0 * height_mm(length(long), self.doubled_area);
        if is_needle && self.collapse(corners[short], corners[(short + 1) % 3]) {
            self.collapsed += 1;
        } else if self.turn(t, [0, 1, 2].map(|k| corners[(long + k) % 3])) {
            self.turned += 1;
        }
    }

    fn around(&self, vertex: u32) -> &[u32] {
        self.around.get(&vertex).map_or(&[], Vec::as_slice)
    }

    /// Edges opposite a vertex in its triangles, lower end first.
    fn link(&self, vertex: u32) -> Vec<(u32, u32)> {
        let opposite = |t: &u32| {
            let triangle = self.mesh.triangles[*t as usize];
            let k = (0..3).find(|k| triangle[*k] == vertex)?;
            let (a, b) = (triangle[(k + 1) % 3], triangle[(k + 2) % 3]);
            Some((a.min(b), a.max(b)))
        };
        self.around(vertex).iter().filter_map(opposite).collect()
    }

    fn lock_around(&mut self, vertex: u32) {
        let ring: Vec<u32> = self.around(vertex).iter().flat_map(|t| self.mesh.triangles[*t as usize]).collect();
        self.locked.extend(ring);
    }

    /// Makes the ends of an edge one, if no edge gets more triangles by it and no triangle turns over: the link condition.
    fn collapse(&mut self, a: u32, b: u32) -> bool {
        let (link_a, link_b) = (self.link(a), self.link(b));
        let apexes: Vec<u32> = link_a.iter().filter_map(|edge| other_end(*edge, b)).collect();
        let (rim_a, rim_b) = (is_rim(&link_a), is_rim(&link_b));
        let may_join = apexes.len() == 1 || apexes.len() == 2 && apexes[0] != apexes[1] && !(rim_a && rim_b);
        let names = |edge: &(u32, u32), v: u32| edge.0 == v || edge.1 == v;
        let drawn_twice = link_a
            .iter()
            .flat_map(|(x, y)| [*x, *y])
            .any(|v| v != b && !apexes.contains(&v) && link_b.iter().any(|edge| names(edge, v)));
        if !may_join || drawn_twice || link_a.iter().any(|edge| link_b.contains(edge)) {
            return false;
        }
        let (kept, gone) = if rim_a == rim_b {
            (a.min(b), a.max(b))
        } else if rim_a {
            (a, b)
        } else {
            (b, a)
        };
        let doomed = |corners: &[u32; 3]| corners.contains(&kept) && corners.contains(&gone);
        let (lost, moved): (Vec<u32>, Vec<u32>) =
            self.around(gone).iter().partition(|t| doomed(&self.mesh.triangles[**t as usize]));
        if moved.iter().any(|t| self.turns_over(*t, gone, kept)) {
            return false;
        }
        self.lock_around(a);
        self.lock_around(b);
        for t in moved {
            let corners = &mut self.mesh.triangles[t as usize];
            *corners = corners.map(|v| if v == gone { kept } else { v });
        }
        self.dead.extend(lost);
        true
    }

    fn turns_over(&self, t: u32, gone: u32, kept: u32) -> bool {
        let corners = self.mesh.triangles[t as usize];
        let cross = |[a, b, c]: [DVec3; 3]| (b - a).cross(c - a);
        let place = |v: u32| self.mesh.positions[v as usize];
        let before = cross(corners.map(place));
        let after = cross(corners.map(|v| place(if v == gone { kept } else { v })));
        !is_flat(self.mesh, t, self.doubled_area) && before.dot(after) <= 0.0
    }

    /// Turns the long edge `a` to `b` of a cap with its tip at `c`; at a rim the cap goes.
    fn turn(&mut self, t: u32, [a, b, c]: [u32; 3]) -> bool {
        let has_both = |s: &&u32| **s != t && self.mesh.triangles[**s as usize].contains(&b);
        let beyond: Vec<u32> = self.around(a).iter().filter(has_both).copied().collect();
        let [other] = beyond[..] else { return beyond.is_empty() && self.take_off(t, c) };
        let old = [t, other].map(|s| self.mesh.triangles[s as usize]);
        let Some(d) = old[1].into_iter().find(|v| *v != a && *v != b) else { return false };
        let is_drawn = self.link(c).iter().any(|edge| edge.0 == d || edge.1 == d);
        if c == d || is_drawn || self.locked.contains(&d) {
            return false;
        }
        let runs_on = (0..3).any(|k| old[1][k] == b && old[1][(k + 1) % 3] == a);
        let out = self.mesh.area_vector(other as usize) * if runs_on { 1.0 } else { -1.0 };
        let height = |mesh: &TriMesh| least_height(mesh, t).min(least_height(mesh, other));
        let before = height(self.mesh);
        (self.mesh.triangles[t as usize], self.mesh.triangles[other as usize]) = ([a, d, c], [d, b, c]);
        let stands = [t, other].iter().all(|s| self.mesh.area_vector(*s as usize).dot(out) > 0.0);
        if !stands || height(self.mesh) <= before {
            (self.mesh.triangles[t as usize], self.mesh.triangles[other as usize]) = (old[0], old[1]);
            return false;
        }
        self.locked.extend([a, b, c, d]);
        true
    }

    /// Takes a cap off a rim, so that its tip lies on the rim; not if that tip lies on one already.
    fn take_off(&mut self, t: u32, tip: u32) -> bool {
        if is_rim(&self.link(tip)) {
            return false;
        }
        self.locked.extend(self.mesh.triangles[t as usize]);
        self.dead.insert(t);
        true
    }
}

fn other_end((x, y): (u32, u32), v: u32) -> Option<u32> {
    if x == v { Some(y) } else { (y == v).then_some(x) }
}

/// Whether a vertex with this link has an open edge.
fn is_rim(link: &[(u32, u32)]) -> bool {
    let uses = |v: u32| link.iter().filter(|edge| edge.0 == v || edge.1 == v).count();
    link.iter().any(|(x, y)| uses(*x) == 1 || uses(*y) == 1)
}
