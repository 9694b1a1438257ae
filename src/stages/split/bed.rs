//! What fits the printer: a part stands on a flat face, in one of the axis poses, inside the bed less its margins.

use glam::DVec3;

use crate::equipment::Printer;
use crate::mesh::{Origin, TriMesh, measure};

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

/// Extents of a part and the flat area it could stand on: below and above along x, y, z.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub(super) struct Shape {
    pub low: DVec3,
    pub high: DVec3,
    pub feet_mm2: [f64; 6],
}

impl Bed {
    /// The printer's room less a margin on all sides and at the top.
    pub fn new(printer: &Printer, margin_mm: f64) -> Self {
        let [x, y, z] = printer.volume_mm;
        let sides_mm = [x - 2.0 * margin_mm, y - 2.0 * margin_mm];
        Self { sides_mm, height_mm: z - margin_mm }
    }

    /// The least of its three sizes, mm.
    pub fn least_mm(&self) -> f64 {
        self.sides_mm[0].min(self.sides_mm[1]).min(self.height_mm)
    }

    /// Whether a box of this size fits when it stands on a face across `axis`.
    pub fn takes(&self, size: DVec3, axis: usize) -> bool {
        let [a, b] = [size[(axis + 1) % 3], size[(axis + 2) % 3]];
        let [x, y] = self.sides_mm;
        size[axis] <= self.height_mm && ((a <= x && b <= y) || (b <= x && a <= y))
    }

    /// Whether the part fits standing on one of its flat faces. Crumbs are not worth another cut.
    pub fn holds(&self, shape: &Shape) -> bool {
        let size = shape.size();
        shape.is_crumb() || (0..6).any(|side| shape.feet_mm2[side] >= FOOT_MIN_MM2 && self.takes(size, side / 2))
    }

    /// In how many parts a grid of beds would cut a box of this size, laid in the best way. A box that is not cut across
    /// an axis can only stand on that axis' end if it has a foot there.
    pub fn boxes(&self, size: DVec3, has_foot: [bool; 3]) -> f64 {
        let count = |length: f64, room: f64| (length / room).ceil().max(1.0);
        let standing = |axis: usize| {
            let least = if has_foot[axis] { 1.0 } else { 2.0 };
            let [a, b] = [size[(axis + 1) % 3], size[(axis + 2) % 3]];
            let [x, y] = self.sides_mm;
            let floor = (count(a, x) * count(b, y)).min(count(b, x) * count(a, y));
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
        let mut feet_mm2 = [0.0; 6];
        for (t, origin) in mesh.origins.iter().enumerate() {
            let corners = mesh.corners(t);
            let at = |side: usize| {
                let edge = if side % 2 == 1 { high } else { low }[side / 2];
                corners.iter().all(|p| p[side / 2] == edge)
            };
            let side = if matches!(origin, Origin::Cut(_)) { (0..6).find(|s| at(*s)) } else { at(4).then_some(4) };
            if let Some(side) = side {
                feet_mm2[side] += mesh.area_vector(t).length() / 2.0;
            }
        }
        Self { low, high, feet_mm2 }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn crumbs_are_not_cut_again_and_larger_pieces_need_a_foot() {
        let bed = Bed { sides_mm: [354.0, 354.0], height_mm: 357.0 };
        let piece = |size_mm: f64, foot_mm2: f64| {
            let feet_mm2 = [0.0, 0.0, 0.0, 0.0, foot_mm2, 0.0];
            Shape { low: DVec3::ZERO, high: DVec3::splat(size_mm), feet_mm2 }
        };
        assert!(bed.holds(&piece(2.0, 0.7)), "a crumb");
        assert!(!bed.holds(&piece(CRUMB_MM, 0.7)), "too small a foot");
        assert!(bed.holds(&piece(100.0, FOOT_MIN_MM2)) && !bed.holds(&piece(400.0, 1e5)));
    }
}
