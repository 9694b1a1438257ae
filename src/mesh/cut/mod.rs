//! Exact cut of a closed mesh by a plane. No vertex may lie on the plane; both sides get the same rim, bit by bit, and the
//! same cut-face triangles. Rather than a bad mesh a cut returns an error: move the plane a little then.

#![allow(clippy::float_cmp, reason = "coordinates are copied or on the lattice, so they are compared exactly")]

mod assemble;
mod check;
mod feature;
mod flat;
mod hollows;
mod plane;
mod section;

use super::TriMesh;
use super::outline::OutlineError;

pub use check::rim_crossings;
pub use feature::{Feature, Ring, Socket, add_features, add_sockets, flattened, round};
pub use flat::{Flat, flats, flats_in};
pub use plane::Plane;
pub use section::{Region, Section, section};

/// Source of triangles that came from no outside triangle of the input.
pub const NO_SOURCE: u32 = u32::MAX;

/// Why a cut was not made.
#[derive(Clone, Copy, Debug, PartialEq, Eq, thiserror::Error)]
pub enum CutError {
    #[error("a vertex lies on the plane")]
    VertexOnPlane,
    #[error("the plane does not cross the mesh")]
    Misses,
    #[error("the mesh is not closed where the plane crosses it")]
    Open,
    #[error("the section touches itself within the rounding of the lattice; a plane slightly beside it will do")]
    Touches,
    #[error("the section shows overlapping or inside-out shells")]
    Overlaps,
    #[error("the piece still holds together around the cut")]
    StillJoined,
    #[error("there is no such cut face")]
    NoFace,
}

impl From<OutlineError> for CutError {
    fn from(error: OutlineError) -> Self {
        match error {
            OutlineError::Touches => Self::Touches,
            OutlineError::Overlaps => Self::Overlaps,
        }
    }
}

/// A closed part of the cut mesh.
#[derive(Clone, Debug, Default)]
pub struct Piece {
    pub mesh: TriMesh,
    /// For each triangle the input triangle it lies on; `NO_SOURCE` for cut faces made or filled anew.
    pub source: Vec<u32>,
}

impl Piece {
    /// For each triangle the one of an earlier mesh it lies on, given those of the input's triangles.
    #[must_use]
    pub fn source_in(&self, earlier: &[u32]) -> Vec<u32> {
        let of = |t: &u32| if *t == NO_SOURCE { NO_SOURCE } else { earlier[*t as usize] };
        self.source.iter().map(of).collect()
    }
}

/// A cut region and the two pieces it parts.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Seam {
    pub region: usize,
    pub below: usize,
    pub above: usize,
    pub area_mm2: f64,
}

/// A mesh cut into connected pieces.
#[derive(Clone, Debug, Default)]
pub struct Pieces {
    pub pieces: Vec<Piece>,
    pub seams: Vec<Seam>,
}

/// What lies on the two sides of a plane.
#[derive(Clone, Debug, Default)]
pub struct Halves {
    pub below: Piece,
    pub above: Piece,
    pub area_mm2: f64,
}

/// Cuts along every region of the section and sorts what results by side.
///
/// # Errors
/// See [`CutError`].
///
/// # Examples
/// ```
/// use glam::DVec3;
/// use statuary::mesh::cut::{Plane, halves};
/// use statuary::mesh::{Origin, TriMesh, measure::volume_mm3};
///
/// // The tip of an octahedron above half its height is one half cubed of its upper half, 2/3.
/// let points = vec![DVec3::X, -DVec3::X, DVec3::Y, -DVec3::Y, DVec3::Z, -DVec3::Z];
/// let faces = vec![[0, 2, 4], [2, 1, 4], [1, 3, 4], [3, 0, 4], [2, 0, 5], [1, 2, 5], [3, 1, 5], [0, 3, 5]];
/// let octahedron = TriMesh::from_shape(points, faces);
/// let cut = halves(&octahedron, Plane::new(2, 0.5), 7).unwrap();
/// assert!((cut.area_mm2 - 0.5).abs() < 1e-12);
/// assert!((volume_mm3(&cut.above.mesh) - 2.0 / 3.0 / 8.0).abs() < 1e-12);
/// assert!((volume_mm3(&cut.below.mesh) + volume_mm3(&cut.above.mesh) - 4.0 / 3.0).abs() < 1e-12);
/// assert!(cut.above.mesh.origins.contains(&Origin::Cut(7)));
/// ```
pub fn halves(mesh: &TriMesh, plane: Plane, joint: u16) -> Result<Halves, CutError> {
    let section = section(mesh, plane)?;
    let area_mm2 = section.regions.iter().map(|r| r.area_mm2).sum();
    let [below, above] = assemble::by_side(mesh, &section, joint)?;
    Ok(Halves { below, above, area_mm2 })
}

/// Cuts along the chosen regions of a section only and returns the connected pieces, in the order of their first vertex.
///
/// # Errors
/// See [`CutError`]; `StillJoined` when a chosen region has the same piece on both sides.
pub fn pieces(mesh: &TriMesh, section: &Section, chosen: &[bool], joint: u16) -> Result<Pieces, CutError> {
    assemble::by_piece(mesh, section, chosen, joint)
}
