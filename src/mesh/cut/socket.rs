//! Round sockets in a cut face: outlines in the face, a wall and a floor; no boolean operation is needed.

use std::f64::consts::TAU;

use glam::{DVec2, DVec3};

use super::flat::Flat;
use super::{CutError, NO_SOURCE, Piece, Plane, check};
use crate::mesh::{Origin, TriMesh, outline};
use crate::units::snap_mm;

/// Sides of the prism that stands for a round socket; its flats touch the circle from outside.
const SIDES: usize = 24;

/// A blind hole perpendicular to a cut face.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Socket {
    /// Joint its key belongs to.
    pub joint: u16,
    /// Centre in the plane's frame, mm; see `Plane::within`.
    pub centre: DVec2,
    pub radius_mm: f64,
    pub depth_mm: f64,
}

impl Socket {
    /// Corners of its mouth in a plane, counter-clockwise seen from above, rounded to the lattice: alike for both sides of
    /// a joint.
    #[must_use]
    pub fn mouth(&self, plane: Plane) -> Vec<DVec3> {
        let reach = self.radius_mm / (TAU / 2.0 / SIDES as f64).cos();
        let corner = |i: usize| plane.at(self.centre + reach * DVec2::from_angle(TAU * i as f64 / SIDES as f64));
        let snapped = |p: DVec3| plane.flatten(p).map(snap_mm);
        (0..SIDES).map(|i| plane.lift(snapped(corner(i)))).collect()
    }

    /// Volume of the hole below its mouth, mm3.
    #[must_use]
    pub fn volume_mm3(&self, plane: Plane) -> f64 {
        let mouth: Vec<DVec2> = self.mouth(plane).into_iter().map(|p| plane.within(p)).collect();
        snap_mm(self.depth_mm) * outline::loops_area_mm2(&[mouth])
    }
}

/// Fills a cut face anew with sockets in it. The sockets must lie inside the face, clear of its rim and each other, and
/// their depth inside the part: that is for the caller to see to.
///
/// # Errors
/// `NoFace` when the part has no such face, `Touches` when a socket meets the rim or another socket.
pub fn add_sockets(mesh: &TriMesh, flat: &Flat, sockets: &[Socket]) -> Result<Piece, CutError> {
    let mut rim = flat.rim(mesh);
    if rim.is_empty() {
        return Err(CutError::NoFace);
    }
    let mut piece = without_face(mesh, flat);
    let mut openings = Vec::new();
    for socket in sockets {
        let edges = sink(&mut piece, flat, socket, mesh.colours[rim[0][0] as usize]);
        rim.extend(&edges);
        openings.push(edges);
    }
    let points: Vec<DVec2> = piece.mesh.positions.iter().map(|p| flat.plane.flatten(*p)).collect();
    for triangle in flat.fill(&points, &rim)?.triangles {
        push(&mut piece, triangle, Origin::Cut(flat.joint));
    }
    let mut on_face = vec![false; piece.mesh.positions.len()];
    for (triangle, origin) in piece.mesh.triangles.iter().zip(&piece.mesh.origins) {
        if *origin == Origin::Cut(flat.joint) {
            for v in triangle {
                on_face[*v as usize] = true;
            }
        }
    }
    check::rim_is_sound(&piece.mesh, |v| on_face[v as usize])?;
    Ok(piece)
}

fn without_face(mesh: &TriMesh, flat: &Flat) -> Piece {
    let kept = |t: &usize| mesh.origins[*t] != Origin::Cut(flat.joint);
    let source: Vec<u32> = (0..mesh.triangles.len()).filter(kept).map(|t| t as u32).collect();
    let mesh = TriMesh {
        positions: mesh.positions.clone(),
        colours: mesh.colours.clone(),
        triangles: source.iter().map(|t| mesh.triangles[*t as usize]).collect(),
        origins: source.iter().map(|t| mesh.origins[*t as usize]).collect(),
    };
    Piece { mesh, source }
}

fn push(piece: &mut Piece, triangle: [u32; 3], origin: Origin) {
    piece.mesh.triangles.push(triangle);
    piece.mesh.origins.push(origin);
    piece.source.push(NO_SOURCE);
}

/// Adds wall and floor of a socket; returns the edges of its mouth as the face's rim sees them.
fn sink(piece: &mut Piece, flat: &Flat, socket: &Socket, colour: [f32; 3]) -> Vec<[u32; 2]> {
    let mut outline = socket.mouth(flat.plane);
    if !flat.faces_up {
        outline.reverse();
    }
    // Counter-clockwise seen from outside from here on.
    let first = piece.mesh.positions.len() as u32;
    let count = outline.len() as u32;
    let inward: DVec3 = -flat.outward() * snap_mm(socket.depth_mm);
    let on_lattice = |p: DVec3| if flat.plane.is_sloped() { p.map(snap_mm) } else { p };
    for depth in [DVec3::ZERO, inward] {
        for corner in &outline {
            piece.mesh.positions.push(on_lattice(*corner + depth));
            piece.mesh.colours.push(colour);
        }
    }
    let key = Origin::Key(socket.joint);
    let mut mouth = Vec::with_capacity(outline.len());
    for i in 0..count {
        let (a, b) = (first + i, first + (i + 1) % count);
        let (c, d) = (a + count, b + count);
        push(piece, [a, b, d], key);
        push(piece, [a, d, c], key);
        mouth.push([b, a]);
    }
    for i in 1..count - 1 {
        let floor = first + count;
        push(piece, [floor, floor + i, floor + i + 1], key);
    }
    mouth
}
