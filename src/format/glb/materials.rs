//! Materials of a glTF file: base colour, its picture, and where on the picture a vertex lies.

use gltf::json::texture::{Info, WrappingMode};
use gltf::json::validation::Checked;
use gltf::json::{self, Index};

use super::data::{Data, at, inline_bytes};
use crate::format::ScanFiles;
use crate::format::names::percent_decoded;
use crate::format::raw_mesh::{Material, NEUTRAL, RawMesh, ReadOptions, Wrap};
use crate::format::read_error::ReadError;
use crate::format::surface_pictures::SurfacePictures;

/// What a primitive needs to know of its material.
#[derive(Clone, Debug)]
pub(super) struct Covering {
    /// Index into [`RawMesh::materials`].
    pub material: u32,
    /// Set of texture coordinates and how they are moved, when there is a picture.
    pub uv: Option<UvMap>,
}

/// A texture transform (glTF extension `KHR_texture_transform`).
#[derive(Clone, Copy, Debug)]
pub(super) struct UvMap {
    pub set: u32,
    offset: [f32; 2],
    scale: [f32; 2],
    rotation: f32,
}

impl UvMap {
    fn new(info: &Info) -> Self {
        let transform = info.extensions.as_ref().and_then(|e| e.texture_transform.as_ref());
        let Some(t) = transform else {
            return Self { set: info.tex_coord, offset: [0.0; 2], scale: [1.0; 2], rotation: 0.0 };
        };
        let set = t.tex_coord.unwrap_or(info.tex_coord);
        Self { set, offset: t.offset.0, scale: t.scale.0, rotation: t.rotation.0 }
    }

    /// Scaled, turned counter-clockwise as seen with v down, then moved.
    pub fn apply(&self, [u, v]: [f32; 2]) -> [f32; 2] {
        let [u, v] = [u * self.scale[0], v * self.scale[1]];
        let (sin, cos) = self.rotation.sin_cos();
        [cos * u + sin * v + self.offset[0], cos * v - sin * u + self.offset[1]]
    }
}

/// Turns materials into coverings when a primitive first asks for them.
#[derive(Debug)]
pub(super) struct Coverings<'a> {
    data: &'a Data<'a>,
    main: &'a str,
    pictures: SurfacePictures<'a>,
    known: Vec<(Option<usize>, Covering)>,
}

impl<'a> Coverings<'a> {
    pub fn new(data: &'a Data<'a>, files: &'a ScanFiles, options: ReadOptions) -> Self {
        let pictures = SurfacePictures::new(files, options);
        Self { data, main: &files.main, pictures, known: Vec::new() }
    }

    pub fn of(&mut self, index: Option<Index<json::Material>>, mesh: &mut RawMesh) -> Result<Covering, ReadError> {
        let key = index.map(|i| i.value());
        if let Some((_, covering)) = self.known.iter().find(|(known, _)| *known == key) {
            return Ok(covering.clone());
        }
        let covering = match index {
            None => Self::add(Material { base: [1.0; 3], tinted: true, ..Material::plain("", NEUTRAL) }, None, mesh),
            Some(index) => {
                let material = at(&self.data.root.materials, index, "material")?;
                let item = format!("materials[{}]", index.value());
                self.cover(material, mesh).map_err(|e| e.at_item(item))?
            }
        };
        self.known.push((key, covering.clone()));
        Ok(covering)
    }

    fn cover(&mut self, material: &json::Material, mesh: &mut RawMesh) -> Result<Covering, ReadError> {
        let gloss = material.extensions.as_ref().and_then(|e| e.pbr_specular_glossiness.as_ref());
        let metal = &material.pbr_metallic_roughness;
        let (factor, info) = match gloss {
            Some(gloss) => (gloss.diffuse_factor.0, gloss.diffuse_texture.as_ref()),
            None => (metal.base_color_factor.0, metal.base_color_texture.as_ref()),
        };
        let [red, green, blue, _] = factor.map(|c| if c.is_finite() { c.clamp(0.0, 1.0) } else { 1.0 });
        let plain = Material::plain(material.name.clone().unwrap_or_default(), [red, green, blue]);
        let mut found = Material { tinted: true, ..plain };
        let Some(info) = info else { return Ok(Self::add(found, None, mesh)) };
        let texture = at(&self.data.root.textures, info.index, "texture")?;
        found.picture = self.picture(texture, &mut mesh.notes)?;
        if let Some(sampler) = texture.sampler {
            let sampler = at(&self.data.root.samplers, sampler, "sampler")?;
            found.wrap = [wrap(sampler.wrap_s), wrap(sampler.wrap_t)];
        }
        let uv = found.picture.map(|_| UvMap::new(info));
        Ok(Self::add(found, uv, mesh))
    }

    fn add(material: Material, uv: Option<UvMap>, mesh: &mut RawMesh) -> Covering {
        mesh.materials.push(material);
        Covering { material: mesh.materials.len() as u32 - 1, uv }
    }

    fn picture(&mut self, texture: &json::Texture, notes: &mut Vec<String>) -> Result<Option<usize>, ReadError> {
        if texture.source.value() == u32::MAX as usize {
            let what = "its picture is stored in a way that needs an extension, such as WebP or KTX";
            return Err(ReadError::new(what, "export the scan with PNG or JPEG pictures"));
        }
        let image = at(&self.data.root.images, texture.source, "image")?;
        let name = format!("images[{}]", texture.source.value());
        if let Some(view) = image.buffer_view {
            return self.pictures.embedded(&name, self.data.view(view)?).map(Some);
        }
        let uri = image.uri.as_deref().unwrap_or_default();
        match inline_bytes(uri) {
            Some(bytes) => self.pictures.embedded(&name, &bytes?).map(Some),
            None => self.pictures.named(&percent_decoded(uri), self.main, notes),
        }
    }

    pub fn into_pictures(self) -> Vec<crate::format::picture::Picture> {
        self.pictures.into_pictures()
    }
}

fn wrap(mode: Checked<WrappingMode>) -> Wrap {
    match mode {
        Checked::Valid(WrappingMode::ClampToEdge) => Wrap::Clamp,
        Checked::Valid(WrappingMode::MirroredRepeat) => Wrap::Mirror,
        Checked::Valid(WrappingMode::Repeat) | Checked::Invalid => Wrap::Repeat,
    }
}
