//! Reads OBJ with its MTL files: negative indices, concave polygons, vertex colours, materials with colour or picture.

mod materials;
mod mtl;

use glam::DVec3;

use super::ScanFiles;
use super::polygon::{CORNERS_MAX, Faces};
use super::raw_mesh::{COUNT_MAX, RawMesh, ReadOptions};
use super::read_error::{EXPORT_AGAIN, ReadError};
use super::text::{self, Lines};

/// Stands for "no texture coordinates here".
const NO_UV: u32 = u32::MAX;

/// Splits a line into its first word and what follows it.
fn statement(line: &[u8]) -> (&[u8], &[u8]) {
    let line = line.trim_ascii_start();
    let end = line.iter().position(u8::is_ascii_whitespace).unwrap_or(line.len());
    (&line[..end], line[end..].trim_ascii_start())
}

/// A name that may hold blanks; a comment after it is no part of it.
fn name_of(rest: &[u8]) -> String {
    String::from_utf8_lossy(rest.trim_ascii()).into_owned()
}

/// What has been read so far.
#[derive(Debug, Default)]
struct Reading {
    positions: Vec<DVec3>,
    /// sRGB numbers; shorter than `positions` while no later vertex has a colour, NaN where there is none.
    colours: Vec<[f32; 3]>,
    uvs: Vec<[f32; 2]>,
    faces: Faces,
    /// Index into `uvs` of each corner, or [`NO_UV`].
    corner_uvs: Vec<u32>,
    libraries: Vec<String>,
    /// Names in order of first use.
    material_names: Vec<String>,
    material: Option<u32>,
    /// Material of each face, if the file has any.
    face_materials: Vec<Option<u32>>,
    /// Highest indices met, with their line: references may point forward.
    last_vertex: (u32, usize),
    last_uv: (u32, usize),
    skipped: Skipped,
}

/// Counts of what is passed over.
#[derive(Debug, Default)]
struct Skipped {
    lines: usize,
    points: usize,
    curves: usize,
    small_faces: usize,
}

pub(super) fn read(files: &ScanFiles, bytes: &[u8], options: ReadOptions) -> Result<RawMesh, ReadError> {
    refuse_wide_text(bytes)?;
    let mut reading = Reading::default();
    for line in Lines::new(bytes) {
        let (number, line) = line?;
        reading.read_line(&line, number).map_err(|e| e.at_line(number))?;
    }
    reading.check_references()?;
    reading.into_mesh(files, options)
}

/// UTF-16 text would read as nothing at all.
fn refuse_wide_text(bytes: &[u8]) -> Result<(), ReadError> {
    let head = &bytes[..bytes.len().min(64)];
    if head.starts_with(b"\xff\xfe") || head.starts_with(b"\xfe\xff") {
        return Err(ReadError::new("the text is in UTF-16", "save it as UTF-8 or ASCII"));
    }
    if head.contains(&0) {
        return Err(ReadError::new("this is not text, so no OBJ file", EXPORT_AGAIN));
    }
    Ok(())
}

impl Reading {
    fn read_line(&mut self, line: &[u8], number: usize) -> Result<(), ReadError> {
        let (word, rest) = statement(line);
        match word {
            b"v" => self.read_vertex(rest, number)?,
            b"vt" => {
                let mut words = text::words(rest);
                let [u] = text::numbers(&mut words, number)?;
                let v = words.next().map_or(Some(0.0), text::number).unwrap_or(f64::NAN);
                self.uvs.push([u as f32, v as f32]);
            }
            b"f" | b"fo" => self.read_face(rest, number)?,
            b"usemtl" => self.material = Some(self.material_named(name_of(rest))),
            b"mtllib" => self.libraries.extend(library_names(rest)),
            b"l" => self.skipped.lines += 1,
            b"p" => self.skipped.points += 1,
            b"curv" | b"curv2" | b"surf" => self.skipped.curves += 1,
            _ => {}
        }
        if self.positions.len() > COUNT_MAX || self.faces.ends.len() > COUNT_MAX {
            let what = format!("more than {COUNT_MAX} vertices or faces");
            return Err(ReadError::new(what, "reduce the mesh in the scanner's program"));
        }
        Ok(())
    }

    /// `v x y z`, with a weight that is passed over, or with a colour: `v x y z r g b`.
    fn read_vertex(&mut self, rest: &[u8], line: usize) -> Result<(), ReadError> {
        let mut words = text::words(rest);
        let position = text::numbers(&mut words, line)?;
        let mut more = [f32::NAN; 3];
        let mut count = 0;
        for word in words.take(3) {
            more[count] = text::number(word).ok_or_else(|| text::no_number(word))? as f32;
            count += 1;
        }
        if count == 3 {
            self.colours.resize(self.positions.len(), [f32::NAN; 3]);
            self.colours.push(more);
        }
        self.positions.push(DVec3::from_array(position));
        Ok(())
    }

    fn read_face(&mut self, rest: &[u8], line: usize) -> Result<(), ReadError> {
        let start = self.faces.vertices.len();
        for word in text::words(rest) {
            if word.first() == Some(&b'#') {
                break;
            }
            let mut indices = word.split(|&b| b == b'/');
            let vertex = index(indices.next().unwrap_or(b""), self.positions.len())?;
            let uv = match indices.next() {
                None | Some(b"") => NO_UV,
                Some(uv) => index(uv, self.uvs.len())?,
            };
            if vertex >= self.last_vertex.0 {
                self.last_vertex = (vertex, line);
            }
            if uv != NO_UV && uv >= self.last_uv.0 {
                self.last_uv = (uv, line);
            }
            self.faces.vertices.push(vertex);
            self.corner_uvs.push(uv);
        }
        let corners = self.faces.vertices.len() - start;
        if corners > CORNERS_MAX {
            let what = format!("a face with {corners} corners, at most {CORNERS_MAX} are read");
            return Err(ReadError::new(what, "export the scan with triangles"));
        }
        if corners < 3 {
            self.faces.vertices.truncate(start);
            self.corner_uvs.truncate(start);
            self.skipped.small_faces += 1;
            return Ok(());
        }
        self.faces.end_face();
        self.face_materials.push(self.material);
        Ok(())
    }

    fn material_named(&mut self, name: String) -> u32 {
        let known = self.material_names.iter().position(|known| *known == name);
        known.unwrap_or_else(|| {
            self.material_names.push(name);
            self.material_names.len() - 1
        }) as u32
    }

    fn check_references(&self) -> Result<(), ReadError> {
        let check = |(last, line): (u32, usize), count: usize, what: &str| {
            if line == 0 || (last as usize) < count {
                return Ok(());
            }
            let what = format!("a face refers to {what} {}, there are {count}", u64::from(last) + 1);
            Err(ReadError::new(what, EXPORT_AGAIN).at_line(line))
        };
        check(self.last_vertex, self.positions.len(), "vertex")?;
        check(self.last_uv, self.uvs.len(), "texture vertex")
    }

    fn notes(&self) -> Vec<String> {
        let Skipped { lines, points, curves, small_faces } = self.skipped;
        let counts = [
            (lines, "line elements"),
            (points, "point elements"),
            (curves, "curves and curved surfaces"),
            (small_faces, "faces with fewer than three corners"),
        ];
        counts.iter().filter(|(n, _)| *n > 0).map(|(n, what)| format!("{n} {what} ignored")).collect()
    }

    fn into_mesh(mut self, files: &ScanFiles, options: ReadOptions) -> Result<RawMesh, ReadError> {
        let mut mesh = RawMesh { notes: self.notes(), ..RawMesh::default() };
        mesh.vertex_colours = self.vertex_colours(&mut mesh.notes);
        mesh.positions = std::mem::take(&mut self.positions);
        if mesh.positions.is_empty() || self.faces.ends.is_empty() {
            return mesh.settled(options);
        }
        self.add_materials(files, options, &mut mesh)?;
        self.faces.fill(&mut mesh);
        mesh.settled(options)
    }

    /// Linear light; numbers above 1 anywhere mean that they go to 255 (common practice, no source).
    fn vertex_colours(&mut self, notes: &mut Vec<String>) -> Vec<[f32; 3]> {
        let mut colours = std::mem::take(&mut self.colours);
        if colours.is_empty() {
            return colours;
        }
        colours.resize(self.positions.len(), [f32::NAN; 3]);
        let bare = colours.iter().filter(|colour| colour.iter().any(|c| c.is_nan())).count();
        if bare > 0 {
            notes.push(format!("{bare} vertices without a colour are taken for grey"));
        }
        let top = if colours.iter().flatten().any(|&c| c > 1.0) { 255.0 } else { 1.0 };
        colours.iter().map(|colour| super::linear_light(*colour, top)).collect()
    }
}

/// An index counted from 1, or backwards from the end.
fn index(word: &[u8], count: usize) -> Result<u32, ReadError> {
    let value: i64 =
        std::str::from_utf8(word).ok().and_then(|w| w.parse().ok()).ok_or_else(|| text::no_number(word))?;
    let index = if value < 0 { count as i64 + value } else { value - 1 };
    u32::try_from(index).ok().filter(|&i| i != NO_UV).ok_or_else(|| {
        let what = format!("a face refers to entry {value}, {count} are known at this line");
        ReadError::new(what, EXPORT_AGAIN)
    })
}

/// Names after `mtllib`: several, or one that holds blanks.
fn library_names(rest: &[u8]) -> Vec<String> {
    let mut names = vec![];
    let mut name = String::new();
    for word in name_of(rest).split_whitespace() {
        if !name.is_empty() {
            name.push(' ');
        }
        name.push_str(word);
        if word.to_ascii_lowercase().ends_with(".mtl") {
            names.push(std::mem::take(&mut name));
        }
    }
    names.extend(Some(name).filter(|name| !name.is_empty()));
    names
}

/// Material files an OBJ file names, as written.
pub(super) fn references(bytes: &[u8]) -> Vec<String> {
    let lines = Lines::new(bytes).flatten();
    let libraries = |line: &[u8]| match statement(line) {
        (b"mtllib", rest) => library_names(rest),
        _ => Vec::new(),
    };
    lines.flat_map(|(_, line)| libraries(&line)).collect()
}

/// Pictures an MTL file names, as written.
pub(super) fn picture_references(bytes: &[u8]) -> Vec<String> {
    let entries = mtl::read(bytes).unwrap_or_default();
    entries.into_iter().filter_map(|entry| entry.map).map(|map| map.file).collect()
}

/// Text is whole when its last line is ended, or is a face or comment; a half-written number cannot be told.
pub(super) fn is_whole(bytes: &[u8]) -> Result<(), String> {
    if matches!(bytes.last(), Some(b'\n' | b'\r')) {
        return Ok(());
    }
    let start = bytes.iter().rposition(|&b| b == b'\n' || b == b'\r').map_or(0, |at| at + 1);
    match statement(&bytes[start..]) {
        (b"f", rest) if text::words(rest).count() >= 3 => Ok(()),
        (word, _) if word.first() == Some(&b'#') => Ok(()),
        _ => Err("the last line has no end yet".to_owned()),
    }
}
