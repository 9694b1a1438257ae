//! Kernel: triangle meshes and what is done to them. No files, no settings; colours are an attribute carried along.
//!
//! # Examples
//! A damaged triangle soup becomes a solid:
//! ```
//! use glam::DVec3;
//! use statuary::mesh::intersect::self_intersections;
//! use statuary::mesh::untangle::{Allowance, largest_piece, untangle};
//! use statuary::mesh::{TriMesh, fill, inspect, manifold, orient_faces, weld};
//!
//! // Each face of an octahedron with corners of its own; two are turned over, one is said twice, one is missing, and a
//! // crumb floats beside them.
//! let corners = [DVec3::X, -DVec3::X, DVec3::Y, -DVec3::Y, DVec3::Z, -DVec3::Z].map(|p| 30.0 * p);
//! let faces = [[2, 0, 4], [2, 1, 4], [1, 3, 4], [0, 3, 4], [2, 0, 5], [1, 2, 5], [3, 1, 5], [3, 1, 5]];
//! let mut points: Vec<DVec3> = faces.iter().flatten().map(|v| corners[*v]).collect();
//! points.extend([DVec3::X, DVec3::Y, DVec3::Z].map(|p| p + 50.0));
//! let soup = TriMesh::from_shape(points, (0..9).map(|t| [3 * t, 3 * t + 1, 3 * t + 2]).collect());
//!
//! let (mesh, _) = weld::weld_equal(soup);
//! let (mut mesh, repeats) = weld::drop_repeats(&mesh);
//! assert_eq!(repeats.duplicates, 1);
//! assert_eq!(orient_faces::orient_outwards(&mut mesh).triangles, 2);
//! let mut body = largest_piece(&manifold::cut_apart(mesh).mesh);
//! assert_eq!(fill::close_up(&mut body, true).len(), 1);
//! let allowed = Allowance { rounds: 10, pairs_max: 100, lost_max_mm2: 1.0, sliver_mm: 1e-3 };
//! assert_eq!(untangle(&mut body, allowed).pairs_after, 0);
//!
//! let faults = inspect::inspect(&body);
//! assert!(faults.is_solid() && faults.components == 1);
//! assert!((faults.volume_mm3 - 30.0_f64.powi(3) * 4.0 / 3.0).abs() < 1e-6);
//! assert!(self_intersections(&body).is_empty());
//! ```

pub mod base;
pub mod bridges;
pub mod columns;
pub mod cut;
pub mod decimate;
pub mod degenerate;
pub mod denoise;
pub mod fans;
pub mod fill;
pub mod fit;
pub mod floor;
pub mod hull;
pub mod inpaint;
pub mod inspect;
pub mod intersect;
pub mod islands;
pub mod isoline;
pub mod label_layers;
pub mod level;
pub mod low_pass;
pub mod manifold;
pub mod measure;
pub mod openness;
pub mod order;
pub mod orient_faces;
pub mod outline;
pub mod patch_layers;
mod put_back;
pub mod refine;
pub mod region;
pub mod shells;
pub mod slice;
pub mod slivers;
pub mod solids;
pub mod solve;
pub mod sound;
pub mod spikes;
pub mod thicken;
pub mod topology;
pub mod tree;
pub mod untangle;
pub mod walls;
pub mod weld;
pub mod winding;
pub mod wrap;

use glam::DVec3;
use serde::{Deserialize, Serialize};

/// Where a triangle comes from.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Hash, PartialOrd, Ord, Serialize, Deserialize)]
pub enum Origin {
    /// Surface the scanner saw.
    #[default]
    Skin,
    /// Surface that closes what the scanner did not see.
    Fill,
    /// Cut face of the joint with this index.
    Cut(u16),
    /// Wall or floor of a key's socket, or a mark, on the joint with this index.
    Key(u16),
}

impl Origin {
    /// Whether the triangle is visible on the assembled figure.
    #[must_use]
    pub fn is_outside(self) -> bool {
        matches!(self, Self::Skin | Self::Fill)
    }

    /// The joint a cut face or key belongs to.
    #[must_use]
    pub fn joint(self) -> Option<u16> {
        match self {
            Self::Cut(joint) | Self::Key(joint) => Some(joint),
            Self::Skin | Self::Fill => None,
        }
    }
}

/// An indexed triangle mesh with a colour per vertex and an origin per triangle.
///
/// Positions are millimetres, z up; triangles wind counter-clockwise seen from outside; colours are linear-light RGB
/// (0 to 1), so that interpolating them is right. `colours.len() == positions.len()` and
/// `origins.len() == triangles.len()` always.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct TriMesh {
    pub positions: Vec<DVec3>,
    pub triangles: Vec<[u32; 3]>,
    pub colours: Vec<[f32; 3]>,
    pub origins: Vec<Origin>,
}

impl TriMesh {
    /// A mesh of one neutral grey whose triangles are all skin.
    #[must_use]
    pub fn from_shape(positions: Vec<DVec3>, triangles: Vec<[u32; 3]>) -> Self {
        let colours = vec![[0.5; 3]; positions.len()];
        let origins = vec![Origin::Skin; triangles.len()];
        Self { positions, triangles, colours, origins }
    }

    /// Adds another mesh, nothing joined.
    pub fn append(&mut self, other: &Self) {
        let first = self.positions.len() as u32;
        self.positions.extend(&other.positions);
        self.colours.extend(&other.colours);
        self.triangles.extend(other.triangles.iter().map(|t| t.map(|v| v + first)));
        self.origins.extend(&other.origins);
    }

    /// The corner positions of a triangle, mm.
    #[must_use]
    pub fn corners(&self, triangle: usize) -> [DVec3; 3] {
        self.triangles[triangle].map(|v| self.positions[v as usize])
    }

    /// Cross product of two edges: twice the area, along the outward normal, mm2.
    #[must_use]
    pub fn area_vector(&self, triangle: usize) -> DVec3 {
        let [a, b, c] = self.corners(triangle);
        (b - a).cross(c - a)
    }
}
