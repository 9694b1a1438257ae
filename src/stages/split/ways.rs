//! Directions in which planes are tried: along the axes, and tilted to the sides, to the front and to the back.

use glam::DVec3;

/// A direction planes are tried across, in whole blocks along each axis.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) struct Way([i32; 3]);

/// Axes first, then tilts of 27, 45 and 63 degrees to both sides and of 27 and 45 degrees to the front and back.
pub(super) const WAYS: [Way; 13] = [
    Way([1, 0, 0]),
    Way([0, 1, 0]),
    Way([0, 0, 1]),
    Way([1, 0, 2]),
    Way([-1, 0, 2]),
    Way([1, 0, 1]),
    Way([-1, 0, 1]),
    Way([2, 0, 1]),
    Way([-2, 0, 1]),
    Way([0, 1, 2]),
    Way([0, -1, 2]),
    Way([0, 1, 1]),
    Way([0, -1, 1]),
];

impl Way {
    /// The axis it runs along, if it is not tilted.
    pub fn axis(self) -> Option<usize> {
        let used = |axis: &usize| self.0[*axis] != 0;
        let mut axes = (0..3).filter(used);
        axes.next().filter(|_| axes.next().is_none())
    }

    pub fn steps(self) -> DVec3 {
        DVec3::from_array(self.0.map(f64::from))
    }

    pub fn unit(self) -> DVec3 {
        self.steps().normalize()
    }

    /// Height of a block's middle, in levels above that of the first block.
    pub fn level(self, at: [u16; 3]) -> i32 {
        (0..3).map(|i| self.0[i] * i32::from(at[i])).sum()
    }

    /// Sides of a block beyond which blocks are higher: below and above along x, y, z are 0 to 5.
    pub fn up_sides(self) -> impl Iterator<Item = usize> {
        (0..6).filter(move |side| self.rise(*side) > 0)
    }

    /// Levels by which the block beyond this side is higher.
    pub fn rise(self, side: usize) -> i32 {
        self.0[side / 2] * if side % 2 == 1 { 1 } else { -1 }
    }

    /// Levels a block is counted in as the one below a plane.
    pub fn depth(self) -> f64 {
        f64::from(self.0.into_iter().map(i32::abs).max().unwrap_or(1))
    }

    /// The way with left and right exchanged, and whether it then points down instead of up.
    pub fn mirrored(self) -> Option<(usize, bool)> {
        let [x, y, z] = self.0;
        let at = |steps: [i32; 3]| WAYS.iter().position(|w| w.0 == steps);
        at([-x, y, z]).map(|i| (i, false)).or_else(|| at([x, -y, -z]).map(|i| (i, true)))
    }
}
