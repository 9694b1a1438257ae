//! Plans all cuts of a part in the block model (after Luo et al. 2012, who search trees of plane cuts for few, well-joined parts
//! with seams that do not show). What a cut leaves is planned piece by piece, as no piece's price depends on another's.

use std::sync::{Arc, Mutex, PoisonError};

use rayon::prelude::*;
use rustc_hash::FxHashMap;

use super::bed::Shape;
use super::blocks::{Model, WAYS_COUNT};
use super::glance::{Cut, Rules, cuts};
use super::tints::Tints;

/// Ways along the axes.
const AXES: usize = 3;
/// Cuts that are followed to the end for a piece, by the number of cuts before it; one for pieces further down.
const WIDTHS: [usize; 9] = [5, 3, 2, 2, 2, 2, 2, 2, 2];
/// A part that should come to more parts than this is searched as narrowly as a piece after so many cuts.
const MANY: f64 = 60.0;
const MANY_DEPTH: usize = 6;
/// Cuts that are made in the model for each one that is followed; and of tilted ones for each of these.
const LOOKED_AT: usize = 4;
/// Pieces of no more than about two parts need no wide search.
const SMALL: f64 = 2.5;
const SMALL_WIDTH: usize = 2;
/// Cuts whose outlook is dearer than the best plan by this are not followed.
const HOPELESS: f64 = 1.5;
/// Tilted planes are tried after fewer cuts than this.
const TILT_DEPTH: usize = 3;
/// Price of a piece that does not fit and that no plane parts.
const STUCK: f64 = 5.0;
/// Finished plans that are kept for the owner to choose from.
pub(super) const RANKED: usize = 3;

/// A piece as planned: its blocks, its box, and the cut that divides it, if any.
#[derive(Clone, Debug)]
pub(super) struct Planned {
    pub model: Arc<Model>,
    pub shape: Shape,
    pub cut: Option<Cut>,
    pub pieces: Vec<Arc<Planned>>,
    /// Price of its parts, of their tool changes and of the seams between them.
    pub price: f64,
    /// Tool changes of its parts, about.
    pub tool_changes: f64,
}

/// What a plan comes to.
#[derive(Clone, Copy, Debug)]
pub(super) struct Outcome {
    pub parts: usize,
    pub price: f64,
    pub tool_changes: f64,
}

/// A finished plan.
#[derive(Clone, Debug)]
pub(super) struct Ranked {
    pub planned: Arc<Planned>,
    /// How it came out, where it was carried out.
    pub came_out: Option<Outcome>,
}

impl Ranked {
    pub fn outcome(&self) -> Outcome {
        let Planned { price, tool_changes, .. } = *self.planned;
        self.came_out.unwrap_or_else(|| Outcome { parts: self.planned.parts(), price, tool_changes })
    }
}

impl Planned {
    /// This piece and all it is divided into that are cut.
    pub fn cut_pieces(&self) -> Vec<(&Model, Cut)> {
        let own = self.cut.map(|cut| (self.model.as_ref(), cut));
        own.into_iter().chain(self.pieces.iter().flat_map(|p| p.cut_pieces())).collect()
    }

    /// Number of parts.
    pub fn parts(&self) -> usize {
        if self.cut.is_none() { 1 } else { self.pieces.iter().map(|p| p.parts()).sum() }
    }

    /// Whether the owner would hardly see a difference.
    fn is_like(&self, other: &Self) -> bool {
        let same = |a: &Cut, b: &Cut| a.way == b.way && a.level.abs_diff(b.level) < 3 && a.chosen == b.chosen;
        let [own, others] = [self, other].map(|p| p.cut_pieces().into_iter().map(|(_, cut)| cut).collect::<Vec<_>>());
        let missing = own.iter().filter(|a| !others.iter().any(|b| same(a, b))).count();
        own.len() == others.len() && missing < 2
    }
}

/// The best plans for a part, the cheapest first, each unlike the others; none when no plane parts it.
pub(super) fn plans(model: Model, rules: &Rules, tints: &Tints, depth: usize) -> Vec<Ranked> {
    let solver = Solver { rules, tints, tilts: depth == 0, known: Mutex::default() };
    let whole = Piece::of(model, rules);
    let depth = if whole.parts > MANY { depth.max(MANY_DEPTH) } else { depth };
    let options = solver.options(&whole, depth);
    let follow = |option: &Choice| solver.follow(&whole, option, depth, f64::INFINITY);
    let mut found: Vec<Arc<Planned>> = options.par_iter().filter_map(follow).map(Arc::new).collect();
    found.sort_by(|a, b| a.price.total_cmp(&b.price));
    let mut ranked: Vec<Ranked> = Vec::new();
    for planned in found {
        if ranked.len() < RANKED && !ranked.iter().any(|kept| kept.planned.is_like(&planned)) {
            ranked.push(Ranked { planned, came_out: None });
        }
    }
    ranked
}

/// A piece, the number of parts it should come to, and its box.
#[derive(Clone, Debug)]
struct Piece {
    model: Arc<Model>,
    parts: f64,
    shape: Shape,
}

impl Piece {
    fn of(model: Model, rules: &Rules) -> Self {
        let (parts, shape) = model.outlook(rules);
        Self { model: Arc::new(model), parts, shape }
    }

    fn fits(&self) -> bool {
        self.parts <= 1.0
    }

    /// Parts it comes to at least: none is longer than the bed's diagonal.
    fn least(&self, rules: &Rules) -> f64 {
        if self.fits() { 1.0 } else { (self.shape.size().max_element() / rules.bed.longest_mm()).ceil().max(2.0) }
    }

    fn planned(&self, price: f64) -> Planned {
        Planned {
            model: Arc::clone(&self.model),
            shape: self.shape,
            cut: None,
            pieces: Vec::new(),
            price,
            tool_changes: 0.0,
        }
    }
}

/// A cut and what it leaves.
#[derive(Debug)]
struct Choice {
    cut: Cut,
    pieces: Vec<Piece>,
}

impl Choice {
    fn outlook(&self) -> f64 {
        self.cut.seams + self.pieces.iter().map(|p| p.parts).sum::<f64>()
    }
}

/// Plans by what tells pieces apart and the number of cuts before them.
type Known = FxHashMap<([u8; 32], usize), Arc<Planned>>;

/// Finds the best plan for each piece, once.
struct Solver<'a> {
    rules: &'a Rules,
    tints: &'a Tints,
    tilts: bool,
    known: Mutex<Known>,
}

impl Solver<'_> {
    /// The best plan found for a piece after so many cuts.
    fn solve(&self, piece: &Piece, depth: usize) -> Arc<Planned> {
        if piece.fits() {
            let tool_changes = Tints::of_model(&piece.model, &piece.shape);
            return Arc::new(Planned { tool_changes, ..piece.planned(1.0 + self.tints.price(tool_changes)) });
        }
        let key = (piece.model.key(), depth.min(WIDTHS.len()));
        let known = || self.known.lock().unwrap_or_else(PoisonError::into_inner);
        if let Some(planned) = known().get(&key).cloned() {
            return planned;
        }
        let mut best: Option<Planned> = None;
        for choice in self.options(piece, depth) {
            let limit = best.as_ref().map_or(f64::INFINITY, |b| b.price);
            if choice.outlook() > limit + HOPELESS {
                break;
            }
            best = self.follow(piece, &choice, depth, limit).or(best);
        }
        let planned = Arc::new(best.unwrap_or_else(|| piece.planned(piece.parts + STUCK)));
        known().insert(key, Arc::clone(&planned));
        planned
    }

    /// The plan that starts with this cut, unless it is no cheaper than the limit.
    fn follow(&self, piece: &Piece, choice: &Choice, depth: usize, limit: f64) -> Option<Planned> {
        let mut price = choice.cut.seams + choice.pieces.iter().map(|p| p.least(self.rules)).sum::<f64>();
        let (mut pieces, mut tool_changes) = (Vec::with_capacity(choice.pieces.len()), 0.0);
        for piece in &choice.pieces {
            if price >= limit {
                return None;
            }
            let planned = self.solve(piece, depth + 1);
            price += planned.price - piece.least(self.rules);
            tool_changes += planned.tool_changes;
            pieces.push(planned);
        }
        (price < limit).then(|| Planned { cut: Some(choice.cut), pieces, tool_changes, ..piece.planned(price) })
    }

    /// Cuts to follow for a piece, those with the best outlook first.
    fn options(&self, piece: &Piece, depth: usize) -> Vec<Choice> {
        let wide = WIDTHS.get(depth).copied().unwrap_or(1);
        let width = if piece.parts < SMALL { wide.min(SMALL_WIDTH) } else { wide };
        let mut choices = self.made(piece, &differing(&cuts(&piece.model, self.rules, 0..AXES), LOOKED_AT * width));
        let is_halved = choices.first().is_some_and(|c| c.pieces.len() == 2 && c.pieces.iter().all(Piece::fits));
        if !is_halved && self.tilts && depth < TILT_DEPTH {
            let tilted = differing(&cuts(&piece.model, self.rules, AXES..WAYS_COUNT), width);
            choices.extend(self.made(piece, &tilted));
            choices.sort_by(|a, b| a.outlook().total_cmp(&b.outlook()));
        }
        choices.truncate(width);
        choices
    }

    /// Makes cuts in the model; those with the best outlook come first, those that part nothing are left out.
    fn made(&self, piece: &Piece, cuts: &[Cut]) -> Vec<Choice> {
        let choice = |cut: &Cut| {
            let pieces = piece.model.parted(cut).into_iter().map(|model| Piece::of(model, self.rules));
            Choice { cut: *cut, pieces: pieces.collect() }
        };
        let mut choices: Vec<Choice> = cuts.par_iter().map(choice).filter(|c| c.pieces.len() > 1).collect();
        choices.sort_by(|a, b| a.outlook().total_cmp(&b.outlook()));
        choices
    }
}

/// The first so many cuts that differ.
fn differing(cuts: &[Cut], count: usize) -> Vec<Cut> {
    let mut picked: Vec<Cut> = Vec::new();
    for cut in cuts {
        let alike = |p: &Cut| {
            p.way == cut.way && p.level.abs_diff(cut.level) < 2 && p.chosen.count_ones() == cut.chosen.count_ones()
        };
        if picked.len() == count {
            break;
        }
        if !picked.iter().any(alike) {
            picked.push(*cut);
        }
    }
    picked
}
