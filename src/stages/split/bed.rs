//! What fits the printer: a part stands on a flat face, in one of the axis poses, inside the bed less its margins.

use glam::DVec3;
use rayon::prelude::*;

use crate::equipment::Printer;
use crate::mesh::cut::flats;
use crate::mesh::{Origin, TriMesh, fit, measure};

/// Smallest flat face a part can stand on, mm2 (common practice, no source).
pub(super) const FOOT_MIN_MM2: f64 = 25.0;

/// What is smaller in all directions is no part but a crumb, mm (common practice, no source).
const CRUMB_MM: f64 = 8.0;

/// Room for one part, mm: two sides of the bed, which may be swapped, and the height.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Bed {
    pub sides_mm: [f64; 2],
    pub height_mm: f64,
}

/// Directions extents are known in: x, y, z, and the two diagonals across each of them.
pub(super) const SPANS: usize = 9;

/// Coordinates of a point along all spans.
pub(super) fn spans(p: DVec3) -> [f64; SPANS] {
    let half = std::f64::consts::FRAC_1_SQRT_2;
    let across = |axis: usize| {
        let [a, b] = [p[(axis + 1) % 3], p[(axis + 2) % 3]];
        [half * (a + b), half * (b - a)]
    };
    let [[a, b], [c, d], [e, f]] = [across(0), across(1), across(2)];
    [p.x, p.y, p.z, a, b, c, d, e, f]
}

/// Extents of a part and the flat area it could stand on: below and above along x, y, z.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub(super) struct Shape {
    pub low: DVec3,
    pub high: DVec3,
    /// Extents along the two diagonals across each axis.
    pub diagonals: [[f64; 2]; 3],
    pub feet_mm2: [f64; 6],
    /// Area of tilted cut faces.
    pub sloped_mm2: f64,
}

impl Bed {
    /// The printer's room less a margin on all sides and at the top, and less what pins will stand out.
    pub fn new(printer: &Printer, margin_mm: f64, pins_mm: f64) -> Self {
        let [x, y, z] = printer.volume_mm;
        let sides_mm = [x, y].map(|side| side - 2.0 * margin_mm - pins_mm);
        Self { sides_mm, height_mm: z - margin_mm - pins_mm }
    }

    /// Its three sizes, mm.
    pub fn sizes_mm(&self) -> [f64; 3] {
        [self.sides_mm[0], self.sides_mm[1], self.height_mm]
    }

    /// The least of them, mm.
    pub fn least_mm(&self) -> f64 {
        self.sides_mm[0].min(self.sides_mm[1]).min(self.height_mm)
    }

    /// Whether something is longer than the bed in a direction in which it was planned not to be, so that what it is cut
    /// into will not fit.
    pub fn outgrown(&self, size: DVec3, planned: DVec3) -> bool {
        (0..3).any(|axis| self.sizes_mm().iter().any(|limit| planned[axis] <= *limit && size[axis] > *limit))
    }

    /// The longest extent along an axis that fits, turned on the bed, mm.
    pub fn longest_mm(&self) -> f64 {
        self.sides_mm[0].hypot(self.sides_mm[1]).max(self.height_mm)
    }

    /// Whether something of these extents fits when it stands on a face across `axis`, straight or turned by an eighth.
    pub fn takes(&self, shape: &Shape, axis: usize) -> bool {
        let size = shape.size();
        let straight = [size[(axis + 1) % 3], size[(axis + 2) % 3]];
        size[axis] <= self.height_mm && self.lies(straight, shape.diagonals[axis])
    }

    /// Whether something of these widths, straight and along the diagonals, has room on the bed.
    fn lies(&self, straight: [f64; 2], diagonals: [f64; 2]) -> bool {
        let [x, y] = self.sides_mm;
        [straight, diagonals].into_iter().any(|[a, b]| (a <= x && b <= y) || (b <= x && a <= y))
    }

    /// Whether the part fits standing on one of its flat faces. Crumbs are not worth another cut.
    pub fn holds(&self, shape: &Shape) -> bool {
        let stands = |side: usize| shape.feet_mm2[side] >= FOOT_MIN_MM2 && self.takes(shape, side / 2);
        let tilted = || shape.sloped_mm2 >= FOOT_MIN_MM2 && (0..3).any(|axis| self.takes(shape, axis));
        shape.is_crumb() || (0..6).any(stands) || tilted()
    }

    /// Whether a part fits, standing on one of its flat faces and turned on the bed as it takes.
    pub fn holds_part(&self, mesh: &TriMesh, shape: &Shape) -> bool {
        let upright = Shape { sloped_mm2: 0.0, ..*shape };
        self.holds(&upright) || downs(mesh, shape).iter().any(|down| self.stands(mesh, *down))
    }

    /// Whether a mesh fits with this side down.
    pub fn stands(&self, mesh: &TriMesh, down: DVec3) -> bool {
        fit::stand(&mesh.positions, down, DVec3::new(self.sides_mm[0], self.sides_mm[1], self.height_mm)).is_some()
    }

    /// In how many parts a grid of beds would cut a box of this size, laid in the best way. A box that is not cut across
    /// an axis can only stand on that axis' end if it has a foot there.
    pub fn boxes(&self, shape: &Shape, has_foot: [bool; 3]) -> f64 {
        let size = shape.size();
        let count = |length: f64, room: f64| (length / room).ceil().max(1.0);
        let standing = |axis: usize| {
            let least = if has_foot[axis] { 1.0 } else { 2.0 };
            let [a, b] = [size[(axis + 1) % 3], size[(axis + 2) % 3]];
            let [x, y] = self.sides_mm;
            let floor = if self.lies([a, b], shape.diagonals[axis]) {
                1.0
            } else {
                (count(a, x) * count(b, y)).min(count(b, x) * count(a, y))
            };
            count(size[axis], self.height_mm).max(least) * floor
        };
        (0..3).map(standing).fold(f64::INFINITY, f64::min)
    }
}

impl Shape {
    /// Extents, mm.
    pub fn size(&self) -> DVec3 {
        self.high - self.low
    }

    /// Whether this is too small to be a part.
    pub fn is_crumb(&self) -> bool {
        self.size().max_element() < CRUMB_MM
    }

    /// For each axis whether the part can stand on one of its ends.
    pub fn has_foot(&self) -> [bool; 3] {
        [0, 1, 2].map(|axis| self.feet_mm2[2 * axis].max(self.feet_mm2[2 * axis + 1]) >= FOOT_MIN_MM2)
    }

    /// Measures a closed mesh. Cut faces count as feet on all sides, any flat underside as a foot below.
    pub fn of(mesh: &TriMesh) -> Self {
        let (low, high) = measure::bounds(&mesh.positions);
        let (mut feet_mm2, mut sloped_mm2) = ([0.0; 6], 0.0);
        let is_flat = |t: &usize| {
            matches!(mesh.origins[*t], Origin::Cut(_)) || mesh.positions[mesh.triangles[*t][0] as usize].z == low.z
        };
        let flat: Vec<usize> = (0..mesh.triangles.len()).into_par_iter().filter(is_flat).collect();
        for t in flat {
            let (corners, origin) = (mesh.corners(t), &mesh.origins[t]);
            let at = |side: usize| {
                let edge = if side % 2 == 1 { high } else { low }[side / 2];
                corners.iter().all(|p| p[side / 2] == edge)
            };
            let side = if matches!(origin, Origin::Cut(_)) { (0..6).find(|s| at(*s)) } else { at(4).then_some(4) };
            if let Some(side) = side {
                feet_mm2[side] += mesh.area_vector(t).length() / 2.0;
            } else if matches!(origin, Origin::Cut(_)) && is_tilted(corners) {
                sloped_mm2 += mesh.area_vector(t).length() / 2.0;
            }
        }
        Self { low, high, diagonals: diagonals(&mesh.positions), feet_mm2, sloped_mm2 }
    }
}

/// Outward normals of the flat faces a part can stand on.
fn downs(mesh: &TriMesh, shape: &Shape) -> Vec<DVec3> {
    let axis = |side: usize| DVec3::AXES[side / 2] * if side % 2 == 1 { 1.0 } else { -1.0 };
    let feet = (0..6).filter(|side| shape.feet_mm2[*side] >= FOOT_MIN_MM2).map(axis);
    let sloped = || flats(mesh).into_iter().map(|f| f.outward()).filter(|n| n.abs().max_element() < 1.0);
    let sloped = if shape.sloped_mm2 >= FOOT_MIN_MM2 { sloped().collect() } else { Vec::new() };
    feet.chain(sloped).collect()
}

fn is_tilted([a, b, c]: [DVec3; 3]) -> bool {
    (0..3).all(|i| a[i] != b[i] || b[i] != c[i])
}

fn diagonals(positions: &[DVec3]) -> [[f64; 2]; 3] {
    type Ends = [(f64, f64); SPANS];
    let none: Ends = [(f64::INFINITY, f64::NEG_INFINITY); SPANS];
    let both = |a: Ends, b: Ends| std::array::from_fn(|i| (a[i].0.min(b[i].0), a[i].1.max(b[i].1)));
    let ends = positions.par_iter().fold(|| none, |ends, p| both(ends, spans(*p).map(|s| (s, s))));
    let ends = ends.reduce(|| none, both);
    [0, 1, 2].map(|axis| [3 + 2 * axis, 4 + 2 * axis].map(|i| ends[i].1 - ends[i].0))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn crumbs_are_not_cut_again_and_larger_pieces_need_a_foot() {
        let bed = Bed { sides_mm: [354.0, 354.0], height_mm: 357.0 };
        let piece = |size_mm: f64, foot_mm2: f64| {
            let feet_mm2 = [0.0, 0.0, 0.0, 0.0, foot_mm2, 0.0];
            Shape { high: DVec3::splat(size_mm), diagonals: [[1.5 * size_mm; 2]; 3], feet_mm2, ..Shape::default() }
        };
        assert!(bed.holds(&piece(2.0, 0.7)), "a crumb");
        assert!(!bed.holds(&piece(CRUMB_MM, 0.7)), "too small a foot");
        assert!(bed.holds(&piece(100.0, FOOT_MIN_MM2)) && !bed.holds(&piece(400.0, 1e5)));
    }
}
