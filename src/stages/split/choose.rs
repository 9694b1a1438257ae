//! Chooses the next cut of a part: every plane and set of regions is priced at first glance, then for the best few the
//! part is cut to the end in the block model, and the cut with the cheapest outcome wins (after Luo et al. 2012, who search
//! trees of plane cuts for few, well-joined parts with seams that do not show).

use rayon::prelude::*;

use super::bed::Bed;
use super::blocks::{Blocks, NONE, separate};
use super::sweep::{Area, Level, Lump, levels, walk};

/// Cuts of a part that are followed to the end.
const FOLLOWED: usize = 8;
/// More parts than this are not worth planning.
const PARTS_MAX: usize = 400;
/// Most regions of one plane whose every subset is tried.
const SUBSETS_MAX: usize = 4;

/// What makes a cut good; the price of one more part is 1.
#[derive(Clone, Copy, Debug)]
pub(super) struct Rules {
    pub bed: Bed,
    /// Height of the whole figure, mm.
    pub height_mm: f64,
    /// Half width a cut face needs for the smallest key, mm; 0 without keys.
    pub key_room_mm: f64,
    /// Thinner parts are avoided, mm.
    pub part_min_mm: f64,
}

/// A cut in the block model: a plane and the regions it goes through.
#[derive(Clone, Debug)]
pub(super) struct Choice {
    pub axis: usize,
    pub offset_mm: f64,
    /// For each region of the plane: whether it is cut, and the blocks below it.
    pub regions: Vec<(bool, Vec<u32>)>,
    /// Resulting parts that should fit the printer.
    pub fitting: usize,
}

/// A priced cut.
#[derive(Clone, Debug)]
struct Candidate {
    axis: usize,
    level: usize,
    chosen: u32,
    price: f64,
    fitting: usize,
}

/// The best next cut of a part; `None` when no plane parts it.
pub(super) fn choose(model: &Blocks, rules: &Rules) -> Option<Choice> {
    let (tables, candidates) = priced(model, rules);
    let mut picked: Vec<&Candidate> = Vec::new();
    for candidate in &candidates {
        let alike = |p: &&Candidate| {
            let layers = [p, candidate].map(|c| tables[c.axis][c.level].layer);
            p.axis == candidate.axis && layers[0].abs_diff(layers[1]) < 3 && p.chosen.count_ones() == candidate.chosen.count_ones()
        };
        if picked.len() < FOLLOWED && !picked.iter().any(|p| alike(&p)) {
            picked.push(candidate);
        }
    }
    let outcome = |c: &&Candidate| {
        let parts = apply(model, c.axis, &tables[c.axis][c.level], c.chosen);
        seams(model, rules, c.axis, &tables[c.axis][c.level], c.chosen) + finish(parts, rules)
    };
    let outcomes: Vec<f64> = picked.par_iter().map(outcome).collect();
    let best = (0..picked.len()).min_by(|a, b| outcomes[*a].total_cmp(&outcomes[*b]))?;
    let (pick, level) = (picked[best], &tables[picked[best].axis][picked[best].level]);
    let regions = regions(model, pick.axis, level.layer);
    let regions = regions.into_iter().enumerate().map(|(i, r)| (pick.chosen >> i & 1 == 1, r)).collect();
    let offset_mm = model.plane_mm(pick.axis, level.layer);
    Some(Choice { axis: pick.axis, offset_mm, regions, fitting: pick.fitting })
}

/// Price of cutting parts to the end by first glance alone.
fn finish(parts: Vec<Blocks>, rules: &Rules) -> f64 {
    let mut price = 0.0;
    let mut done = 0;
    let mut open = parts;
    while let Some(part) = open.pop() {
        if done + open.len() > PARTS_MAX {
            return f64::INFINITY;
        }
        let whole = whole(&part);
        if rules.bed.holds(&whole.shape(part.step_mm)) {
            done += 1;
            price += 1.0;
            continue;
        }
        let (tables, candidates) = priced(&part, rules);
        let Some(best) = candidates.first() else {
            price += 50.0;
            continue;
        };
        let level = &tables[best.axis][best.level];
        price += seams(&part, rules, best.axis, level, best.chosen);
        open.extend(apply(&part, best.axis, level, best.chosen));
    }
    price
}

fn whole(model: &Blocks) -> Lump {
    let mut lumps = model.blocks.iter().map(Lump::of);
    let Some(mut sum) = lumps.next() else {
        return Lump { blocks: 0, low: [0.0; 3], high: [0.0; 3], flat: [(f32::NAN, 0); 6] };
    };
    lumps.for_each(|l| sum.add(&l));
    sum
}

/// All cuts, cheapest first, with the levels they refer to.
fn priced(model: &Blocks, rules: &Rules) -> ([Vec<Level>; 3], Vec<Candidate>) {
    let tables = [0, 1, 2].map(|axis| levels(model, axis));
    let mut candidates = Vec::new();
    for (axis, levels) in tables.iter().enumerate() {
        for (i, level) in levels.iter().enumerate() {
            for chosen in subsets(level) {
                if let Some(children) = children(model, axis, level, chosen) {
                    let (price, fitting) = price(model, rules, axis, level, chosen, &children);
                    candidates.push(Candidate { axis, level: i, chosen, price, fitting });
                }
            }
        }
    }
    candidates.sort_by(|a, b| a.price.total_cmp(&b.price));
    (tables, candidates)
}

/// Sets of regions worth trying, as bits: all of them, every subset of few, the largest ones of many.
fn subsets(level: &Level) -> Vec<u32> {
    let count = level.areas.len().min(32);
    let all = u32::MAX >> (32 - count);
    if count <= SUBSETS_MAX {
        return (1..=all).collect();
    }
    let mut order: Vec<usize> = (0..count).collect();
    order.sort_by_key(|i| std::cmp::Reverse(level.areas[*i].blocks));
    let mut sets: Vec<u32> = order.iter().map(|i| 1 << i).collect();
    sets.extend((2..=count).map(|n| order[..n].iter().map(|i| 1_u32 << i).sum::<u32>()));
    sets
}

/// The parts a cut leaves; `None` when a chosen region does not part anything.
fn children(model: &Blocks, axis: usize, level: &Level, chosen: u32) -> Option<Vec<Lump>> {
    let lumps = level.below.len() + level.above.len();
    let mut name: Vec<usize> = (0..lumps).collect();
    let ends = |area: &Area| [area.below, level.below.len() + area.above];
    for (i, area) in level.areas.iter().enumerate() {
        if i >= 32 || chosen >> i & 1 == 0 {
            let [a, b] = ends(area).map(|e| name[e]);
            name.iter_mut().filter(|n| **n == b).for_each(|n| *n = a);
        }
    }
    let cut = |i: usize| i < 32 && chosen >> i & 1 == 1;
    let parts = |area: &Area| ends(area).map(|e| name[e]);
    if level.areas.iter().enumerate().any(|(i, a)| cut(i) && parts(a)[0] == parts(a)[1]) {
        return None;
    }
    let plane = model.plane_mm(axis, level.layer) as f32;
    let mut sums: Vec<Option<Lump>> = vec![None; lumps];
    for (i, lump) in level.below.iter().chain(&level.above).enumerate() {
        let mut lump = *lump;
        let above = i >= level.below.len();
        let cut_blocks = level.areas.iter().enumerate().filter(|(j, a)| cut(*j) && ends(a)[usize::from(above)] == i);
        let face: u32 = cut_blocks.map(|(_, a)| a.blocks).sum();
        if above {
            lump.low[axis] = plane;
        } else {
            lump.high[axis] = plane;
        }
        if face > 0 {
            lump.flat[2 * axis + usize::from(!above)] = (plane, face);
        }
        match &mut sums[name[i]] {
            Some(sum) => sum.add(&lump),
            empty => *empty = Some(lump),
        }
    }
    Some(sums.into_iter().flatten().collect())
}

/// First-glance price of a cut and how many of its parts fit.
fn price(model: &Blocks, rules: &Rules, axis: usize, level: &Level, chosen: u32, children: &[Lump]) -> (f64, usize) {
    let mut price = seams(model, rules, axis, level, chosen);
    let mut fitting = 0;
    for child in children {
        let shape = child.shape(model.step_mm);
        let size = shape.high - shape.low;
        if rules.bed.holds(&shape) {
            fitting += 1;
            price += 1.0;
        } else {
            let spare = (size / rules.bed.least_mm()).max(glam::DVec3::ONE);
            price += rules.bed.boxes(size).max(2.0) + 0.05 * spare.x * spare.y * spare.z;
        }
        let thin = size.min_element() / rules.part_min_mm;
        price += 2.0 * (1.0 - thin).max(0.0);
    }
    (price, fitting)
}

/// Price of the seams of a cut: how much they show, whether keys fit, knife edges.
fn seams(model: &Blocks, rules: &Rules, axis: usize, level: &Level, chosen: u32) -> f64 {
    let step = model.step_mm;
    let cut = level.areas.iter().enumerate().filter(|(i, _)| *i < 32 && chosen >> i & 1 == 1);
    let mut price = if axis == 2 { 0.0 } else { 0.1 };
    for (_, area) in cut {
        // An outline of block sides is longer than the curve it follows, by 4 / pi on average.
        let rim = (f64::from(area.rim) * step * std::f64::consts::FRAC_PI_4).max(1e-9);
        let seam = f64::from(area.care) * step * std::f64::consts::FRAC_PI_4 / rules.height_mm;
        let half_width = 2.0 * f64::from(area.blocks) * step * step / rim;
        let cramped = if rules.key_room_mm > 0.0 { (1.0 - half_width / rules.key_room_mm).max(0.0) } else { 0.0 };
        let knife = f64::from(area.slant / area.rim.max(1.0));
        price += 0.05 + 0.5 * seam + 0.5 * cramped + 0.5 * knife;
    }
    price
}

/// Blocks below each region of a plane, in the order of the level's areas.
fn regions(model: &Blocks, axis: usize, layer: usize) -> Vec<Vec<u32>> {
    let here = |i: &u32| usize::from(model.blocks[*i as usize].at[axis]) == layer;
    let blocks: Vec<u32> = (0..model.blocks.len() as u32).filter(here).collect();
    walk(&model.blocks, &blocks, axis).into_iter().map(|(_, region)| region).collect()
}

/// Carries a cut out in the block model.
fn apply(model: &Blocks, axis: usize, level: &Level, chosen: u32) -> Vec<Blocks> {
    let mut blocks = model.blocks.clone();
    let plane = model.plane_mm(axis, level.layer) as f32;
    let up = 2 * axis + 1;
    for (_, region) in regions(model, axis, level.layer).iter().enumerate().filter(|(i, _)| *i < 32 && chosen >> i & 1 == 1) {
        for &b in region {
            let over = std::mem::replace(&mut blocks[b as usize].near[up], NONE);
            for (block, side) in [(b, up), (over, up - 1)] {
                let block = &mut blocks[block as usize];
                block.near[side] = NONE;
                block.flat[side] = plane;
                let (low, high) = (block.low[axis], block.high[axis]);
                (block.low[axis], block.high[axis]) =
                    if side == up { (low.min(plane), plane) } else { (plane, high.max(plane)) };
            }
        }
    }
    separate(&blocks).into_iter().map(|blocks| Blocks { step_mm: model.step_mm, corner: model.corner, blocks }).collect()
}
