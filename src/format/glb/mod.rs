//! Reads glTF 2.0, as GLB or JSON: placed meshes, vertex colours, base colours and their pictures. The crate's JSON
//! model is walked with own checks, since its readers trust counts and indices.

mod data;
mod materials;
mod scene;

use glam::{DMat4, DVec3};
use gltf::json::Root;
use gltf::json::mesh::{Mode, Primitive, Semantic};
use gltf::json::validation::Checked;

use self::data::{Data, at};
use self::materials::{Covering, Coverings};
use super::ScanFiles;
use super::names::percent_decoded;
use super::raw_mesh::{COUNT_MAX, RawMesh, ReadOptions};
use super::read_error::{EXPORT_AGAIN, ReadError};

/// Extensions without which a file can still be read right.
const HARMLESS: [&str; 4] =
    ["KHR_texture_transform", "KHR_mesh_quantization", "KHR_materials_unlit", "KHR_materials_pbrSpecularGlossiness"];

/// The JSON part and the binary part, if there is one.
fn parts(bytes: &[u8]) -> Result<(&[u8], Option<&[u8]>), ReadError> {
    if !bytes.starts_with(b"glTF") {
        return Ok((bytes.strip_prefix(b"\xef\xbb\xbf").unwrap_or(bytes), None));
    }
    let word = |at: usize| bytes.get(at..at + 4).and_then(|b| b.as_array()).map_or(0, |b| u32::from_le_bytes(*b));
    if word(4) != 2 {
        let what = format!("version {} of glTF, only version 2 is read", word(4));
        return Err(ReadError::new(what, "export the scan as glTF 2.0"));
    }
    let announced = word(8) as usize;
    if announced > bytes.len() || announced < 20 {
        let what = format!("{announced} bytes announced, the file has {}", bytes.len());
        return Err(ReadError::new(what, EXPORT_AGAIN).at_byte(8));
    }
    let mut chunks: [Option<&[u8]>; 2] = [None; 2];
    let mut at = 12;
    while at + 8 <= announced {
        let (length, kind) = (word(at) as usize, &bytes[at + 4..at + 8]);
        let Some(chunk) = bytes[..announced].get(at + 8..at + 8 + length) else {
            let what = format!("a chunk of {length} bytes reaches beyond the end");
            return Err(ReadError::new(what, EXPORT_AGAIN).at_byte(at));
        };
        match kind {
            b"JSON" => chunks[0] = chunks[0].or(Some(chunk)),
            b"BIN\0" => chunks[1] = chunks[1].or(Some(chunk)),
            _ => {}
        }
        at += 8 + length;
    }
    let json = chunks[0].ok_or_else(|| ReadError::new("no JSON chunk in the GLB file", EXPORT_AGAIN))?;
    Ok((json, chunks[1]))
}

pub(super) fn read(files: &ScanFiles, bytes: &[u8], options: ReadOptions) -> Result<RawMesh, ReadError> {
    let (json, bin) = parts(bytes)?;
    let root = Root::from_slice(json).map_err(|e| not_gltf(&e))?;
    for extension in &root.extensions_required {
        if !HARMLESS.contains(&extension.as_str()) {
            let what = format!("needs the extension `{extension}`, which is not read");
            return Err(ReadError::new(what, "export the scan without compression and without extensions"));
        }
    }
    let data = Data::new(&root, bin, files)?;
    let mut coverings = Coverings::new(&data, files, options);
    let mut reading = Reading { data: &data, mesh: RawMesh::default(), has_colours: false, skipped: 0, without_uvs: 0 };
    for placed in scene::placed_meshes(&root)? {
        let mesh = at(&root.meshes, placed.mesh, "mesh")?;
        for (number, primitive) in mesh.primitives.iter().enumerate() {
            let item = format!("meshes[{}].primitives[{number}]", placed.mesh.value());
            let covering = coverings.of(primitive.material, &mut reading.mesh)?;
            reading.add(primitive, &placed.place, &covering).map_err(|e| if_unplaced(e, &item))?;
        }
    }
    let Reading { mut mesh, skipped, without_uvs, .. } = reading;
    mesh.pictures = coverings.into_pictures();
    if mesh.pictures.is_empty() {
        mesh.corner_uvs = Vec::new();
    }
    if skipped > 0 {
        mesh.notes.push(format!("{skipped} primitives of points or lines ignored"));
    }
    if without_uvs > 0 {
        mesh.notes
            .push(format!("{without_uvs} primitives with a picture but no texture coordinates are of one colour"));
    }
    if !root.skins.is_empty() {
        mesh.notes.push("skeleton ignored: the figure stands as it was modelled".to_owned());
    }
    // Lengths are metres and y is up by the standard (glTF 2.0, section 3.4).
    mesh.unit_hint_mm = Some(1000.0);
    mesh.up_hint = Some(DVec3::Y);
    mesh.settled(options)
}

fn not_gltf(error: &gltf::json::Error) -> ReadError {
    let error_place = super::read_error::Place::Line(error.line());
    ReadError::new(format!("the glTF text is damaged: {error}"), EXPORT_AGAIN).at(error_place)
}

fn if_unplaced(error: ReadError, item: &str) -> ReadError {
    if error.place == super::read_error::Place::Whole { error.at_item(item) } else { error }
}

/// The mesh as far as it is put together.
struct Reading<'a> {
    data: &'a Data<'a>,
    mesh: RawMesh,
    has_colours: bool,
    /// Primitives of points or lines.
    skipped: usize,
    /// Primitives with a picture but without texture coordinates.
    without_uvs: usize,
}

impl Reading<'_> {
    fn add(&mut self, primitive: &Primitive, place: &DMat4, covering: &Covering) -> Result<(), ReadError> {
        let attribute = |semantic| primitive.attributes.get(&Checked::Valid(semantic)).copied();
        let Checked::Valid(mode) = primitive.mode else {
            return Err(ReadError::new("an unknown kind of primitive", EXPORT_AGAIN));
        };
        let Some(positions) = attribute(Semantic::Positions) else { return Ok(()) };
        if matches!(mode, Mode::Points | Mode::Lines | Mode::LineLoop | Mode::LineStrip) {
            self.skipped += 1;
            return Ok(());
        }
        let positions: Vec<[f64; 3]> = self.data.rows(positions, false)?;
        let count = positions.len();
        let indices = match primitive.indices {
            Some(indices) => self.data.indices(indices, count)?,
            None => (0..count as u32).collect(),
        };
        let base = self.mesh.positions.len();
        let triangles = triangles(&indices, mode, place.determinant() < 0.0);
        if base + count > COUNT_MAX || self.mesh.triangles.len() + triangles.len() > COUNT_MAX {
            let what = format!("more than {COUNT_MAX} vertices or triangles");
            return Err(ReadError::new(what, "reduce the mesh in the scanner's program"));
        }
        self.add_colours(attribute(Semantic::Colors(0)), count)?;
        let uvs = match covering.uv {
            None => None,
            Some(map) => Some((map, self.uvs(attribute(Semantic::TexCoords(map.set)), count)?)),
        };
        self.mesh.positions.extend(positions.into_iter().map(|p| place.transform_point3(DVec3::from_array(p))));
        for triangle in triangles {
            let corners = match &uvs {
                Some((map, uvs)) => triangle.map(|v| map.apply(uvs[v as usize])),
                None => [[0.0; 2]; 3],
            };
            self.mesh.corner_uvs.push(corners);
            self.mesh.face_materials.push(covering.material);
            self.mesh.triangles.push(triangle.map(|v| base as u32 + v));
        }
        Ok(())
    }

    /// Vertex colours are linear light by the standard; primitives without them count as white.
    fn add_colours(
        &mut self,
        accessor: Option<gltf::json::Index<gltf::json::Accessor>>,
        count: usize,
    ) -> Result<(), ReadError> {
        let before = self.mesh.positions.len();
        if let Some(accessor) = accessor {
            let rows: Vec<[f64; 3]> = self.data.rows(accessor, true)?;
            check_count("colours", rows.len(), count)?;
            self.mesh.vertex_colours.resize(before, [1.0; 3]);
            self.mesh.vertex_colours.extend(rows.iter().map(|c| c.map(|c| c as f32)));
            self.has_colours = true;
        } else if self.has_colours {
            self.mesh.vertex_colours.resize(before + count, [1.0; 3]);
        }
        Ok(())
    }

    /// Without texture coordinates all lie in the picture's corner.
    fn uvs(
        &mut self,
        accessor: Option<gltf::json::Index<gltf::json::Accessor>>,
        count: usize,
    ) -> Result<Vec<[f32; 2]>, ReadError> {
        let Some(accessor) = accessor else {
            self.without_uvs += 1;
            return Ok(vec![[0.0; 2]; count]);
        };
        let rows: Vec<[f64; 2]> = self.data.rows(accessor, true)?;
        check_count("texture coordinates", rows.len(), count)?;
        Ok(rows.iter().map(|uv| uv.map(|c| c as f32)).collect())
    }
}

fn check_count(what: &str, found: usize, vertices: usize) -> Result<(), ReadError> {
    if found == vertices {
        return Ok(());
    }
    Err(ReadError::new(format!("{found} {what} for {vertices} vertices"), EXPORT_AGAIN))
}

/// Triangles of a list, strip or fan; turned over when the mesh is placed mirrored.
fn triangles(indices: &[u32], mode: Mode, is_mirrored: bool) -> Vec<[u32; 3]> {
    let mut triangles: Vec<[u32; 3]> = match mode {
        Mode::TriangleStrip => {
            let turned = |(n, t): (usize, &[u32])| if n % 2 == 0 { [t[0], t[1], t[2]] } else { [t[1], t[0], t[2]] };
            indices.windows(3).enumerate().map(turned).collect()
        }
        Mode::TriangleFan => {
            let hub = indices.first().copied().unwrap_or(0);
            indices.get(1..).unwrap_or(&[]).windows(2).map(|t| [hub, t[0], t[1]]).collect()
        }
        _ => indices.as_chunks().0.to_vec(),
    };
    if is_mirrored {
        for triangle in &mut triangles {
            triangle.swap(1, 2);
        }
    }
    triangles
}

/// Buffers and pictures a glTF file names; none when its JSON cannot be read.
pub(super) fn references(bytes: &[u8]) -> Vec<String> {
    let root = parts(bytes).ok().and_then(|(json, _)| Root::from_slice(json).ok());
    let Some(root) = root else { return Vec::new() };
    let uris = root.buffers.iter().map(|b| &b.uri).chain(root.images.iter().map(|i| &i.uri));
    uris.flatten().filter(|uri| !uri.starts_with("data:")).map(|uri| percent_decoded(uri)).collect()
}

/// Whether the announced length is there, or the JSON is closed.
pub(super) fn is_whole(bytes: &[u8]) -> Result<(), String> {
    if bytes.starts_with(b"glTF") {
        return parts(bytes).map(|_| ()).map_err(|e| e.what);
    }
    let is_closed = bytes.trim_ascii_end().ends_with(b"}");
    if is_closed { Ok(()) } else { Err("the glTF text has no end yet".to_owned()) }
}
