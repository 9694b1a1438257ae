//! The lattice every figure lives on, and the few conversions the edges of the program need.
//!
//! Lengths inside the program are millimetres in `f64`; other units exist only where files are read or pages written.

/// Spacing of the lattice that figure vertices are rounded to, in mm.
///
/// A power of two: lattice points below 1024 mm are exact in `f32` and in a finite decimal, so a part means the same
/// solid in every file format and no triangle can flip when it is written.
pub const LATTICE_MM: f64 = 1.0 / 16384.0;

/// Rounds a length to the lattice, in mm.
#[must_use]
pub fn snap_mm(length_mm: f64) -> f64 {
    (length_mm / LATTICE_MM).round() * LATTICE_MM
}

/// Rounds a length to the nearest half-way point between two lattice points, in mm: where cut planes lie, so that
/// no figure vertex is ever on one.
#[must_use]
pub fn snap_between_mm(length_mm: f64) -> f64 {
    ((length_mm / LATTICE_MM).floor() + 0.5) * LATTICE_MM
}

#[cfg(test)]
#[expect(clippy::float_cmp, reason = "what lies on the lattice is exact")]
mod tests {
    use super::*;

    #[test]
    fn lattice_points_are_exact_in_single_precision() {
        for x in [0.1, 123.456_78, 511.999_9] {
            let snapped = snap_mm(x);
            assert_eq!(f64::from(snapped as f32), snapped);
            let between = snap_between_mm(x);
            assert_eq!(f64::from(between as f32), between);
            assert_ne!(between, snap_mm(between));
        }
    }
}
