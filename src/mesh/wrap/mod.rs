//! The last resort: a closed, oriented, intersection-free surface around whatever a scan holds.
//!
//! A sparse grid is laid over the scan, corners near the surface are told inside from outside by their winding number,
//! and a contour is drawn between them. Nothing of the scan's order is needed; that the result is a manifold without
//! intersections follows from how cells are filled (see `cells`), not from the scan.

mod cells;
mod colour;
mod contour;
mod field;
mod grid;
mod hits;
pub mod local;
mod tidy;

use glam::Vec3;

use self::colour::colours;
use self::contour::{Contour, Source, contour};
use self::field::fill;
use self::grid::Grid;
use self::hits::Hits;
use self::tidy::{Surface, tidy};
use super::winding::Winding;
use super::{Origin, TriMesh};

/// Wraps a scan in a closed surface at the given voxel, which is rounded to the lattice; all components are kept.
///
/// Holes close where the winding number is one half; what is thinner than a voxel may vanish. Triangles near the scan
/// are skin with its colours, the others fill with colours spread from around. Memory grows with the scan's area over
/// the voxel squared. Empty when the scan has no area or the voxel is not a positive length.
///
/// # Examples
/// ```
/// use glam::DVec3;
/// use statuary::mesh::{TriMesh, inspect::inspect, untangle::largest_piece, wrap::wrap};
///
/// // Two octahedra that overlap by half, each lacking a face.
/// let points = [DVec3::X, -DVec3::X, DVec3::Y, -DVec3::Y, DVec3::Z, -DVec3::Z];
/// let faces = [[0, 2, 4], [2, 1, 4], [1, 3, 4], [3, 0, 4], [2, 0, 5], [1, 2, 5], [3, 1, 5], [0, 3, 5]];
/// let mut scan = TriMesh::default();
/// for shift in [0.0, 10.0] {
///     let first = scan.positions.len() as u32;
///     let moved = points.iter().map(|p| 10.0 * *p + shift * DVec3::X);
///     scan.positions.extend(moved);
///     scan.triangles.extend(faces[1..].iter().map(|t| t.map(|v| v + first)));
/// }
/// let scan = TriMesh::from_shape(scan.positions, scan.triangles);
/// let solid = largest_piece(&wrap(&scan, 0.5));
/// let faults = inspect(&solid);
/// assert!(faults.is_solid() && faults.components == 1);
/// // Twice 4/3 less what both fill, an octahedron half as large.
/// assert!((faults.volume_mm3 / 2500.0 - 1.0).abs() < 0.02);
/// ```
#[must_use]
pub fn wrap(scan: &TriMesh, voxel_mm: f64) -> TriMesh {
    let winding = Winding::new(&scan.positions, &scan.triangles);
    let bounds = winding.tree().bounds().filter(|_| voxel_mm > 0.0 && voxel_mm.is_finite());
    let Some((low, high)) = bounds else { return TriMesh::default() };
    let mut grid = Grid::over(low, high, voxel_mm);
    let hits = Hits::find(scan, &mut grid);
    let sign = fill(&mut grid, &hits, &winding);
    let contour = contour(Source { grid: &grid, hits: &hits, tree: winding.tree(), sign });
    let (colours, near) = colours(&contour, scan, winding.tree(), grid.voxel);
    let voxel = grid.voxel;
    // The last step makes a tree of its own; these need not be held until then.
    drop((grid, hits, winding));
    let Contour { positions, triangles, .. } = contour;
    let kept = vec![false; positions.len()];
    finished(tidy(Surface { positions, colours, near, triangles }, voxel, kept))
}

fn finished(surface: Surface) -> TriMesh {
    let is_skin = |triangle: &[u32; 3]| triangle.iter().all(|v| surface.near[*v as usize]);
    let origin = |triangle: &[u32; 3]| if is_skin(triangle) { Origin::Skin } else { Origin::Fill };
    TriMesh {
        origins: surface.triangles.iter().map(origin).collect(),
        colours: surface.colours.iter().map(Vec3::to_array).collect(),
        positions: surface.positions,
        triangles: surface.triangles,
    }
}
