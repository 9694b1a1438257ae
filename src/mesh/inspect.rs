//! The program's own checker: is this mesh a closed, oriented 2-manifold, and if not, what is wrong with it.

use rayon::prelude::*;
use serde::{Deserialize, Serialize};

use super::TriMesh;
use super::measure::volume_mm3;
use super::topology::{Edges, NONE, components, ends, fans, previous};

/// Area at or below which a triangle has no normal to speak of, mm2; on the lattice every other area is larger.
pub const DEGENERATE_MM2: f64 = 1e-9;

/// What keeps a mesh from being a solid, counted.
#[derive(Clone, Copy, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct Faults {
    pub triangles: usize,
    /// Edges with one triangle.
    pub open_edges: usize,
    /// Edges with more than two triangles.
    pub crowded_edges: usize,
    /// Edges whose two triangles disagree on which side is out.
    pub flipped_edges: usize,
    /// Vertices whose triangles form more than one fan, ends of crowded edges not counted.
    pub pinched_vertices: usize,
    /// Triangles with a repeated vertex or no area.
    pub degenerate: usize,
    /// Vertices with a coordinate that is not a finite number.
    pub non_finite: usize,
    /// Triangles that name a vertex the mesh does not have; nothing else is looked at if there are any.
    pub dangling: usize,
    /// Pieces connected by edges.
    pub components: usize,
    /// Enclosed volume; zero or less when the mesh is inside out.
    pub volume_mm3: f64,
}

impl Faults {
    /// Whether every edge has two triangles that agree and every vertex one fan: closed, oriented, 2-manifold.
    #[must_use]
    pub fn is_closed(&self) -> bool {
        let edges = self.open_edges + self.crowded_edges + self.flipped_edges;
        self.triangles > 0 && edges + self.pinched_vertices + self.non_finite + self.dangling == 0
    }

    /// Whether the mesh bounds a solid: closed, nothing degenerate, right side out. Self-intersections are not looked at.
    #[must_use]
    pub fn is_solid(&self) -> bool {
        self.is_closed() && self.degenerate == 0 && self.volume_mm3 > 0.0
    }
}

/// Counts the faults of a mesh; 1 M triangles take a fraction of a second.
///
/// # Examples
/// ```
/// use glam::DVec3;
/// use statuary::mesh::{TriMesh, inspect::inspect};
///
/// // A tetrahedron in the corner of the axes, and the same without its slanted face.
/// let points = vec![DVec3::ZERO, DVec3::X, DVec3::Y, DVec3::Z];
/// let faces = vec![[0, 2, 1], [0, 1, 3], [0, 3, 2], [1, 2, 3]];
/// let whole = inspect(&TriMesh::from_shape(points.clone(), faces.clone()));
/// assert!(whole.is_solid() && (whole.volume_mm3 - 1.0 / 6.0).abs() < 1e-12);
/// let open = inspect(&TriMesh::from_shape(points, faces[..3].to_vec()));
/// assert_eq!((open.is_closed(), open.open_edges), (false, 3));
/// ```
#[must_use]
pub fn inspect(mesh: &TriMesh) -> Faults {
    let vertices = mesh.positions.len();
    let dangling = mesh.triangles.iter().filter(|t| t.iter().any(|v| *v as usize >= vertices)).count();
    let non_finite = mesh.positions.iter().filter(|p| !p.is_finite()).count();
    let mut faults = Faults { triangles: mesh.triangles.len(), dangling, non_finite, ..Faults::default() };
    if dangling > 0 {
        return faults;
    }
    let edges = Edges::of(&mesh.triangles, vertices);
    faults.open_edges = edges.open;
    faults.crowded_edges = edges.crowded.len();
    faults.flipped_edges = flipped_edges(&mesh.triangles, &edges);
    faults.pinched_vertices = {
        let is_closed = faults.open_edges + faults.crowded_edges + faults.flipped_edges == 0;
        pinched_vertices(mesh, &edges, is_closed)
    };
    faults.degenerate = (0..mesh.triangles.len()).into_par_iter().filter(|t| is_degenerate(mesh, *t)).count();
    faults.components = components(&mesh.triangles, &edges).count;
    faults.volume_mm3 = volume_mm3(mesh);
    faults
}

/// Whether a triangle repeats a vertex or has no area.
#[must_use]
pub fn is_degenerate(mesh: &TriMesh, triangle: usize) -> bool {
    let [a, b, c] = mesh.triangles[triangle];
    a == b || b == c || c == a || mesh.area_vector(triangle).length() <= 2.0 * DEGENERATE_MM2
}

fn flipped_edges(triangles: &[[u32; 3]], edges: &Edges) -> usize {
    let pairs = edges.mates.par_iter().enumerate().map(|(half, mate)| (half as u32, *mate));
    let is_flipped =
        |(half, mate): &(u32, u32)| *mate != NONE && half < mate && Edges::runs_alike(triangles, *half, *mate);
    pairs.filter(is_flipped).count()
}

fn pinched_vertices(mesh: &TriMesh, edges: &Edges, is_closed: bool) -> usize {
    if is_closed {
        return pinched_on_closed(mesh, edges);
    }
    let mut excused = vec![false; mesh.positions.len()];
    for group in &edges.crowded {
        let (from, to) = ends(&mesh.triangles, group[0]);
        excused[from as usize] = true;
        excused[to as usize] = true;
    }
    let mut first_fan = vec![NONE; mesh.positions.len()];
    let mut pinched = 0;
    for (corner, fan) in fans(&mesh.triangles, &edges.mates).into_iter().enumerate() {
        let vertex = mesh.triangles[corner / 3][corner % 3] as usize;
        if first_fan[vertex] == NONE {
            first_fan[vertex] = fan;
        } else if first_fan[vertex] != fan && !excused[vertex] {
            excused[vertex] = true;
            pinched += 1;
        }
    }
    pinched
}

/// The same where every half-edge has a mate that runs the other way: the fan of one corner is then walked in a circle
/// and has all corners of its vertex, or the vertex has more fans.
fn pinched_on_closed(mesh: &TriMesh, edges: &Edges) -> usize {
    let mut corners = vec![(NONE, 0_u32); mesh.positions.len()];
    for (half, v) in (0_u32..).zip(mesh.triangles.iter().flatten()) {
        let (any, count) = &mut corners[*v as usize];
        (*any, *count) = (half, *count + 1);
    }
    let is_pinched = |(any, count): &&(u32, u32)| {
        let mut half = *any;
        let walked = (0..*count).take_while(|step| {
            let is_new = *step == 0 || half != *any;
            half = edges.mates[previous(half) as usize];
            is_new && half != NONE
        });
        walked.count() != *count as usize
    };
    corners.par_iter().filter(is_pinched).count()
}
