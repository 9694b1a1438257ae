//! How the plastic of a part divides among its filaments.

use glam::DVec3;
use rayon::prelude::*;

/// Triangles per piece of work: fixed, so that any number of threads gives one result.
const CHUNK: usize = 1 << 15;

/// Surface times the shell's thickness along each normal, mm3: what the shell's volume is to first order.
#[must_use]
pub fn flat_shell_mm3(positions: &[DVec3], triangles: &[[u32; 3]], side_mm: f64, up_mm: f64) -> f64 {
    let sums: Vec<f64> = triangles
        .par_chunks(CHUNK)
        .map(|some| {
            let of = |t: &[u32; 3]| {
                let [a, b, c] = t.map(|v| positions[v as usize]);
                let n = 0.5 * (b - a).cross(c - a);
                (side_mm * n.truncate().length()).hypot(up_mm * n.z)
            };
            some.iter().map(of).sum()
        })
        .collect();
    sums.iter().sum()
}

/// What decides how a part's plastic divides among its labels.
#[derive(Clone, Copy, Debug)]
pub struct Shares<'a> {
    pub base: usize,
    pub area_mm2: &'a [f64],
    /// Volume of each label's shell; 0 for the base.
    pub shell_mm3: &'a [f64],
    /// Thickness that is closed anyway, mm.
    pub wall_mm: f64,
    /// How much of area times thickness a shell really holds: below 1 where the part curves or is thin.
    pub fullness: f64,
    pub infill_share: f64,
    /// Plastic of the part if it had one colour.
    pub plastic_mm3: f64,
}

impl Shares<'_> {
    /// Plastic per label, mm3: closed shells of colour, the base filament for the rest. Where colour goes deeper than
    /// the walls, it closes what would have been sparse.
    #[must_use]
    pub fn volume_mm3(&self) -> Vec<f64> {
        let deeper = |(shell, area): (&f64, &f64)| (shell - area * self.wall_mm * self.fullness).max(0.0);
        let deeper_mm3: f64 = self.shell_mm3.iter().zip(self.area_mm2).map(deeper).sum();
        let total = self.plastic_mm3 + (1.0 - self.infill_share) * deeper_mm3;
        let shells: f64 = self.shell_mm3.iter().sum();
        let fit = if shells > total { total / shells } else { 1.0 };
        let mut volumes: Vec<f64> = self.shell_mm3.iter().map(|v| fit * v).collect();
        if let Some(base) = volumes.get_mut(self.base) {
            *base = (total - shells).max(0.0);
        }
        volumes
    }
}
