//! Splits triangles where borders between labels of vertices cross them, so that borders run as lines over the surface instead
//! of along edges (as marching triangles do: Hilton et al. 1996 for one field, here for several labels that meet).

use glam::DVec3;
use rustc_hash::FxHashMap;

use super::TriMesh;
use crate::units::snap_mm;

/// A mesh whose outside triangles have one label each.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Drawn {
    pub mesh: TriMesh,
    /// Label of each triangle; that of its first vertex for triangles inside.
    pub labels: Vec<u8>,
    /// Triangle of the mesh each triangle is a piece of.
    pub source: Vec<u32>,
}

/// Splits the outside triangles of a mesh along the borders between the labels of its vertices.
///
/// `share(i, j)` tells, for `i < j` with unlike labels, where the border crosses the edge from `i` to `j`: 0 to 1, where 0 and 1
/// are at the vertices themselves. It must be 0 or 1 on edges at which outside and inside meet. New vertices lie on the
/// lattice, with colours between those of the edge's ends; a closed mesh stays closed.
#[must_use]
pub fn draw_borders(mesh: &TriMesh, labels: &[u8], share: impl Fn(u32, u32) -> f64) -> Drawn {
    let mut drawing = Drawing { mesh, labels, share, crossings: FxHashMap::default(), drawn: Drawn::default() };
    drawing.drawn.mesh.positions.clone_from(&mesh.positions);
    drawing.drawn.mesh.colours.clone_from(&mesh.colours);
    for (t, triangle) in mesh.triangles.iter().enumerate() {
        let [a, b, c] = triangle.map(|v| labels[v as usize]);
        if (a == b && b == c) || !mesh.origins[t].is_outside() {
            drawing.push(t, *triangle, a);
        } else if a == b || b == c || c == a {
            // The corner with a label of its own comes last.
            let last = lone_corner([a, b, c]);
            drawing.part_in_two(t, [1, 2, 0].map(|i| triangle[(last + i) % 3]));
        } else {
            drawing.part_in_three(t, *triangle);
        }
    }
    drawing.drawn
}

/// The corner whose label the other two do not share, given that these are alike.
#[must_use]
pub fn lone_corner([a, b, c]: [u8; 3]) -> usize {
    match () {
        () if a == b => 2,
        () if b == c => 0,
        () => 1,
    }
}

struct Drawing<'a, F> {
    mesh: &'a TriMesh,
    labels: &'a [u8],
    share: F,
    /// Vertex where a border crosses each edge, by its ends, lower first.
    crossings: FxHashMap<(u32, u32), u32>,
    drawn: Drawn,
}

impl<F: Fn(u32, u32) -> f64> Drawing<'_, F> {
    fn push(&mut self, source: usize, triangle: [u32; 3], label: u8) {
        self.drawn.mesh.triangles.push(triangle);
        self.drawn.mesh.origins.push(self.mesh.origins[source]);
        self.drawn.labels.push(label);
        self.drawn.source.push(source as u32);
    }

    fn add_vertex(&mut self, place: DVec3, colour: [f32; 3]) -> u32 {
        let mesh = &mut self.drawn.mesh;
        mesh.positions.push(place.map(snap_mm));
        mesh.colours.push(colour);
        mesh.positions.len() as u32 - 1
    }

    /// The vertex where the border crosses an edge; one for both triangles at it.
    fn crossing(&mut self, i: u32, j: u32) -> u32 {
        let ends = (i.min(j), i.max(j));
        if let Some(vertex) = self.crossings.get(&ends) {
            return *vertex;
        }
        let share = (self.share)(ends.0, ends.1);
        let vertex = if share <= 0.0 {
            ends.0
        } else if share >= 1.0 {
            ends.1
        } else {
            let [p, q] = [ends.0, ends.1].map(|v| v as usize);
            let place = self.mesh.positions[p].lerp(self.mesh.positions[q], share);
            let (from, to) = (self.mesh.colours[p], self.mesh.colours[q]);
            self.add_vertex(place, [0, 1, 2].map(|c| from[c] + share as f32 * (to[c] - from[c])))
        };
        self.crossings.insert(ends, vertex);
        vertex
    }

    /// A triangle whose corners `a` and `b` are of one label and `c` of another.
    fn part_in_two(&mut self, t: usize, [a, b, c]: [u32; 3]) {
        let [bc, ca] = [self.crossing(b, c), self.crossing(c, a)];
        let [label, other] = [a, c].map(|v| self.labels[v as usize]);
        self.fill(t, &[a, b, bc, ca], label);
        self.fill(t, &[bc, c, ca], other);
    }

    /// A triangle in which three labels meet.
    fn part_in_three(&mut self, t: usize, [a, b, c]: [u32; 3]) {
        let rim = [self.crossing(a, b), self.crossing(b, c), self.crossing(c, a)];
        // Where borders run through corners, the mean of the crossings might lie on an edge.
        let around = if rim.iter().any(|v| [a, b, c].contains(v)) { [a, b, c] } else { rim };
        let mean = |of: &dyn Fn(usize) -> DVec3| around.iter().map(|v| of(*v as usize)).sum::<DVec3>() / 3.0;
        let place = mean(&|v| self.drawn.mesh.positions[v]);
        let colour = mean(&|v| DVec3::from_array(self.drawn.mesh.colours[v].map(f64::from)));
        let middle = self.add_vertex(place, colour.to_array().map(|x| x as f32));
        let [ab, bc, ca] = rim;
        for (corner, next, before) in [(a, ab, ca), (b, bc, ab), (c, ca, bc)] {
            self.fill(t, &[corner, next, middle, before], self.labels[corner as usize]);
        }
    }

    /// Fills an outline of up to four corners in the plane of a triangle, which may repeat or lie in line.
    fn fill(&mut self, t: usize, outline: &[u32], label: u8) {
        let mut corners: Vec<u32> = Vec::with_capacity(4);
        for v in outline {
            if corners.last() != Some(v) && corners.first() != Some(v) {
                corners.push(*v);
            }
        }
        if corners.len() < 3 {
            return;
        }
        // Of the fans over an outline the one whose smallest triangle is largest: none is then in line if that can be.
        let count = corners.len();
        let fan = |apex: usize| (1..count - 1).map(move |i| [apex, (apex + i) % count, (apex + i + 1) % count]);
        let normal = self.mesh.area_vector(t).normalize_or_zero();
        let height = |corners: &[u32], [a, b, c]: [usize; 3]| {
            let [p, q, r] = [a, b, c].map(|i| self.drawn.mesh.positions[corners[i] as usize]);
            (q - p).cross(r - p).dot(normal)
        };
        let least = |apex: usize| fan(apex).map(|triangle| height(&corners, triangle)).fold(f64::INFINITY, f64::min);
        let apex = (0..count).max_by(|x, y| least(*x).total_cmp(&least(*y)).then(y.cmp(x))).unwrap_or(0);
        for triangle in fan(apex) {
            self.push(t, triangle.map(|i| corners[i]), label);
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::mesh::inspect::inspect;
    use crate::mesh::{Origin, measure};

    /// A sphere of 20 mm, by subdividing an octahedron.
    fn sphere(times: usize) -> TriMesh {
        let corners = [DVec3::X, -DVec3::X, DVec3::Y, -DVec3::Y, DVec3::Z, -DVec3::Z];
        let faces = vec![[0, 2, 4], [2, 1, 4], [1, 3, 4], [3, 0, 4], [2, 0, 5], [1, 2, 5], [3, 1, 5], [0, 3, 5]];
        let mut mesh = TriMesh::from_shape(corners.to_vec(), faces);
        for _ in 0..times {
            let mut middles = FxHashMap::default();
            let mut triangles = Vec::new();
            for [a, b, c] in mesh.triangles.clone() {
                let [ab, bc, ca] = [(a, b), (b, c), (c, a)].map(|(i, j)| {
                    *middles.entry((i.min(j), i.max(j))).or_insert_with(|| {
                        mesh.positions.push(mesh.positions[i as usize] + mesh.positions[j as usize]);
                        mesh.positions.len() as u32 - 1
                    })
                });
                triangles.extend([[a, ab, ca], [ab, b, bc], [ca, bc, c], [ab, bc, ca]]);
            }
            mesh = TriMesh::from_shape(mesh.positions.iter().map(|p| p.normalize()).collect(), triangles);
        }
        let placed = mesh.positions.iter().map(|p| (20.0 * *p).map(snap_mm)).collect();
        TriMesh::from_shape(placed, mesh.triangles)
    }

    /// Length of the borders between labels, mm.
    fn border_mm(drawn: &Drawn) -> f64 {
        let mut sides: FxHashMap<(u32, u32), Vec<u8>> = FxHashMap::default();
        for ([a, b, c], label) in drawn.mesh.triangles.iter().zip(&drawn.labels) {
            for (i, j) in [(a, b), (b, c), (c, a)] {
                sides.entry((*i.min(j), *i.max(j))).or_default().push(*label);
            }
        }
        let place = |v: u32| drawn.mesh.positions[v as usize];
        let differing = sides.iter().filter(|(_, labels)| labels[0] != labels[1]);
        differing.map(|((i, j), _)| place(*i).distance(place(*j))).sum()
    }

    fn by_height(mesh: &TriMesh, height: f64) -> (Vec<u8>, impl Fn(u32, u32) -> f64 + use<>) {
        let z: Vec<f64> = mesh.positions.iter().map(|p| p.z - height).collect();
        let labels = z.iter().map(|z| u8::from(*z > 0.0)).collect();
        (labels, move |i: u32, j: u32| z[i as usize] / (z[i as usize] - z[j as usize]))
    }

    /// A circle of latitude: its length is that of the circle to within a hundredth, and neither volume nor area change.
    #[test]
    fn a_border_is_as_long_as_the_line_it_follows() {
        let mesh = sphere(5);
        let (labels, share) = by_height(&mesh, 7.03);
        let drawn = draw_borders(&mesh, &labels, share);
        let faults = inspect(&drawn.mesh);
        assert!(faults.is_solid(), "{faults:?}");
        let circle = std::f64::consts::TAU * (20.0_f64.powi(2) - 7.03_f64.powi(2)).sqrt();
        let length = border_mm(&drawn);
        assert!((length / circle - 1.0).abs() < 0.01, "{length} for {circle}");
        let [before, after] = [&mesh, &drawn.mesh].map(measure::volume_mm3);
        assert!((after / before - 1.0).abs() < 1e-5, "{after} for {before}");
    }

    #[test]
    fn three_labels_meet_in_a_point_and_borders_may_run_through_vertices() {
        let mesh = sphere(3);
        let labels: Vec<u8> = mesh.positions.iter().map(|p| if p.x > 3.1 { 2 } else { u8::from(p.y > 0.7) }).collect();
        for share in [0.37, 0.0, 1.0] {
            let drawn = draw_borders(&mesh, &labels, |_, _| share);
            let faults = inspect(&drawn.mesh);
            assert!(faults.is_solid(), "{share}: {faults:?}");
            assert_eq!(drawn.labels.len(), drawn.mesh.triangles.len());
            assert!((0..3).all(|label| drawn.labels.contains(&label)));
        }
    }

    #[test]
    fn what_lies_inside_is_kept_as_it_is() {
        let mut mesh = sphere(2);
        let (labels, share) = by_height(&mesh, 1.0);
        mesh.origins.fill(Origin::Cut(0));
        let drawn = draw_borders(&mesh, &labels, share);
        assert_eq!(drawn.mesh, mesh);
    }
}
