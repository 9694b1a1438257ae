//! Which layers the patches of a part lie in, so that tool changes can be counted for any labels of the patches without
//! looking at triangles again: the counts are those of `shells` and `label_layers`.
//!
//! A patch hangs together by edges, so its shell goes through all layers between the lowest and the highest of its points,
//! outer and inner. How deep a shell goes at a vertex depends on the labels of the patches that meet there: vertices with the
//! same patches are taken together, and where each depth would end is kept for them.

use std::ops::Range;

use glam::DVec3;
use rayon::prelude::*;
use rustc_hash::FxHashMap;

use super::label_layers::{LABELS_MAX, LabelSet, fewest_in_runs};
use super::shells::Inside;
use super::slice::Layers;
use super::tree::TriTree;

/// Triangles of no patch: cut faces, keys and marks, which are of the part's main label.
pub const NO_PATCH: u32 = u32::MAX;

/// Heights from the lowest to the highest point, mm.
type Span = [f64; 2];

const NOTHING: Span = [f64::INFINITY, f64::NEG_INFINITY];

fn join(into: &mut Span, other: Span) {
    *into = [into[0].min(other[0]), into[1].max(other[1])];
}

/// Vertices at which the same patches meet.
#[derive(Clone, Debug)]
struct Meeting {
    patches: Vec<u32>,
    outer: Span,
    /// Where shells of each depth end.
    inner: Vec<Span>,
}

/// The patches of a part that stands on the bed.
#[derive(Clone, Debug)]
pub struct PatchLayers {
    layers: Layers,
    /// Index of each label's depth among the different ones, which ascend.
    depth_of_label: Vec<usize>,
    area_mm2: Vec<f64>,
    meetings: Vec<Meeting>,
    /// Whether a layer goes through triangles of no patch.
    cut: Vec<bool>,
}

/// A part on the bed and the patch of each triangle, [`NO_PATCH`] for triangles inside.
#[derive(Clone, Copy, Debug)]
pub struct Patched<'a> {
    pub positions: &'a [DVec3],
    pub triangles: &'a [[u32; 3]],
    pub patch_of: &'a [u32],
    pub patch_count: usize,
}

impl PatchLayers {
    /// `depth_mm` has how deep the shell of each label goes; `tree` holds the part's surface, however its triangles are divided.
    ///
    /// # Panics
    /// When there are more labels than [`LABELS_MAX`].
    #[must_use]
    pub fn new(part: Patched<'_>, tree: &TriTree, layers: Layers, depth_mm: &[f64]) -> Self {
        assert!(depth_mm.len() <= LABELS_MAX, "a label set holds {LABELS_MAX} labels, not {}", depth_mm.len());
        let mut depths = depth_mm.to_vec();
        depths.sort_by(f64::total_cmp);
        depths.dedup();
        let depth_of = |depth: &f64| depths.iter().position(|d| d.total_cmp(depth).is_eq()).unwrap_or(0);
        let mut area_mm2 = vec![0.0; part.patch_count];
        let mut cut = vec![0_i32; layers.count + 1];
        for (t, patch) in part.triangles.iter().zip(part.patch_of) {
            let [a, b, c] = t.map(|v| part.positions[v as usize]);
            if let Some(area) = area_mm2.get_mut(*patch as usize) {
                *area += 0.5 * (b - a).cross(c - a).length();
            } else {
                cut[layers.below(a.z.min(b.z).min(c.z))] += 1;
                cut[layers.below(a.z.max(b.z).max(c.z))] -= 1;
            }
        }
        let mut open = 0;
        let is_cut = |step: &i32| {
            open += step;
            open > 0
        };
        let cut = cut[..layers.count].iter().map(is_cut).collect();
        let depth_of_label = depth_mm.iter().map(depth_of).collect();
        Self { layers, depth_of_label, area_mm2, meetings: meetings(part, tree, &depths), cut }
    }

    /// Area of each patch, mm2.
    #[must_use]
    pub fn area_mm2(&self) -> &[f64] {
        &self.area_mm2
    }

    #[must_use]
    pub fn layers(&self) -> Layers {
        self.layers
    }

    /// The label of the core: the one with the most surface, the first among equals.
    #[must_use]
    pub fn base(&self, labels: &[u8]) -> u8 {
        let mut area = [0.0; LABELS_MAX];
        for (label, mm2) in labels.iter().zip(&self.area_mm2) {
            area[usize::from(*label)] += mm2;
        }
        let largest = (0..LABELS_MAX).rev().max_by(|a, b| area[*a].total_cmp(&area[*b]));
        largest.unwrap_or(0) as u8
    }

    /// Layers that the shell of each patch goes through.
    #[must_use]
    pub fn spans(&self, labels: &[u8]) -> Vec<Range<usize>> {
        let spans = self.heights(labels, self.base(labels));
        spans.iter().map(|[shell, _]| self.layers.below(shell[0])..self.layers.below(shell[1])).collect()
    }

    /// The fewest tool changes that print the part when its patches have these labels.
    #[must_use]
    pub fn changes(&self, labels: &[u8]) -> usize {
        let base = self.base(labels);
        let rows = self.depth_of_label.len();
        let count = self.layers.count;
        let mut steps = vec![0_i32; rows * (count + 1)];
        let mut mark = |label: u8, [low, high]: Span| {
            let (first, end) = (self.layers.below(low), self.layers.below(high));
            if first < end {
                steps[first * rows + usize::from(label)] += 1;
                steps[end * rows + usize::from(label)] -= 1;
            }
        };
        for ([shell, core], label) in self.heights(labels, base).into_iter().zip(labels) {
            mark(*label, shell);
            mark(base, core);
        }
        let mut open = [0_i32; LABELS_MAX];
        let sets = steps.chunks_exact(rows.max(1)).zip(&self.cut).map(|(step, cut)| {
            let mut set = LabelSet::from(*cut) << base;
            for (label, (open, step)) in open.iter_mut().zip(step).enumerate() {
                *open += step;
                set |= LabelSet::from(*open > 0) << label;
            }
            set
        });
        fewest_in_runs(runs(sets))
    }

    /// Heights of each patch's shell, and of the base behind it.
    fn heights(&self, labels: &[u8], base: u8) -> Vec<[Span; 2]> {
        let mut heights = vec![[NOTHING; 2]; self.area_mm2.len()];
        for meeting in &self.meetings {
            let shells = meeting.patches.iter().filter(|p| labels[**p as usize] != base);
            let deepest = shells.map(|p| self.depth_of_label[usize::from(labels[*p as usize])]).max();
            for patch in &meeting.patches {
                let [shell, core] = &mut heights[*patch as usize];
                join(shell, meeting.outer);
                if let Some(depth) = deepest.filter(|_| labels[*patch as usize] != base) {
                    join(shell, meeting.inner[depth]);
                    join(core, meeting.inner[depth]);
                }
            }
        }
        heights
    }
}

/// Runs of equal sets.
fn runs(sets: impl Iterator<Item = LabelSet>) -> impl Iterator<Item = (LabelSet, usize)> {
    let mut sets = sets.peekable();
    std::iter::from_fn(move || {
        let set = sets.next()?;
        let mut count = 1;
        while sets.next_if_eq(&set).is_some() {
            count += 1;
        }
        Some((set, count))
    })
}

fn meetings(part: Patched<'_>, tree: &TriTree, depths: &[f64]) -> Vec<Meeting> {
    let z = |v: u32| part.positions[v as usize].z;
    let inside = Inside::of(part.positions, part.triangles, tree);
    let deepest_mm = depths.last().copied().unwrap_or(0.0);
    let mut first = vec![NO_PATCH; part.positions.len()];
    let mut mixed: FxHashMap<u32, Vec<u32>> = FxHashMap::default();
    // Below the first, above the second there is surely some point of the patch's shell.
    let mut sure = vec![[f64::INFINITY, f64::NEG_INFINITY]; part.patch_count];
    for (t, &patch) in part.triangles.iter().zip(part.patch_of).filter(|(_, patch)| **patch != NO_PATCH) {
        for &v in t {
            let ([low, high], sure) = (inside.reach(v as usize, deepest_mm), &mut sure[patch as usize]);
            *sure = [sure[0].min(high), sure[1].max(low)];
            let known = &mut first[v as usize];
            if *known == NO_PATCH {
                *known = patch;
            } else if *known != patch {
                let met = mixed.entry(v).or_insert_with(|| vec![*known]);
                if !met.contains(&patch) {
                    met.push(patch);
                }
            }
        }
    }
    for met in mixed.values_mut() {
        met.sort_unstable();
    }
    let mut members: FxHashMap<&[u32], Vec<u32>> = FxHashMap::default();
    // A vertex that cannot be an end of a patch's shell, for others surely reach further, need not be looked at.
    let is_end = |patch: u32, [low, high]: [f64; 2]| {
        let [below, above] = sure[patch as usize];
        low <= below || high >= above
    };
    for (patch, v) in first.iter().zip(0_u32..).filter(|(patch, _)| **patch != NO_PATCH) {
        let met = mixed.get(&v).map_or(std::slice::from_ref(patch), Vec::as_slice);
        let reach = inside.reach(v as usize, deepest_mm);
        if met.iter().any(|patch| is_end(*patch, reach)) {
            members.entry(met).or_default().push(v);
        }
    }
    let mut members: Vec<(&[u32], Vec<u32>)> = members.into_iter().collect();
    members.sort_unstable();
    let meeting = |(patches, vertices): (&[u32], Vec<u32>)| {
        let mut meeting = Meeting { patches: patches.to_vec(), outer: NOTHING, inner: vec![NOTHING; depths.len()] };
        for v in vertices {
            join(&mut meeting.outer, [z(v); 2]);
            let room_mm = inside.room_mm(v as usize, deepest_mm);
            for (span, depth) in meeting.inner.iter_mut().zip(depths) {
                join(span, [inside.point(v as usize, *depth, room_mm).z; 2]);
            }
        }
        meeting
    };
    members.into_par_iter().map(meeting).collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::mesh::label_layers::fewest_changes;
    use crate::mesh::shells::Coloured;

    /// A ball in stripes whose labels are drawn anew each time: the count is that of the triangles themselves.
    #[test]
    fn patches_count_like_their_triangles() {
        let (mut positions, mut triangles) = (Vec::new(), Vec::new());
        let (rings, sectors) = (40_u32, 24_u32);
        for ring in 0..=rings {
            let angle = std::f64::consts::PI * (f64::from(ring) / f64::from(rings) - 0.5);
            for sector in 0..sectors {
                let turn = std::f64::consts::TAU * f64::from(sector) / f64::from(sectors);
                let out = DVec3::new(angle.cos() * turn.cos(), angle.cos() * turn.sin(), angle.sin());
                positions.push(20.0 * out * DVec3::new(1.0, 0.2, 1.0) + DVec3::new(0.0, 0.0, 20.0));
            }
        }
        for (ring, s) in (0..rings).flat_map(|ring| (0..sectors).map(move |s| (ring, s))) {
            let [a, b] = [s, (s + 1) % sectors].map(|s| ring * sectors + s);
            triangles.extend([[a, b, b + sectors], [a, b + sectors, a + sectors]]);
        }
        // Quadrants in bands of unlike heights, the lowest band inside.
        let bands = [0, 4, 9, 13, 21, 30, 40];
        let patch = |t: usize| {
            let (ring, sector) = (t / 2 / sectors as usize, t / 2 % sectors as usize);
            let band = bands.iter().rposition(|start| ring >= *start).unwrap();
            if band == 0 { NO_PATCH } else { (4 * (band - 1) + sector / 6) as u32 }
        };
        let patch_of: Vec<u32> = (0..triangles.len()).map(patch).collect();
        let part = Patched { positions: &positions, triangles: &triangles, patch_of: &patch_of, patch_count: 20 };
        let depth_mm = [1.5, 0.9, 2.2, 0.9];
        let layers = Layers::up_to(40.0, 0.2);
        let fast = PatchLayers::new(part, &TriTree::new(&positions, &triangles), layers, &depth_mm);
        let mut seed = 7_u64;
        for case in 0..200 {
            let labels: Vec<u8> = (0..20)
                .map(|_| {
                    seed = seed.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
                    (seed >> 62) as u8
                })
                .collect();
            let base = fast.base(&labels);
            let of_triangle: Vec<u8> =
                patch_of.iter().map(|p| if *p == NO_PATCH { base } else { labels[*p as usize] }).collect();
            let coloured = Coloured {
                positions: &positions,
                triangles: &triangles,
                labels: &of_triangle,
                label_count: 4,
                level: &[],
            };
            let inner = coloured.inner_positions(usize::from(base), &depth_mm);
            let sets = coloured.layer_sets(layers, usize::from(base), &inner);
            assert_eq!(fast.changes(&labels), fewest_changes(&sets).count, "case {case}");
        }
    }
}
