//! What the skin in one block says about seams: for every way a plane may run, how long its rim would be there, how much
//! it would show, and whether it would leave a knife edge.

use glam::DVec3;
use rayon::prelude::*;

use super::blocks::{Piece, SUBS, WAYS_COUNT};
use super::care::Care;
use super::grid::Grid;
use super::tints::{Areas, TINTS};
use super::ways::{WAYS, Way};
use crate::mesh::cut::NO_SOURCE;

/// Skin closer than this to a plane makes a knife edge there: cosine of 65 degrees off its normal (common practice, no source).
const FLAT_SKIN: f64 = 0.906;
/// Slices of a block across an axis: planes in between, and half ones at both faces.
const SLICES: usize = SUBS as usize + 1;

/// A way as seams are measured across it.
struct Ruler {
    unit: DVec3,
    /// Distance between planes for which a block counts, mm.
    depth_mm: f64,
    axis: Option<usize>,
}

impl Ruler {
    fn of(way: Way, step_mm: f64) -> Self {
        Self { unit: way.unit(), depth_mm: way.depth() * step_mm / way.steps().length(), axis: way.axis() }
    }
}

/// Sums over the skin in a block.
#[derive(Clone, Debug, Default)]
pub(super) struct Skin {
    /// Seam across each axis, by slice, weighted with how much it shows, mm.
    sliced: [[f32; SLICES]; 3],
    /// The same across every way, anywhere in the block.
    shown: [f32; WAYS_COUNT],
    /// Length of the rim, mm.
    length: [f32; WAYS_COUNT],
    /// Length of it that runs nearly along the plane, mm.
    knife: [f32; WAYS_COUNT],
    /// Area by tint, mm2.
    tints: [f32; TINTS],
}

impl Skin {
    /// Weighted seam of a plane beside the block's face: `sub` steps above its lower face (`up` the block is above the
    /// plane's level) or below its upper one.
    pub fn shown(&self, way: usize, above: bool, sub: i32) -> f32 {
        let Some(sliced) = self.sliced.get(way) else { return 0.5 * self.shown[way] };
        match (above, sub) {
            (true, 0..) => sliced[sub as usize],
            (false, ..=0) => sliced[(SUBS + sub) as usize],
            _ => 0.0,
        }
    }

    pub fn length(&self, way: usize) -> f32 {
        0.5 * self.length[way]
    }

    pub fn knife(&self, way: usize) -> f32 {
        0.5 * self.knife[way]
    }

    pub fn tints(&self) -> Areas {
        self.tints.map(f64::from)
    }

    fn add(&mut self, (piece, t): (Piece<'_>, usize), (corner, step_mm): (DVec3, f64), care: &Care, rulers: &[Ruler]) {
        let [a, b, c] = piece.mesh.corners(t);
        let doubled = (b - a).cross(c - a);
        let twice = doubled.length();
        if twice <= 0.0 || piece.source[t] == NO_SOURCE {
            return;
        }
        let (normal, source) = (doubled / twice, piece.source[t] as usize);
        let minded = care.minded(source);
        self.tints[care.tints.at(source)] += (0.5 * twice) as f32;
        for (i, Ruler { unit, depth_mm, axis }) in rulers.iter().enumerate() {
            let facing = unit.dot(normal).abs();
            let sine = (1.0 - facing * facing).max(0.0).sqrt();
            // Length of the section times the way along which it is met (the coarea formula).
            let swept = 0.5 * twice * sine;
            let weight = minded.across(*unit, sine) * minded.bar;
            self.length[i] += (swept / depth_mm) as f32;
            self.shown[i] += (swept * weight / depth_mm) as f32;
            if facing > FLAT_SKIN {
                self.knife[i] += (0.5 * twice / depth_mm) as f32;
            }
            if let Some(axis) = *axis {
                let reach = [a, b, c].map(|p| (p[axis] - corner[axis]) / step_mm * f64::from(SUBS) + 0.5);
                spread(&mut self.sliced[axis], reach, swept * weight / step_mm * f64::from(SUBS));
            }
        }
    }
}

/// Spreads an amount evenly over the slices a triangle reaches across; what lies outside of the block goes evenly to all,
/// so that no slice looks empty only because no triangle has its middle there.
fn spread(slices: &mut [f32; SLICES], reach: [f64; 3], amount: f64) {
    let (low, high) = reach.iter().fold((f64::MAX, f64::MIN), |(l, h), v| (l.min(*v), h.max(*v)));
    let (low, high) = (low.min(high - 1e-6), high);
    // The first and the last slice are half ones.
    let ends = |slice: usize| ((slice as f64).max(0.5), (slice as f64 + 1.0).min(f64::from(SUBS) + 0.5));
    let mut outside = 1.0;
    for (slice, sum) in slices.iter_mut().enumerate() {
        let (from, to) = ends(slice);
        let share = (high.min(to) - low.max(from)).max(0.0) / (high - low);
        outside -= share;
        *sum += (share * amount) as f32;
    }
    for (slice, sum) in slices.iter_mut().enumerate() {
        let (from, to) = ends(slice);
        *sum += (outside.max(0.0) * amount * (to - from) / f64::from(SUBS)) as f32;
    }
}

/// The skin of every block, in the order of the grid.
pub(super) fn skins(piece: Piece<'_>, grid: &Grid, care: &Care) -> Vec<Skin> {
    let mesh = piece.mesh;
    let home = |t: usize| {
        let [a, b, c] = mesh.corners(t);
        let outside = mesh.origins[t].is_outside();
        outside.then(|| grid.block_at((a + b + c) / 3.0)).flatten().map(|b| (b as u32, t as u32))
    };
    let mut homes: Vec<(u32, u32)> = (0..mesh.triangles.len()).into_par_iter().filter_map(home).collect();
    homes.par_sort_unstable();
    let mut skins = vec![Skin::default(); grid.cells.len()];
    let groups: Vec<&[(u32, u32)]> = homes.chunk_by(|a, b| a.0 == b.0).collect();
    let rulers = WAYS.map(|way| Ruler::of(way, grid.step_mm));
    let half = DVec3::splat(0.5 * grid.step_mm);
    let sums: Vec<(u32, Skin)> = groups
        .par_iter()
        .map(|group| {
            let block = group[0].0;
            let corner = grid.centre(block as usize) - half;
            let mut skin = Skin::default();
            for (_, t) in *group {
                skin.add((piece, *t as usize), (corner, grid.step_mm), care, &rulers);
            }
            (block, skin)
        })
        .collect();
    for (block, skin) in sums {
        skins[block as usize] = skin;
    }
    skins
}
