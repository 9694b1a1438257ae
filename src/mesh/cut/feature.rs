//! What is sunk into a cut face or raised from it: sockets, pins, marks, pockets. Their mouths are outlines of the face, so
//! no boolean operation is needed.

use std::collections::BTreeMap;
use std::f64::consts::TAU;

use glam::{DVec2, DVec3};

use super::flat::Flat;
use super::{CutError, NO_SOURCE, Piece, Plane, check};
use crate::mesh::topology::Sets;
use crate::mesh::{Origin, TriMesh, outline};
use crate::units::snap_mm;

/// Sides of the prism that stands for a round one; its flats touch the circle from outside.
const SIDES: usize = 24;

/// A cross-section of a feature.
#[derive(Clone, Debug, PartialEq)]
pub struct Ring {
    /// Corners in the plane's frame (see [`Plane::within`]), mm; seen from above the plane the feature lies to the left.
    pub loops: Vec<Vec<DVec2>>,
    /// Height over the face along its outward normal, mm; negative below it.
    pub height_mm: f64,
}

/// A hollow in a cut face, or a body on it: rings with the same loops of equally many corners, the first of them in the face,
/// and an end that closes the last. The rings must follow each other downwards or upwards.
#[derive(Clone, Debug, PartialEq)]
pub struct Feature {
    /// Joint it belongs to.
    pub joint: u16,
    pub rings: Vec<Ring>,
    /// Features in its end; their heights count from the face, too.
    pub inner: Vec<Feature>,
}

impl Feature {
    /// Volume it adds to the part, mm3; negative for hollows. By the divergence theorem, as cones over its surface.
    #[must_use]
    pub fn added_mm3(&self, plane: Plane, faces_up: bool) -> f64 {
        let up = if faces_up { 1.0 } else { -1.0 };
        let placed = |ring: &Ring| -> Vec<Vec<DVec3>> {
            let corner = |c: &DVec2| place(plane, *c, up * ring.height_mm);
            ring.loops.iter().map(|l| l.iter().map(corner).collect()).collect()
        };
        let rings: Vec<Vec<Vec<DVec3>>> = self.rings.iter().map(placed).collect();
        let Some(apex) = rings.first().and_then(|r| r.first()?.first()).copied() else { return 0.0 };
        let cone = |a: DVec3, b: DVec3, c: DVec3| (a - apex).dot((b - apex).cross(c - apex)) / 6.0;
        let mut sum = 0.0;
        for (low, high) in rings.iter().zip(&rings[1..]) {
            for (low, high) in low.iter().zip(high) {
                for i in 0..low.len() {
                    let j = (i + 1) % low.len();
                    sum += up * (cone(low[i], low[j], high[j]) + cone(low[i], high[j], high[i]));
                }
            }
        }
        for outline in rings.last().into_iter().flatten() {
            sum += outline.windows(2).map(|e| up * cone(outline[0], e[0], e[1])).sum::<f64>();
        }
        sum + self.inner.iter().map(|inner| inner.added_mm3(plane, faces_up)).sum::<f64>()
    }
}

/// A round blind hole perpendicular to a cut face.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Socket {
    /// Joint its key belongs to.
    pub joint: u16,
    /// Centre in the plane's frame, mm; see [`Plane::within`].
    pub centre: DVec2,
    pub radius_mm: f64,
    pub depth_mm: f64,
}

impl Socket {
    /// The hole as a feature.
    #[must_use]
    pub fn feature(&self) -> Feature {
        let ring = |height_mm| Ring { loops: vec![round(self.centre, self.radius_mm)], height_mm };
        Feature { joint: self.joint, rings: vec![ring(0.0), ring(-self.depth_mm)], inner: Vec::new() }
    }
}

/// Corners of the prism that stands for a circle, counter-clockwise.
#[must_use]
pub fn round(centre: DVec2, radius_mm: f64) -> Vec<DVec2> {
    let reach = radius_mm / (TAU / 2.0 / SIDES as f64).cos();
    (0..SIDES).map(|i| centre + reach * DVec2::from_angle(TAU * i as f64 / SIDES as f64)).collect()
}

/// The same with a flat across +x, `flat_mm` from the centre, which must be .3 to .8 of the radius. The number of corners is
/// always the same.
#[must_use]
pub fn flattened(centre: DVec2, radius_mm: f64, flat_mm: f64) -> Vec<DVec2> {
    let reach = radius_mm / (TAU / 2.0 / SIDES as f64).cos();
    let edge = (reach * reach - flat_mm * flat_mm).max(0.0).sqrt();
    let arc = (5..=19).map(|i| reach * DVec2::from_angle(TAU * f64::from(i) / SIDES as f64));
    let corners = std::iter::once(DVec2::new(flat_mm, edge)).chain(arc).chain([DVec2::new(flat_mm, -edge)]);
    corners.map(|c| centre + c).collect()
}

/// Fills a cut face anew with features in it. They must lie inside the face, clear of its rim and each other, and hollows
/// inside the part: that is for the caller to see to. Patches of the face without features stay as they are.
///
/// # Errors
/// `NoFace` when the part has no such face there or a feature no shape, `Touches` when a feature meets the rim or another one.
pub fn add_features(mesh: &TriMesh, flat: &Flat, features: &[Feature]) -> Result<Piece, CutError> {
    let patches = Patch::all(mesh, flat);
    let Some(first) = patches.first() else { return Err(CutError::NoFace) };
    let colour = mesh.colours[first.rim[0][0] as usize];
    let mut builder = Builder { piece: Piece::default(), flat, colour };
    builder.piece.mesh = TriMesh { triangles: Vec::new(), origins: Vec::new(), ..mesh.clone() };
    let mut rims: Vec<Vec<[u32; 2]>> = vec![Vec::new(); patches.len()];
    for feature in features {
        for edge in builder.raise(feature)? {
            let at = flat.plane.flatten(builder.piece.mesh.positions[edge[0] as usize]);
            rims[patches.iter().position(|patch| patch.holds(at)).ok_or(CutError::NoFace)?].push(edge);
        }
    }
    let filled: Vec<usize> = (0..patches.len()).filter(|p| !rims[*p].is_empty()).collect();
    for p in &filled {
        rims[*p].extend(&patches[*p].rim);
        builder.fill(&rims[*p], Origin::Cut(flat.joint))?;
    }
    let mut replaced = vec![false; mesh.triangles.len()];
    for triangle in filled.iter().flat_map(|p| &patches[*p].triangles) {
        replaced[*triangle as usize] = true;
    }
    let piece = builder.onto(mesh, &replaced);
    let mut on_face = vec![false; piece.mesh.positions.len()];
    for (triangle, origin) in piece.mesh.triangles.iter().zip(&piece.mesh.origins) {
        if *origin == Origin::Cut(flat.joint) {
            for v in triangle {
                on_face[*v as usize] = true;
            }
        }
    }
    on_face[mesh.positions.len()..].fill(true);
    check::rim_is_sound(&piece.mesh, |v| on_face[v as usize])?;
    Ok(piece)
}

/// Triangles of a face that hang together by edges. Patches may touch in corners.
struct Patch {
    triangles: Vec<u32>,
    /// Its outlines, as [`Flat::rim`] gives those of the whole face.
    rim: Vec<[u32; 2]>,
    /// The same over the plane.
    edges: Vec<(DVec2, DVec2)>,
}

impl Patch {
    fn all(mesh: &TriMesh, flat: &Flat) -> Vec<Self> {
        let own = |t: &u32| mesh.origins[*t as usize] == Origin::Cut(flat.joint);
        let face: Vec<u32> = (0..mesh.triangles.len() as u32).filter(own).collect();
        let edges_of = |t: u32| {
            let [a, b, c] = mesh.triangles[t as usize];
            [[a, b], [b, c], [c, a]]
        };
        let mut edges: Vec<([u32; 2], u32)> =
            (0..face.len() as u32).flat_map(|i| edges_of(face[i as usize]).map(|e| (e, i))).collect();
        edges.sort_unstable();
        let beyond = |[a, b]: [u32; 2]| edges.binary_search_by_key(&[b, a], |e| e.0).ok().map(|i| edges[i].1);
        let mut sets = Sets::new(face.len());
        for (edge, i) in &edges {
            if let Some(j) = beyond(*edge) {
                sets.unite(*i, j);
            }
        }
        let mut patches: BTreeMap<u32, Self> = BTreeMap::new();
        for i in 0..face.len() as u32 {
            let patch = patches.entry(sets.find(i)).or_insert_with(|| Self {
                triangles: Vec::new(),
                rim: Vec::new(),
                edges: Vec::new(),
            });
            let triangle = face[i as usize];
            patch.triangles.push(triangle);
            patch.rim.extend(edges_of(triangle).into_iter().filter(|e| beyond(*e).is_none()));
        }
        let place = |v: u32| flat.plane.flatten(mesh.positions[v as usize]);
        for patch in patches.values_mut() {
            patch.edges = patch.rim.iter().map(|[a, b]| (place(*a), place(*b))).collect();
        }
        patches.into_values().filter(|p| !p.rim.is_empty()).collect()
    }

    fn holds(&self, p: DVec2) -> bool {
        outline::winding(self.edges.iter().copied(), p) != 0
    }
}

/// Fills a cut face anew with sockets in it; see [`add_features`].
///
/// # Errors
/// Those of [`add_features`].
pub fn add_sockets(mesh: &TriMesh, flat: &Flat, sockets: &[Socket]) -> Result<Piece, CutError> {
    add_features(mesh, flat, &sockets.iter().map(Socket::feature).collect::<Vec<_>>())
}

/// Where a corner of a ring lies, on the lattice over the plane: alike for both sides of a joint.
fn place(plane: Plane, corner: DVec2, up_mm: f64) -> DVec3 {
    let foot = plane.lift(plane.flatten(plane.at(corner)).map(snap_mm));
    let raised = foot + plane.normal() * snap_mm(up_mm);
    if plane.is_sloped() { raised.map(snap_mm) } else { raised }
}

struct Builder<'a> {
    piece: Piece,
    flat: &'a Flat,
    colour: [f32; 3],
}

impl Builder<'_> {
    /// Adds walls and end of a feature; returns the edges of its mouth as the rim of what it stands in sees them.
    fn raise(&mut self, feature: &Feature) -> Result<Vec<[u32; 2]>, CutError> {
        let sizes = |ring: &Ring| ring.loops.iter().map(Vec::len).collect::<Vec<_>>();
        let [first, _, ..] = feature.rings.as_slice() else { return Err(CutError::NoFace) };
        if feature.rings.iter().any(|ring| sizes(ring) != sizes(first)) || sizes(first).iter().any(|n| *n < 3) {
            return Err(CutError::NoFace);
        }
        let key = Origin::Key(feature.joint);
        let (mut mouth, mut end) = (Vec::new(), Vec::new());
        for (index, outline) in first.loops.iter().enumerate() {
            let (start, count) = (self.piece.mesh.positions.len() as u32, outline.len() as u32);
            for ring in &feature.rings {
                self.add_corners(&ring.loops[index], ring.height_mm);
            }
            let steps = feature.rings.len() as u32 - 1;
            for i in 0..count {
                let next = (i + 1) % count;
                for ring in 0..steps {
                    let (a, b) = (start + ring * count + i, start + ring * count + next);
                    self.push([a, b, b + count], key);
                    self.push([a, b + count, a + count], key);
                }
                mouth.push([start + next, start + i]);
                end.push([start + steps * count + i, start + steps * count + next]);
            }
        }
        for inner in &feature.inner {
            end.extend(self.raise(inner)?);
        }
        self.fill(&end, key)?;
        Ok(mouth)
    }

    /// Adds a loop of corners, turned so that it runs counter-clockwise seen from outside the part.
    fn add_corners(&mut self, outline: &[DVec2], height_mm: f64) {
        let up_mm = if self.flat.faces_up { height_mm } else { -height_mm };
        let corner = |c: &DVec2| place(self.flat.plane, *c, up_mm);
        let positions = &mut self.piece.mesh.positions;
        if self.flat.faces_up {
            positions.extend(outline.iter().map(corner));
        } else {
            positions.extend(outline.iter().rev().map(corner));
        }
        self.piece.mesh.colours.resize(positions.len(), self.colour);
    }

    /// Closes what lies within directed edges, all in the face's plane or parallel to it.
    fn fill(&mut self, edges: &[[u32; 2]], origin: Origin) -> Result<(), CutError> {
        // Only the corners needed, since pockets and sockets are many and the part is large.
        let mut used: Vec<u32> = edges.iter().flatten().copied().collect();
        used.sort_unstable();
        used.dedup();
        let local = |v: u32| used.partition_point(|u| *u < v) as u32;
        let points: Vec<DVec2> =
            used.iter().map(|v| self.flat.plane.flatten(self.piece.mesh.positions[*v as usize])).collect();
        let edges: Vec<[u32; 2]> = edges.iter().map(|e| e.map(local)).collect();
        for triangle in self.flat.fill(&points, &edges)?.triangles {
            self.push(triangle.map(|v| used[v as usize]), origin);
        }
        Ok(())
    }

    /// What was built in place of these triangles of a mesh.
    fn onto(self, mesh: &TriMesh, replaced: &[bool]) -> Piece {
        let kept: Vec<u32> = (0..mesh.triangles.len() as u32).filter(|t| !replaced[*t as usize]).collect();
        let mut piece = self.piece;
        let new = &piece.mesh;
        let triangles = kept.iter().map(|t| mesh.triangles[*t as usize]).chain(new.triangles.iter().copied()).collect();
        let origins = kept.iter().map(|t| mesh.origins[*t as usize]).chain(new.origins.iter().copied()).collect();
        (piece.mesh.triangles, piece.mesh.origins) = (triangles, origins);
        piece.source = kept.into_iter().chain(piece.source).collect();
        piece
    }

    fn push(&mut self, triangle: [u32; 3], origin: Origin) {
        self.piece.mesh.triangles.push(triangle);
        self.piece.mesh.origins.push(origin);
        self.piece.source.push(NO_SOURCE);
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::mesh::cut::{flats, halves};
    use crate::mesh::inspect::inspect;
    use crate::mesh::intersect::self_intersections;
    use crate::mesh::measure::volume_mm3;

    fn cube() -> TriMesh {
        let corner = |i: u32| DVec3::new(f64::from(i & 1), f64::from(i >> 1 & 1), f64::from(i >> 2)) * 64.0;
        let quads = [[0, 2, 3, 1], [4, 5, 7, 6], [0, 1, 5, 4], [2, 6, 7, 3], [0, 4, 6, 2], [1, 3, 7, 5]];
        let triangles = quads.iter().flat_map(|[a, b, c, d]| [[*a, *b, *c], [*a, *c, *d]]).collect();
        TriMesh::from_shape((0..8).map(corner).collect(), triangles)
    }

    fn square(centre: DVec2, half: f64) -> Vec<DVec2> {
        [(-1.0, -1.0), (1.0, -1.0), (1.0, 1.0), (-1.0, 1.0)].map(|(x, y)| centre + half * DVec2::new(x, y)).to_vec()
    }

    fn turned(mut outline: Vec<DVec2>) -> Vec<DVec2> {
        outline.reverse();
        outline
    }

    /// A pocket with an island, and in the pocket a tapered pin and a mark.
    fn pocket(middle: DVec2) -> Feature {
        let feature = |rings: &[(f64, f64)], at: DVec2| {
            let ring = |(half, height_mm): &(f64, f64)| Ring { loops: vec![square(at, *half)], height_mm: *height_mm };
            Feature { joint: 1, rings: rings.iter().map(ring).collect(), inner: Vec::new() }
        };
        let inner = vec![
            feature(&[(5.0, -1.0), (3.0, 8.0)], middle - DVec2::splat(10.0)),
            feature(&[(2.0, -1.0), (2.0, -1.5)], middle + DVec2::new(10.0, -10.0)),
        ];
        let island = turned(square(middle + DVec2::splat(10.0), 3.0));
        let ring = |height_mm| Ring { loops: vec![square(middle, 20.0), island.clone()], height_mm };
        Feature { joint: 1, rings: vec![ring(0.0), ring(-1.0)], inner }
    }

    #[test]
    fn features_within_features_are_solid_and_add_what_arithmetic_says() {
        // Frustum of a pyramid, h/3 (A1 + A2 + sqrt(A1 A2)), less pocket and mark.
        let wanted = 9.0 / 3.0 * (100.0 + 36.0 + 60.0) - (1600.0 - 36.0) - 0.5 * 16.0;
        for normal in [DVec3::Z, DVec3::new(0.2, -0.3, 1.0)] {
            let plane = Plane::across(normal, DVec3::splat(32.0));
            let sides = halves(&cube(), plane, 1).unwrap();
            for half in [&sides.below.mesh, &sides.above.mesh] {
                let flat = flats(half)[0];
                let feature = pocket(plane.within(DVec3::splat(32.0)));
                let made = add_features(half, &flat, std::slice::from_ref(&feature)).unwrap().mesh;
                let faults = inspect(&made);
                assert!(faults.is_solid() && faults.components == 1, "{faults:?}");
                assert!(self_intersections(&made).is_empty());
                let added = volume_mm3(&made) - volume_mm3(half);
                assert!((added - wanted).abs() < 0.1, "{added}, expected {wanted}");
                let told = feature.added_mm3(plane, flat.faces_up);
                assert!((told - added).abs() < if plane.is_sloped() { 0.1 } else { 1e-6 }, "{told}, made {added}");
            }
        }
    }

    /// A block whose top has two level squares that touch in its middle; its other two quarters slope down.
    fn saddle() -> TriMesh {
        let point = |i: u32, z: f64| DVec3::new(f64::from(i % 3) * 32.0, f64::from(i / 3) * 32.0, z);
        let top = (0..9).map(|i| point(i, if i == 2 || i == 6 { 40.0 } else { 64.0 }));
        let positions = top.chain((0..9).map(|i| point(i, 0.0))).collect();
        let mut triangles =
            vec![[0, 1, 4], [0, 4, 3], [4, 5, 8], [4, 8, 7], [1, 2, 4], [2, 5, 4], [3, 4, 6], [4, 7, 6]];
        let under: Vec<[u32; 3]> = triangles.iter().map(|[a, b, c]| [a + 9, c + 9, b + 9]).collect();
        triangles.extend(under);
        for [a, b] in [[0, 1], [1, 2], [2, 5], [5, 8], [8, 7], [7, 6], [6, 3], [3, 0]] {
            triangles.extend([[a, a + 9, b + 9], [a, b + 9, b]]);
        }
        TriMesh::from_shape(positions, triangles)
    }

    #[test]
    fn a_face_that_touches_itself_in_a_corner_takes_features() {
        let mut block = saddle();
        let level = |t: &[u32; 3]| t.iter().all(|v| block.positions[*v as usize].z == 64.0);
        block.origins = block.triangles.iter().map(|t| if level(t) { Origin::Cut(1) } else { Origin::Skin }).collect();
        assert!(inspect(&block).is_solid());
        let flat = Flat { joint: 1, plane: Plane::new(2, 64.0), faces_up: true };
        let socket = |x: f64, y: f64| Socket { joint: 1, centre: DVec2::new(x, y), radius_mm: 5.0, depth_mm: 20.0 };
        for sockets in [vec![socket(16.0, 16.0)], vec![socket(16.0, 16.0), socket(48.0, 48.0)]] {
            let made = add_sockets(&block, &flat, &sockets).unwrap().mesh;
            assert!(inspect(&made).is_solid() && self_intersections(&made).is_empty());
            let taken: f64 = sockets.iter().map(|s| s.feature().added_mm3(flat.plane, true)).sum();
            assert!((volume_mm3(&made) - volume_mm3(&block) - taken).abs() < 1e-6);
        }
        assert_eq!(add_sockets(&block, &flat, &[socket(48.0, 16.0)]).unwrap_err(), CutError::NoFace);
    }

    #[test]
    fn a_flat_is_as_far_from_the_axis_as_wanted_and_what_has_no_shape_is_refused() {
        let corners = flattened(DVec2::ZERO, 4.0, 2.0);
        assert!((corners.iter().map(|c| c.x).fold(f64::MIN, f64::max) - 2.0).abs() < 1e-12);
        assert!((corners.iter().map(|c| c.x).fold(f64::MAX, f64::min) + 4.0).abs() < 0.05);
        let plane = Plane::new(2, 32.0 + 0.5 * crate::units::LATTICE_MM);
        let half = halves(&cube(), plane, 1).unwrap().below.mesh;
        let ring = Ring { loops: vec![corners], height_mm: 0.0 };
        let flat_one = Feature { joint: 1, rings: vec![ring], inner: Vec::new() };
        assert_eq!(add_features(&half, &flats(&half)[0], &[flat_one]).unwrap_err(), CutError::NoFace);
    }
}
