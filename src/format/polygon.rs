//! Polygons to triangles: convex ones by a fan, concave ones by ear clipping in the plane they lie closest to.

use glam::{DVec2, DVec3};
use robust::{Coord, orient2d};

use super::raw_mesh::RawMesh;

/// Most corners of one polygon.
pub(super) const CORNERS_MAX: usize = 1024;

/// Polygons as a file lists them: all corners in one row, and where each face ends.
#[derive(Debug, Default)]
pub(super) struct Faces {
    /// Vertex of each corner.
    pub vertices: Vec<u32>,
    /// Texture coordinates of each corner; empty when there are none.
    pub uvs: Vec<[f32; 2]>,
    /// End of each face in `vertices`.
    pub ends: Vec<u32>,
    /// Material of each face; empty when there are none.
    pub materials: Vec<u32>,
    /// Colour of each face, linear light; empty when there are none.
    pub colours: Vec<[f32; 3]>,
}

impl Faces {
    /// Ends the face whose corners were pushed last.
    pub fn end_face(&mut self) {
        self.ends.push(self.vertices.len() as u32);
    }

    /// Cuts all faces into triangles of `mesh`, whose positions are set already; every index must be in range.
    pub fn fill(self, mesh: &mut RawMesh) {
        if self.ends.iter().zip(1..).all(|(&end, n)| end == 3 * n) {
            mesh.triangles = self.vertices.as_chunks().0.to_vec();
            mesh.corner_uvs = self.uvs.as_chunks().0.to_vec();
            mesh.face_materials = self.materials;
            mesh.face_colours = self.colours;
            return;
        }
        let mut start = 0;
        for (face, &end) in self.ends.iter().enumerate() {
            let corners = start as usize..end as usize;
            let ring: Vec<DVec3> = corners.clone().map(|c| mesh.positions[self.vertices[c] as usize]).collect();
            for triangle in triangles_of(&ring) {
                let ids = triangle.map(|i| corners.start + i);
                mesh.triangles.push(ids.map(|c| self.vertices[c]));
                if !self.uvs.is_empty() {
                    mesh.corner_uvs.push(ids.map(|c| self.uvs[c]));
                }
                mesh.face_materials.extend(self.materials.get(face));
                mesh.face_colours.extend(self.colours.get(face));
            }
            start = end;
        }
    }
}

/// Triangles of one polygon, as indices into its corners, wound like the polygon.
fn triangles_of(ring: &[DVec3]) -> Vec<[usize; 3]> {
    let fan = || (2..ring.len()).map(|i| [0, i - 1, i]).collect();
    if ring.len() <= 3 {
        return fan();
    }
    let flat = projected(ring);
    let n = flat.len();
    let is_convex = (0..n).all(|i| turn(flat[(i + n - 1) % n], flat[i], flat[(i + 1) % n]) >= 0.0);
    if is_convex { fan() } else { clip_ears(&flat) }
}

/// The polygon seen along its mean normal (Newell's sum of cross products), counter-clockwise.
fn projected(ring: &[DVec3]) -> Vec<DVec2> {
    let origin = ring[0];
    let next = ring.iter().cycle().skip(1);
    let normal: DVec3 = ring.iter().zip(next).map(|(a, b)| (*a - origin).cross(*b - origin)).sum();
    let size = normal.abs();
    let flat = |p: DVec3| {
        if size.z >= size.x && size.z >= size.y {
            DVec2::new(p.x * normal.z.signum(), p.y)
        } else if size.y >= size.x {
            DVec2::new(p.z * normal.y.signum(), p.x)
        } else {
            DVec2::new(p.y * normal.x.signum(), p.z)
        }
    };
    ring.iter().map(|p| flat(*p)).collect()
}

/// Positive when the path a, b, c turns left; exact in sign.
fn turn(a: DVec2, b: DVec2, c: DVec2) -> f64 {
    let coord = |p: DVec2| Coord { x: p.x, y: p.y };
    orient2d(coord(a), coord(b), coord(c))
}

/// Ear clipping; where a self-crossing polygon has no ear left, the next corner is cut off all the same.
fn clip_ears(flat: &[DVec2]) -> Vec<[usize; 3]> {
    let mut rest: Vec<usize> = (0..flat.len()).collect();
    let mut triangles = Vec::with_capacity(flat.len() - 2);
    while rest.len() > 3 {
        let n = rest.len();
        let around = |i: usize| [rest[(i + n - 1) % n], rest[i], rest[(i + 1) % n]];
        let ear = (0..n).find(|&i| is_ear(flat, around(i), &rest)).unwrap_or(0);
        triangles.push(around(ear));
        rest.remove(ear);
    }
    triangles.push([rest[0], rest[1], rest[2]]);
    triangles
}

fn is_ear(flat: &[DVec2], [a, b, c]: [usize; 3], rest: &[usize]) -> bool {
    let [pa, pb, pc] = [flat[a], flat[b], flat[c]];
    if turn(pa, pb, pc) <= 0.0 {
        return false;
    }
    let covers = |p: DVec2| turn(pa, pb, p) >= 0.0 && turn(pb, pc, p) >= 0.0 && turn(pc, pa, p) >= 0.0;
    !rest.iter().any(|&i| ![pa, pb, pc].contains(&flat[i]) && covers(flat[i]))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn area(ring: &[DVec3], triangles: &[[usize; 3]]) -> f64 {
        let cross = |&[a, b, c]: &[usize; 3]| (ring[b] - ring[a]).cross(ring[c] - ring[a]).z / 2.0;
        assert!(triangles.iter().all(|t| cross(t) >= 0.0), "a triangle is turned over");
        triangles.iter().map(cross).sum()
    }

    #[test]
    fn a_concave_arrow_is_cut_inside_its_outline() {
        let ring = [(0.0, 0.0), (4.0, 2.0), (0.0, 4.0), (1.0, 2.0)].map(|(x, y)| DVec3::new(x, y, 0.0));
        let triangles = triangles_of(&ring);
        assert_eq!(triangles.len(), 2);
        assert!((area(&ring, &triangles) - 6.0).abs() < 1e-12);
    }

    #[test]
    fn a_comb_keeps_its_area_in_any_position() {
        let teeth = 6;
        let mut ring = vec![DVec3::new(0.0, -1.0, 0.0), DVec3::new(f64::from(2 * teeth), -1.0, 0.0)];
        for tooth in (0..teeth).rev() {
            let x = f64::from(2 * tooth);
            ring.extend([(x + 2.0, 3.0), (x + 1.0, 3.0), (x + 1.0, 0.0), (x, 0.0)].map(|(x, y)| DVec3::new(x, y, 0.0)));
        }
        let expected = f64::from(2 * teeth) + 3.0 * f64::from(teeth);
        for shift in 0..ring.len() {
            ring.rotate_left(shift);
            assert!((area(&ring, &triangles_of(&ring)) - expected).abs() < 1e-9);
        }
    }

    #[test]
    fn crossed_and_flat_polygons_still_end() {
        let bow = [(0.0, 0.0), (1.0, 1.0), (1.0, 0.0), (0.0, 1.0), (0.5, 2.0)].map(|(x, y)| DVec3::new(x, y, 0.0));
        assert_eq!(triangles_of(&bow).len(), 3);
        assert_eq!(triangles_of(&[DVec3::ZERO; 6]).len(), 4);
        assert_eq!(triangles_of(&[DVec3::NAN; 5]).len(), 3);
    }
}
