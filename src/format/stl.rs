//! Reads STL, binary and text; corners at bit-equal positions become one vertex. The format carries no colour.

use std::io::Cursor;

use glam::DVec3;

use super::polygon::Faces;
use super::raw_mesh::{COUNT_MAX, RawMesh, ReadOptions};
use super::read_error::{EXPORT_AGAIN, ReadError};
use super::text::{self, Lines};
use super::weld::ExactWeld;

const HEADER_BYTES: usize = 84;
const TRIANGLE_BYTES: usize = 50;

pub(super) fn read(bytes: &[u8], options: ReadOptions) -> Result<RawMesh, ReadError> {
    let mut mesh = if is_text(bytes) { read_text(bytes)? } else { read_binary(bytes)? };
    mesh.notes.push("STL files carry no colour".to_owned());
    mesh.settled(options)
}

/// Triangles a binary file announces, and the bytes that takes; `None` when it is shorter than its header.
fn announced(bytes: &[u8]) -> Option<(usize, usize)> {
    let count = u32::from_le_bytes(*bytes.get(80..HEADER_BYTES)?.as_array()?) as usize;
    Some((count, HEADER_BYTES + TRIANGLE_BYTES * count))
}

/// Binary files may begin with `solid` too, so the length decides first.
fn is_text(bytes: &[u8]) -> bool {
    let fits = announced(bytes).is_some_and(|(count, size)| size == bytes.len() && count > 0);
    let head = bytes[..bytes.len().min(512)].trim_ascii_start();
    !fits && !head.contains(&0) && head.get(..5).is_some_and(|word| word.eq_ignore_ascii_case(b"solid"))
}

fn read_binary(bytes: &[u8]) -> Result<RawMesh, ReadError> {
    let Some((count, size)) = announced(bytes) else {
        let what = format!("{} bytes are too few for an STL file", bytes.len());
        return Err(ReadError::new(what, EXPORT_AGAIN));
    };
    if bytes.len() < size {
        let what = format!("{count} triangles take {size} bytes, the file has {}", bytes.len());
        return Err(ReadError::new(what, EXPORT_AGAIN).at_byte(bytes.len()));
    }
    if count > COUNT_MAX {
        let what = format!("{count} triangles, at most {COUNT_MAX} are read");
        return Err(ReadError::new(what, "reduce the mesh in the scanner's program"));
    }
    let mut mesh = RawMesh::default();
    if bytes.len() > size {
        mesh.notes.push(format!("{} bytes after the last triangle ignored", bytes.len() - size));
    }
    let damaged = |e: std::io::Error| ReadError::new(format!("not an STL file: {e}"), EXPORT_AGAIN);
    // The first bytes are free text; without `solid` there, the crate reads binary.
    let mut body = Cursor::new([&[0; 80], &bytes[80..size]].concat());
    let mut weld = ExactWeld::with_capacity(count / 2);
    mesh.triangles.reserve(count);
    for triangle in stl_io::create_stl_reader(&mut body).map_err(damaged)? {
        let corners = triangle.map_err(damaged)?.vertices;
        mesh.triangles.push(corners.map(|c| weld.vertex(DVec3::from_array(c.0.map(f64::from)))));
    }
    mesh.positions = weld.into_positions();
    Ok(mesh)
}

fn read_text(bytes: &[u8]) -> Result<RawMesh, ReadError> {
    let mut weld = ExactWeld::with_capacity(bytes.len() / 512);
    let mut faces = Faces::default();
    let mut is_in_loop = false;
    for line in Lines::new(bytes) {
        let (number, line) = line?;
        let mut words = text::words(&line);
        let Some(word) = words.next() else { continue };
        match word.to_ascii_lowercase().as_slice() {
            b"outer" => is_in_loop = true,
            b"vertex" if is_in_loop => {
                let position = text::numbers(&mut words, number)?;
                faces.vertices.push(weld.vertex(DVec3::from_array(position)));
            }
            b"endloop" => {
                is_in_loop = false;
                let start = faces.ends.last().map_or(0, |&end| end as usize);
                let corners = faces.vertices.len() - start;
                if corners != 3 {
                    let what = format!("a loop of {corners} corners; STL files hold triangles");
                    return Err(ReadError::new(what, EXPORT_AGAIN).at_line(number));
                }
                faces.end_face();
            }
            b"solid" | b"endsolid" | b"facet" | b"endfacet" => {}
            other => {
                let what = format!("`{}` is not a word of STL", text::shown(other));
                return Err(ReadError::new(what, EXPORT_AGAIN).at_line(number));
            }
        }
    }
    if is_in_loop {
        return Err(ReadError::new("the file ends within a triangle", EXPORT_AGAIN));
    }
    let mut mesh = RawMesh { positions: weld.into_positions(), ..RawMesh::default() };
    faces.fill(&mut mesh);
    Ok(mesh)
}

/// Whether the file is fully written.
pub(super) fn is_whole(bytes: &[u8]) -> Result<(), String> {
    if is_text(bytes) {
        let last =
            bytes.trim_ascii_end().rsplit(|&b| b == b'\n' || b == b'\r').next().unwrap_or(b"").trim_ascii_start();
        let is_closed = last.get(..8).is_some_and(|word| word.eq_ignore_ascii_case(b"endsolid"));
        return if is_closed { Ok(()) } else { Err("the text STL has no `endsolid` yet".to_owned()) };
    }
    match announced(bytes) {
        Some((_, size)) if bytes.len() >= size => Ok(()),
        Some((count, size)) => Err(format!("{count} triangles take {size} bytes, {} are there", bytes.len())),
        None => Err("the STL header is not complete".to_owned()),
    }
}
