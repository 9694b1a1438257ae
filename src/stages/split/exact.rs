//! Makes a planned cut in the mesh itself: on or a little beside the planned plane, where it leaves no crumbs and the
//! parts fit as planned.

use glam::IVec3;

use super::bed::{FOOT_MIN_MM2, Shape};
use super::blocks::Model;
use super::glance::{Cut, Rules};
use super::plan::Planned;
use super::sweep::regions;
use super::ways::WAYS;
use super::wishes::{Asked, Side};
use crate::mesh::TriMesh;
use crate::mesh::cut::{self, CutError, Pieces, Plane, Region, Section};
use crate::units::LATTICE_MM;

/// Where planes are tried, as shares of a block beside the planned place.
const BESIDE: [f64; 9] = [0.0, 0.004, -0.004, 0.015, -0.015, 0.06, -0.06, 0.25, -0.25];
/// Lattice steps a plane is moved by when a section touches itself.
const NUDGES: [f64; 5] = [0.0, 1.0, -1.0, 3.0, -3.0];
/// Crossing triangles are counted up to here.
const CROSSINGS_MAX: usize = 10;
/// Thinner pieces cannot be printed at all, mm.
const SLIVER_MM: f64 = 0.5;
/// Lattice steps about a plane that was asked for.
const ABOUT: [f64; 5] = [0.0, 16.0, -16.0, 128.0, -128.0];
/// Pieces thinner than this share of the least part are crumbs.
const CRUMB: f64 = 0.5;

/// Cuts a part as planned.
///
/// # Errors
/// The last reason when no plane about the planned one works.
pub(super) fn make(mesh: &TriMesh, planned: &Planned, rules: &Rules, joint: u16) -> Result<(Plane, Pieces), CutError> {
    let Some(cut) = planned.cut else { return Err(CutError::Misses) };
    let mut attempt = Attempt::new(mesh, rules, joint, cut.fitting);
    attempt.planned = planned.pieces.iter().map(|p| p.shape).collect();
    let plane = planned.model.plane(&cut);
    for beside in BESIDE {
        match section_about(mesh, plane, beside * planned.model.step_mm) {
            Ok(section) if attempt.try_out(&section, &chosen(&section, &planned.model, &cut)) => break,
            Ok(_) => {}
            Err(error) => attempt.last = error,
        }
    }
    attempt.outcome()
}

/// Cuts a part through the middle of its longest side, whatever the seam looks like.
///
/// # Errors
/// The last reason when no plane about the middle works.
pub(super) fn halve(mesh: &TriMesh, shape: &Shape, rules: &Rules, joint: u16) -> Result<(Plane, Pieces), CutError> {
    let size = shape.size();
    let axis = (0..3).max_by(|a, b| size[*a].total_cmp(&size[*b])).unwrap_or(2);
    let mut attempt = Attempt::new(mesh, rules, joint, 0);
    for beside in BESIDE {
        let plane = Plane::new(axis, shape.low[axis] + size[axis] * (0.5 + 0.2 * beside));
        match section_about(mesh, plane, 0.0) {
            Ok(section) if attempt.try_out(&section, &vec![true; section.regions.len()]) => break,
            Ok(_) => {}
            Err(error) => attempt.last = error,
        }
    }
    attempt.outcome()
}

/// Cuts a part by a plane that was asked for; `None` when the plane misses it.
///
/// # Errors
/// When no plane within a hundredth of a millimetre works.
pub(super) fn along(
    mesh: &TriMesh,
    asked: &Asked,
    rules: &Rules,
    joint: u16,
) -> Result<Option<(Plane, Pieces)>, CutError> {
    let mut attempt = Attempt::new(mesh, rules, joint, 0);
    for steps in ABOUT {
        match section_about(mesh, asked.plane, steps * LATTICE_MM) {
            Ok(section) => {
                let chosen = on_side(&section, asked.side, rules.body.middle.x);
                if !chosen.contains(&true) {
                    return Ok(None);
                }
                if attempt.try_out(&section, &chosen) {
                    break;
                }
            }
            Err(CutError::Misses) => return Ok(None),
            Err(error) => attempt.last = error,
        }
    }
    attempt.outcome().map(Some)
}

/// The regions of a section that lie wholly on one side of the body's middle; all when no side is asked for.
fn on_side(section: &Section, side: Option<Side>, middle_x: f64) -> Vec<bool> {
    let mut chosen = vec![true; section.regions.len()];
    for (p, region) in section.points.iter().zip(&section.point_regions) {
        chosen[*region as usize] &= match side {
            Some(Side::Left) => p.x > middle_x,
            Some(Side::Right) => p.x < middle_x,
            None => true,
        };
    }
    chosen
}

/// The best cut so far.
struct Attempt<'a> {
    mesh: &'a TriMesh,
    rules: &'a Rules,
    joint: u16,
    /// Number of parts that should fit, and the boxes of all that are planned.
    wanted: usize,
    planned: Vec<Shape>,
    /// Slivers, crossing triangles, pieces too thin, pieces that do not fit or have outgrown the bed; and the cut.
    best: Option<([usize; 4], Plane, Pieces)>,
    last: CutError,
}

impl<'a> Attempt<'a> {
    fn new(mesh: &'a TriMesh, rules: &'a Rules, joint: u16, wanted: usize) -> Self {
        Self { mesh, rules, joint, wanted, planned: Vec::new(), best: None, last: CutError::Misses }
    }

    fn outcome(self) -> Result<(Plane, Pieces), CutError> {
        self.best.map(|(_, plane, pieces)| (plane, pieces)).ok_or(self.last)
    }

    /// Cuts the chosen regions, or all if that does not part anything. Bumps of rough skin that the plane would shave off
    /// stay on the side they grow from.
    fn cut(&self, section: &Section, chosen: &[bool]) -> Result<Pieces, CutError> {
        let cut = |chosen: &[bool]| cut::pieces(self.mesh, section, chosen, self.joint);
        let made = match cut(chosen) {
            Err(CutError::StillJoined) => cut(&vec![true; chosen.len()]),
            made => made,
        }?;
        if !made.pieces.iter().any(|piece| Shape::of(&piece.mesh).is_crumb()) {
            return Ok(made);
        }
        let is_large = |(chosen, region): (&bool, &Region)| *chosen && region.area_mm2 >= FOOT_MIN_MM2;
        let large: Vec<bool> = chosen.iter().zip(&section.regions).map(is_large).collect();
        Ok(cut(&large).ok().filter(|without| without.pieces.len() > 1).unwrap_or(made))
    }

    /// Whether a piece is longer than the bed in a direction in which the planned one was not, so that its parts will not fit.
    fn has_outgrown(&self, shape: &Shape) -> bool {
        let off = |p: &Shape| (p.low + p.high).distance_squared(shape.low + shape.high);
        let Some(planned) = self.planned.iter().min_by(|a, b| off(a).total_cmp(&off(b))) else { return false };
        self.rules.bed.outgrown(shape.size(), planned.size())
    }

    /// Cuts and looks at what results; says whether it is as good as planned.
    fn try_out(&mut self, section: &Section, chosen: &[bool]) -> bool {
        match self.cut(section, chosen) {
            Ok(pieces) => {
                let shapes: Vec<Shape> = pieces.pieces.iter().map(|p| Shape::of(&p.mesh)).collect();
                let thin = |s: &Shape| s.size().min_element();
                let slivers = shapes.iter().filter(|s| thin(s) < SLIVER_MM).count();
                let crumbs = shapes.iter().filter(|s| thin(s) < CRUMB * self.rules.part_min_mm).count();
                let bed = &self.rules.bed;
                let fits = pieces.pieces.iter().zip(&shapes).filter(|(p, s)| bed.holds_part(&p.mesh, s)).count();
                let crossings: usize =
                    pieces.pieces.iter().map(|p| cut::rim_crossings(&p.mesh, section.plane, CROSSINGS_MAX)).sum();
                let grown = shapes.iter().filter(|s| self.has_outgrown(s)).count();
                let faults = [slivers, crossings, crumbs, self.wanted.saturating_sub(fits) + grown];
                if self.best.as_ref().is_none_or(|b| faults < b.0) {
                    self.best = Some((faults, section.plane, pieces));
                }
            }
            Err(error) => self.last = error,
        }
        self.best.as_ref().is_some_and(|b| b.0 == [0; 4])
    }
}

/// The section at the nearest plane between lattice points that is free of touching outlines and vertices.
fn section_about(mesh: &TriMesh, plane: Plane, beside_mm: f64) -> Result<Section, CutError> {
    let mut last = CutError::Misses;
    for nudge in NUDGES {
        match cut::section(mesh, plane.moved(beside_mm + nudge * LATTICE_MM)) {
            Err(error @ (CutError::Touches | CutError::VertexOnPlane)) => last = error,
            found => return found,
        }
    }
    Err(last)
}

/// Which regions of the section the plan cuts: each follows the planned region most of its rim lies beside. Regions the
/// plan does not know are left alone.
fn chosen(section: &Section, model: &Model, cut: &Cut) -> Vec<bool> {
    let regions = regions(model, WAYS[cut.way], cut.level);
    let mut planned = rustc_hash::FxHashMap::default();
    for (region, bonds) in regions.iter().enumerate() {
        for (low, side) in bonds {
            for b in [*low, model.blocks[*low as usize].near[*side]] {
                planned.insert(IVec3::from_array(model.blocks[b as usize].at.map(i32::from)), region);
            }
        }
    }
    let mut votes = vec![vec![0_u32; regions.len()]; section.regions.len()];
    for (p, region) in section.points.iter().zip(&section.point_regions) {
        let cell = ((*p - model.corner) / model.step_mm).floor().as_ivec3();
        let around = (0..27).map(|i| cell + IVec3::new(i % 3, i / 3 % 3, i / 9) - 1);
        for planned in around.filter_map(|c| planned.get(&c)) {
            votes[*region as usize][*planned] += 1;
        }
    }
    let verdict = |votes: &Vec<u32>| {
        let most = votes.iter().max().copied().unwrap_or(0);
        votes.iter().position(|v| *v == most && most > 0).is_some_and(|planned| cut.goes_through(planned))
    };
    votes.iter().map(verdict).collect()
}
