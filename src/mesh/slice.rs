//! Slicing closed meshes at many heights: exact section areas and contour lengths of every layer in one pass over the
//! triangles, and closed loops at chosen heights. A vertex is above a height when it is not below it, everywhere alike,
//! so sections of a closed mesh are always closed.

use std::ops::Range;

use glam::{DVec2, DVec3};
use rayon::prelude::*;
use rustc_hash::FxHashMap;

/// Triangles per partial sum: fixed, so that any number of threads adds in the same order.
const CHUNK: usize = 1 << 15;

/// One closed contour of a section, counter-clockwise around material, mm.
pub type Loop = Vec<DVec2>;

/// Layers of one thickness from z = 0 up; each is cut at its middle.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Layers {
    pub layer_mm: f64,
    pub count: usize,
}

impl Layers {
    /// The layers that something `height_mm` high is printed in, a last thin one included.
    #[must_use]
    pub fn up_to(height_mm: f64, layer_mm: f64) -> Self {
        let count = (height_mm / layer_mm - 1e-9).ceil().max(0.0) as usize;
        Self { layer_mm, count }
    }

    /// Height at which a layer is cut, mm.
    #[must_use]
    pub fn middle_mm(&self, layer: usize) -> f64 {
        (layer as f64 + 0.5) * self.layer_mm
    }

    /// Number of layers whose middle is not above `z_mm`.
    #[must_use]
    pub fn below(&self, z_mm: f64) -> usize {
        ((z_mm / self.layer_mm + 0.5).floor().max(0.0) as usize).min(self.count)
    }
}

/// What one pass over all triangles tells about every layer.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct LayerSums {
    /// Area of the section of each layer, mm2.
    pub area_mm2: Vec<f64>,
    /// Length of the contour in each layer, one list per label, mm.
    pub contour_mm: Vec<Vec<f64>>,
}

impl LayerSums {
    /// Length of the whole contour of a layer, mm.
    #[must_use]
    pub fn perimeter_mm(&self, layer: usize) -> f64 {
        self.contour_mm.iter().map(|of_label| of_label.get(layer).copied().unwrap_or(0.0)).sum()
    }
}

/// Section area of every layer and the contour length of every label in it.
///
/// Labels from `label_count` on are counted with the last label; without labels everything is label 0.
#[must_use]
pub fn layer_sums(
    positions: &[DVec3],
    triangles: &[[u32; 3]],
    labels: Option<&[u8]>,
    label_count: usize,
    layers: Layers,
) -> LayerSums {
    let label_count = label_count.max(1);
    let level: Vec<u32> = positions.par_iter().map(|p| layers.below(p.z) as u32).collect();
    let centre = positions.first().map_or(DVec2::ZERO, |p| p.truncate());
    let partial: Vec<(usize, Vec<f64>)> = triangles
        .par_chunks(CHUNK)
        .enumerate()
        .map(|(chunk, some)| {
            let range = level_range(some, &level);
            let stride = label_count + 1;
            let mut sums = vec![0.0; range.len() * stride];
            for (i, t) in some.iter().enumerate() {
                let label = labels.map_or(0, |all| usize::from(all[chunk * CHUNK + i])).min(label_count - 1);
                let levels = t.map(|v| level[v as usize] as usize);
                for_each_crossing(positions, t, levels, layers, |layer, from, to| {
                    let row = (layer - range.start) * stride;
                    sums[row] += 0.5 * (from - centre).perp_dot(to - centre);
                    sums[row + 1 + label] += from.distance(to);
                });
            }
            (range.start, sums)
        })
        .collect();
    add_up(&partial, label_count, layers.count)
}

fn add_up(partial: &[(usize, Vec<f64>)], label_count: usize, layer_count: usize) -> LayerSums {
    let mut area_mm2 = vec![0.0; layer_count];
    let mut contour_mm = vec![vec![0.0; layer_count]; label_count];
    for (start, sums) in partial {
        for (row, of_layer) in sums.chunks_exact(label_count + 1).enumerate() {
            let layer = start + row;
            area_mm2[layer] += of_layer[0];
            for (total, length) in contour_mm.iter_mut().zip(&of_layer[1..]) {
                total[layer] += length;
            }
        }
    }
    LayerSums { area_mm2, contour_mm }
}

/// The layers some triangles cross, as one range.
fn level_range(triangles: &[[u32; 3]], level: &[u32]) -> Range<usize> {
    let corners = || triangles.iter().flatten().map(|&v| level[v as usize] as usize);
    corners().min().unwrap_or(0)..corners().max().unwrap_or(0)
}

/// Calls `each(layer, from, to)` for every layer whose middle plane the triangle crosses, material on the left.
fn for_each_crossing(
    positions: &[DVec3],
    triangle: &[u32; 3],
    levels: [usize; 3],
    layers: Layers,
    mut each: impl FnMut(usize, DVec2, DVec2),
) {
    let (low, high) = (levels[0].min(levels[1]).min(levels[2]), levels[0].max(levels[1]).max(levels[2]));
    for layer in low..high {
        let (one, two) = crossed_edges(triangle, levels.map(|level| level > layer));
        let z = layers.middle_mm(layer);
        each(layer, crossing(positions, one, z), crossing(positions, two, z));
    }
}

/// An edge by its vertices, lower index first: both its triangles name it alike.
type Edge = (u32, u32);

/// The edges where a section enters and leaves a crossed triangle, material on the left.
fn crossed_edges(t: &[u32; 3], above: [bool; 3]) -> (Edge, Edge) {
    let (lone, next, last) = if above[0] == above[1] {
        (2, 0, 1)
    } else if above[1] == above[2] {
        (0, 1, 2)
    } else {
        (1, 2, 0)
    };
    let edge = |i: usize, j: usize| (t[i].min(t[j]), t[i].max(t[j]));
    let (one, two) = (edge(lone, next), edge(lone, last));
    if above[lone] { (one, two) } else { (two, one) }
}

/// Where an edge meets a height.
fn crossing(positions: &[DVec3], edge: Edge, z: f64) -> DVec2 {
    let (a, b) = (positions[edge.0 as usize], positions[edge.1 as usize]);
    let share = ((z - a.z) / (b.z - a.z)).clamp(0.0, 1.0);
    a.truncate() + share * (b - a).truncate()
}

/// A mesh made ready for finding its section at any height quickly.
#[derive(Debug)]
pub struct Slicer<'a> {
    positions: &'a [DVec3],
    triangles: &'a [[u32; 3]],
    bottom_mm: f64,
    band_mm: f64,
    /// Triangles of band `i`, ascending, are `members[starts[i]..starts[i + 1]]`.
    starts: Vec<u32>,
    members: Vec<u32>,
}

impl<'a> Slicer<'a> {
    /// Bands a mesh is sorted into; more cost memory where triangles are large, fewer cost time at each height.
    const BANDS: usize = 512;

    #[must_use]
    pub fn new(positions: &'a [DVec3], triangles: &'a [[u32; 3]]) -> Self {
        let (low, high) = super::measure::bounds(positions);
        let (bottom_mm, height) = if positions.is_empty() { (0.0, 1.0) } else { (low.z, (high.z - low.z).max(1e-9)) };
        let mut slicer = Self {
            positions,
            triangles,
            bottom_mm,
            band_mm: height / Self::BANDS as f64,
            starts: vec![0; Self::BANDS + 1],
            members: Vec::new(),
        };
        let spans: Vec<(u32, u32)> = triangles.par_iter().map(|t| slicer.bands_of(t)).collect();
        for &(first, last) in &spans {
            for band in first..=last {
                slicer.starts[band as usize + 1] += 1;
            }
        }
        for band in 0..Self::BANDS {
            slicer.starts[band + 1] += slicer.starts[band];
        }
        let mut next = slicer.starts.clone();
        slicer.members = vec![0; slicer.starts[Self::BANDS] as usize];
        for (triangle, &(first, last)) in spans.iter().enumerate() {
            for band in first..=last {
                slicer.members[next[band as usize] as usize] = triangle as u32;
                next[band as usize] += 1;
            }
        }
        slicer
    }

    fn band(&self, z: f64) -> u32 {
        (((z - self.bottom_mm) / self.band_mm).max(0.0) as usize).min(Self::BANDS - 1) as u32
    }

    fn bands_of(&self, triangle: &[u32; 3]) -> (u32, u32) {
        let bands = triangle.map(|v| self.band(self.positions[v as usize].z));
        (bands[0].min(bands[1]).min(bands[2]), bands[0].max(bands[1]).max(bands[2]))
    }

    /// Closed contours at a height, in the order of their lowest triangle; a chain that does not close, as an open
    /// mesh gives, is left out.
    #[must_use]
    pub fn loops(&self, z_mm: f64) -> Vec<Loop> {
        let band = self.band(z_mm) as usize;
        let members = &self.members[self.starts[band] as usize..self.starts[band + 1] as usize];
        let mut links = Vec::new();
        for &triangle in members {
            let t = &self.triangles[triangle as usize];
            let above = t.map(|v| self.positions[v as usize].z >= z_mm);
            if above[0] == above[1] && above[1] == above[2] {
                continue;
            }
            links.push(crossed_edges(t, above));
        }
        self.follow(&links, z_mm)
    }

    /// The contours at several heights, found in parallel.
    #[must_use]
    pub fn loops_at(&self, heights_mm: &[f64]) -> Vec<Vec<Loop>> {
        heights_mm.par_iter().map(|&z| self.loops(z)).collect()
    }

    fn follow(&self, links: &[(Edge, Edge)], z_mm: f64) -> Vec<Loop> {
        let by_start: FxHashMap<Edge, usize> = links.iter().enumerate().map(|(i, link)| (link.0, i)).collect();
        let mut used = vec![false; links.len()];
        let mut loops = Vec::new();
        for first in 0..links.len() {
            let mut contour = Loop::new();
            let mut at = Some(first);
            while let Some(i) = at.filter(|&i| !used[i]) {
                used[i] = true;
                contour.push(crossing(self.positions, links[i].0, z_mm));
                at = by_start.get(&links[i].1).copied();
            }
            if at == Some(first) && contour.len() > 2 {
                loops.push(contour);
            }
        }
        loops
    }
}
