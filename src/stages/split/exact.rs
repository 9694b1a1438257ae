//! Makes a planned cut in the mesh itself: on or a little beside the planned plane, where it leaves no crumbs and the
//! parts fit as planned.

use super::blocks::Blocks;
use super::choose::{Choice, Rules};
use crate::mesh::TriMesh;
use crate::mesh::cut::{self, CutError, Pieces, Plane, Section};
use crate::stages::split::bed::Shape;
use crate::units::{LATTICE_MM, snap_between_mm};

/// Where planes are tried, as shares of a block beside the planned place.
const BESIDE: [f64; 7] = [0.0, 0.125, -0.125, 0.25, -0.25, 0.375, -0.375];
/// Lattice steps a plane is moved by when a section touches itself.
const NUDGES: [f64; 5] = [0.0, 1.0, -1.0, 3.0, -3.0];
/// Cut regions smaller than this make crumbs, mm2 (common practice, no source).
const CRUMB_MM2: f64 = 30.0;

/// Cuts a part as planned.
///
/// # Errors
/// The last reason when no plane about the planned one works.
pub(super) fn make(
    mesh: &TriMesh,
    model: &Blocks,
    choice: &Choice,
    rules: &Rules,
    joint: u16,
) -> Result<(Plane, Pieces), CutError> {
    let mut attempt = Attempt { mesh, rules, joint, wanted: choice.fitting, best: None, last: CutError::Misses };
    let mut reserve: Vec<(usize, Section)> = Vec::new();
    for beside in BESIDE {
        let offset_mm = choice.offset_mm + beside * model.step_mm;
        match section_about(mesh, choice.axis, offset_mm) {
            Ok(section) => match section.regions.iter().filter(|r| r.area_mm2 < CRUMB_MM2).count() {
                0 if attempt.try_out(&section, &chosen(&section, model, choice)) => break,
                0 => {}
                crumbs => reserve.push((crumbs, section)),
            },
            Err(error) => attempt.last = error,
        }
    }
    reserve.sort_by_key(|(crumbs, _)| *crumbs);
    for (_, section) in &reserve {
        if attempt.good_enough() || attempt.try_out(section, &chosen(section, model, choice)) {
            break;
        }
    }
    attempt.best.map(|(_, plane, pieces)| (plane, pieces)).ok_or(attempt.last)
}

/// Cuts a part through the middle of its longest side, whatever the seam looks like.
///
/// # Errors
/// The last reason when no plane about the middle works.
pub(super) fn halve(mesh: &TriMesh, shape: &Shape, rules: &Rules, joint: u16) -> Result<(Plane, Pieces), CutError> {
    let size = shape.high - shape.low;
    let axis = (0..3).max_by(|a, b| size[*a].total_cmp(&size[*b])).unwrap_or(2);
    let mut attempt = Attempt { mesh, rules, joint, wanted: 0, best: None, last: CutError::Misses };
    for beside in BESIDE {
        match section_about(mesh, axis, shape.low[axis] + size[axis] * (0.5 + 0.2 * beside)) {
            Ok(section) if attempt.try_out(&section, &vec![true; section.regions.len()]) => break,
            Ok(_) => {}
            Err(error) => attempt.last = error,
        }
    }
    attempt.best.map(|(_, plane, pieces)| (plane, pieces)).ok_or(attempt.last)
}

/// Cuts a part by a plane that was asked for; `None` when the plane misses it.
///
/// # Errors
/// When no plane within a few lattice steps works.
pub(super) fn along(mesh: &TriMesh, plane: Plane, rules: &Rules, joint: u16) -> Result<Option<(Plane, Pieces)>, CutError> {
    let section = match section_about(mesh, plane.axis, plane.offset_mm) {
        Ok(section) => section,
        Err(CutError::Misses) => return Ok(None),
        Err(error) => return Err(error),
    };
    let mut attempt = Attempt { mesh, rules, joint, wanted: 0, best: None, last: CutError::Misses };
    attempt.try_out(&section, &vec![true; section.regions.len()]);
    attempt.best.map(|(_, plane, pieces)| Some((plane, pieces))).ok_or(attempt.last)
}

/// The best cut so far.
struct Attempt<'a> {
    mesh: &'a TriMesh,
    rules: &'a Rules,
    joint: u16,
    /// Number of parts that should fit.
    wanted: usize,
    best: Option<(usize, Plane, Pieces)>,
    last: CutError,
}

impl Attempt<'_> {
    fn good_enough(&self) -> bool {
        self.best.as_ref().is_some_and(|b| b.0 >= self.wanted)
    }

    /// Cuts and counts the parts that fit; says whether they are as many as planned.
    fn try_out(&mut self, section: &Section, chosen: &[bool]) -> bool {
        let all = vec![true; chosen.len()];
        let made = match cut::pieces(self.mesh, section, chosen, self.joint) {
            Err(CutError::StillJoined) => cut::pieces(self.mesh, section, &all, self.joint),
            made => made,
        };
        match made {
            Ok(pieces) => {
                let fits = pieces.pieces.iter().filter(|p| self.rules.bed.holds(&Shape::of(&p.mesh))).count();
                if self.best.as_ref().is_none_or(|b| fits > b.0) {
                    self.best = Some((fits, section.plane, pieces));
                }
            }
            Err(error) => self.last = error,
        }
        self.good_enough()
    }
}

/// The section at the nearest plane between lattice points that is free of touching outlines and vertices.
fn section_about(mesh: &TriMesh, axis: usize, offset_mm: f64) -> Result<Section, CutError> {
    let mut last = CutError::Misses;
    for nudge in NUDGES {
        match cut::section(mesh, Plane::new(axis, snap_between_mm(offset_mm + nudge * LATTICE_MM))) {
            Err(error @ (CutError::Touches | CutError::VertexOnPlane)) => last = error,
            found => return found,
        }
    }
    Err(last)
}

/// Which regions of the section the plan cuts: each follows the planned region most of its rim lies beside. Regions the
/// plan does not know are cut unless they are crumbs.
fn chosen(section: &Section, model: &Blocks, choice: &Choice) -> Vec<bool> {
    let across = [(choice.axis + 1) % 3, (choice.axis + 2) % 3];
    let mut planned = rustc_hash::FxHashMap::default();
    for (region, (_, blocks)) in choice.regions.iter().enumerate() {
        for b in blocks {
            let at = model.blocks[*b as usize].at;
            planned.insert(across.map(|i| i32::from(at[i])), region);
        }
    }
    let mut votes = vec![vec![0_u32; choice.regions.len()]; section.regions.len()];
    for (p, region) in section.points.iter().zip(&section.point_regions) {
        let cell = across.map(|i| ((p[i] - model.corner[i]) / model.step_mm).floor() as i32);
        let around = (0..9).map(|i| [cell[0] + (i % 3 - 1), cell[1] + (i / 3 - 1)]);
        for planned in around.filter_map(|c| planned.get(&c)) {
            votes[*region as usize][*planned] += 1;
        }
    }
    let verdict = |(votes, region): (&Vec<u32>, &cut::Region)| {
        let most = votes.iter().max().copied().unwrap_or(0);
        match votes.iter().position(|v| *v == most && most > 0) {
            Some(planned) => choice.regions[planned].0,
            None => region.area_mm2 >= CRUMB_MM2,
        }
    };
    votes.iter().zip(&section.regions).map(verdict).collect()
}
