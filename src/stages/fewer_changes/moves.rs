//! What can be given up in a part: a patch, patches of one label that lie in the same layers, the ends that a label reaches into
//! further layers with, or a whole label; each goes to a label it borders on.

use std::ops::Range;

use super::gather::Patches;
use crate::mesh::topology::Sets;

/// Price of a border along the rim of a joint where there was none, dE mm: two lines' width of plainly another colour
/// (common practice, no source).
const RIM_DE_MM: f64 = 15.0;

/// Most regions that one is tried with, and most ends of a stretch of layers that are tried at a time: further ones come up when
/// those are gone.
const PARTNERS_MAX: usize = 6;
const ENDS_MAX: usize = 8;

/// Patches that get another label.
pub type Relabelling = Vec<(u32, u8)>;

/// Something that can be given up.
#[derive(Clone, Debug, PartialEq)]
pub struct Move {
    pub relabelled: Relabelling,
    /// Tool changes it saves.
    pub saved: usize,
    /// What it costs, rims of joints not counted, weighed dE mm2.
    pub colour: f64,
    /// What new borders along rims cost, likewise.
    pub rims: f64,
}

impl Move {
    pub fn loss(&self) -> f64 {
        self.colour + self.rims
    }

    /// What each change saved costs.
    pub fn price(&self) -> f64 {
        self.loss() / self.saved as f64
    }
}

/// Patches of one label that hang together.
struct Region {
    label: u8,
    patches: Vec<u32>,
    span: Range<usize>,
    /// Labels it could have, and what they cost, the cheapest first.
    offers: Vec<(f64, u8)>,
}

/// What a relabelling costs in colour, weighed dE mm2.
pub fn colour_loss(part: &Patches, labels: &[u8], relabelled: &[(u32, u8)]) -> f64 {
    let loss = |(patch, label): &(u32, u8)| {
        let (costs, now) = (&part.costs[*patch as usize], labels[*patch as usize]);
        costs[usize::from(*label)].weighed - costs[usize::from(now)].weighed
    };
    relabelled.iter().map(loss).sum()
}

/// What a relabelling costs along rims of joints; less than 0 where colours meet again.
pub fn rim_loss(part: &Patches, index: usize, all: &[Vec<u8>], relabelled: &[(u32, u8)]) -> f64 {
    let loss = |(patch, label): &(u32, u8)| -> f64 {
        let now = all[index][*patch as usize];
        let of_rim = |across: &super::gather::Across| {
            let other = all[across.part][across.patch as usize];
            across.rim_mm * (f64::from(u8::from(*label != other)) - f64::from(u8::from(now != other)))
        };
        part.across[*patch as usize].iter().map(of_rim).sum()
    };
    RIM_DE_MM * relabelled.iter().map(loss).sum::<f64>()
}

/// Everything worth trying in a part, each once.
pub fn candidates(part: &Patches, labels: &[u8]) -> Vec<Relabelling> {
    let regions = regions(part, labels);
    let mut found: Vec<Relabelling> = Vec::new();
    for region in &regions {
        found.extend(region.offers.iter().map(|(_, label)| region.to(*label)));
    }
    for (i, region) in regions.iter().enumerate() {
        let alike = |other: &&Region| other.label == region.label && !other.offers.is_empty();
        // Windows of layers from one region, or two that share layers: all that lies inside.
        let near = regions[i..].iter().filter(|other| {
            other.label == region.label && other.span.start <= region.span.end && region.span.start <= other.span.end
        });
        for other in near.take(PARTNERS_MAX) {
            let window = region.span.start.min(other.span.start)..region.span.end.max(other.span.end);
            let inside = |other: &&Region| window.start <= other.span.start && other.span.end <= window.end;
            found.extend(together(regions.iter().filter(alike).filter(inside)));
        }
        if regions[..i].iter().all(|before| before.label != region.label) {
            found.extend(together(regions.iter().filter(alike)));
        }
    }
    found.extend(ends(part, labels));
    found.sort_unstable();
    found.dedup();
    found
}

/// For each label and each stretch of layers that it lies in: all of it up to some layer, and all from some layer on.
fn ends(part: &Patches, labels: &[u8]) -> Vec<Relabelling> {
    let spans = part.layers.spans(labels);
    let mut all: Vec<usize> = (0..labels.len()).collect();
    all.sort_by_key(|i| (labels[*i], spans[*i].start, *i));
    let mut found = Vec::new();
    let mut first = 0;
    while first < all.len() {
        let (label, mut end) = (labels[all[first]], spans[all[first]].end);
        let mut last = first + 1;
        while last < all.len() && labels[all[last]] == label && spans[all[last]].start <= end {
            end = end.max(spans[all[last]].end);
            last += 1;
        }
        let stretch = &all[first..last];
        let mut tops: Vec<usize> = stretch.iter().map(|i| spans[*i].end).collect();
        let mut bottoms: Vec<usize> = stretch.iter().map(|i| spans[*i].start).collect();
        tops.sort_unstable();
        tops.dedup();
        bottoms.sort_unstable_by(|x, y| y.cmp(x));
        bottoms.dedup();
        let below = |top: &usize| stretch.iter().filter(|i| spans[**i].end <= *top).map(|i| *i as u32).collect();
        let above =
            |bottom: &usize| stretch.iter().filter(|i| spans[**i].start >= *bottom).map(|i| *i as u32).collect();
        let ends = tops.iter().take(ENDS_MAX).map(below);
        let ends: Vec<Vec<u32>> = ends.chain(bottoms.iter().take(ENDS_MAX).map(above)).collect();
        found.extend(ends.into_iter().filter_map(|some| cheapest(part, labels, some)));
        first = last;
    }
    found
}

/// Some patches of one label, what hangs together of them each to what is cheapest for it; none where some of them border on
/// their own label only.
fn cheapest(part: &Patches, labels: &[u8], mut some: Vec<u32>) -> Option<Relabelling> {
    some.sort_unstable();
    let mut relabelled = Relabelling::new();
    let mut seen: Vec<bool> = vec![false; some.len()];
    for start in 0..some.len() {
        if std::mem::replace(&mut seen[start], true) {
            continue;
        }
        let (mut region, mut next, mut beside) = (vec![some[start]], 0, Vec::new());
        while next < region.len() {
            for other in &part.borders[region[next] as usize] {
                if labels[*other as usize] != labels[some[start] as usize] {
                    beside.push(labels[*other as usize]);
                } else if let Ok(place) = some.binary_search(other)
                    && !std::mem::replace(&mut seen[place], true)
                {
                    region.push(*other);
                }
            }
            next += 1;
        }
        beside.sort_unstable();
        beside.dedup();
        let to = |label: u8| -> Relabelling { region.iter().map(|patch| (*patch, label)).collect() };
        let loss = |label: &u8| colour_loss(part, labels, &to(*label));
        let best = beside.into_iter().min_by(|x, y| loss(x).total_cmp(&loss(y)))?;
        relabelled.extend(to(best));
    }
    relabelled.sort_unstable();
    Some(relabelled)
}

/// Whether a relabelling leaves less of some patch than may be left, given the labels before and after it.
pub fn leaves_speck(part: &Patches, before: &[u8], after: &[u8], relabelled: &[(u32, u8)]) -> bool {
    let area_mm2 = part.layers.area_mm2();
    let mut seen = vec![false; after.len()];
    for (patch, _) in relabelled {
        let label = before[*patch as usize];
        for other in part.borders[*patch as usize].iter().filter(|other| after[**other as usize] == label) {
            if std::mem::replace(&mut seen[*other as usize], true) {
                continue;
            }
            let (mut region, mut next, mut area) = (vec![*other], 0, 0.0);
            while next < region.len() {
                area += area_mm2[region[next] as usize];
                for beside in part.borders[region[next] as usize].iter().filter(|b| after[**b as usize] == label) {
                    if !std::mem::replace(&mut seen[*beside as usize], true) {
                        region.push(*beside);
                    }
                }
                next += 1;
            }
            if area < part.least_mm2 {
                return true;
            }
        }
    }
    false
}

/// All of some regions, each to what is cheapest for it.
fn together<'a>(regions: impl Iterator<Item = &'a Region>) -> Option<Relabelling> {
    let mut all: Relabelling = regions.flat_map(|region| region.to(region.offers[0].1)).collect();
    all.sort_unstable();
    (!all.is_empty()).then_some(all)
}

impl Region {
    fn to(&self, label: u8) -> Relabelling {
        self.patches.iter().map(|patch| (*patch, label)).collect()
    }
}

/// The regions of a part, in the order of their first patches.
fn regions(part: &Patches, labels: &[u8]) -> Vec<Region> {
    let count = labels.len();
    let mut sets = Sets::new(count);
    for (patch, others) in (0_u32..).zip(&part.borders) {
        for other in others.iter().filter(|other| labels[**other as usize] == labels[patch as usize]) {
            sets.unite(patch, *other);
        }
    }
    let spans = part.layers.spans(labels);
    let mut index = vec![usize::MAX; count];
    let mut regions: Vec<Region> = Vec::new();
    for (patch, span) in spans.iter().enumerate() {
        let root = sets.find(patch as u32) as usize;
        if root == patch {
            index[root] = regions.len();
            regions.push(Region { label: labels[root], patches: Vec::new(), span: span.clone(), offers: Vec::new() });
        }
        let region = &mut regions[index[root]];
        region.patches.push(patch as u32);
        region.span = region.span.start.min(span.start)..region.span.end.max(span.end);
    }
    for region in &mut regions {
        let beside = region.patches.iter().flat_map(|patch| &part.borders[*patch as usize]);
        let mut others: Vec<u8> = beside.map(|patch| labels[*patch as usize]).filter(|l| *l != region.label).collect();
        others.sort_unstable();
        others.dedup();
        let offer = |label: &u8| (colour_loss(part, labels, &region.to(*label)), *label);
        region.offers = others.iter().map(offer).collect();
        region.offers.sort_by(|a, b| a.0.total_cmp(&b.0).then(a.1.cmp(&b.1)));
    }
    regions
}
