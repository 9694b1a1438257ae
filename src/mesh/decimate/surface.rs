//! The surface while it gets coarser: half-edges that are glued anew with each collapse, and what each vertex remembers.

use glam::DVec3;
use rayon::prelude::*;

use super::Look;
use super::quadric::Quadric;
use crate::mesh::TriMesh;
use crate::mesh::topology::{Edges, NONE, next, previous};

/// What a vertex stands for.
#[derive(Clone, Copy, Debug)]
pub(super) struct Vertex {
    pub place: DVec3,
    /// Distance to the planes of the triangles it stands for, about its place; weights are areas.
    pub quadric: Quadric,
    /// Its share of the surface, mm2.
    pub area: f64,
    /// Bound on how far the surface has gone from the original here, mm.
    pub error: f64,
    /// Linear-light RGB.
    pub colour: [f32; 3],
    /// The colour where distance is difference.
    pub look: [f32; 3],
    /// Bound on how far the colour has gone from the original here.
    pub drift: f32,
    /// Whether it may neither move nor vanish.
    pub is_locked: bool,
}

/// A collapse that has been found good: the start of `half` becomes `vertex`, its end goes.
#[derive(Clone, Copy, Debug)]
pub(super) struct Merge {
    pub half: u32,
    pub vertex: Vertex,
}

/// Triangles, their half-edges (see [`crate::mesh::topology`]) and vertices; what has gone is `NONE`.
pub(super) struct Surface {
    pub triangles: Vec<[u32; 3]>,
    pub mates: Vec<u32>,
    pub vertices: Vec<Vertex>,
    /// A half-edge that leaves each vertex.
    pub spoke: Vec<u32>,
    /// The vertex each one was merged into; itself while it is there.
    pub into: Vec<u32>,
    /// Half-edges whose collapse has been found bad, until something changes beside them.
    pub barred: Vec<bool>,
    /// Lowest z, mm.
    pub low: f64,
}

pub(super) fn apart(a: [f32; 3], b: [f32; 3]) -> f32 {
    (0..3).map(|i| (a[i] - b[i]) * (a[i] - b[i])).sum::<f32>().sqrt()
}

impl Surface {
    /// Takes up a mesh; vertices at borders of origin or of colour, and the given ones, are locked. `None` when the mesh is
    /// not closed, oriented and 2-manifold.
    pub fn of(mesh: &TriMesh, look: Look<'_>, step_max: f32, locked: &[bool]) -> Option<Self> {
        let edges = Edges::of(&mesh.triangles, mesh.positions.len());
        let mates = edges.mates;
        let is_paired = |half: usize| {
            let mate = mates[half];
            mate != NONE && !Edges::runs_alike(&mesh.triangles, half as u32, mate)
        };
        if !(0..mates.len()).into_par_iter().all(is_paired) {
            return None;
        }
        let mut spoke = vec![NONE; mesh.positions.len()];
        for (t, corners) in mesh.triangles.iter().enumerate().rev() {
            (0..3).for_each(|k| spoke[corners[k] as usize] = 3 * t as u32 + k as u32);
        }
        let looks: Vec<[f32; 3]> = mesh.colours.par_iter().map(|c| look(*c).map(|x| x as f32)).collect();
        let low = mesh.positions.iter().fold(f64::INFINITY, |low, p| low.min(p.z));
        let mut surface = Self {
            triangles: mesh.triangles.clone(),
            mates,
            vertices: Vec::new(),
            spoke,
            into: (0..mesh.positions.len() as u32).collect(),
            barred: vec![false; 3 * mesh.triangles.len()],
            low,
        };
        let fresh = |v: u32| surface.fresh(mesh, &looks, step_max, v);
        let known: Vec<(Vertex, usize)> = (0..mesh.positions.len() as u32).into_par_iter().map(fresh).collect();
        // A vertex with two fans is met by more half-edges than one walk finds.
        let walked: usize = known.iter().map(|(_, spokes)| spokes).sum();
        surface.vertices = known.into_iter().map(|(vertex, _)| vertex).collect();
        surface.vertices.iter_mut().zip(locked).for_each(|(vertex, locked)| vertex.is_locked |= locked);
        (walked == surface.mates.len()).then_some(surface)
    }

    /// A vertex as it is in the mesh, and how many half-edges leave it.
    fn fresh(&self, mesh: &TriMesh, looks: &[[f32; 3]], step_max: f32, v: u32) -> (Vertex, usize) {
        let (place, look) = (mesh.positions[v as usize], looks[v as usize]);
        let (mut quadric, mut area, mut is_locked, mut spokes) = (Quadric::default(), 0.0, false, 0);
        for half in self.spokes(v) {
            let out = mesh.area_vector(half as usize / 3);
            let share = out.length() / 6.0;
            // The plane goes through the vertex, which is the centre of its quadric.
            quadric = quadric + Quadric::of_plane(out.normalize_or_zero(), 0.0, share);
            area += share;
            let is_border = mesh.origins[half as usize / 3] != mesh.origins[self.mates[half as usize] as usize / 3];
            is_locked |= is_border || apart(look, looks[self.end(half) as usize]) > step_max;
            spokes += 1;
        }
        let colour = mesh.colours[v as usize];
        (Vertex { place, quadric, area, error: 0.0, colour, look, drift: 0.0, is_locked }, spokes)
    }

    pub fn start(&self, half: u32) -> u32 {
        self.triangles[half as usize / 3][half as usize % 3]
    }

    pub fn end(&self, half: u32) -> u32 {
        self.start(next(half))
    }

    pub fn vertex(&self, v: u32) -> &Vertex {
        &self.vertices[v as usize]
    }

    /// Half-edges that leave a vertex, once round; none when it has gone.
    pub fn spokes(&self, v: u32) -> impl Iterator<Item = u32> + '_ {
        let first = self.spoke[v as usize];
        std::iter::successors((first != NONE).then_some(first), move |half| {
            let after = self.mates[previous(*half) as usize];
            (after != first).then_some(after)
        })
    }

    /// Carries out a collapse.
    pub fn collapse(&mut self, merge: &Merge) {
        let half = merge.half;
        let mate = self.mates[half as usize];
        let (kept, gone) = (self.start(half), self.start(mate));
        let around: Vec<u32> = self.spokes(gone).collect();
        for s in around {
            self.triangles[s as usize / 3][s as usize % 3] = kept;
        }
        for side in [half, mate] {
            let tip = self.start(previous(side));
            let (to_tip, from_tip) = (self.mates[previous(side) as usize], self.mates[next(side) as usize]);
            self.mates[to_tip as usize] = from_tip;
            self.mates[from_tip as usize] = to_tip;
            self.spoke[tip as usize] = from_tip;
            self.spoke[kept as usize] = to_tip;
        }
        for side in [half, mate] {
            self.triangles[side as usize / 3] = [NONE; 3];
        }
        self.spoke[gone as usize] = NONE;
        self.into[gone as usize] = kept;
        self.vertices[kept as usize] = merge.vertex;
    }

    /// The vertex that now stands for one of the original ones.
    pub fn heir(&self, mut v: u32) -> u32 {
        while self.into[v as usize] != v {
            v = self.into[v as usize];
        }
        v
    }

    /// What is left, in the original order, and the vertex of the surface each of its vertices was.
    pub fn mesh(&self, original: &TriMesh) -> (TriMesh, Vec<u32>) {
        let left: Vec<u32> = (0..self.spoke.len() as u32).filter(|v| self.spoke[*v as usize] != NONE).collect();
        let mut number = vec![NONE; self.spoke.len()];
        left.iter().zip(0..).for_each(|(v, n)| number[*v as usize] = n);
        let mut mesh = TriMesh {
            positions: left.iter().map(|v| self.vertex(*v).place).collect(),
            colours: left.iter().map(|v| self.vertex(*v).colour).collect(),
            ..TriMesh::default()
        };
        for (triangle, origin) in self.triangles.iter().zip(&original.origins).filter(|(t, _)| t[0] != NONE) {
            mesh.triangles.push(triangle.map(|v| number[v as usize]));
            mesh.origins.push(*origin);
        }
        (mesh, left)
    }
}
