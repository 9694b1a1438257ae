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

/// Centre of mass of a thin shell along the surface, mm; `None` when it weighs nothing. `thickness_mm` tells how thick the
/// shell is on a triangle with this area vector.
#[must_use]
pub fn shell_centroid(mesh: &TriMesh, thickness_mm: impl Fn(DVec3) -> f64 + Sync) -> Option<DVec3> {
    let of = |[a, b, c]: [DVec3; 3]| {
        let area_vector = 0.5 * (b - a).cross(c - a);
        let volume = area_vector.length() * thickness_mm(area_vector);
        ((a + b + c) * (volume / 3.0), volume)
    };
    let (moment, volume) = sum_over(mesh, || (DVec3::ZERO, 0.0), |a, b| (a.0 + b.0, a.1 + b.1), of);
    (volume > 0.0).then(|| moment / volume)
}

/// Plastic of a printed part, to first order.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Plastic {
    pub volume_mm3: f64,
    pub centre: DVec3,
}

/// Plastic of a closed mesh with a closed shell and sparse infill (surface times thickness, so too much where the shell
/// curves strongly): the shell weighs on the surface's centroid, the infill on the solid's. `None` when it encloses nothing.
#[must_use]
pub fn plastic(mesh: &TriMesh, shell_mm: f64, infill_share: f64) -> Option<Plastic> {
    let (solid, surface) = (centroid(mesh)?, shell_centroid(mesh, |_| 1.0)?);
    let solid_mm3 = volume_mm3(mesh);
    let shell = (1.0 - infill_share) * (area_mm2(mesh) * shell_mm).min(solid_mm3);
    let infill = infill_share * solid_mm3;
    let volume = shell + infill;
    (volume > 0.0).then(|| Plastic { volume_mm3: volume, centre: (shell * surface + infill * solid) / volume })
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

    /// The tetrahedron's three right-angled faces of 1/2 have their centroids at 1/3, 1/3, 0; the slanted one at 1/3 each.
    #[test]
    fn a_shell_has_another_centre_than_the_solid() {
        let points = vec![DVec3::ZERO, DVec3::X, DVec3::Y, DVec3::Z];
        let mesh = TriMesh::from_shape(points, vec![[0, 2, 1], [0, 1, 3], [1, 2, 3], [0, 3, 2]]);
        let slanted = 0.75_f64.sqrt();
        let expected = (1.0 + slanted) / 3.0 / (1.5 + slanted);
        assert!((shell_centroid(&mesh, |_| 2.0).unwrap() - DVec3::splat(expected)).length() < 1e-12);
        let floor_only = |n: DVec3| f64::from(u8::from(n.x == 0.0 && n.y == 0.0));
        let floor = shell_centroid(&mesh, floor_only).unwrap();
        assert!((floor - DVec3::new(1.0 / 3.0, 1.0 / 3.0, 0.0)).length() < 1e-12);
        let printed = plastic(&mesh, 0.01, 0.1).unwrap();
        let (shell, infill) = (0.9 * 0.01 * (1.5 + slanted), 0.1 / 6.0);
        assert!((printed.volume_mm3 - shell - infill).abs() < 1e-12);
        let mixed = (shell * expected + infill * 0.25) / (shell + infill);
        assert!((printed.centre - DVec3::splat(mixed)).length() < 1e-12);
        assert_eq!(plastic(&TriMesh::default(), 1.0, 0.1), None);
    }
}
