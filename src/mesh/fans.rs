//! Which triangles surround each vertex.

use glam::DVec3;

use super::TriMesh;

/// Triangles around each vertex, in the order of their index.
#[derive(Debug)]
pub struct Fans {
    start: Vec<u32>,
    triangles: Vec<u32>,
}

impl Fans {
    #[must_use]
    pub fn of(mesh: &TriMesh) -> Self {
        Self::of_triangles(&mesh.triangles, mesh.positions.len())
    }

    /// The same for triangles over so many vertices.
    #[must_use]
    pub fn of_triangles(corners_of: &[[u32; 3]], vertices: usize) -> Self {
        let mut start = vec![0_u32; vertices + 1];
        for v in corners_of.iter().flatten() {
            start[*v as usize + 1] += 1;
        }
        for v in 1..start.len() {
            start[v] += start[v - 1];
        }
        let mut next = start.clone();
        let mut triangles = vec![0; 3 * corners_of.len()];
        for (triangle, corners) in corners_of.iter().enumerate() {
            for v in corners {
                triangles[next[*v as usize] as usize] = triangle as u32;
                next[*v as usize] += 1;
            }
        }
        Self { start, triangles }
    }

    /// Triangles around a vertex.
    #[must_use]
    pub fn around(&self, vertex: u32) -> &[u32] {
        &self.triangles[self.start[vertex as usize] as usize..self.start[vertex as usize + 1] as usize]
    }

    /// The two other corners of each triangle around a vertex: on a closed mesh each neighbour twice.
    pub fn ring<'a>(&'a self, mesh: &'a TriMesh, vertex: u32) -> impl Iterator<Item = u32> + 'a {
        let others = move |t: &u32| mesh.triangles[*t as usize].into_iter().filter(move |v| *v != vertex);
        self.around(vertex).iter().flat_map(others)
    }

    /// Unit normal of a vertex, its triangles weighted by area; zero where they have none.
    #[must_use]
    pub fn normal(&self, mesh: &TriMesh, vertex: u32) -> DVec3 {
        self.around(vertex).iter().map(|t| mesh.area_vector(*t as usize)).sum::<DVec3>().normalize_or_zero()
    }
}
