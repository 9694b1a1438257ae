//! Reads flat colour chips off a scan: where they lie, how large they are and what colour they have.
//!
//! `view` looks at the scan from above, `find` tells the chips from what they lie on, `tone` takes the colour of one,
//! `matched` says which filament each is.

mod find;
pub mod matched;
mod outline;
mod tone;
mod view;

use glam::DVec2;

use crate::colour::spaces::{Lab, Linear, lab_of_linear};
use crate::mesh::TriMesh;

/// A chip as found in a scan.
#[derive(Clone, Debug, PartialEq)]
pub struct Chip {
    /// Place seen from above, mm to the right and away from the middle of all chips.
    pub place_mm: [f64; 2],
    /// Longer and shorter side, mm.
    pub size_mm: [f64; 2],
    /// Row from the farthest on and place in it from the left, both from 1.
    pub row: usize,
    pub column: usize,
    pub tone: Tone,
}

/// The colour of a chip.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Tone {
    /// Linear light.
    pub light: Linear,
    /// How far a place of the chip is from this colour, in the middle of all places looked at, CIEDE2000.
    pub spread: f64,
    /// Share of the places looked at that were left out as shadow, shine or specks.
    pub left_out: f64,
    /// Surface looked at, mm2.
    pub area_mm2: f64,
}

impl Tone {
    #[must_use]
    pub fn lab(&self) -> Lab {
        lab_of_linear(self.light)
    }
}

/// How to look.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Looking {
    /// Longer side of the chips, mm: others are passed over. None takes every size.
    pub side_mm: Option<f64>,
    /// How far the board lies turned counter-clockwise in the scan, degrees.
    pub turned_deg: f64,
}

/// All chips of a scan in millimetres, row by row from the farthest on, from left to right.
///
/// A scan knows no left: its first axis is taken to point to the right, but for the turn that `looking` tells and up to 45
/// degrees more, by which the chips' edges stand straight.
#[must_use]
pub fn chips(mesh: &TriMesh, looking: Looking) -> Vec<Chip> {
    let Some(view) = view::View::of(mesh) else { return Vec::new() };
    let mut found = find::patches(&view);
    if let Some(side) = looking.side_mm {
        found.retain(|patch| (patch.frame.size.max_element() - side).abs() < SIDE_OFF_MAX * side);
    }
    let frames: Vec<outline::Frame> = found.iter().map(|patch| patch.frame).collect();
    let upright = DVec2::from_angle(-outline::board_turn(&frames, looking.turned_deg.to_radians()));
    let placed: Vec<(DVec2, &find::Patch)> = found.iter().map(|p| (upright.rotate(p.frame.middle), p)).collect();
    let sum: DVec2 = placed.iter().map(|(place, _)| *place).sum();
    let middle = sum / placed.len().max(1) as f64;
    let mut chips = Vec::new();
    for (row, members) in rows(&placed).into_iter().enumerate() {
        for (column, i) in members.into_iter().enumerate() {
            let (place, patch) = placed[i];
            let size = patch.frame.size;
            chips.push(Chip {
                place_mm: (place - middle).to_array(),
                size_mm: [size.max_element(), size.min_element()],
                row: row + 1,
                column: column + 1,
                tone: tone::tone(&view, &patch.inner),
            });
        }
    }
    chips
}

/// Chips are this near to the side asked for, as a share of it.
const SIDE_OFF_MAX: f64 = 0.25;

/// Chips of one row are less than half a chip farther or nearer than the row's first.
fn rows(placed: &[(DVec2, &find::Patch)]) -> Vec<Vec<usize>> {
    let mut order: Vec<usize> = (0..placed.len()).collect();
    order.sort_by(|a, b| placed[*b].0.y.total_cmp(&placed[*a].0.y).then(a.cmp(b)));
    let mut rows: Vec<Vec<usize>> = Vec::new();
    for i in order {
        let half = 0.5 * placed[i].1.frame.size.min_element();
        match rows.last_mut() {
            Some(row) if placed[row[0]].0.y - placed[i].0.y < half => row.push(i),
            _ => rows.push(vec![i]),
        }
    }
    for row in &mut rows {
        row.sort_by(|a, b| placed[*a].0.x.total_cmp(&placed[*b].0.x).then(a.cmp(b)));
    }
    rows
}
