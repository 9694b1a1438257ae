//! Divides a figure until every part fits: chooses a cut in blocks, makes it exactly, looks again at what came out.

use std::sync::Arc;

use rayon::prelude::*;

use super::bed::{Bed, Shape};
use super::blocks::{Model, Piece};
use super::care::Care;
use super::exact;
use super::glance::Rules;
use super::plan::{Planned, Ranked, plans};
use super::wishes::Asked;
use crate::mesh::cut::{Pieces, Plane};
use crate::mesh::{TriMesh, measure};

/// Blocks a part is modelled in, about.
const BLOCKS: f64 = 6_000.0;
/// A piece whose box is off by so many blocks is not the one planned.
const NEAR: f64 = 3.0;
/// Pieces that were not planned are planned as narrowly as after so many cuts.
const ANEW_DEPTH: usize = 2;
/// Most parts of one figure.
const PARTS_MAX: usize = 500;

/// Most cuts, made or tried; their numbers fit 16 bits.
const CUTS_MAX: usize = 20_000;

/// A part on its way.
#[derive(Clone, Debug)]
pub(super) struct Work {
    pub mesh: Arc<TriMesh>,
    /// Triangle of the undivided figure each triangle lies on.
    pub source: Vec<u32>,
    /// Its place in the tree of cuts.
    pub node: usize,
    /// How it is to be divided, as far as an earlier plan tells.
    pub plan: Option<Arc<Planned>>,
}

/// A place in the tree of cuts: a finished part, or a piece that was cut further.
#[derive(Clone, Debug, Default, PartialEq)]
pub(super) struct Node {
    /// Number of the cut that divides it.
    pub cut: Option<usize>,
    pub children: Vec<usize>,
}

/// How to divide.
#[derive(Clone, Debug)]
pub(super) struct Search {
    pub rules: Rules,
    pub care: Care,
    pub step_mm: f64,
    /// Planes that are cut first, whatever they cross.
    pub fixed: Vec<Asked>,
    /// Whether nothing else is to be cut.
    pub fixed_only: bool,
}

/// A figure being divided.
#[derive(Clone, Debug)]
pub(super) struct Division {
    pub parts: Vec<Work>,
    pub open: Vec<Work>,
    /// Plane of each cut made, by number; none where a fixed plane missed.
    pub cuts: Vec<Option<Plane>>,
    pub nodes: Vec<Node>,
}

/// A cut just made, and how the pieces are to be divided further.
struct Made {
    plane: Plane,
    pieces: Pieces,
    plans: Vec<Option<Arc<Planned>>>,
}

impl Made {
    fn unplanned((plane, pieces): (Plane, Pieces)) -> Self {
        let plans = vec![None; pieces.pieces.len()];
        Self { plane, pieces, plans }
    }
}

/// Why dividing stopped.
#[derive(Clone, Debug, PartialEq, thiserror::Error)]
pub(super) enum DivideError {
    #[error("a piece of {size} does not fit the printer and no plane parts it: {why}")]
    Stuck { size: String, why: String },
    #[error("a piece of {size} does not fit the printer, and `cuts_only` allows no other cut")]
    Unasked { size: String },
    #[error("the figure would need more than {PARTS_MAX} parts on this printer")]
    TooMany,
}

/// Extents in words.
pub(super) fn size_words(shape: &Shape) -> String {
    let size = shape.size();
    format!("{:.0} x {:.0} x {:.0} mm", size.x, size.y, size.z)
}

impl Division {
    /// Starts with the whole figure.
    pub fn new(mesh: Arc<TriMesh>) -> Self {
        let source = (0..mesh.triangles.len() as u32).collect();
        let open = vec![Work { mesh, source, node: 0, plan: None }];
        Self { parts: Vec::new(), open, cuts: Vec::new(), nodes: vec![Node::default()] }
    }

    /// Cuts every piece that does not fit once.
    ///
    /// # Errors
    /// When a piece cannot be parted, or there are too many parts.
    pub fn round(&mut self, search: &Search, round: usize) -> Result<(), DivideError> {
        let open = std::mem::take(&mut self.open);
        let first = self.cuts.len();
        let fixed = search.fixed.get(round);
        let cut = |(i, work): (usize, &Work)| search.step(work, fixed, (first + i) as u16);
        let made: Vec<_> = open.par_iter().enumerate().map(cut).collect();
        for (work, made) in open.into_iter().zip(made) {
            let number = self.cuts.len();
            let made = made?;
            self.cuts.push(made.as_ref().map(|m| m.plane));
            if let Some(made) = made {
                self.take(&work, number, made);
            } else {
                let list = if fixed.is_none() { &mut self.parts } else { &mut self.open };
                list.push(work);
            }
        }
        if self.parts.len() + self.open.len() > PARTS_MAX || self.cuts.len() > CUTS_MAX {
            Err(DivideError::TooMany)
        } else {
            Ok(())
        }
    }

    /// Puts the pieces of a cut in place of what was cut.
    fn take(&mut self, work: &Work, number: usize, made: Made) {
        self.nodes[work.node].cut = Some(number);
        for (piece, plan) in made.pieces.pieces.into_iter().zip(made.plans) {
            let node = self.nodes.len();
            self.nodes.push(Node::default());
            self.nodes[work.node].children.push(node);
            let source = piece.source_in(&work.source);
            self.open.push(Work { mesh: Arc::new(piece.mesh), source, node, plan });
        }
    }
}

impl Search {
    /// Cuts one piece; `None` when it is to stay as it is.
    fn step(&self, work: &Work, fixed: Option<&Asked>, joint: u16) -> Result<Option<Made>, DivideError> {
        let mesh = work.mesh.as_ref();
        let shape = Shape::of(mesh);
        let stuck = |why: &dyn ToString| DivideError::Stuck { size: size_words(&shape), why: why.to_string() };
        if let Some(asked) = fixed {
            let made = exact::along(mesh, asked, &self.rules, joint).map_err(|why| stuck(&why))?;
            return Ok(made.map(Made::unplanned));
        }
        if self.rules.bed.holds_part(mesh, &shape) {
            return Ok(None);
        }
        if self.fixed_only {
            return Err(DivideError::Unasked { size: size_words(&shape) });
        }
        let known = work.plan.as_ref().filter(|p| p.cut.is_some()).cloned();
        let made = known.or_else(|| self.best_plan(work)).and_then(|planned| {
            let (plane, pieces) = exact::make(mesh, &planned, &self.rules, joint).ok()?;
            let plans = matched(&planned, &pieces, &self.rules.bed);
            Some(Made { plane, pieces, plans })
        });
        match made {
            Some(made) => Ok(Some(made)),
            None => {
                exact::halve(mesh, &shape, &self.rules, joint).map(Made::unplanned).map(Some).map_err(|why| stuck(&why))
            }
        }
    }

    /// Plans for a piece after so many cuts, the cheapest first.
    fn plans(&self, work: &Work, depth: usize) -> Vec<Ranked> {
        let piece = Piece { mesh: &work.mesh, source: &work.source };
        plans(
            Model::of(piece, self.block_mm(&work.mesh), &self.rules.body, &self.care),
            &self.rules,
            &self.care.tints,
            depth,
        )
    }

    fn best_plan(&self, work: &Work) -> Option<Arc<Planned>> {
        self.plans(work, ANEW_DEPTH).into_iter().next().map(|ranked| ranked.planned)
    }

    /// Plans for the largest open piece, if anything else than what was asked for may be cut.
    pub fn ranked(&self, open: &[Work]) -> Vec<Ranked> {
        let largest = self.largest(open).filter(|_| !self.fixed_only);
        largest.map(|i| self.plans(&open[i], 0)).unwrap_or_default()
    }

    /// Gives the largest open piece a plan of its own.
    pub fn follow(&self, open: &mut [Work], plan: &Ranked) {
        if let Some(i) = self.largest(open) {
            open[i].plan = Some(Arc::clone(&plan.planned));
        }
    }

    /// The largest piece that does not fit.
    fn largest(&self, open: &[Work]) -> Option<usize> {
        let does_not_fit = |i: &usize| !self.rules.bed.holds_part(&open[*i].mesh, &Shape::of(&open[*i].mesh));
        let volume = |i: &usize| measure::volume_mm3(&open[*i].mesh);
        (0..open.len()).filter(does_not_fit).max_by(|a, b| volume(a).total_cmp(&volume(b)))
    }

    /// Size of blocks: a whole number of them makes up the printer's room, so that planes lie where parts just fit.
    fn block_mm(&self, mesh: &TriMesh) -> f64 {
        let room = self.rules.bed.least_mm() - 0.02;
        let even = (measure::volume_mm3(mesh).max(0.0) / BLOCKS).cbrt();
        let wanted = even.max(self.step_mm).max(1e-3);
        room / (room / wanted).floor().max(2.0)
    }
}

/// The plan for each piece that came out of a cut: of those whose box is much like its own the nearest. Blocks overlook what
/// is thin, such as fingers, so pieces may reach further than planned, but not over the bed where they were not to.
fn matched(planned: &Planned, pieces: &Pieces, bed: &Bed) -> Vec<Option<Arc<Planned>>> {
    let near_mm = NEAR * planned.model.step_mm;
    let mut left: Vec<Arc<Planned>> = planned.pieces.clone();
    let mut plans = Vec::with_capacity(pieces.pieces.len());
    for piece in &pieces.pieces {
        let (low, high) = measure::bounds(&piece.mesh.positions);
        let off = |p: &Planned| (p.shape.low - low).abs().max((p.shape.high - high).abs()).max_element();
        let fitting = (0..left.len()).filter(|i| !bed.outgrown(high - low, left[*i].shape.size()));
        let nearest = fitting.min_by(|a, b| off(&left[*a]).total_cmp(&off(&left[*b])));
        plans.push(nearest.filter(|i| off(&left[*i]) < near_mm).map(|i| left.remove(i)));
    }
    plans
}
