//! Makes a closed mesh coarser where neither shape nor colour shows it: edges are collapsed, cheapest first by quadric
//! error (Garland, Heckbert 1997) with colour beside it (Hoppe 1999 has the idea; here a limit and a term of the cost).

mod merge;
pub mod quadric;
mod rounds;
mod surface;

use super::TriMesh;
use super::sound::{Sound, pairs_beside};
use super::topology::corners_and_rings;
use surface::Surface;

/// Takes a colour (linear-light RGB) to where distance is difference.
type Look<'a> = &'a (dyn Fn([f32; 3]) -> [f64; 3] + Sync);

/// How far to go.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Target {
    /// Edges shorter than this are collapsed, and no edge gets longer than 4/3 of it, mm.
    pub edge_mm: f64,
    /// How far the surface may go from the original, mm.
    pub error_max_mm: f64,
    /// Colours farther apart than this are a border, whose vertices stay; no vertex's colour goes farther either.
    pub colour_step_max: f64,
}

/// What was done.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Decimated {
    pub triangles_before: usize,
    pub triangles_after: usize,
    /// Bound on the distance from the original: per vertex the sum, over the collapses it comes from, of the distances of
    /// the new vertex to the planes of the triangles changed, mm.
    pub error_max_mm: f64,
    /// Times it was done again with the vertices of triangles that crossed left alone.
    pub repeats: usize,
}

/// Makes a closed, oriented 2-manifold without self-intersections coarser; it stays all that.
///
/// Vertices between triangles of different origin and at borders of colour stay as they are, and what lies on the lowest
/// plane stays on it exactly. Colours of merged vertices are averaged in linear light by area; `look` takes a colour to
/// a space where distance is difference. A mesh that is not closed comes back unchanged.
///
/// # Examples
/// ```
/// use glam::DVec3;
/// use statuary::mesh::decimate::{Target, decimate};
/// use statuary::mesh::{TriMesh, inspect::inspect, weld::weld_equal};
///
/// // A cube of 8 mm whose faces are sheets of 8 x 8 squares.
/// let (mut points, mut faces) = (Vec::new(), Vec::new());
/// for (axis, side) in [(0, 0.0), (1, 0.0), (2, 0.0), (0, 8.0), (1, 8.0), (2, 8.0)] {
///     let first = points.len() as u32;
///     for (v, u) in (0..9).flat_map(|v| (0..9).map(move |u| (v, u))) {
///         let mut p = DVec3::splat(side);
///         (p[(axis + 1) % 3], p[(axis + 2) % 3]) = (f64::from(u), f64::from(v));
///         points.push(p);
///     }
///     for a in (first..first + 72).filter(|a| (a - first) % 9 < 8) {
///         let square = [[a, a + 1, a + 10], [a, a + 10, a + 9]];
///         faces.extend(square.map(|[a, b, c]| if side > 0.0 { [a, b, c] } else { [a, c, b] }));
///     }
/// }
/// let (cube, _) = weld_equal(TriMesh::from_shape(points, faces));
/// let target = Target { edge_mm: 4.0, error_max_mm: 0.01, colour_step_max: 0.1 };
/// let (coarse, done) = decimate(&cube, &target, |colour| colour.map(f64::from));
/// assert!(done.triangles_before == 768 && done.triangles_after < 200);
/// let faults = inspect(&coarse);
/// assert!(faults.is_solid() && (faults.volume_mm3 - 512.0).abs() < 1e-6);
/// ```
#[must_use]
pub fn decimate(mesh: &TriMesh, target: &Target, look: impl Fn([f32; 3]) -> [f64; 3] + Sync) -> (TriMesh, Decimated) {
    /// Tries before all is left as it was.
    const TRIES: usize = 5;
    let before = mesh.triangles.len();
    let mut done = Decimated { triangles_before: before, triangles_after: before, ..Decimated::default() };
    let mut locked = vec![false; mesh.positions.len()];
    let sound = Sound::of(mesh, &[]);
    for repeats in 0..TRIES {
        let step_max = target.colour_step_max as f32;
        let Some(mut surface) = Surface::of(mesh, &look, step_max, &locked) else { break };
        rounds::collapse_all(&mut surface, target, &look);
        let (coarse, names) = surface.mesh(mesh);
        let pairs = pairs_beside(&coarse, &sound);
        done.repeats = repeats;
        if pairs.is_empty() {
            let errors = names.iter().map(|v| surface.vertex(*v).error);
            done.error_max_mm = errors.fold(0.0, f64::max);
            done.triangles_after = coarse.triangles.len();
            return (coarse, done);
        }
        let crossing = pairs.into_iter().flatten();
        let near = corners_and_rings(&coarse.triangles, coarse.positions.len(), crossing, repeats);
        lock(&mut locked, &surface, &near, &names);
    }
    (mesh.clone(), done)
}

/// Locks all original vertices that the marked ones stand for.
fn lock(locked: &mut [bool], surface: &Surface, marked: &[bool], names: &[u32]) {
    let mut is_bad = vec![false; locked.len()];
    names.iter().zip(marked).for_each(|(v, marked)| is_bad[*v as usize] = *marked);
    for (v, locked) in locked.iter_mut().enumerate() {
        *locked |= is_bad[surface.heir(v as u32) as usize];
    }
}
