//! For every plane across a way: what hangs together below and above it, and the regions in which it cuts the solid.
//! One sweep up and one down (union-find) tells it for all planes at once.

use glam::DVec3;

use super::bed::{SPANS, Shape};
use super::blocks::{Block, Model, NONE, SUBS};
use super::glance::Cut;
use super::ways::{WAYS, Way};

/// Places of a plane between two levels.
pub(super) const PLACES: usize = SUBS as usize;

/// Diagonals of cut pieces may be as much longer than those of their skin's points, mm: about an edge of a scan.
const RIM_MM: f64 = 2.0;

/// How far the first place is from where the levels meet.
pub(super) const FIRST: i32 = 1 - SUBS / 2;

/// Measures of connected blocks that can be added up.
#[derive(Clone, Copy, Debug)]
pub(super) struct Lump {
    pub blocks: u32,
    pub reach: Reach,
    /// Outermost cut face on each side: coordinate (NaN for none) and number of blocks behind it.
    pub flat: [(f32, u32); 6],
    pub sloped: u32,
}

/// A connected area in which a plane cuts blocks.
#[derive(Clone, Debug, Default)]
pub(super) struct Area {
    /// Lumps of the plane it parts.
    pub below: usize,
    pub above: usize,
    /// Number of blocks on its lower side.
    pub blocks: u32,
    pub size_mm2: f64,
    /// Middle, mm.
    pub middle: DVec3,
    /// Length of its outline where there is skin, and of the part where the skin runs along the plane, mm.
    pub rim_mm: f32,
    pub knife_mm: f32,
    /// How much the seam shows at each place of the plane, mm.
    pub shown: [f32; PLACES],
    /// Reach of the blocks below and above.
    pub ends: [Reach; 2],
}

/// How far blocks reach along all spans; inverted for none.
#[derive(Clone, Copy, Debug)]
pub(super) struct Reach {
    pub low: [f32; SPANS],
    pub high: [f32; SPANS],
}

impl Default for Reach {
    fn default() -> Self {
        Self { low: [f32::INFINITY; SPANS], high: [f32::NEG_INFINITY; SPANS] }
    }
}

impl Reach {
    /// Takes in what another reaches.
    pub fn add(&mut self, low: &[f32; SPANS], high: &[f32; SPANS]) {
        for span in 0..SPANS {
            self.low[span] = self.low[span].min(low[span]);
            self.high[span] = self.high[span].max(high[span]);
        }
    }

    /// Takes in the strip of the next layer across `axis`, of which it gets a share: its reach is taken to change evenly.
    pub fn add_strip(&mut self, own: &Self, next: &Self, axis: usize, share: f32) {
        let in_layer = (0..3).filter(|span| *span != axis).chain([3 + 2 * axis, 4 + 2 * axis]);
        for span in in_layer.filter(|s| own.low[*s] <= own.high[*s] && next.low[*s] <= next.high[*s]) {
            let between = |a: f32, b: f32| a + share * (b - a);
            self.low[span] = self.low[span].min(between(own.low[span], next.low[span]));
            self.high[span] = self.high[span].max(between(own.high[span], next.high[span]));
        }
    }
}

/// One plane between two levels of blocks.
#[derive(Clone, Debug, Default)]
pub(super) struct Level {
    pub number: i32,
    pub below: Vec<Lump>,
    pub above: Vec<Lump>,
    pub areas: Vec<Area>,
}

impl Lump {
    pub fn of(block: &Block) -> Self {
        let flat = block.flat.map(|f| (f, u32::from(!f.is_nan())));
        let reach = Reach { low: block.low, high: block.high };
        Self { blocks: 1, reach, flat, sloped: u32::from(block.sloped) }
    }

    pub fn add(&mut self, other: &Self) {
        self.blocks += other.blocks;
        self.sloped += other.sloped;
        self.reach.add(&other.reach.low, &other.reach.high);
        for side in 0..6 {
            let (own, new) = (self.flat[side], other.flat[side]);
            let further = if side % 2 == 1 { new.0 > own.0 } else { new.0 < own.0 };
            if new.0 == own.0 {
                self.flat[side].1 += new.1;
            } else if further || own.0.is_nan() {
                self.flat[side] = new;
            }
        }
    }

    /// Extents and feet, given the size of a block.
    pub fn shape(&self, step_mm: f64) -> Shape {
        let [low, high] = [self.reach.low, self.reach.high].map(|v| DVec3::new(v[0].into(), v[1].into(), v[2].into()));
        let mut feet_mm2 = [0.0; 6];
        for (side, (plane, blocks)) in self.flat.into_iter().enumerate() {
            let edge = if side % 2 == 1 { self.reach.high } else { self.reach.low }[side / 2];
            if (plane - edge).abs() < 1e-3 {
                feet_mm2[side] = f64::from(blocks) * step_mm * step_mm;
            }
        }
        let span = |i: usize| f64::from(self.reach.high[i] - self.reach.low[i]);
        // Corners where a cut meets the skin are not known before it is made.
        let is_cut = feet_mm2.iter().any(|area| *area > 0.0) || self.sloped > 0;
        let rim_mm = if is_cut { RIM_MM } else { 0.0 };
        let diagonals = [0, 1, 2].map(|axis| [3, 4].map(|i| span(i + 2 * axis) + rim_mm));
        Shape { low, high, diagonals, feet_mm2, sloped_mm2: f64::from(self.sloped) * step_mm * step_mm }
    }
}

/// Union-find whose sets carry lumps.
pub(super) struct Lumps {
    up: Vec<u32>,
    lumps: Vec<Lump>,
}

impl Lumps {
    pub fn new(blocks: &[Block]) -> Self {
        Self { up: (0..blocks.len() as u32).collect(), lumps: blocks.iter().map(Lump::of).collect() }
    }

    fn find(&mut self, mut b: u32) -> u32 {
        while self.up[b as usize] != b {
            let next = self.up[self.up[b as usize] as usize];
            self.up[b as usize] = next;
            b = next;
        }
        b
    }

    pub fn join(&mut self, a: u32, b: u32) {
        let (a, b) = (self.find(a), self.find(b));
        if a != b {
            let (keep, drop) =
                if self.lumps[a as usize].blocks >= self.lumps[b as usize].blocks { (a, b) } else { (b, a) };
            self.up[drop as usize] = keep;
            let other = self.lumps[drop as usize];
            self.lumps[keep as usize].add(&other);
        }
    }

    /// The lumps of all sets, in the order of their leaders.
    pub fn leaders(&self) -> impl Iterator<Item = Lump> {
        self.up.iter().enumerate().filter(|(i, up)| *i == **up as usize).map(|(i, _)| self.lumps[i])
    }
}

/// A bond between two blocks that a plane cuts: the lower block and the side its upper neighbour is on.
pub(super) type Bond = (u32, usize);

/// Bonds a plane cuts that hang together: the regions of its section, in the order of their first bond.
///
/// `places` has room for every side of every block and is only scribbled on.
fn regions_of(blocks: &[Block], way: Way, level: i32, bonds: &[Bond], places: &mut [u32]) -> Vec<Vec<Bond>> {
    for (i, (low, side)) in (0_u32..).zip(bonds) {
        places[6 * *low as usize + side] = i;
    }
    let place = |bond: Bond| {
        let i = places[6 * bond.0 as usize + bond.1] as usize;
        (bonds.get(i) == Some(&bond)).then_some(i)
    };
    let near = |b: u32, side: usize| blocks[b as usize].near[side];
    let is_low = |b: u32| b != NONE && way.level(blocks[b as usize].at) <= level;
    let mut seen = vec![false; bonds.len()];
    let mut regions = Vec::new();
    for start in 0..bonds.len() {
        if std::mem::replace(&mut seen[start], true) {
            continue;
        }
        let mut region = vec![bonds[start]];
        let mut next = 0;
        while let Some(&(low, up)) = region.get(next) {
            next += 1;
            let high = near(low, up);
            for side in (0..6).filter(|s| s / 2 != up / 2) {
                let (beside, over) = (near(low, side), near(high, side));
                // The square beside: through its lower and upper block, or by whichever of them is on the other side.
                let bond = if is_low(beside) {
                    if over == NONE || near(beside, up) != over {
                        None
                    } else if is_low(over) {
                        Some((over, side ^ 1))
                    } else {
                        Some((beside, up))
                    }
                } else {
                    (beside != NONE).then_some((low, side))
                };
                if let Some(i) = bond.and_then(place).filter(|i| !seen[*i]) {
                    seen[i] = true;
                    region.push(bonds[i]);
                }
            }
        }
        regions.push(region);
    }
    regions
}

/// Bonds of every level of a way, by number of the level.
fn bonds(blocks: &[Block], way: Way) -> Vec<(i32, Bond)> {
    let mut all = Vec::new();
    for (b, block) in blocks.iter().enumerate() {
        for side in way.up_sides().filter(|s| block.near[*s] != NONE) {
            let over = way.level(blocks[block.near[side] as usize].at);
            all.extend((way.level(block.at)..over).map(|level| (level, (b as u32, side))));
        }
    }
    all.sort_unstable();
    all
}

/// Regions of one plane, as bonds, in the order of its areas.
pub(super) fn regions(model: &Model, way: Way, level: i32) -> Vec<Vec<Bond>> {
    let mut here: Vec<Bond> = Vec::new();
    for (b, block) in model.blocks.iter().enumerate().filter(|(_, block)| way.level(block.at) <= level) {
        let crosses = |side: &usize| {
            let over = block.near[*side];
            over != NONE && way.level(model.blocks[over as usize].at) > level
        };
        here.extend(way.up_sides().filter(crosses).map(|side| (b as u32, side)));
    }
    here.sort_unstable();
    regions_of(&model.blocks, way, level, &here, &mut vec![NONE; 6 * model.blocks.len()])
}

/// Middles of the regions a cut goes through, mm.
pub(super) fn middles(model: &Model, cut: &Cut) -> Vec<DVec3> {
    let regions = regions(model, WAYS[cut.way], cut.level);
    let chosen = regions.iter().enumerate().filter(|(i, _)| cut.goes_through(*i)).map(|(_, r)| r);
    chosen.map(|region| area(model, cut.way, region).middle).collect()
}

/// All planes across one way that cut something.
pub(super) fn levels(model: &Model, way: usize) -> Vec<Level> {
    let blocks = &model.blocks;
    let bonds = bonds(blocks, WAYS[way]);
    let mut levels: Vec<Level> = Vec::new();
    let mut regions: Vec<Vec<Vec<Bond>>> = Vec::new();
    let mut places = vec![NONE; 6 * blocks.len()];
    for here in bonds.chunk_by(|a, b| a.0 == b.0) {
        let level = here[0].0;
        let here: Vec<Bond> = here.iter().map(|(_, bond)| *bond).collect();
        regions.push(regions_of(blocks, WAYS[way], level, &here, &mut places));
        levels.push(Level { number: level, ..Level::default() });
    }
    for (level, regions) in levels.iter_mut().zip(&regions) {
        level.areas = regions.iter().map(|r| area(model, way, r)).collect();
    }
    for up in [true, false] {
        sweep(blocks, WAYS[way], up, &mut levels, &regions);
    }
    levels
}

/// Adds blocks level by level, upwards or downwards, and notes at each plane what the lumps at its regions have become.
fn sweep(blocks: &[Block], way: Way, up: bool, levels: &mut [Level], regions: &[Vec<Vec<Bond>>]) {
    let mut order: Vec<u32> = (0..blocks.len() as u32).collect();
    let height = |b: &u32| way.level(blocks[*b as usize].at);
    order.sort_by_key(|b| if up { height(b) } else { -height(b) });
    let mut lumps = Lumps::new(blocks);
    let mut next = order.into_iter().peekable();
    let count = levels.len();
    for i in 0..count {
        let i = if up { i } else { count - 1 - i };
        let level = &mut levels[i];
        let passed = |b: &u32| if up { height(b) <= level.number } else { height(b) > level.number };
        while let Some(b) = next.next_if(passed) {
            let passed = |side: &usize| if up { way.rise(*side) <= 0 } else { way.rise(*side) >= 0 };
            for side in (0..6).filter(passed) {
                let beyond = blocks[b as usize].near[side];
                if beyond != NONE {
                    lumps.join(b, beyond);
                }
            }
        }
        let found = if up { &mut level.below } else { &mut level.above };
        let mut roots: Vec<u32> = Vec::new();
        for (region, area) in regions[i].iter().zip(&mut level.areas) {
            let (low, side) = region[0];
            let root = lumps.find(if up { low } else { blocks[low as usize].near[side] });
            let lump = roots.iter().position(|r| *r == root).unwrap_or_else(|| {
                roots.push(root);
                found.push(lumps.lumps[root as usize]);
                roots.len() - 1
            });
            *(if up { &mut area.below } else { &mut area.above }) = lump;
        }
    }
}

/// Sums over a region: how large it is, and what its seam would be.
fn area(model: &Model, way: usize, region: &[Bond]) -> Area {
    let unit = WAYS[way].unit();
    let mut area = Area::default();
    let mut ends = [Vec::new(), Vec::new()];
    for (low, side) in region {
        let high = model.blocks[*low as usize].near[*side];
        ends[0].push(*low);
        ends[1].push(high);
        area.size_mm2 += unit[side / 2].abs() * model.step_mm * model.step_mm;
        let middle = |b: u32| DVec3::from_array(model.blocks[b as usize].at.map(|v| f64::from(v) + 0.5));
        area.middle += middle(*low).midpoint(middle(high));
    }
    area.middle = model.corner + model.step_mm * area.middle / region.len().max(1) as f64;
    for (above, ends) in [false, true].into_iter().zip(&mut ends) {
        ends.sort_unstable();
        ends.dedup();
        for b in ends.iter() {
            let block = &model.blocks[*b as usize];
            area.ends[usize::from(above)].add(&block.low, &block.high);
            let skin = model.skin(*b);
            area.rim_mm += skin.length(way);
            area.knife_mm += skin.knife(way);
        }
        for b in beside(model, way, above, ends) {
            for (place, shown) in area.shown.iter_mut().enumerate() {
                *shown += model.skin(b).shown(way, above, FIRST + place as i32);
            }
        }
        if !above {
            area.blocks = ends.len() as u32;
        }
    }
    area
}

/// Blocks at one end of a region, and those next to them in their layer where the solid just ends: a plane within the layer
/// goes through their skin too.
fn beside(model: &Model, way: usize, above: bool, ends: &[u32]) -> Vec<u32> {
    let mut blocks = ends.to_vec();
    if let Some(axis) = WAYS[way].axis() {
        let across = 2 * axis + usize::from(!above);
        let near = ends.iter().flat_map(|b| model.blocks[*b as usize].near.iter().enumerate());
        let in_layer = near.filter(|(side, n)| side / 2 != axis && **n != NONE).map(|(_, n)| *n);
        blocks.extend(in_layer.filter(|n| model.blocks[*n as usize].near[across] == NONE));
        blocks.sort_unstable();
        blocks.dedup();
    }
    blocks
}
