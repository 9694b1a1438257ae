//! Binary STL of one closed solid, millimetres; lattice positions below 512 mm are kept exactly.

use stl_io::{Normal, Triangle, Vertex};

/// Why an STL file could not be written.
#[derive(Debug, thiserror::Error)]
pub enum WriteStlError {
    #[error("triangle {triangle} of {triangles} names a corner that is not there")]
    Index { triangle: usize, triangles: usize },
    #[error("{0} triangles are more than an STL file can count")]
    TooMany(usize),
    #[error("the triangles could not be packed: {0}")]
    Pack(#[from] std::io::Error),
}

/// Writes triangles with their unit normals.
///
/// # Errors
/// When an index points nowhere or there are more than `u32::MAX` triangles.
pub fn write(positions: &[[f64; 3]], triangles: &[[u32; 3]]) -> Result<Vec<u8>, WriteStlError> {
    let corners = positions.len();
    if let Some(triangle) = triangles.iter().position(|t| t.iter().any(|v| *v as usize >= corners)) {
        return Err(WriteStlError::Index { triangle, triangles: triangles.len() });
    }
    if u32::try_from(triangles.len()).is_err() {
        return Err(WriteStlError::TooMany(triangles.len()));
    }
    let mut bytes = Vec::with_capacity(84 + 50 * triangles.len());
    let records = triangles.iter().map(|t| {
        let corners = t.map(|v| positions[v as usize]);
        Triangle { normal: Normal::new(unit_normal(corners)), vertices: corners.map(|p| Vertex::new(single(p))) }
    });
    stl_io::write_stl(&mut bytes, records)?;
    Ok(bytes)
}

/// Rounded to single precision, never minus zero: readers weld corners by their bits.
fn single(p: [f64; 3]) -> [f32; 3] {
    p.map(|x| x as f32 + 0.0)
}

/// Zero for a triangle without area, as the format's readers expect.
fn unit_normal([a, b, c]: [[f64; 3]; 3]) -> [f32; 3] {
    let (u, v) = ([b[0] - a[0], b[1] - a[1], b[2] - a[2]], [c[0] - a[0], c[1] - a[1], c[2] - a[2]]);
    let n = [u[1] * v[2] - u[2] * v[1], u[2] * v[0] - u[0] * v[2], u[0] * v[1] - u[1] * v[0]];
    let length = n.iter().map(|x| x * x).sum::<f64>().sqrt();
    if length > 0.0 { single(n.map(|x| x / length)) } else { [0.0; 3] }
}

#[cfg(test)]
mod tests {
    use std::io::Cursor;

    use super::*;

    #[test]
    fn a_solid_reads_back_with_its_corners_welded_and_its_normals_outward() {
        let positions = [[-0.0, 0.0, 0.0], [40.25, 0.0, 0.0], [0.0, 1.0 / 16384.0, 0.0], [0.0, 0.0, 511.5]];
        let triangles = [[0, 2, 1], [0, 1, 3], [1, 2, 3], [0, 3, 2]];
        let bytes = write(&positions, &triangles).unwrap();
        assert_eq!(bytes.len(), 84 + 4 * 50);
        let mesh = stl_io::read_stl(&mut Cursor::new(bytes)).unwrap();
        assert_eq!(mesh.vertices.len(), 4);
        mesh.validate().unwrap();
        assert_eq!(mesh.faces[0].normal.0.map(f32::to_bits), [0.0_f32, 0.0, -1.0].map(f32::to_bits));
        let bits = |v: &Vertex| v.0.map(|x| f64::from(x).to_bits());
        assert!(positions.iter().all(|p| mesh.vertices.iter().any(|v| bits(v) == p.map(|x| (x + 0.0).to_bits()))));
    }

    #[test]
    fn a_triangle_without_its_corner_is_refused() {
        assert!(write(&[[0.0; 3]], &[[0, 0, 1]]).unwrap_err().to_string().contains("triangle 0 of 1"));
    }
}
