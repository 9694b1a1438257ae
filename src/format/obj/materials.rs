//! Ties the faces of an OBJ file to the materials of its MTL files and their pictures.

use super::mtl::{self, Entry, Map};
use super::{NO_UV, Reading};
use crate::format::ScanFiles;
use crate::format::names::below_folder;
use crate::format::raw_mesh::{Material, NEUTRAL, RawMesh, ReadOptions, Wrap};
use crate::format::read_error::ReadError;
use crate::format::surface_pictures::{SurfacePictures, leaves_folder, missing};

/// A material definition and the file it stands in.
struct Definition {
    file: String,
    entry: Entry,
}

impl Reading {
    /// Fills in `faces.materials` and `faces.uvs`, and the materials and pictures of `mesh`.
    pub(super) fn add_materials(
        &mut self,
        files: &ScanFiles,
        options: ReadOptions,
        mesh: &mut RawMesh,
    ) -> Result<(), ReadError> {
        if self.face_materials.iter().all(Option::is_none) {
            return Ok(());
        }
        let definitions = self.definitions(files, options, mesh)?;
        let mut pictures = SurfacePictures::new(files, options);
        let mut maps: Vec<Option<Map>> = Vec::new();
        for name in &self.material_names {
            let definition = definitions.iter().find(|d| d.entry.name == *name);
            if definition.is_none() && !definitions.is_empty() {
                mesh.notes.push(format!("the material `{name}` is not defined; its faces are grey"));
            }
            let entry = definition.map(|d| &d.entry);
            let diffuse = entry.and_then(|e| e.diffuse).map_or(NEUTRAL, |d| crate::format::linear_light(d, 1.0));
            let mut material = Material::plain(name, diffuse);
            let map = entry.and_then(|e| e.map.clone());
            if let (Some(map), Some(definition)) = (&map, definition) {
                material.picture = pictures.named(&map.file, &definition.file, &mut mesh.notes)?;
                material.wrap = if map.is_clamped { [Wrap::Clamp; 2] } else { [Wrap::Repeat; 2] };
                if material.picture.is_some() {
                    material.base = [1.0; 3];
                }
            }
            maps.push(map.filter(|_| material.picture.is_some()));
            mesh.materials.push(material);
        }
        mesh.pictures = pictures.into_pictures();
        self.tie_faces(&maps, mesh);
        Ok(())
    }

    /// All materials of the libraries, in order.
    fn definitions(
        &self,
        files: &ScanFiles,
        options: ReadOptions,
        mesh: &mut RawMesh,
    ) -> Result<Vec<Definition>, ReadError> {
        let mut definitions = Vec::new();
        for library in &self.libraries {
            let name = below_folder(library, &files.main).map_err(|_| leaves_folder(library, &files.main))?;
            let Some((file, bytes)) = files.find(&name) else {
                // Without texture coordinates, or with colours of its own, the scan loses little.
                let matters = !self.uvs.is_empty() && mesh.vertex_colours.is_empty();
                if matters && !options.ignore_missing_picture {
                    return Err(missing(&name, &files.main));
                }
                mesh.notes.push(format!("the material file `{name}` is missing"));
                continue;
            };
            let entries = mtl::read(bytes).map_err(|e| e.in_file(file))?;
            definitions.extend(entries.into_iter().map(|entry| Definition { file: file.to_owned(), entry }));
        }
        Ok(definitions)
    }

    /// Gives each face its material and, where a picture is used, each corner its place in the picture.
    fn tie_faces(&mut self, maps: &[Option<Map>], mesh: &mut RawMesh) {
        let bare = mesh.materials.len() as u32;
        mesh.materials.push(Material::plain("", NEUTRAL));
        let has_pictures = maps.iter().any(Option::is_some);
        if has_pictures {
            self.faces.uvs = vec![[0.0; 2]; self.faces.vertices.len()];
        }
        let mut without_uv = 0;
        let mut start = 0;
        for (face, &end) in self.faces.ends.iter().enumerate() {
            let corners = start as usize..end as usize;
            start = end;
            let mut material = self.face_materials[face].unwrap_or(bare);
            if let Some(map) = maps.get(material as usize).and_then(Option::as_ref) {
                if self.corner_uvs[corners.clone()].contains(&NO_UV) {
                    material = bare;
                    without_uv += 1;
                } else {
                    for corner in corners {
                        let [u, v] = self.uvs[self.corner_uvs[corner] as usize];
                        let [u, v] = [u * map.scale[0] + map.offset[0], v * map.scale[1] + map.offset[1]];
                        self.faces.uvs[corner] = [u, 1.0 - v];
                    }
                }
            }
            self.faces.materials.push(material);
        }
        if without_uv > 0 {
            mesh.notes.push(format!("{without_uv} faces without texture coordinates are grey"));
        }
        if !self.faces.materials.contains(&bare) {
            mesh.materials.pop();
        }
    }
}
