//! Prices of single cuts: every plane and set of regions of a part at first glance, from what hangs together on both sides.

use std::ops::Range;
use std::sync::Arc;

use glam::DVec3;
use rayon::prelude::*;

use super::bed::Bed;
use super::blocks::{Model, SUBS};
use super::body::Body;
use super::sweep::{Area, FIRST, Level, Lump, PLACES, levels};
use super::ways::WAYS;

/// Most regions of one plane whose every subset is tried.
const SUBSETS_MAX: usize = 4;
/// Half width of the trunk as a share of the height (hip half-width .096: Drillis & Contini 1966).
const TRUNK: f64 = 0.1;
/// Regions of one plane that are told apart.
const REGIONS_MAX: usize = 32;
/// Places of a plane that are tried for one set of regions: where the seam shows least.
const PLACES_TRIED: usize = 3;
/// A region counts as another's mirror image within this share of the height and this ratio of areas.
const MIRROR_NEAR: f64 = 0.06;
const MIRROR_AREA: f64 = 0.6;
/// Price of cutting one of two limbs that are alike; when both must be cut alike.
const LOPSIDED: f64 = 0.1;
const LOPSIDED_BARRED: f64 = 3.0;

/// What makes a cut good; the price of one more part is 1.
#[derive(Clone, Debug)]
pub(super) struct Rules {
    pub bed: Bed,
    /// The whole figure.
    pub body: Arc<Body>,
    /// Half width a cut face needs for the smallest key, mm; 0 without keys.
    pub key_room_mm: f64,
    /// Thinner parts are avoided, mm.
    pub part_min_mm: f64,
    /// Whether limbs that are alike are to be cut alike.
    pub alike: bool,
    /// Parts that a seam as long as the figure is high, on plain skin, is worth.
    pub seam_weight: f64,
}

/// A cut in the block model: a plane and the regions of it that are cut, as bits.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Cut {
    /// Number of its way.
    pub way: usize,
    /// The plane lies above this level of blocks, moved by `sub` parts of a block.
    pub level: i32,
    pub sub: i32,
    pub chosen: u32,
    /// Price of its seams and of thin parts.
    pub seams: f64,
    /// How much its seams show, mm.
    pub shown_mm: f64,
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

/// All cuts of a part across some ways, by number, cheapest first.
pub(super) fn cuts(model: &Model, rules: &Rules, ways: Range<usize>) -> Vec<Cut> {
    let across = |way: usize| -> Vec<Cut> {
        let levels = levels(model, way);
        levels.iter().flat_map(|level| cuts_at(model, rules, level, way)).collect()
    };
    let mut cuts: Vec<Cut> = ways.into_par_iter().flat_map_iter(across).collect();
    cuts.sort_by(|a, b| a.price.total_cmp(&b.price));
    cuts
}

/// The cuts between two levels, each set of regions at the places where its seam shows least.
fn cuts_at(model: &Model, rules: &Rules, level: &Level, way: usize) -> Vec<Cut> {
    let mut cuts = Vec::new();
    for chosen in subsets(level) {
        let mut cut =
            Cut { way, level: level.number, sub: 0, chosen, seams: 0.0, shown_mm: 0.0, price: 0.0, fitting: 0 };
        let shown = |place: usize| -> f64 {
            let areas = level.areas.iter().enumerate().filter(|(i, _)| cut.goes_through(*i));
            areas.map(|(_, area)| f64::from(area.shown[place])).sum()
        };
        let mut places: Vec<(f64, i32)> = match WAYS[way].axis() {
            Some(_) => (0..PLACES).map(|place| (shown(place), FIRST + place as i32)).collect(),
            None => vec![(shown(0), 0)],
        };
        places.sort_by(|a, b| a.0.total_cmp(&b.0));
        // The plane between the blocks is where parts just fit.
        let between = places.iter().skip(PLACES_TRIED).find(|(_, sub)| *sub == 0).copied();
        places.truncate(PLACES_TRIED);
        for (shown_mm, sub) in places.into_iter().chain(between) {
            (cut.shown_mm, cut.sub) = (shown_mm, sub);
            cuts.extend(pieces(model, level, &cut).map(|pieces| price(model, rules, level, cut, &pieces)));
        }
    }
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
    let way = WAYS[cut.way];
    let plane = model.plane_mm(way, cut.level, cut.sub) as f32;
    let mut sums: Vec<Option<Lump>> = vec![None; lumps];
    for (i, lump) in level.below.iter().chain(&level.above).enumerate() {
        let above = i >= level.below.len();
        let mut lump = *lump;
        let face: u32 = chosen().filter(|a| ends(a)[usize::from(above)] == i).map(|a| a.blocks).sum();
        if let Some(axis) = way.axis() {
            let share = if above { -cut.sub } else { cut.sub } as f32 / SUBS as f32;
            for area in chosen().filter(|a| share > 0.0 && ends(a)[usize::from(above)] == i) {
                let [own, next] = [usize::from(above), usize::from(!above)].map(|end| area.ends[end]);
                lump.reach.add_strip(&own, &next, axis, share);
            }
            let edge = if above { &mut lump.reach.low } else { &mut lump.reach.high };
            edge[axis] = plane;
            if face > 0 {
                lump.flat[2 * axis + usize::from(!above)] = (plane, face);
            }
        } else {
            lump.sloped += face;
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
    let way = WAYS[cut.way];
    let areas = level.areas.iter().enumerate();
    let (chosen, left): (Vec<_>, Vec<_>) = areas.partition(|(i, _)| cut.goes_through(*i));
    let chosen = || chosen.iter().map(|(_, area)| *area);
    cut.seams =
        rules.seam_weight * cut.shown_mm / rules.body.height_mm() + chosen().map(|area| face(rules, area)).sum::<f64>();
    if way.axis() == Some(0) {
        cut.seams += lopsided(rules, model.plane_mm(way, cut.level, cut.sub));
    }
    if way.steps().x == 0.0 && left.iter().any(|(_, left)| chosen().any(|cut| mirrored(rules, cut, left))) {
        cut.seams += if rules.alike { LOPSIDED_BARRED } else { LOPSIDED };
    }
    // A level cut leaves both parts a face to stand upright on; a tilted one makes overhangs.
    cut.seams += match way.axis() {
        Some(2) => 0.05,
        Some(_) => 0.15,
        None => 0.2,
    };
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
            let spare = (shape.size() / rules.bed.least_mm()).max(DVec3::ONE);
            cut.price += rules.bed.boxes(&shape, shape.has_foot()).max(2.0) + 0.05 * spare.x * spare.y * spare.z;
        }
    }
    cut
}

/// Whether two regions lie on either side of the body's middle, alike in place and size.
fn mirrored(rules: &Rules, a: &Area, b: &Area) -> bool {
    let body = &rules.body;
    let facing = DVec3::new(2.0 * body.middle.x - b.middle.x, b.middle.y, b.middle.z);
    let alike = a.size_mm2.min(b.size_mm2) > MIRROR_AREA * a.size_mm2.max(b.size_mm2);
    let apart = a.middle.distance(b.middle) > 2.0 * MIRROR_NEAR * body.height_mm();
    alike && apart && a.middle.distance(facing) < MIRROR_NEAR * body.height_mm()
}

/// Thickness of a part: that of its box, or for lenses and wedges thrice the mean over its broadest side.
fn thickness_mm(model: &Model, piece: &Lump) -> f64 {
    let size = piece.shape(model.step_mm).size();
    let least = size.min_element();
    let broadest_mm2 = size.x * size.y * size.z / least.max(1e-9);
    least.min(3.0 * f64::from(piece.blocks) * model.step_mm.powi(3) / broadest_mm2.max(1e-9))
}

/// Price of a cut from front to back that halves the trunk, dearer beside its middle.
fn lopsided(rules: &Rules, x_mm: f64) -> f64 {
    let aside = (x_mm - rules.body.middle.x).abs() / rules.body.height_mm();
    if aside < TRUNK { 0.3 + 0.3 * aside / TRUNK } else { 0.0 }
}

/// Price of one cut face: whether keys fit, knife edges.
fn face(rules: &Rules, area: &Area) -> f64 {
    let rim = f64::from(area.rim_mm).max(1e-9);
    let half_width = 2.0 * area.size_mm2 / rim;
    let cramped = if rules.key_room_mm > 0.0 { (1.0 - half_width / rules.key_room_mm).max(0.0) } else { 0.0 };
    0.05 + 0.5 * cramped + 0.5 * (f64::from(area.knife_mm) / rim).min(1.0)
}
