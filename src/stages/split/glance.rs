//! Prices of single cuts: every plane and set of regions of a part at first glance, from what hangs together on both sides.

use super::bed::Bed;
use super::blocks::{Body, Model};
use super::sweep::{Area, Level, Lump, levels};

/// Most regions of one plane whose every subset is tried.
const SUBSETS_MAX: usize = 4;
/// Half width of the trunk as a share of the height (hip half-width .096: Drillis & Contini 1966).
const TRUNK: f64 = 0.1;
/// Regions of one plane that are told apart.
const REGIONS_MAX: usize = 32;

/// What makes a cut good; the price of one more part is 1.
#[derive(Clone, Copy, Debug)]
pub(super) struct Rules {
    pub bed: Bed,
    /// The whole figure.
    pub body: Body,
    /// Half width a cut face needs for the smallest key, mm; 0 without keys.
    pub key_room_mm: f64,
    /// Thinner parts are avoided, mm.
    pub part_min_mm: f64,
}

/// A cut in the block model: a plane and the regions of it that are cut, as bits.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Cut {
    pub axis: usize,
    /// The plane lies above this layer of blocks.
    pub layer: usize,
    pub chosen: u32,
    /// Price of its seams and of thin parts.
    pub seams: f64,
    /// Seams and an estimate of the parts that come of it.
    pub price: f64,
    /// Resulting parts that fit.
    pub fitting: usize,
}

impl Cut {
    pub fn goes_through(&self, region: usize) -> bool {
        region < REGIONS_MAX && self.chosen >> region & 1 == 1
    }
}

/// All cuts of a part, cheapest first.
pub(super) fn cuts(model: &Model, rules: &Rules) -> Vec<Cut> {
    let mut cuts = Vec::new();
    for axis in 0..3 {
        for level in levels(model, axis) {
            for chosen in subsets(&level) {
                let cut = Cut { axis, layer: level.layer, chosen, seams: 0.0, price: 0.0, fitting: 0 };
                cuts.extend(pieces(model, &level, &cut).map(|pieces| price(model, rules, &level, cut, &pieces)));
            }
        }
    }
    cuts.sort_by(|a, b| a.price.total_cmp(&b.price));
    cuts
}

/// Sets of regions worth trying, as bits: every subset of few; of many each one, and the largest ones.
fn subsets(level: &Level) -> Vec<u32> {
    let count = level.areas.len().min(REGIONS_MAX);
    if count <= SUBSETS_MAX {
        return (1..1 << count).collect();
    }
    let mut order: Vec<usize> = (0..count).collect();
    order.sort_by_key(|i| std::cmp::Reverse(level.areas[*i].blocks));
    let mut sets: Vec<u32> = order.iter().map(|i| 1 << i).collect();
    sets.extend((2..=count).map(|n| order[..n].iter().map(|i| 1_u32 << i).sum::<u32>()));
    sets
}

/// The parts a cut leaves; `None` when a region it goes through does not part anything.
fn pieces(model: &Model, level: &Level, cut: &Cut) -> Option<Vec<Lump>> {
    let lumps = level.below.len() + level.above.len();
    let ends = |area: &Area| [area.below, level.below.len() + area.above];
    let mut name: Vec<usize> = (0..lumps).collect();
    for (_, area) in level.areas.iter().enumerate().filter(|(i, _)| !cut.goes_through(*i)) {
        let [a, b] = ends(area).map(|e| name[e]);
        name.iter_mut().filter(|n| **n == b).for_each(|n| *n = a);
    }
    let chosen = || level.areas.iter().enumerate().filter(|(i, _)| cut.goes_through(*i)).map(|(_, a)| a);
    if chosen().any(|a| name[ends(a)[0]] == name[ends(a)[1]]) {
        return None;
    }
    let plane = model.plane_mm(cut.axis, level.layer) as f32;
    let mut sums: Vec<Option<Lump>> = vec![None; lumps];
    for (i, lump) in level.below.iter().chain(&level.above).enumerate() {
        let above = i >= level.below.len();
        let mut lump = *lump;
        let edge = if above { &mut lump.low } else { &mut lump.high };
        edge[cut.axis] = plane;
        let face: u32 = chosen().filter(|a| ends(a)[usize::from(above)] == i).map(|a| a.blocks).sum();
        if face > 0 {
            lump.flat[2 * cut.axis + usize::from(!above)] = (plane, face);
        }
        match &mut sums[name[i]] {
            Some(sum) => sum.add(&lump),
            empty => *empty = Some(lump),
        }
    }
    Some(sums.into_iter().flatten().collect())
}

/// Prices a cut from its seams and the sizes of its parts.
fn price(model: &Model, rules: &Rules, level: &Level, mut cut: Cut, pieces: &[Lump]) -> Cut {
    let chosen = level.areas.iter().enumerate().filter(|(i, _)| cut.goes_through(*i));
    cut.seams = chosen.map(|(_, area)| seam(model, rules, area)).sum();
    if cut.axis == 0 {
        cut.seams += lopsided(rules, model.plane_mm(0, cut.layer));
    }
    // A level cut leaves both parts a face to stand upright on.
    cut.seams += if cut.axis == 2 { 0.05 } else { 0.15 };
    for piece in pieces {
        cut.seams += 2.0 * (1.0 - thickness_mm(model, piece) / rules.part_min_mm.max(1e-9)).max(0.0);
    }
    cut.price = cut.seams;
    for piece in pieces {
        let shape = piece.shape(model.step_mm);
        if rules.bed.holds(&shape) {
            cut.fitting += 1;
            cut.price += 1.0;
        } else {
            let spare = (shape.size() / rules.bed.least_mm()).max(glam::DVec3::ONE);
            cut.price += rules.bed.boxes(shape.size(), shape.has_foot()).max(2.0) + 0.05 * spare.x * spare.y * spare.z;
        }
    }
    cut
}

/// Thickness of a part: that of its box, or for lenses and wedges thrice the mean over its broadest side.
fn thickness_mm(model: &Model, piece: &Lump) -> f64 {
    let size = piece.shape(model.step_mm).size();
    let least = size.min_element();
    let broadest_mm2 = size.x * size.y * size.z / least.max(1e-9);
    least.min(3.0 * f64::from(piece.blocks) * model.step_mm.powi(3) / broadest_mm2.max(1e-9))
}

/// Price of a cut from front to back that runs through the trunk beside its middle.
fn lopsided(rules: &Rules, x_mm: f64) -> f64 {
    let aside = (x_mm - rules.body.middle.x).abs() / rules.body.height_mm();
    if aside < TRUNK { 0.3 * aside / TRUNK } else { 0.0 }
}

/// Price of one seam: how much it shows, whether keys fit, knife edges.
fn seam(model: &Model, rules: &Rules, area: &Area) -> f64 {
    // An outline of block sides is longer than the curve it follows, by 4 / pi on average.
    let side_mm = model.step_mm * std::f64::consts::FRAC_PI_4;
    let rim = (f64::from(area.rim) * side_mm).max(1e-9);
    let shown = f64::from(area.care) * side_mm / rules.body.height_mm();
    let half_width = 2.0 * f64::from(area.blocks) * model.step_mm * model.step_mm / rim;
    let cramped = if rules.key_room_mm > 0.0 { (1.0 - half_width / rules.key_room_mm).max(0.0) } else { 0.0 };
    let knife = f64::from(area.slant / area.rim.max(1.0));
    0.05 + 0.5 * shown + 0.5 * cramped + 0.5 * knife
}
