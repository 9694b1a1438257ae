//! What a scan file holds, format aside: shape, colours in whichever way the file carries them, and what was skipped.
//! A mesh that passed [`RawMesh::settled`] has triangles, indices in range and finite positions.

use glam::DVec3;
use rayon::prelude::*;

use super::picture::Picture;
use super::read_error::ReadError;

/// Most vertices or triangles a file may hold.
pub(super) const COUNT_MAX: usize = 50_000_000;

/// Coordinates at and above this are taken for damage, like infinities.
const COORDINATE_MAX: f64 = 1e12;

/// Linear-light grey of a place without colour.
pub const NEUTRAL: [f32; 3] = [0.5; 3];

/// How a reader treats what is not quite right.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct ReadOptions {
    /// Drop vertices at NaN or infinity with their faces, instead of refusing the file.
    pub drop_non_finite: bool,
    /// Go on without a picture the scan names but that is not there, instead of refusing the scan.
    pub ignore_missing_picture: bool,
}

/// What a picture shows beyond its edges.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum Wrap {
    #[default]
    Repeat,
    Mirror,
    Clamp,
}

/// How the faces of a material are coloured.
///
/// With a picture: picture times `base`, and times the vertex colours if `tinted`. Without: vertex colours, times
/// `base` if `tinted`; `base` alone when the file has no vertex colours.
#[derive(Clone, Debug, PartialEq)]
pub struct Material {
    pub name: String,
    /// Linear-light RGB.
    pub base: [f32; 3],
    /// Index into [`RawMesh::pictures`].
    pub picture: Option<usize>,
    /// Along u and v.
    pub wrap: [Wrap; 2],
    pub tinted: bool,
}

impl Material {
    /// A material of one colour.
    #[must_use]
    pub fn plain(name: impl Into<String>, base: [f32; 3]) -> Self {
        Self { name: name.into(), base, picture: None, wrap: [Wrap::Repeat; 2], tinted: false }
    }
}

/// A mesh as read: units and axes are the file's own.
#[derive(Clone, Debug, Default)]
pub struct RawMesh {
    pub positions: Vec<DVec3>,
    pub triangles: Vec<[u32; 3]>,
    /// Linear-light RGB; one per vertex, or none at all.
    pub vertex_colours: Vec<[f32; 3]>,
    /// Linear-light RGB; one per triangle, or none at all. Used where there are neither vertex colours nor pictures.
    pub face_colours: Vec<[f32; 3]>,
    /// Texture coordinates of each triangle's corners, u right and v down from the picture's upper left corner; one
    /// entry per triangle, or none at all.
    pub corner_uvs: Vec<[[f32; 2]; 3]>,
    /// Index into `materials`; one per triangle, or none at all.
    pub face_materials: Vec<u32>,
    pub materials: Vec<Material>,
    pub pictures: Vec<Picture>,
    /// Millimetres of the unit the format prescribes.
    pub unit_hint_mm: Option<f64>,
    /// Up axis the format prescribes.
    pub up_hint: Option<DVec3>,
    /// What was skipped, such as `12 line elements ignored`.
    pub notes: Vec<String>,
}

impl RawMesh {
    /// Whether anything but one uniform colour is known.
    #[must_use]
    pub fn has_colour(&self) -> bool {
        let bits = |m: &Material| m.base.map(f32::to_bits);
        let base_differs = self.materials.windows(2).any(|pair| bits(&pair[0]) != bits(&pair[1]));
        let any_picture = self.materials.iter().any(|m| m.picture.is_some());
        !self.vertex_colours.is_empty() || !self.face_colours.is_empty() || any_picture || base_differs
    }

    /// Checks the mesh as a whole; the last step of every reader.
    pub(super) fn settled(mut self, options: ReadOptions) -> Result<Self, ReadError> {
        if self.triangles.is_empty() {
            return Err(nothing_to_see(self.positions.len()));
        }
        let vertices = self.positions.len();
        if let Some(t) = self.triangles.par_iter().position_first(|t| t.iter().any(|&v| v as usize >= vertices)) {
            let what = format!("refers to a vertex beyond the last of {vertices}");
            return Err(ReadError::new(what, "export the scan again").at_item(format!("triangle {t}")));
        }
        self.settle_non_finite(options)?;
        let before = self.triangles.len();
        self.keep_triangles(|[a, b, c]| a != b && b != c && c != a);
        if self.triangles.len() < before {
            self.notes.push(format!("{} triangles with repeated corners dropped", before - self.triangles.len()));
        }
        if self.triangles.is_empty() {
            return Err(nothing_to_see(vertices));
        }
        for colour in self.vertex_colours.iter_mut().chain(&mut self.face_colours) {
            *colour = if colour.iter().all(|c| c.is_finite()) { colour.map(|c| c.clamp(0.0, 1.0)) } else { NEUTRAL };
        }
        Ok(self)
    }

    /// Refuses vertices at NaN or infinity, or drops them with their faces.
    fn settle_non_finite(&mut self, options: ReadOptions) -> Result<(), ReadError> {
        let finite = |p: &DVec3| p.is_finite() && p.abs().max_element() < COORDINATE_MAX;
        let Some(first) = self.positions.par_iter().position_first(|p| !finite(p)) else { return Ok(()) };
        let count = self.positions.par_iter().filter(|p| !finite(p)).count();
        if !options.drop_non_finite {
            let what = format!("{count} vertices lie at NaN or infinity, this is the first");
            let hint = "export the scan again, or drop them with `--set intake.drop_non_finite=true`";
            return Err(ReadError::new(what, hint).at_item(format!("vertex {first}")));
        }
        let positions = std::mem::take(&mut self.positions);
        let before = self.triangles.len();
        self.keep_triangles(|t| t.iter().all(|&v| finite(&positions[v as usize])));
        let gone = before - self.triangles.len();
        self.notes.push(format!("{count} vertices at NaN or infinity dropped with {gone} triangles"));
        self.positions = positions;
        // The vertices stay, unused, so that indices keep their meaning; zero keeps them harmless.
        for p in self.positions.iter_mut().filter(|p| !finite(p)) {
            *p = DVec3::ZERO;
        }
        Ok(())
    }

    /// Keeps the triangles that pass the test, with all that belongs to them.
    fn keep_triangles(&mut self, keep: impl Fn([u32; 3]) -> bool) {
        let kept: Vec<bool> = self.triangles.iter().map(|&t| keep(t)).collect();
        if kept.iter().all(|&k| k) {
            return;
        }
        retain_by(&mut self.triangles, &kept);
        retain_by(&mut self.face_colours, &kept);
        retain_by(&mut self.corner_uvs, &kept);
        retain_by(&mut self.face_materials, &kept);
    }
}

fn retain_by<T>(values: &mut Vec<T>, kept: &[bool]) {
    let mut flags = kept.iter();
    values.retain(|_| flags.next().copied().unwrap_or(true));
}

fn nothing_to_see(vertices: usize) -> ReadError {
    if vertices == 0 {
        return ReadError::new("the file holds no mesh", "export the scan as a mesh with triangles");
    }
    let what = format!("the file holds {vertices} points but no faces");
    ReadError::new(what, "a point cloud cannot be printed: let the scanner's program make a mesh of it")
}
