//! Order of triangles and vertices in memory: what lies near in space lies near in memory, so that walks over a large
//! mesh stay in the caches. Scanners and mesh programs write triangles in any order.

use glam::DVec3;
use rayon::prelude::*;

use super::measure::bounds;
use super::topology::NONE;

/// Triangles, named by their index, along a Morton curve (Morton 1966) through their middles; equal places keep order.
/// Triangles must name existing vertices.
#[must_use]
pub fn by_place(positions: &[DVec3], triangles: &[[u32; 3]]) -> Vec<u32> {
    let (low, high) = bounds(positions);
    let cells_per_mm = f64::from(1 << BITS) / (3.0 * (high - low).max_element()).max(f64::MIN_POSITIVE);
    let code = |(t, triangle): (usize, &[u32; 3])| {
        let thrice_middle = triangle.iter().map(|v| positions[*v as usize] - low).sum::<DVec3>();
        let [x, y, z] = (thrice_middle * cells_per_mm).to_array().map(|c| spread(c as u64));
        (x | y << 1 | z << 2, t as u32)
    };
    let mut codes: Vec<(u64, u32)> = triangles.par_iter().enumerate().map(code).collect();
    codes.par_sort_unstable();
    codes.into_par_iter().map(|(_, t)| t).collect()
}

/// Bits of a coordinate in a code.
const BITS: u32 = 21;

/// The low 21 bits, two zeros between each two.
fn spread(coordinate: u64) -> u64 {
    const STEPS: [(u32, u64); 5] = [
        (32, 0x001f_0000_0000_ffff),
        (16, 0x001f_0000_ff00_00ff),
        (8, 0x100f_00f0_0f00_f00f),
        (4, 0x10c3_0c30_c30c_30c3),
        (2, 0x1249_2492_4924_9249),
    ];
    STEPS.iter().fold(coordinate.min((1 << BITS) - 1), |bits, (shift, mask)| (bits | bits << shift) & mask)
}

/// Numbers vertices by their first use and renames the corners; tells the old vertex of each new one. Vertices that no
/// triangle uses come last.
pub fn number_by_use(triangles: &mut [[u32; 3]], vertices: usize) -> Vec<u32> {
    let mut names = vec![NONE; vertices];
    let mut old = Vec::with_capacity(vertices);
    for v in triangles.iter_mut().flatten() {
        let name = &mut names[*v as usize];
        if *name == NONE {
            *name = old.len() as u32;
            old.push(*v);
        }
        *v = *name;
    }
    old.extend((0..vertices as u32).filter(|v| names[*v as usize] == NONE));
    old
}
