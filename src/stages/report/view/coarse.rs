//! Parts made coarser for the screen: edges of all parts are collapsed up to one error that grows until all of them keep
//! to one budget (Garland, Heckbert 1997), so that every part is as fine as the next and a face finer than a back.
//!
//! Borders between classes of triangles stay where they are: planes across them count like surface (Garland, Heckbert 1997,
//! section 6). Unlike [`crate::mesh::decimate`] this may end in a surface that crosses itself; nobody prints it.

use glam::DVec3;
use rayon::prelude::*;

use crate::colour::spaces::oklab_of_linear;
use crate::mesh::TriMesh;
use crate::mesh::decimate::quadric::Quadric;
use crate::mesh::fans::Fans;
use crate::mesh::topology::{Edges, NONE, ends};

/// Error of the first pass as a share of the figure's size, its growth from pass to pass, and the share at which all ends.
const FIRST_SHARE: f64 = 1e-5;
const GROWTH: f64 = 1.5;
const LAST_SHARE: f64 = 0.02;
/// How far aside a colour may move where it changes by 1 in `OKLab` over an edge, as a share of the edge.
const COLOUR_COUNTS: f64 = 0.35;
/// Weight of a plane across a border, times the squared edge.
const BORDER_COUNTS: f64 = 1.0;
/// Cosine of the angle a triangle may turn by.
const TURN_COS: f64 = 0.4;
/// Twice the area over the squared longest edge below which a triangle is a sliver.
const SLIVER: f64 = 0.08;

/// What is shown of one part: vertices with colours (linear light), triangles with classes.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Shown {
    pub positions: Vec<DVec3>,
    pub colours: Vec<[f32; 3]>,
    pub triangles: Vec<[u32; 3]>,
    pub classes: Vec<u16>,
}

/// Makes parts coarser until they have no more than `budget` triangles together, or until nothing more can be given up.
/// `size_mm` is the size of the figure; `classes` has a class for each triangle of each mesh. Triangles that name missing
/// or endless vertices are left out.
#[must_use]
pub fn coarsen(meshes: &[&TriMesh], classes: Vec<Vec<u16>>, budget: usize, size_mm: f64) -> Vec<Shown> {
    let pairs: Vec<_> = meshes.iter().copied().zip(classes).collect();
    let mut parts: Vec<Coarse> = pairs.into_par_iter().map(|(mesh, classes)| Coarse::of(mesh, classes)).collect();
    let (mut error, last) = (FIRST_SHARE * size_mm, LAST_SHARE * size_mm);
    while parts.iter().map(|part| part.triangles.len()).sum::<usize>() > budget && error <= last {
        parts.par_iter_mut().for_each(|part| part.pass(error * error));
        error *= GROWTH;
    }
    parts.into_par_iter().map(Coarse::shown).collect()
}

/// A vertex on its way.
#[derive(Clone, Copy, Debug)]
struct Vertex {
    place: DVec3,
    /// About its place; weights are areas.
    quadric: Quadric,
    area: f64,
    colour: [f32; 3],
    look: [f32; 3],
    is_locked: bool,
}

#[derive(Debug)]
struct Coarse {
    vertices: Vec<Vertex>,
    triangles: Vec<[u32; 3]>,
    classes: Vec<u16>,
}

/// Where an edge goes when it is collapsed, and what that costs, mm2.
struct Merge {
    place: DVec3,
    cost: f64,
}

impl Coarse {
    fn of(mesh: &TriMesh, classes: Vec<u16>) -> Self {
        let is_there = |v: &u32| mesh.positions.get(*v as usize).is_some_and(|p| p.is_finite());
        let both = mesh.triangles.iter().copied().zip(classes);
        let (triangles, classes) = both.filter(|(t, _)| t.iter().all(is_there)).unzip();
        let fresh = |(place, colour): (&DVec3, &[f32; 3])| Vertex {
            place: *place,
            quadric: Quadric::default(),
            area: 0.0,
            colour: *colour,
            look: oklab_of_linear(*colour).map(|x| x as f32),
            is_locked: false,
        };
        let vertices = mesh.positions.par_iter().zip(&mesh.colours).map(fresh).collect();
        let mut coarse = Self { vertices, triangles, classes };
        coarse.weigh();
        coarse
    }

    /// Gives each vertex the planes of its triangles and of borders, and locks what lies on a rim.
    fn weigh(&mut self) {
        let edges = Edges::of(&self.triangles, self.vertices.len());
        for t in 0..self.triangles.len() {
            let triangle = self.triangles[t];
            let [p, q, r] = triangle.map(|v| self.vertices[v as usize].place);
            let out = (q - p).cross(r - p);
            let (normal, share) = (out.normalize_or_zero(), out.length() / 6.0);
            // The plane goes through the vertex, which is the centre of its quadric.
            for v in triangle {
                let vertex = &mut self.vertices[v as usize];
                vertex.quadric = vertex.quadric + Quadric::of_plane(normal, 0.0, share);
                vertex.area += share;
            }
            for half in 3 * t as u32..3 * t as u32 + 3 {
                self.weigh_edge(half, edges.mates[half as usize], normal);
            }
        }
    }

    fn weigh_edge(&mut self, half: u32, mate: u32, normal: DVec3) {
        let (a, b) = ends(&self.triangles, half);
        if mate == NONE {
            for v in [a, b] {
                self.vertices[v as usize].is_locked = true;
            }
        } else if self.classes[half as usize / 3] != self.classes[mate as usize / 3] {
            let along = self.vertices[b as usize].place - self.vertices[a as usize].place;
            let across = along.cross(normal).normalize_or_zero();
            let plane = Quadric::of_plane(across, 0.0, BORDER_COUNTS * along.length_squared());
            for v in [a, b] {
                let vertex = &mut self.vertices[v as usize];
                vertex.quadric = vertex.quadric + plane;
            }
        }
    }

    /// Collapses edges that cost at most `cost_max`, the cheapest first, none beside another.
    fn pass(&mut self, cost_max: f64) {
        let offer = |half: u32| {
            let (a, b) = ends(&self.triangles, half);
            let cost = if a < b { self.merge(a, b)?.cost } else { return None };
            (cost <= cost_max).then_some((cost as f32, half))
        };
        let mut offers: Vec<(f32, u32)> =
            (0..3 * self.triangles.len() as u32).into_par_iter().with_min_len(1 << 12).filter_map(offer).collect();
        offers.par_sort_unstable_by(|x, y| x.0.total_cmp(&y.0).then(x.1.cmp(&y.1)));
        let fans = Fans::of_triangles(&self.triangles, self.vertices.len());
        let mut changed = vec![false; self.triangles.len()];
        let mut gone = vec![false; self.triangles.len()];
        for (_, half) in offers {
            let (a, b) = ends(&self.triangles, half);
            let around = || fans.around(a).iter().chain(fans.around(b)).map(|t| *t as usize);
            if around().any(|t| changed[t]) || !self.is_linked(&fans, a, b) {
                continue;
            }
            let Some(merge) = self.merge(a, b).filter(|merge| self.keeps_its_side(&fans, [a, b], merge.place)) else {
                continue;
            };
            self.vertices[a as usize] = self.merged(a, b, merge.place);
            for t in around() {
                changed[t] = true;
                let triangle = &mut self.triangles[t];
                gone[t] |= triangle.contains(&a) && triangle.contains(&b);
                triangle.iter_mut().filter(|v| **v == b).for_each(|v| *v = a);
            }
        }
        let mut is_left = gone.iter().map(|gone| !gone);
        self.triangles.retain(|_| is_left.next().unwrap_or(true));
        let mut is_left = gone.iter().map(|gone| !gone);
        self.classes.retain(|_| is_left.next().unwrap_or(true));
    }

    /// The collapse of an edge; `None` when both its ends are locked.
    fn merge(&self, a: u32, b: u32) -> Option<Merge> {
        let ends = [&self.vertices[a as usize], &self.vertices[b as usize]];
        let [a, b] = ends;
        let middle = 0.5 * (a.place + b.place);
        let quadric = a.quadric.moved(middle - a.place) + b.quadric.moved(middle - b.place);
        let length = a.place.distance(b.place);
        let place = match (a.is_locked, b.is_locked) {
            (true, true) => return None,
            (true, false) => a.place,
            (false, true) => b.place,
            (false, false) => match quadric.optimum() {
                Some(step) if step.length() <= length => middle + step,
                _ => [a.place, b.place].into_iter().fold(middle, |best, end| {
                    if quadric.at(end - middle) < quadric.at(best - middle) { end } else { best }
                }),
            },
        };
        let error = quadric.at(place - middle) / (a.area + b.area).max(f64::MIN_POSITIVE);
        let step: f32 = (0..3).map(|i| (a.look[i] - b.look[i]).powi(2)).sum();
        let aside = COLOUR_COUNTS * length;
        Some(Merge { place, cost: error + f64::from(step) * aside * aside })
    }

    fn merged(&self, a: u32, b: u32, place: DVec3) -> Vertex {
        let [a, b] = [&self.vertices[a as usize], &self.vertices[b as usize]];
        let area = a.area + b.area;
        let share = if area > 0.0 { (b.area / area) as f32 } else { 0.5 };
        let mean = |x: [f32; 3], y: [f32; 3]| std::array::from_fn(|i| x[i] + share * (y[i] - x[i]));
        Vertex {
            place,
            quadric: a.quadric.moved(place - a.place) + b.quadric.moved(place - b.place),
            area,
            colour: mean(a.colour, b.colour),
            look: mean(a.look, b.look),
            is_locked: a.is_locked || b.is_locked,
        }
    }

    /// Link condition (Dey et al. 1999): the ends have no neighbours in common but the tips of the two triangles between.
    fn is_linked(&self, fans: &Fans, a: u32, b: u32) -> bool {
        let corners = |t: &u32| self.triangles[*t as usize];
        let has = |t: &u32, v: u32| corners(t).contains(&v);
        let between = || fans.around(a).iter().filter(|t| has(t, b));
        let is_tip = |v: u32| between().any(|t| has(t, v));
        let near = || fans.around(a).iter().flat_map(corners).filter(|v| *v != a && *v != b);
        between().count() == 2
            && fans.around(a).len() + fans.around(b).len() > 6
            && near().all(|v| is_tip(v) || !fans.around(b).iter().any(|t| has(t, v)))
    }

    /// Whether no triangle around the ends turns away or gets flat when both go to `place`.
    fn keeps_its_side(&self, fans: &Fans, [a, b]: [u32; 2], place: DVec3) -> bool {
        let keeps = |t: &u32| {
            let triangle = self.triangles[*t as usize];
            if triangle.contains(&a) && triangle.contains(&b) {
                return true;
            }
            let was = triangle.map(|v| self.vertices[v as usize].place);
            let will: [DVec3; 3] =
                std::array::from_fn(|k| if triangle[k] == a || triangle[k] == b { place } else { was[k] });
            let area = |[p, q, r]: [DVec3; 3]| (q - p).cross(r - p);
            let longest =
                |[p, q, r]: [DVec3; 3]| p.distance_squared(q).max(q.distance_squared(r)).max(r.distance_squared(p));
            let (before, after) = (area(was), area(will));
            let thin = after.length() < SLIVER * longest(will);
            let thinner = after.length() * longest(was) < before.length() * longest(will);
            before.dot(after) >= TURN_COS * before.length() * after.length() && !(thin && thinner)
        };
        fans.around(a).iter().chain(fans.around(b)).all(keeps)
    }

    fn shown(self) -> Shown {
        Shown {
            positions: self.vertices.iter().map(|vertex| vertex.place).collect(),
            colours: self.vertices.iter().map(|vertex| vertex.colour).collect(),
            triangles: self.triangles,
            classes: self.classes,
        }
    }
}

#[cfg(test)]
mod tests {
    use std::collections::BTreeSet;

    use super::*;

    /// Radii of the ring and of its tube, mm.
    const RING_MM: [f64; 2] = [30.0, 10.0];

    /// A ring of `n` times `n` squares that lies in the plane z = 0, and a class for its upper and lower half.
    fn ring(n: u32) -> (TriMesh, Vec<u16>) {
        let turn = |i: u32| std::f64::consts::TAU * f64::from(i) / f64::from(n);
        let place = |i: u32| {
            let ((s, c), (up, out)) = (turn(i / n).sin_cos(), turn(i % n).sin_cos());
            let from_axis = RING_MM[0] + RING_MM[1] * out;
            DVec3::new(c * from_axis, s * from_axis, RING_MM[1] * up)
        };
        let at = |i: u32, j: u32| i % n * n + j % n;
        let square = |k: u32| {
            let [i, j] = [k / n, k % n];
            [[at(i, j), at(i + 1, j), at(i + 1, j + 1)], [at(i, j), at(i + 1, j + 1), at(i, j + 1)]]
        };
        let mesh = TriMesh::from_shape((0..n * n).map(place).collect(), (0..n * n).flat_map(square).collect());
        let classes = mesh.triangles.iter().map(|t| u16::from(t[0] % n < n / 2)).collect();
        (mesh, classes)
    }

    fn from_ring(p: DVec3) -> f64 {
        ((p.truncate().length() - RING_MM[0]).hypot(p.z) - RING_MM[1]).abs()
    }

    #[test]
    fn the_budget_is_held_and_surface_and_borders_stay() {
        let (mesh, classes) = ring(200);
        for budget in [40_000, 8_000] {
            let shown = &coarsen(&[&mesh], vec![classes.clone()], budget, 80.0)[0];
            assert!(shown.triangles.len() <= budget && shown.triangles.len() > budget / 3, "{}", shown.triangles.len());
            assert_eq!(shown.triangles.len(), shown.classes.len());
            let edges = Edges::of(&shown.triangles, shown.positions.len());
            for (t, triangle) in shown.triangles.iter().enumerate() {
                let corners = triangle.map(|v| shown.positions[v as usize]);
                assert!(corners.iter().all(|p| from_ring(*p) < 0.1), "{corners:?}");
                // A border runs along z = 0, and each class stays on its side of it.
                let side = if shown.classes[t] == 1 { 1.0 } else { -1.0 };
                assert!(corners.iter().all(|p| p.z * side > -0.1), "{corners:?}");
                for half in 3 * t as u32..3 * t as u32 + 3 {
                    let mate = edges.mates[half as usize];
                    assert_ne!(mate, NONE, "a hole or a fold");
                    let (a, _) = ends(&shown.triangles, half);
                    let is_border = shown.classes[t] != shown.classes[mate as usize / 3];
                    assert!(!is_border || shown.positions[a as usize].z.abs() < 0.1);
                }
            }
        }
    }

    #[test]
    fn within_the_budget_nothing_changes() {
        let (mesh, classes) = ring(20);
        let shown = &coarsen(&[&mesh], vec![classes.clone()], 800, 80.0)[0];
        assert_eq!((&shown.triangles, &shown.positions, &shown.classes), (&mesh.triangles, &mesh.positions, &classes));
    }

    #[test]
    fn rims_stay_and_what_names_no_vertex_is_left_out() {
        let (mut mesh, _) = ring(60);
        mesh.triangles.truncate(3600);
        let rim: BTreeSet<u32> = {
            let edges = Edges::of(&mesh.triangles, mesh.positions.len());
            let open = (0..3 * 3600_u32).filter(|half| edges.mates[*half as usize] == NONE);
            open.map(|half| ends(&mesh.triangles, half).0).collect()
        };
        mesh.triangles.push([0, 1, 99_999]);
        mesh.positions.push(DVec3::NAN);
        mesh.colours.push([0.0; 3]);
        mesh.triangles.push([0, 1, 3600]);
        let classes = vec![7; mesh.triangles.len()];
        let shown = &coarsen(&[&mesh], vec![classes], 1200, 80.0)[0];
        assert!(shown.triangles.len() <= 1200);
        let used: Vec<DVec3> = shown.triangles.iter().flatten().map(|v| shown.positions[*v as usize]).collect();
        assert_eq!(rim.len(), 120);
        assert!(rim.iter().all(|v| used.contains(&mesh.positions[*v as usize])));
    }

    #[test]
    fn any_number_of_threads_gives_the_same() {
        let (mesh, classes) = ring(120);
        let on = |threads: usize| {
            let pool = rayon::ThreadPoolBuilder::new().num_threads(threads).build().unwrap();
            pool.install(|| coarsen(&[&mesh, &mesh], vec![classes.clone(), classes.clone()], 9000, 80.0))
        };
        let one = on(1);
        assert_eq!(one[0], one[1]);
        assert_eq!(one, on(2));
    }
}
