//! Which triangles surround each vertex.

use super::TriMesh;

/// Triangles around each vertex, in the order of their index.
pub struct Fans {
    start: Vec<u32>,
    triangles: Vec<u32>,
}

impl Fans {
    pub fn of(mesh: &TriMesh) -> Self {
        let mut start = vec![0_u32; mesh.positions.len() + 1];
        for v in mesh.triangles.iter().flatten() {
            start[*v as usize + 1] += 1;
        }
        for v in 1..start.len() {
            start[v] += start[v - 1];
        }
        let mut next = start.clone();
        let mut triangles = vec![0; 3 * mesh.triangles.len()];
        for (triangle, corners) in mesh.triangles.iter().enumerate() {
            for v in corners {
                triangles[next[*v as usize] as usize] = triangle as u32;
                next[*v as usize] += 1;
            }
        }
        Self { start, triangles }
    }

    /// Triangles around a vertex.
    pub fn around(&self, vertex: u32) -> &[u32] {
        &self.triangles[self.start[vertex as usize] as usize..self.start[vertex as usize + 1] as usize]
    }
}
