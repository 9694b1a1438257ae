//! Quantities of a mesh: volume, area, bounds, centroid. Sums run over fixed chunks, so any thread count gives one result.

use glam::DVec3;
use rayon::prelude::*;

use super::TriMesh;

/// Triangles per partial sum.
const CHUNK: usize = 8192;

/// Lowest and highest corner, mm; infinite and reversed when there are no points.
#[must_use]
pub fn bounds(points: &[DVec3]) -> (DVec3, DVec3) {
    points.iter().fold((DVec3::INFINITY, DVec3::NEG_INFINITY), |(low, high), p| (low.min(*p), high.max(*p)))
}

fn sum_over<T: Send>(mesh: &TriMesh, zero: fn() -> T, add: fn(T, T) -> T, of: impl Fn([DVec3; 3]) -> T + Sync) -> T {
    let partial: Vec<T> = mesh
        .triangles
        .par_chunks(CHUNK)
        .map(|chunk| chunk.iter().fold(zero(), |sum, t| add(sum, of(t.map(|v| mesh.positions[v as usize])))))
        .collect();
    partial.into_iter().fold(zero(), add)
}

/// Surface area, mm2.
#[must_use]
pub fn area_mm2(mesh: &TriMesh) -> f64 {
    sum_over(mesh, || 0.0, |a, b| a + b, |[a, b, c]| 0.5 * (b - a).cross(c - a).length())
}

/// Enclosed volume of a closed mesh (divergence theorem), mm3; negative when it is inside out.
///
/// # Examples
/// ```
/// use glam::DVec3;
/// use statuary::mesh::TriMesh;
/// use statuary::mesh::measure::{area_mm2, centroid, volume_mm3};
///
/// // An octahedron of edge length sqrt(2): 4/3 and 4 sqrt(3).
/// let points = vec![DVec3::X, -DVec3::X, DVec3::Y, -DVec3::Y, DVec3::Z, -DVec3::Z];
/// let faces = vec![[0, 2, 4], [2, 1, 4], [1, 3, 4], [3, 0, 4], [2, 0, 5], [1, 2, 5], [3, 1, 5], [0, 3, 5]];
/// let octahedron = TriMesh::from_shape(points, faces);
/// assert!((volume_mm3(&octahedron) - 4.0 / 3.0).abs() < 1e-12);
/// assert!((area_mm2(&octahedron) - 4.0 * 3.0_f64.sqrt()).abs() < 1e-12);
/// assert!(centroid(&octahedron).unwrap().length() < 1e-12);
/// ```
#[must_use]
pub fn volume_mm3(mesh: &TriMesh) -> f64 {
    let origin = mesh.positions.first().copied().unwrap_or_default();
    sum_over(mesh, || 0.0, |a, b| a + b, |[a, b, c]| (a - origin).dot((b - origin).cross(c - origin))) / 6.0
}

/// Centre of mass of the solid a closed mesh encloses, mm; `None` when it encloses nothing.
#[must_use]
pub fn centroid(mesh: &TriMesh) -> Option<DVec3> {
    let origin = mesh.positions.first().copied()?;
    let (moment, volume) = sum_over(
        mesh,
        || (DVec3::ZERO, 0.0),
        |a, b| (a.0 + b.0, a.1 + b.1),
        |corners| {
            let [a, b, c] = corners.map(|p| p - origin);
            let six = a.dot(b.cross(c));
            ((a + b + c) * six, six)
        },
    );
    (volume != 0.0).then(|| origin + moment / (4.0 * volume))
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Textbook values of a tetrahedron 0, e1, e2, e3: V 1/6, A 1.5 + sqrt(3)/2.
    #[test]
    fn corner_tetrahedron_has_its_textbook_measures() {
        let points = vec![DVec3::ZERO, DVec3::X, DVec3::Y, DVec3::Z];
        let mesh = TriMesh::from_shape(points, vec![[0, 2, 1], [0, 1, 3], [1, 2, 3], [0, 3, 2]]);
        assert!((volume_mm3(&mesh) - 1.0 / 6.0).abs() < 1e-15);
        assert!((area_mm2(&mesh) - (1.5 + 0.75_f64.sqrt())).abs() < 1e-12);
        assert!((centroid(&mesh).unwrap() - DVec3::splat(0.25)).length() < 1e-12);
    }
}
