//! The rims of holes, as the triangles that will close them run, and what the mesh is like around them.

use glam::DVec3;
use rustc_hash::{FxHashMap, FxHashSet};

use super::triangulate::Loop;
use crate::mesh::TriMesh;
use crate::mesh::topology::{Edges, NONE, Sets, ends, rims};

/// A closed walk along the edge of the mesh, with the hole on its left.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Rim {
    /// Each vertex and the half-edge of the mesh that runs from the next vertex to it.
    steps: Vec<(u32, u32)>,
    /// Vertices where it touches another rim: no chord may join two of them, for the other rim might get it too.
    touching: FxHashSet<u32>,
}

impl Rim {
    /// Number of edges, which is that of vertices.
    #[must_use]
    #[expect(clippy::len_without_is_empty, reason = "a rim has three edges or more")]
    pub fn len(&self) -> usize {
        self.steps.len()
    }

    /// Each vertex and the half-edge of the mesh that runs from the next vertex to it.
    #[must_use]
    pub fn steps(&self) -> &[(u32, u32)] {
        &self.steps
    }

    pub fn vertices(&self) -> impl Iterator<Item = u32> + '_ {
        self.steps.iter().map(|(vertex, _)| *vertex)
    }
}

/// All rims of a mesh, of which `edges` is the table. With `part_touching`, where a rim touches itself at a point the vertices there become one again and the rim
/// is parted, so that each hole is a rim of its own; the vertex that goes stays behind unused.
pub fn open_rims(mesh: &mut TriMesh, edges: &Edges, part_touching: bool) -> Vec<Rim> {
    let walks: Vec<Rim> = rims(&mesh.triangles, edges).iter().map(|halves| reversed(mesh, halves)).collect();
    if !part_touching {
        return walks;
    }
    let mut parting =
        Parting { around: Around::of(mesh, &walks), same: Sets::new(mesh.positions.len()), parted: vec![] };
    let mut touching = Vec::new();
    for walk in &walks {
        parting.part(mesh, walk, &mut touching);
    }
    let Parting { mut same, mut parted, .. } = parting;
    for corner in mesh.triangles.iter_mut().flatten() {
        *corner = same.find(*corner);
    }
    let touching: FxHashSet<u32> = touching.into_iter().map(|v| same.find(v)).collect();
    for rim in &mut parted {
        rim.steps.iter_mut().for_each(|(vertex, _)| *vertex = same.find(*vertex));
        rim.touching = rim.vertices().filter(|v| touching.contains(v)).collect();
    }
    parted
}

fn reversed(mesh: &TriMesh, halves: &[u32]) -> Rim {
    let steps = halves.iter().rev().map(|half| (ends(&mesh.triangles, *half).1, *half)).collect();
    Rim { steps, touching: FxHashSet::default() }
}

/// Rims being parted where they touch themselves.
struct Parting {
    around: Around,
    same: Sets,
    parted: Vec<Rim>,
}

impl Parting {
    /// Parts a walk at points it visits twice; loops of two edges lie on one another and vanish by the merging.
    fn part(&mut self, mesh: &TriMesh, walk: &Rim, touching: &mut Vec<u32>) {
        let bits = |v: u32| (mesh.positions[v as usize] + 0.0).to_array().map(f64::to_bits);
        let mut visited: FxHashMap<[u64; 3], usize> = FxHashMap::default();
        let mut stack: Vec<(u32, u32)> = Vec::new();
        for step in &walk.steps {
            let place = bits(step.0);
            let start = visited.get(&place).copied().filter(|start| self.may_part(&stack[*start..], step.0));
            if let Some(start) = start {
                self.same.unite(stack[start].0, step.0);
                touching.push(step.0);
                for (vertex, _) in &stack[start + 1..] {
                    visited.remove(&bits(*vertex));
                }
                self.keep(stack.split_off(start));
            }
            visited.insert(place, stack.len());
            stack.push(*step);
        }
        self.keep(stack);
    }

    /// Whether the steps since a vertex at the same place can be a rim of their own once `back` is that vertex.
    fn may_part(&self, inner: &[(u32, u32)], back: u32) -> bool {
        inner.len() >= 2 && self.around.may_merge(inner[0].0, back, (inner.len() == 2).then(|| inner[1].0))
    }

    fn keep(&mut self, steps: Vec<(u32, u32)>) {
        if steps.len() > 2 {
            self.parted.push(Rim { steps, touching: FxHashSet::default() });
        }
    }
}

/// Neighbours of rim vertices in the mesh.
#[derive(Clone, Debug, Default)]
pub struct Around {
    /// For each vertex its place in `neighbours`, `NONE` when it is on no rim.
    place: Vec<u32>,
    neighbours: Vec<Vec<u32>>,
    /// Unit normal of the triangle of each open half-edge, by half-edge.
    normals: FxHashMap<u32, DVec3>,
}

impl Around {
    #[must_use]
    pub fn of(mesh: &TriMesh, rims: &[Rim]) -> Self {
        let mut around = Self { place: vec![NONE; mesh.positions.len()], ..Self::default() };
        let mut count = 0;
        for (vertex, half) in rims.iter().flat_map(|rim| &rim.steps) {
            around.normals.insert(*half, mesh.area_vector(*half as usize / 3).normalize_or_zero());
            let place = &mut around.place[*vertex as usize];
            if *place == NONE {
                *place = count;
                count += 1;
            }
        }
        around.neighbours = vec![Vec::new(); count as usize];
        for triangle in &mesh.triangles {
            for k in 0..3 {
                let place = around.place[triangle[k] as usize];
                if place != NONE {
                    around.neighbours[place as usize].extend([triangle[(k + 1) % 3], triangle[(k + 2) % 3]]);
                }
            }
        }
        for list in &mut around.neighbours {
            list.sort_unstable();
            list.dedup();
        }
        around
    }

    fn neighbours(&self, rim_vertex: u32) -> &[u32] {
        self.neighbours.get(self.place[rim_vertex as usize] as usize).map_or(&[], Vec::as_slice)
    }

    /// Whether two rim vertices can become one without crowding an edge: no neighbour in common but the given one.
    fn may_merge(&self, a: u32, b: u32, shared: Option<u32>) -> bool {
        let (near_a, near_b) = (self.neighbours(a), self.neighbours(b));
        !near_a.contains(&b) && near_a.iter().all(|v| Some(*v) == shared || !near_b.contains(v))
    }

    /// The rim as a loop to be triangulated.
    #[must_use]
    pub fn outline(&self, mesh: &TriMesh, rim: &Rim) -> Loop {
        let local: FxHashMap<u32, u32> = rim.vertices().zip(0..).collect();
        let barred = |v: u32| {
            let joined = rim.touching.iter().filter(|_| rim.touching.contains(&v));
            let near = self.neighbours(v).iter().chain(joined);
            near.filter_map(|w| local.get(w).copied()).collect()
        };
        Loop {
            points: rim.vertices().map(|v| mesh.positions[v as usize]).collect(),
            beyond: rim.steps.iter().map(|(_, half)| self.normals.get(half).copied()).collect(),
            barred: rim.vertices().map(barred).collect(),
        }
    }

    /// Mean length of the edges at each rim vertex, mm.
    #[must_use]
    pub fn density(&self, mesh: &TriMesh, rim: &Rim) -> Vec<f64> {
        let mean = |v: u32| {
            let near = self.neighbours(v);
            let lengths = near.iter().map(|w| mesh.positions[*w as usize].distance(mesh.positions[v as usize]));
            lengths.sum::<f64>() / near.len().max(1) as f64
        };
        rim.vertices().map(mean).collect()
    }

    /// Neighbours of each rim vertex that are not its neighbours along the rim, at their places.
    #[must_use]
    pub fn outer_neighbours(&self, rim: &Rim, place: impl Fn(u32) -> DVec3) -> Vec<Vec<DVec3>> {
        let n = rim.len();
        let outer = |i: usize| {
            let along = [rim.steps[(i + n - 1) % n].0, rim.steps[(i + 1) % n].0];
            let near = self.neighbours(rim.steps[i].0).iter().filter(|v| !along.contains(v));
            near.map(|v| place(*v)).collect()
        };
        (0..n).map(outer).collect()
    }
}
