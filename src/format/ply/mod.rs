//! Reads PLY: text and binary of both byte orders, colours of vertices or faces, texture coordinates of vertices or
//! corners, polygons and triangle strips.

mod header;
mod values;

use glam::DVec3;
use rayon::prelude::*;

use self::header::{Body, Element, Kind, Layout, Scalar};
use self::values::{Binary, Text, Values};
use super::ScanFiles;
use super::polygon::{CORNERS_MAX, Faces};
use super::raw_mesh::{Material, RawMesh, ReadOptions, Wrap};
use super::read_error::{EXPORT_AGAIN, ReadError};
use super::surface_pictures::SurfacePictures;

/// What a property of a vertex or face means.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Role {
    /// x, y or z.
    Position(usize),
    /// Red, green or blue.
    Colour(usize),
    /// u or v.
    Uv(usize),
    Corners,
    CornerUvs,
    PictureNumber,
    Skip,
}

const POSITIONS: [&str; 3] = ["x", "y", "z"];
/// Spellings of red, green and blue met in the wild (common practice, no source).
const COLOURS: [[&str; 3]; 4] = [
    ["red", "green", "blue"],
    ["r", "g", "b"],
    ["diffuse_red", "diffuse_green", "diffuse_blue"],
    ["vertex_red", "vertex_green", "vertex_blue"],
];
/// Spellings of texture coordinates met in the wild (common practice, no source).
const UVS: [[&str; 2]; 5] =
    [["s", "t"], ["u", "v"], ["texture_u", "texture_v"], ["texture_s", "texture_t"], ["tex_u", "tex_v"]];

fn role(element: &Element, name: &str, kind: Kind) -> Role {
    let has_all = |names: &[&str]| names.iter().all(|n| element.properties.iter().any(|p| p.name == *n));
    let place = |names: &[&str]| names.iter().position(|n| *n == name).filter(|_| has_all(names));
    if let Kind::List { .. } = kind {
        return match name {
            "vertex_indices" | "vertex_index" => Role::Corners,
            "texcoord" | "texcoords" => Role::CornerUvs,
            _ => Role::Skip,
        };
    }
    if let Some(axis) = place(&POSITIONS).filter(|_| element.name == "vertex") {
        return Role::Position(axis);
    }
    if let Some(channel) = COLOURS.iter().find_map(|names| place(names)) {
        return Role::Colour(channel);
    }
    match UVS.iter().find_map(|names| place(names)) {
        Some(axis) => Role::Uv(axis),
        None if name == "texnumber" => Role::PictureNumber,
        None => Role::Skip,
    }
}

fn roles(element: &Element) -> Vec<(Kind, Role)> {
    element.properties.iter().map(|p| (p.kind, role(element, &p.name, p.kind))).collect()
}

/// What has been read so far.
#[derive(Debug, Default)]
struct Reading {
    vertex_count: usize,
    positions: Vec<DVec3>,
    vertex_colours: Vec<[f32; 3]>,
    vertex_uvs: Vec<[f32; 2]>,
    faces: Faces,
    notes: Vec<String>,
}

pub(super) fn read(files: &ScanFiles, bytes: &[u8], options: ReadOptions) -> Result<RawMesh, ReadError> {
    let layout = header::read(bytes)?;
    let mut reading = Reading::default();
    match layout.body {
        Body::Text => reading.read_body(&mut Text::new(bytes, &layout), &layout)?,
        Body::LittleEndian | Body::BigEndian => {
            let mut body = Binary::new(bytes, &layout);
            reading.read_body(&mut body, &layout)?;
            if body.offset() < bytes.len() {
                reading.notes.push(format!("{} bytes after the last element ignored", bytes.len() - body.offset()));
            }
        }
    }
    reading.into_mesh(files, &layout, options)
}

impl Reading {
    fn read_body<V: Values>(&mut self, values: &mut V, layout: &Layout) -> Result<(), ReadError> {
        let vertex = layout.elements.iter().find(|e| e.name == "vertex");
        let vertex = vertex.ok_or_else(|| ReadError::new("the header declares no vertices", EXPORT_AGAIN))?;
        self.vertex_count = vertex.count;
        for element in &layout.elements {
            match element.name.as_str() {
                "vertex" => self.read_vertices(values, element)?,
                "face" => self.read_faces(values, element)?,
                "tristrips" => self.read_strips(values, element)?,
                other => {
                    skip(values, element)?;
                    if element.count > 0 {
                        self.notes.push(format!("{} `{other}` elements ignored", element.count));
                    }
                }
            }
        }
        Ok(())
    }

    fn read_vertices<V: Values>(&mut self, values: &mut V, element: &Element) -> Result<(), ReadError> {
        let roles = roles(element);
        if roles.iter().filter(|(_, role)| matches!(role, Role::Position(_))).count() != 3 {
            return Err(ReadError::new("the vertices lack one of `x`, `y`, `z`", EXPORT_AGAIN));
        }
        let colour_kind = colour_kind(&roles);
        let has_uvs = roles.iter().any(|(_, role)| matches!(role, Role::Uv(_)));
        let room = element.count.min(values.entries_left(element.bytes_min()));
        self.positions.reserve(room);
        for _ in 0..element.count {
            let (mut position, mut colour, mut uv) = ([0.0; 3], [0.0; 3], [0.0; 2]);
            for &(kind, role) in &roles {
                let Kind::One(scalar) = kind else {
                    skip_property(values, kind)?;
                    continue;
                };
                let value = values.next(scalar)?;
                match role {
                    Role::Position(axis) => position[axis] = value,
                    Role::Colour(channel) => colour[channel] = value as f32,
                    Role::Uv(axis) => uv[axis] = value as f32,
                    _ => {}
                }
            }
            if !values.end_entry() {
                let what = "the vertex has more numbers than the header declares";
                return Err(values.here(ReadError::new(what, EXPORT_AGAIN)));
            }
            self.positions.push(DVec3::from_array(position));
            if colour_kind.is_some() {
                self.vertex_colours.push(colour);
            }
            if has_uvs {
                self.vertex_uvs.push(uv);
            }
        }
        if let Some(kind) = colour_kind {
            decode_colours(&mut self.vertex_colours, kind);
        }
        Ok(())
    }

    fn read_faces<V: Values>(&mut self, values: &mut V, element: &Element) -> Result<(), ReadError> {
        let roles = roles(element);
        let colour_kind = colour_kind(&roles);
        let has = |wanted: Role| roles.iter().any(|(_, role)| *role == wanted);
        let (has_uvs, has_pictures) = (has(Role::CornerUvs), has(Role::PictureNumber));
        let room = element.count.min(values.entries_left(element.bytes_min()));
        self.faces.vertices.reserve(3 * room);
        self.faces.ends.reserve(room);
        let (mut too_small, mut too_long) = (0, 0);
        for _ in 0..element.count {
            let start = self.faces.vertices.len();
            let (mut colour, mut picture) = ([0.0; 3], 0);
            for &(kind, role) in &roles {
                match (kind, role) {
                    (Kind::List { count, item }, Role::Corners) => self.read_corners(values, count, item)?,
                    (Kind::List { count, item }, Role::CornerUvs) => self.read_corner_uvs(values, count, item)?,
                    (Kind::One(scalar), Role::Colour(channel)) => colour[channel] = values.next(scalar)? as f32,
                    (Kind::One(scalar), Role::PictureNumber) => picture = values.next(scalar)? as u32,
                    (kind, _) => skip_property(values, kind)?,
                }
            }
            too_long += usize::from(!values.end_entry());
            let corners = self.faces.vertices.len() - start;
            if corners < 3 {
                too_small += 1;
                self.faces.vertices.truncate(start);
            }
            if has_uvs {
                self.faces.uvs.resize(self.faces.vertices.len(), [0.0; 2]);
            }
            if corners < 3 {
                continue;
            }
            self.faces.end_face();
            if colour_kind.is_some() {
                self.faces.colours.push(colour);
            }
            if has_pictures {
                self.faces.materials.push(picture);
            }
        }
        if too_long > 0 {
            self.notes.push(format!("more numbers than declared ignored on the lines of {too_long} faces"));
        }
        if too_small > 0 {
            self.notes.push(format!("{too_small} faces with fewer than three corners ignored"));
        }
        if let Some(kind) = colour_kind {
            decode_colours(&mut self.faces.colours, kind);
        }
        Ok(())
    }

    #[inline]
    fn read_corners<V: Values>(&mut self, values: &mut V, count: Scalar, item: Scalar) -> Result<(), ReadError> {
        let corners = list_length(values, count)?;
        if corners > CORNERS_MAX {
            let what = format!("a face with {corners} corners, at most {CORNERS_MAX} are read");
            return Err(values.here(ReadError::new(what, "export the scan with triangles")));
        }
        for _ in 0..corners {
            let vertex = values.next(item)?;
            let vertex = self.checked(vertex).map_err(|e| values.here(e))?;
            self.faces.vertices.push(vertex);
        }
        Ok(())
    }

    fn read_corner_uvs<V: Values>(&mut self, values: &mut V, count: Scalar, item: Scalar) -> Result<(), ReadError> {
        let numbers = list_length(values, count)?;
        for _ in 0..numbers / 2 {
            let uv = [values.next(item)? as f32, values.next(item)? as f32];
            self.faces.uvs.push(uv);
        }
        if numbers % 2 == 1 {
            values.next(item)?;
        }
        Ok(())
    }

    /// Strips: each vertex makes a triangle with the two before it, turned over every other time; -1 starts anew.
    fn read_strips<V: Values>(&mut self, values: &mut V, element: &Element) -> Result<(), ReadError> {
        for _ in 0..element.count {
            for (kind, role) in roles(element) {
                let (Kind::List { count, item }, Role::Corners) = (kind, role) else {
                    skip_property(values, kind)?;
                    continue;
                };
                let (mut before, mut length) = ([0; 2], 0);
                for _ in 0..list_length(values, count)? {
                    let value = values.next(item)?;
                    if value as i64 == -1 {
                        length = 0;
                        continue;
                    }
                    let vertex = self.checked(value).map_err(|e| values.here(e))?;
                    if length >= 2 {
                        let [a, b] = if length % 2 == 0 { before } else { [before[1], before[0]] };
                        self.faces.vertices.extend([a, b, vertex]);
                        self.faces.end_face();
                    }
                    before = [before[1], vertex];
                    length += 1;
                }
            }
            values.end_entry();
        }
        Ok(())
    }

    /// A vertex index that is in range.
    #[inline]
    fn checked(&self, vertex: f64) -> Result<u32, ReadError> {
        if vertex >= 0.0 && vertex < self.vertex_count as f64 {
            return Ok(vertex as u32);
        }
        let what = format!("a face refers to vertex {vertex}, there are {}", self.vertex_count);
        Err(ReadError::new(what, EXPORT_AGAIN))
    }

    fn into_mesh(mut self, files: &ScanFiles, layout: &Layout, options: ReadOptions) -> Result<RawMesh, ReadError> {
        let mut mesh = RawMesh { positions: self.positions, notes: self.notes, ..RawMesh::default() };
        if !self.vertex_uvs.is_empty() && self.faces.uvs.is_empty() {
            self.faces.uvs = self.faces.vertices.iter().map(|&v| self.vertex_uvs[v as usize]).collect();
        }
        if self.faces.uvs.is_empty() || layout.pictures.is_empty() {
            if !self.faces.uvs.is_empty() {
                mesh.notes.push("texture coordinates without a picture ignored".to_owned());
            }
            self.faces.uvs = Vec::new();
            self.faces.materials = Vec::new();
        } else {
            for uv in &mut self.faces.uvs {
                uv[1] = 1.0 - uv[1];
            }
            add_materials(files, layout, options, &mut mesh)?;
            let known = mesh.materials.len() as u32;
            self.faces.materials.resize(self.faces.ends.len(), 0);
            if let Some(unknown) = self.faces.materials.iter().find(|&&m| m >= known) {
                let what = format!("a face uses picture {unknown}, the header names {known}");
                return Err(ReadError::new(what, EXPORT_AGAIN));
            }
        }
        self.faces.fill(&mut mesh);
        mesh.vertex_colours = self.vertex_colours;
        mesh.settled(options)
    }
}

/// One material for each picture the header names.
fn add_materials(
    files: &ScanFiles,
    layout: &Layout,
    options: ReadOptions,
    mesh: &mut RawMesh,
) -> Result<(), ReadError> {
    let mut pictures = SurfacePictures::new(files, options);
    for name in &layout.pictures {
        let picture = pictures.named(name, &files.main, &mut mesh.notes)?;
        let plain = Material::plain(name, super::raw_mesh::NEUTRAL);
        let base = if picture.is_some() { [1.0; 3] } else { plain.base };
        mesh.materials.push(Material { base, picture, wrap: [Wrap::Repeat; 2], ..plain });
    }
    mesh.pictures = pictures.into_pictures();
    Ok(())
}

fn colour_kind(roles: &[(Kind, Role)]) -> Option<Scalar> {
    roles.iter().find_map(|&(kind, role)| match (kind, role) {
        (Kind::One(scalar), Role::Colour(_)) => Some(scalar),
        _ => None,
    })
}

/// Colour numbers to linear light; floats above 1 anywhere mean that they go to 255 (common practice, no source).
fn decode_colours(colours: &mut [[f32; 3]], kind: Scalar) {
    let top = match kind {
        Scalar::F32 | Scalar::F64 => {
            let above_one = colours.par_iter().flatten_iter().any(|&c| c > 1.0);
            if above_one { 255.0 } else { 1.0 }
        }
        Scalar::U16 | Scalar::I16 => 65_535.0,
        Scalar::I8 | Scalar::U8 | Scalar::I32 | Scalar::U32 => 255.0,
    };
    colours.par_iter_mut().for_each(|colour| *colour = super::linear_light(*colour, top));
}

fn list_length<V: Values>(values: &mut V, count: Scalar) -> Result<usize, ReadError> {
    let length = values.next(count)?;
    if length >= 0.0 && length <= f64::from(u32::MAX) {
        return Ok(length as usize);
    }
    Err(values.here(ReadError::new(format!("a list of {length} entries"), EXPORT_AGAIN)))
}

fn skip_property<V: Values>(values: &mut V, kind: Kind) -> Result<(), ReadError> {
    match kind {
        Kind::One(scalar) => {
            values.next(scalar)?;
        }
        Kind::List { count, item } => {
            for _ in 0..list_length(values, count)? {
                values.next(item)?;
            }
        }
    }
    Ok(())
}

fn skip<V: Values>(values: &mut V, element: &Element) -> Result<(), ReadError> {
    for _ in 0..element.count {
        element.properties.iter().try_for_each(|p| skip_property(values, p.kind))?;
        values.end_entry();
    }
    Ok(())
}

/// Pictures a PLY file names, as written.
pub(super) fn references(bytes: &[u8]) -> Vec<String> {
    header::picture_names(bytes)
}

/// Whether the body holds all the header announces.
pub(super) fn is_whole(bytes: &[u8]) -> Result<(), String> {
    let layout = header::read(bytes).map_err(|e| e.what)?;
    let walk = match layout.body {
        Body::Text => walk(&mut Text::new(bytes, &layout), &layout),
        Body::LittleEndian | Body::BigEndian => walk(&mut Binary::new(bytes, &layout), &layout),
    };
    walk.map_err(|e| e.what)
}

fn walk<V: Values>(values: &mut V, layout: &Layout) -> Result<(), ReadError> {
    layout.elements.iter().try_for_each(|element| skip(values, element))
}
