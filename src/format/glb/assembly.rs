//! Puts the primitives of placed meshes together into one mesh.

use glam::{DMat4, DVec3};
use gltf::json::mesh::{Mode, Primitive, Semantic};
use gltf::json::validation::Checked;
use gltf::json::{Accessor, Index};

use super::data::{Data, at};
use super::materials::{Covering, Coverings};
use super::scene::Placed;
use crate::format::raw_mesh::RawMesh;
use crate::format::read_error::{EXPORT_AGAIN, Place, ReadError};

/// The mesh as far as it is put together.
pub(super) struct Assembly<'a> {
    data: &'a Data<'a>,
    coverings: Coverings<'a>,
    /// Most vertices or triangles.
    count_max: usize,
    mesh: RawMesh,
    has_colours: bool,
    /// Primitives of points or lines.
    skipped: usize,
    /// Primitives with a picture but without texture coordinates.
    without_uvs: usize,
}

impl<'a> Assembly<'a> {
    pub fn new(data: &'a Data<'a>, coverings: Coverings<'a>, count_max: usize) -> Self {
        let mesh = RawMesh::default();
        Self { data, coverings, count_max, mesh, has_colours: false, skipped: 0, without_uvs: 0 }
    }

    /// Adds all primitives of a placed mesh.
    pub fn add(&mut self, placed: &Placed) -> Result<(), ReadError> {
        let mesh = at(&self.data.root.meshes, placed.mesh, "mesh")?;
        for (number, primitive) in mesh.primitives.iter().enumerate() {
            let covering = self.coverings.of(primitive.material, &mut self.mesh)?;
            self.add_primitive(primitive, &placed.place, &covering).map_err(|error| {
                let is_unplaced = error.place == Place::Whole;
                let item = format!("meshes[{}].primitives[{number}]", placed.mesh.value());
                if is_unplaced { error.at_item(item) } else { error }
            })?;
        }
        Ok(())
    }

    pub fn into_mesh(self) -> RawMesh {
        let Self { coverings, mut mesh, skipped, without_uvs, .. } = self;
        mesh.pictures = coverings.into_pictures();
        if mesh.pictures.is_empty() {
            mesh.corner_uvs = Vec::new();
        }
        if skipped > 0 {
            mesh.notes.push(format!("{skipped} primitives of points or lines ignored"));
        }
        if without_uvs > 0 {
            let what = "primitives with a picture but no texture coordinates are of one colour";
            mesh.notes.push(format!("{without_uvs} {what}"));
        }
        mesh
    }

    fn add_primitive(&mut self, primitive: &Primitive, place: &DMat4, covering: &Covering) -> Result<(), ReadError> {
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
        if base + count > self.count_max || self.mesh.triangles.len() + triangles.len() > self.count_max {
            let what = format!("more than {} vertices or triangles, counting meshes each time", self.count_max);
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
    fn add_colours(&mut self, accessor: Option<Index<Accessor>>, count: usize) -> Result<(), ReadError> {
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
    fn uvs(&mut self, accessor: Option<Index<Accessor>>, count: usize) -> Result<Vec<[f32; 2]>, ReadError> {
        let Some(accessor) = accessor else {
            self.without_uvs += 1;
            return Ok(vec![[0.0; 2]; count]);
        };
        let rows: Vec<[f64; 2]> = self.data.rows(accessor, false)?;
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
