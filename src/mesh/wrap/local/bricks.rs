//! The part of the grid a local wrap may look at: bricks of 2 x 2 x 2 corners around some triangles.

use glam::{DVec3, IVec3};
use rustc_hash::FxHashSet;

use crate::mesh::wrap::grid::Grid;

/// Bricks more than this are no small region any more.
const BRICKS_MAX: usize = 30_000_000;

/// A set of bricks.
#[derive(Clone, Debug, Default)]
pub(in crate::mesh::wrap) struct Bricks(FxHashSet<IVec3>);

impl Bricks {
    /// All corners within so many voxels of triangles; `None` when they are too many.
    pub(super) fn around(grid: &Grid, triangles: impl Iterator<Item = [DVec3; 3]>, reach: f64) -> Option<Self> {
        let mut bricks = Self::default();
        for corners in triangles {
            let corners = corners.map(|p| (p - grid.origin) / grid.voxel);
            bricks.add_triangle(&corners, reach);
            if bricks.0.len() > BRICKS_MAX {
                return None;
            }
        }
        Some(bricks)
    }

    /// Adds the bricks near points of a triangle that lie no more than a voxel apart.
    fn add_triangle(&mut self, [a, b, c]: &[DVec3; 3], reach: f64) {
        let longest = a.distance(*b).max(b.distance(*c)).max(c.distance(*a));
        let steps = longest.ceil().max(1.0) as u32;
        for i in 0..=steps {
            for j in 0..=steps - i {
                let (u, v) = (f64::from(i) / f64::from(steps), f64::from(j) / f64::from(steps));
                self.add_point(*a + (*b - *a) * u + (*c - *a) * v, reach);
            }
        }
    }

    fn add_point(&mut self, point: DVec3, reach: f64) {
        let low: IVec3 = (point - reach).floor().as_ivec3() >> 1;
        let high: IVec3 = (point + reach).ceil().as_ivec3() >> 1;
        for z in low.z..=high.z {
            for y in low.y..=high.y {
                self.0.extend((low.x..=high.x).map(|x| IVec3::new(x, y, z)));
            }
        }
    }

    /// Whether the corner is in one of them.
    pub(in crate::mesh::wrap) fn hold(&self, corner: IVec3) -> bool {
        self.0.contains(&(corner >> 1))
    }
}
