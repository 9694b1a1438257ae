//! The log of the single steps: how the surface was before and after each.

use crate::mesh::TriMesh;
use crate::mesh::topology::Edges;
use crate::stage::StageContext;

/// A mesh with its half-edge table, which costs time to make and is handed from step to step.
pub struct Surface {
    pub mesh: TriMesh,
    pub edges: Edges,
}

/// What is counted.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Counts {
    pub triangles: usize,
    pub vertices: usize,
    pub open_edges: usize,
    pub crowded_edges: usize,
}

impl Counts {
    pub fn of(mesh: &TriMesh, edges: &Edges) -> Self {
        let (triangles, vertices) = (mesh.triangles.len(), mesh.positions.len());
        Self { triangles, vertices, open_edges: edges.open, crowded_edges: edges.crowded.len() }
    }

    /// Adds the triangles and vertices of a piece.
    pub fn and_mesh(self, piece: &TriMesh) -> Self {
        let (triangles, vertices) = (self.triangles + piece.triangles.len(), self.vertices + piece.positions.len());
        Self { triangles, vertices, ..self }
    }
}

impl Surface {
    pub fn of(mesh: TriMesh) -> Self {
        let edges = Edges::of(&mesh.triangles, mesh.positions.len());
        Self { mesh, edges }
    }

    pub fn counts(&self) -> Counts {
        Counts::of(&self.mesh, &self.edges)
    }
}

/// Logs a step as `<step>_<count>_before` and `<step>_<count>_after`, the same four counts for each.
pub fn log_step(step: &str, before: Counts, after: Counts, ctx: &mut StageContext<'_>) {
    for (when, counts) in [("before", before), ("after", after)] {
        let numbers = [
            ("triangles", counts.triangles),
            ("vertices", counts.vertices),
            ("open_edges", counts.open_edges),
            ("crowded_edges", counts.crowded_edges),
        ];
        for (what, number) in numbers {
            ctx.figure(&format!("{step}_{what}_{when}"), number as f64);
        }
    }
}
