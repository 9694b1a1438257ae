//! How large the scan is, and how large it will be printed.

use crate::mesh::TriMesh;
use crate::mesh::measure::bounds;
use crate::stage::TargetSize;
use crate::units::LATTICE_MM;

/// Sizes that thresholds derive from.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Size {
    /// Lowest z of the body, mm.
    pub low_mm: f64,
    /// Height of the body as scanned, mm.
    pub height_mm: f64,
    /// Figure size over scan size, as far as it is known; else 1.
    pub factor: f64,
    /// Figure size over that of a standing adult: scales lengths that are meant for bodies.
    pub body: f64,
}

impl Size {
    pub fn of(body: &TriMesh, target: TargetSize) -> Self {
        /// Stature thresholds are meant for, mm.
        const STATURE_MM: f64 = 1750.0;
        let (low, high) = bounds(&body.positions);
        let height_mm = (high.z - low.z).max(f64::MIN_POSITIVE);
        let factor = match target {
            TargetSize::HeightMm(figure_mm) => figure_mm / height_mm,
            TargetSize::Factor(factor) => factor,
            TargetSize::Unknown => 1.0,
        };
        Self { low_mm: low.z, height_mm, factor, body: (high - low).max_element() / STATURE_MM }
    }

    /// Height of the figure, mm.
    pub fn figure_mm(&self) -> f64 {
        self.height_mm * self.factor
    }

    /// A height as share of the body's.
    pub fn share(&self, z_mm: f64) -> f64 {
        (z_mm - self.low_mm) / self.height_mm
    }

    /// Least height of a triangle, at scan size, that survives rounding to the lattice at figure size, mm.
    pub fn sliver_mm(&self) -> f64 {
        (4.0 * LATTICE_MM / self.factor).min(1e-4 * self.height_mm)
    }
}
