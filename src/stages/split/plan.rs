//! Plans all cuts of a part in the block model by beam search (after Luo et al. 2012, who search trees of plane cuts for few,
//! well-joined parts with seams that do not show).

use std::sync::Arc;

use rayon::prelude::*;

use super::bed::Shape;
use super::blocks::{Model, WAYS_COUNT};
use super::glance::{Cut, Rules, cuts};

/// Ways along the axes.
const AXES: usize = 3;
/// Plans kept after each step.
const BEAM: usize = 12;
/// Of these at most this many share the first cut.
const ALIKE: usize = 4;
/// Cuts tried to continue each plan.
const BRANCHES: usize = 8;
/// Finished plans that are kept for the owner to choose from.
pub(super) const RANKED: usize = 3;
/// Steps after which no plan is followed further.
const STEPS_MAX: usize = 200;

/// A piece as planned: its blocks, its box, and the cut that divides it, if any.
#[derive(Clone, Debug)]
pub(super) struct Planned {
    pub model: Arc<Model>,
    pub shape: Shape,
    pub cut: Option<Cut>,
    pub pieces: Vec<Planned>,
}

/// A piece in a plan under construction, with the number of parts it should come to.
#[derive(Clone, Debug)]
struct Open {
    id: usize,
    model: Arc<Model>,
    parts: f64,
}

/// A cut of a plan and the pieces it leaves.
#[derive(Debug)]
struct Step {
    before: Option<Arc<Step>>,
    piece: usize,
    cut: Cut,
    /// Number of the first piece; the others follow.
    first: usize,
    pieces: Vec<(Arc<Model>, Shape)>,
}

/// A plan so far: its price, and what does not fit yet.
#[derive(Clone, Debug)]
struct Plan {
    price: f64,
    open: Vec<Open>,
    root_cut: Option<Cut>,
    last: Option<Arc<Step>>,
    pieces: usize,
}

impl Plan {
    fn outlook(&self) -> f64 {
        self.price + self.open.iter().map(|o| o.parts).sum::<f64>()
    }

    /// This plan with its next piece cut; pieces that fit leave it, at the price of a part each.
    fn continued(&self, cut: Cut, rules: &Rules) -> Self {
        let mut plan = self.clone();
        let Some(next) = plan.open.pop() else { return plan };
        plan.root_cut = plan.root_cut.or(Some(cut));
        plan.price += cut.seams;
        let first = plan.pieces;
        let mut pieces = Vec::new();
        for model in next.model.parted(&cut).into_iter().map(Arc::new) {
            let (parts, shape) = model.outlook(rules);
            if parts > 1.0 {
                plan.open.push(Open { id: plan.pieces, model: Arc::clone(&model), parts });
            } else {
                plan.price += 1.0;
            }
            plan.pieces += 1;
            pieces.push((model, shape));
        }
        plan.last = Some(Arc::new(Step { before: plan.last, piece: next.id, cut, first, pieces }));
        plan
    }

    /// The plan as a tree of pieces.
    fn tree(&self, model: Arc<Model>, rules: &Rules) -> Planned {
        let mut steps = Vec::new();
        let mut step = self.last.as_ref();
        while let Some(s) = step {
            steps.push(s.as_ref());
            step = s.before.as_ref();
        }
        let shape = model.outlook(rules).1;
        grown(0, model, shape, &steps)
    }
}

fn grown(id: usize, model: Arc<Model>, shape: Shape, steps: &[&Step]) -> Planned {
    let Some(step) = steps.iter().find(|s| s.piece == id) else {
        return Planned { model, shape, cut: None, pieces: Vec::new() };
    };
    let piece =
        |(i, (model, shape)): (usize, &(Arc<Model>, Shape))| grown(step.first + i, Arc::clone(model), *shape, steps);
    Planned { model, shape, cut: Some(step.cut), pieces: step.pieces.iter().enumerate().map(piece).collect() }
}

/// A finished plan, with its price in parts and what its seams show.
#[derive(Clone, Debug)]
pub(super) struct Ranked {
    pub price: f64,
    pub planned: Planned,
}

impl Planned {
    /// This piece and all it is divided into that are cut.
    pub fn cut_pieces(&self) -> Vec<(&Model, Cut)> {
        let own = self.cut.map(|cut| (self.model.as_ref(), cut));
        own.into_iter().chain(self.pieces.iter().flat_map(Self::cut_pieces)).collect()
    }

    /// Number of parts.
    pub fn parts(&self) -> usize {
        if self.cut.is_none() { 1 } else { self.pieces.iter().map(Self::parts).sum() }
    }
}

/// Finished plans, the cheapest first, each with something that sets it apart from the others.
#[derive(Debug, Default)]
struct Best(Vec<Plan>);

impl Best {
    /// Keeps a plan if it is among the best; of plans with the same number of parts that differ in few cuts, the cheapest.
    fn add(&mut self, plan: Plan) {
        let alike = |kept: &Plan| kept.is_like(&plan);
        if self.0.iter().any(|kept| alike(kept) && kept.price <= plan.price) {
            return;
        }
        self.0.retain(|kept| !alike(kept));
        let at = self.0.partition_point(|kept| kept.price <= plan.price);
        self.0.insert(at, plan);
        self.0.truncate(RANKED);
    }

    /// Price from which a plan is of no use.
    fn limit(&self) -> f64 {
        if self.0.len() < RANKED { f64::INFINITY } else { self.0[RANKED - 1].price }
    }
}

impl Plan {
    fn cuts(&self) -> Vec<Cut> {
        std::iter::successors(self.last.as_ref(), |s| s.before.as_ref()).map(|s| s.cut).collect()
    }

    /// Whether the owner would hardly see a difference.
    fn is_like(&self, other: &Self) -> bool {
        let same = |a: &Cut, b: &Cut| a.way == b.way && a.level.abs_diff(b.level) < 3 && a.chosen == b.chosen;
        let (own, others) = (self.cuts(), other.cuts());
        let missing = own.iter().filter(|a| !others.iter().any(|b| same(a, b))).count();
        own.len() == others.len() && missing < 2
    }
}

/// The best plans for a part, the cheapest first; none when no plane parts it. Planes across the axes are searched on their
/// own first: among all planes at once the beam loses sight of them.
pub(super) fn plans(model: Model, rules: &Rules, tilts: bool) -> Vec<Ranked> {
    let model = Arc::new(model);
    let mut best = Best::default();
    search(&model, rules, AXES, &mut best);
    if tilts {
        search(&model, rules, WAYS_COUNT, &mut best);
    }
    best.0.retain(|plan| plan.root_cut.is_some());
    best.0.iter().map(|p| Ranked { price: p.price, planned: p.tree(Arc::clone(&model), rules) }).collect()
}

/// Searches plans with cuts across the first `ways` ways.
fn search(model: &Arc<Model>, rules: &Rules, ways: usize, best: &mut Best) {
    let whole = Open { id: 0, model: Arc::clone(model), parts: 2.0 };
    let mut beam = vec![Plan { price: 0.0, open: vec![whole], root_cut: None, last: None, pieces: 1 }];
    for _ in 0..STEPS_MAX {
        let branches: Vec<Vec<Plan>> = beam.par_iter().map(|plan| branches(plan, rules, ways)).collect();
        let (done, going): (Vec<Plan>, Vec<Plan>) = branches.into_iter().flatten().partition(|p| p.open.is_empty());
        for plan in done {
            best.add(plan);
        }
        beam = narrowed(going, best.limit());
        if beam.is_empty() {
            return;
        }
    }
    if best.0.is_empty() {
        beam.truncate(1);
        best.0 = beam;
    }
}

/// The plan, continued by each of its best cuts that differ.
fn branches(plan: &Plan, rules: &Rules, ways: usize) -> Vec<Plan> {
    let Some(next) = plan.open.last() else { return Vec::new() };
    let mut picked: Vec<Cut> = Vec::new();
    for cut in cuts(&next.model, rules, ways) {
        let alike = |p: &Cut| {
            p.way == cut.way && p.level.abs_diff(cut.level) < 2 && p.chosen.count_ones() == cut.chosen.count_ones()
        };
        if !picked.iter().any(alike) {
            picked.push(cut);
        }
        if picked.len() == BRANCHES {
            break;
        }
    }
    picked.par_iter().map(|cut| plan.continued(*cut, rules)).collect()
}

/// The most promising plans, not too many of them with the same first cut.
fn narrowed(mut plans: Vec<Plan>, limit: f64) -> Vec<Plan> {
    plans.sort_by(|a, b| a.outlook().total_cmp(&b.outlook()));
    let mut kept: Vec<Plan> = Vec::new();
    for plan in plans {
        let alike = kept.iter().filter(|k| k.root_cut == plan.root_cut).count();
        let hopeless = plan.price + plan.open.len() as f64 >= limit;
        if alike < ALIKE && !hopeless && kept.len() < BEAM {
            kept.push(plan);
        }
    }
    kept
}
