//! The rims of holes, as the triangles that will close them run, and what the mesh is like around them.

use glam::DVec3;
use rustc_hash::FxHashMap;

use super::triangulate::Loop;
use crate::mesh::TriMesh;
use crate::mesh::topology::{Edges, NONE, Sets, ends, rims};

/// A closed walk along the edge of the mesh, with the hole on its left.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Rim {
    /// Each vertex and the half-edge of the mesh that runs from the next vertex to it.
    steps: Vec<(u32, u32)>,
}

impl Rim {
    /// Number of edges, which is that of vertices.
    #[must_use]
    #[expect(clippy::len_without_is_empty, reason = "a rim has three edges or more")]
    pub fn len(&self) -> usize {
        self.steps.len()
    }

    pub fn vertices(&self) -> impl Iterator<Item = u32> + '_ {
        self.steps.iter().map(|(vertex, _)| *vertex)
    }
}

/// All rims. Where a rim touches itself at a point, the vertices there become one again and the rim is parted, so that
/// each hole is a rim of its own; the vertex that goes stays behind unused.
pub fn open_rims(mesh: &mut TriMesh) -> Vec<Rim> {
    let edges = Edges::of(&mesh.triangles, mesh.positions.len());
    let walks: Vec<Rim> = rims(&mesh.triangles, &edges).iter().map(|halves| reversed(mesh, halves)).collect();
    let around = Around::of(mesh, &walks);
    let mut same = Sets::new(mesh.positions.len());
    let mut parted = Vec::new();
    for walk in walks {
        part(mesh, &walk, &around, &mut same, &mut parted);
    }
    for corner in mesh.triangles.iter_mut().flatten() {
        *corner = same.find(*corner);
    }
    for (vertex, _) in parted.iter_mut().flat_map(|rim: &mut Rim| &mut rim.steps) {
        *vertex = same.find(*vertex);
    }
    parted
}

fn reversed(mesh: &TriMesh, halves: &[u32]) -> Rim {
    Rim { steps: halves.iter().rev().map(|half| (ends(&mesh.triangles, *half).1, *half)).collect() }
}

/// Parts a walk at points it visits twice; loops of two edges lie on one another and vanish by the merging.
fn part(mesh: &TriMesh, walk: &Rim, around: &Around, same: &mut Sets, parted: &mut Vec<Rim>) {
    let bits = |v: u32| (mesh.positions[v as usize] + 0.0).to_array().map(f64::to_bits);
    let mut visited: FxHashMap<[u64; 3], usize> = FxHashMap::default();
    let mut stack: Vec<(u32, u32)> = Vec::new();
    for step in &walk.steps {
        let place = bits(step.0);
        if let Some(start) = visited.get(&place).copied() {
            let inner = stack.len() - start;
            if inner >= 2 && around.may_merge(stack[start].0, step.0, (inner == 2).then(|| stack[start + 1].0)) {
                same.unite(stack[start].0, step.0);
                for (vertex, _) in &stack[start + 1..] {
                    visited.remove(&bits(*vertex));
                }
                let steps = stack.split_off(start);
                if inner > 2 {
                    parted.push(Rim { steps });
                }
            }
        }
        visited.insert(place, stack.len());
        stack.push(*step);
    }
    if stack.len() > 2 {
        parted.push(Rim { steps: stack });
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
        let barred = |v: u32| self.neighbours(v).iter().filter_map(|w| local.get(w).copied()).collect();
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

    /// Neighbours of each rim vertex that are not its neighbours along the rim, as points.
    #[must_use]
    pub fn outer_neighbours(&self, mesh: &TriMesh, rim: &Rim) -> Vec<Vec<DVec3>> {
        let n = rim.len();
        let outer = |i: usize| {
            let along = [rim.steps[(i + n - 1) % n].0, rim.steps[(i + 1) % n].0];
            let near = self.neighbours(rim.steps[i].0).iter().filter(|v| !along.contains(v));
            near.map(|v| mesh.positions[*v as usize]).collect()
        };
        (0..n).map(outer).collect()
    }
}
