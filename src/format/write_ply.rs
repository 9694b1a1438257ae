//! Binary PLY, millimetres: of a coloured object with its colours on faces, which are exact, and on vertices, which more
//! viewers show; of a scanned surface with the colours of the scan.

use super::threemf::{ColouredObject, ThreeMfError};
use crate::colour::spaces::bytes_of_linear;

/// Writes an object as little-endian PLY.
///
/// # Errors
/// When an index of the object points nowhere.
pub fn write(object: &ColouredObject) -> Result<Vec<u8>, ThreeMfError> {
    object.check()?;
    let (corners, faces) = (object.positions.len(), object.triangles.len());
    let mut bytes = format!(
        "ply\nformat binary_little_endian 1.0\ncomment {}, millimetres, z up\n\
         element vertex {corners}\nproperty float x\nproperty float y\nproperty float z\n{COLOUR}\
         element face {faces}\nproperty list uchar int vertex_indices\n{COLOUR}end_header\n",
        object.name.replace(|c: char| !c.is_ascii_graphic(), "-")
    )
    .into_bytes();
    bytes.reserve(15 * corners + 16 * faces);
    for (position, colour) in object.positions.iter().zip(vertex_colours(object)) {
        for x in position {
            bytes.extend_from_slice(&(*x as f32 + 0.0).to_le_bytes());
        }
        bytes.extend_from_slice(&colour);
    }
    for (triangle, colour) in object.triangles.iter().zip(&object.colour_of) {
        bytes.push(3);
        for v in triangle {
            bytes.extend_from_slice(&v.to_le_bytes());
        }
        bytes.extend_from_slice(&object.colours[*colour as usize]);
    }
    Ok(bytes)
}

/// A surface with colours on its vertices and a mark on each face; lists of one kind are equally long.
#[derive(Clone, Debug, Default)]
pub struct ScannedSurface {
    /// Millimetres, z up.
    pub positions: Vec<[f64; 3]>,
    /// Linear light; written as sRGB.
    pub colours: Vec<[f32; 3]>,
    pub triangles: Vec<[u32; 3]>,
    /// Whether a face closes what the scanner did not see.
    pub filled: Vec<bool>,
}

/// Writes a surface as little-endian PLY, its positions unrounded.
#[must_use]
pub fn write_surface(surface: &ScannedSurface) -> Vec<u8> {
    let (corners, faces) = (surface.positions.len(), surface.triangles.len());
    let mut bytes = format!(
        "ply\nformat binary_little_endian 1.0\ncomment millimetres, z up\n\
         element vertex {corners}\nproperty double x\nproperty double y\nproperty double z\n{COLOUR}\
         element face {faces}\nproperty list uchar int vertex_indices\nproperty uchar filled\nend_header\n"
    )
    .into_bytes();
    bytes.reserve(27 * corners + 14 * faces);
    for (position, colour) in surface.positions.iter().zip(&surface.colours) {
        bytes.extend(position.iter().flat_map(|x| x.to_le_bytes()));
        bytes.extend_from_slice(&bytes_of_linear(*colour));
    }
    for (triangle, filled) in surface.triangles.iter().zip(&surface.filled) {
        bytes.push(3);
        bytes.extend(triangle.iter().flat_map(|v| v.to_le_bytes()));
        bytes.push(u8::from(*filled));
    }
    bytes
}

const COLOUR: &str = "property uchar red\nproperty uchar green\nproperty uchar blue\n";

/// The colour most triangles around each vertex have; the first of equals.
fn vertex_colours(object: &ColouredObject) -> impl Iterator<Item = [u8; 3]> + '_ {
    let kinds = object.colours.len().max(1);
    let mut counts = vec![0_u16; object.positions.len() * kinds];
    for (triangle, colour) in object.triangles.iter().zip(&object.colour_of) {
        for v in triangle {
            let count = &mut counts[*v as usize * kinds + *colour as usize];
            *count = count.saturating_add(1);
        }
    }
    let most = |votes: &[u16]| (0..votes.len()).rev().max_by_key(|i| votes[*i]).unwrap_or(0);
    let winners: Vec<usize> = counts.chunks(kinds).map(most).collect();
    winners.into_iter().map(|i| object.colours.get(i).copied().unwrap_or([128; 3]))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_surface_is_written_as_it_is() {
        let surface = ScannedSurface {
            positions: vec![[0.1; 3], [1.0, 0.0, 0.0], [0.0, 1.0, 0.0]],
            colours: vec![[1.0, 0.0, 0.0], [0.5; 3], [0.5; 3]],
            triangles: vec![[0, 1, 2], [0, 2, 1]],
            filled: vec![false, true],
        };
        let bytes = write_surface(&surface);
        let end = bytes.windows(11).position(|w| w == b"end_header\n").unwrap() + 11;
        assert_eq!(bytes.len() - end, 3 * 27 + 2 * 14);
        assert_eq!(bytes[end..end + 8], 0.1_f64.to_le_bytes());
        assert_eq!(bytes[end + 24..end + 27], [255, 0, 0]);
        assert_eq!(bytes[end + 81..end + 95], [3, 0, 0, 0, 0, 1, 0, 0, 0, 2, 0, 0, 0, 0]);
        assert_eq!(bytes[end + 108], 1);
    }

    #[test]
    fn header_and_body_agree_and_a_vertex_takes_the_colour_around_it() {
        let object = ColouredObject {
            name: "deck hand".to_owned(),
            positions: vec![[0.0; 3], [1.0, 0.0, 0.0], [0.0, 1.0, 0.0], [0.0, 0.0, 1.0]],
            triangles: vec![[0, 2, 1], [0, 1, 3], [1, 2, 3], [0, 3, 2]],
            colours: vec![[1, 2, 3], [4, 5, 6]],
            colour_of: vec![1, 0, 0, 1],
            transform: None,
        };
        let bytes = write(&object).unwrap();
        let end = bytes.windows(11).position(|w| w == b"end_header\n").unwrap() + 11;
        let header = std::str::from_utf8(&bytes[..end]).unwrap();
        assert!(header.contains("comment deck-hand, millimetres, z up\nelement vertex 4\n"), "{header}");
        assert_eq!(bytes.len() - end, 4 * 15 + 4 * 16);
        let colour = |vertex: usize| &bytes[end + 15 * vertex + 12..end + 15 * vertex + 15];
        assert_eq!([colour(0), colour(1), colour(2), colour(3)], [[4, 5, 6], [1, 2, 3], [4, 5, 6], [1, 2, 3]]);
        assert_eq!(&bytes[end + 60..end + 76], [3, 0, 0, 0, 0, 2, 0, 0, 0, 1, 0, 0, 0, 4, 5, 6]);
    }
}
