//! The floor under a scene: soft shadows of what stands on it, and a printer's bed drawn to scale.
//!
//! Shadows come from a map of the floor: the surface is thrown on it along the light and straight down, sorted by
//! height, and each height is blurred by as much as a light of some size would blur it.

use std::sync::atomic::{AtomicU8, Ordering};

use glam::{DVec2, DVec3};
use rayon::prelude::*;

use super::camera::View;
use super::{Scene, shade};

/// A printer's bed: a rectangle on the floor with a tick line every so many mm.
#[derive(Clone, Debug, PartialEq)]
pub struct Bed {
    pub low_mm: [f64; 2],
    pub high_mm: [f64; 2],
    pub tick_mm: f64,
}

impl Bed {
    /// Corners on a floor of this height, counter-clockwise from the lowest.
    #[must_use]
    pub fn corners(&self, floor_mm: f64) -> [DVec3; 4] {
        let ([x0, y0], [x1, y1]) = (self.low_mm, self.high_mm);
        [[x0, y0], [x1, y0], [x1, y1], [x0, y1]].map(|[x, y]| DVec3::new(x, y, floor_mm))
    }

    /// How far outside the bed a point is (negative inside), mm.
    fn outside_mm(&self, p: DVec2) -> f64 {
        let low = DVec2::from(self.low_mm) - p;
        let high = p - DVec2::from(self.high_mm);
        low.x.max(low.y).max(high.x).max(high.y)
    }

    /// Distance to the nearest tick line, mm.
    fn tick_distance_mm(&self, p: DVec2) -> f64 {
        let off = (p - DVec2::from(self.low_mm)) / self.tick_mm.max(1.0);
        let off = (off - off.round()).abs() * self.tick_mm.max(1.0);
        off.x.min(off.y)
    }
}

/// Tones of the bed and its lines, linear light.
const BED_FACE: [f32; 3] = [0.245, 0.275, 0.285];
const BED_TICK: [f32; 3] = [0.37, 0.405, 0.415];
const BED_EDGE: [f32; 3] = [0.012, 0.06, 0.075];

/// Cells of the shadow map along each axis.
const CELLS: usize = 192;
/// Triangles that are enough to darken a cell; of more, only one in so many throws a shadow, and one in this many at least.
const ENOUGH: f64 = 20.0;
const MOST: usize = 16;
/// Upper bounds of the height classes, as shares of the scene's height.
const CLASSES: [f64; 6] = [0.015, 0.05, 0.12, 0.28, 0.6, f64::INFINITY];
/// Blur per height: of the main light's shadow, and of the light the whole sky loses.
const SPREAD: [f64; 2] = [0.22, 0.55];
/// Light lost in full shadow of the main light, and under a body that hides the whole sky.
const LOSS: [f32; 2] = [0.26, 0.46];

/// The floor, ready to be asked what it looks like at a point.
#[derive(Debug)]
pub struct Floor {
    pub z_mm: f64,
    bed: Option<Bed>,
    low: DVec2,
    cell_mm: f64,
    /// Share of light that is left, per cell.
    light: Vec<f32>,
}

impl Floor {
    #[must_use]
    pub fn new(scene: &Scene<'_>, view: &View, z_mm: f64) -> Self {
        let sun = shade::key_direction(view);
        let throws = [DVec2::new(sun.x, sun.y) / sun.z.max(0.2), DVec2::ZERO];
        let (low, high, tall_mm) = reach(scene, z_mm, throws[0]);
        let pad = 0.3 * tall_mm + 0.05 * (high - low).max_element();
        let (low, side_mm) = (low - pad, (high - low).max_element() + 2.0 * pad);
        let cell_mm = (side_mm / CELLS as f64).max(1e-6);
        let mut light = vec![1.0_f32; CELLS * CELLS];
        let maps = throws.map(|throw| Map { low, cell_mm, z_mm, tall_mm, throw });
        for (i, marks) in mark(&maps, scene).iter().enumerate() {
            let open = maps[i].open_share(marks, SPREAD[i]);
            light.iter_mut().zip(open).for_each(|(l, open)| *l -= LOSS[i] * (1.0 - open));
        }
        Self { z_mm, bed: scene.style.bed.clone(), low, cell_mm, light }
    }

    /// What a point of the floor looks like over a backdrop, when a pixel covers so many mm there.
    #[must_use]
    pub fn look(&self, p: DVec2, px_mm: f64, backdrop: [f32; 3]) -> [f32; 3] {
        let mut tone = backdrop;
        if let Some(bed) = &self.bed {
            let outside = bed.outside_mm(p);
            let cover = |distance_mm: f64, half_px: f64| (half_px + 0.5 - distance_mm / px_mm).clamp(0.0, 1.0) as f32;
            tone = blend(tone, BED_FACE, cover(outside, 0.0));
            let inside = if outside < 0.0 { 1.0 } else { 0.0 };
            tone = blend(tone, BED_TICK, inside * cover(bed.tick_distance_mm(p), 0.45));
            tone = blend(tone, BED_EDGE, cover(outside.abs(), 0.8));
        }
        let light = self.light_at(p);
        tone.map(|c| c * light)
    }

    fn light_at(&self, p: DVec2) -> f32 {
        let at = (p - self.low) / self.cell_mm - 0.5;
        let last = (CELLS - 2) as f64;
        if !(at.x >= 0.0 && at.y >= 0.0 && at.x <= last && at.y <= last) {
            return 1.0;
        }
        let (x, y) = (at.x as usize, at.y as usize);
        let (fx, fy) = ((at.x - x as f64) as f32, (at.y - y as f64) as f32);
        let row = |y: usize| self.light[y * CELLS + x] * (1.0 - fx) + self.light[y * CELLS + x + 1] * fx;
        row(y) * (1.0 - fy) + row(y + 1) * fy
    }
}

/// Mixes two tones, in linear light.
#[must_use]
pub fn blend(under: [f32; 3], over: [f32; 3], share: f32) -> [f32; 3] {
    std::array::from_fn(|i| under[i] + (over[i] - under[i]) * share)
}

/// Bounds on the floor of everything and its thrown shadow, and the scene's height above the floor.
fn reach(scene: &Scene<'_>, z_mm: f64, throw: DVec2) -> (DVec2, DVec2, f64) {
    let (mut low, mut high, mut tall) = (DVec2::INFINITY, DVec2::NEG_INFINITY, 0.0_f64);
    for item in scene.items.iter().filter(|i| i.shape.low.x <= i.shape.high.x) {
        for corner in 0..8 {
            let pick = |axis: usize| if corner >> axis & 1 == 0 { item.shape.low[axis] } else { item.shape.high[axis] };
            let p = item.place.apply(DVec3::new(pick(0), pick(1), pick(2)));
            let up = (p.z - z_mm).max(0.0);
            tall = tall.max(up);
            for q in [p.truncate(), p.truncate() - throw * up] {
                (low, high) = (low.min(q), high.max(q));
            }
        }
    }
    if low.x <= high.x { (low, high, tall.max(1e-3)) } else { (DVec2::ZERO, DVec2::ONE, 1e-3) }
}

/// One way of throwing the scene on the floor.
struct Map {
    low: DVec2,
    cell_mm: f64,
    z_mm: f64,
    tall_mm: f64,
    throw: DVec2,
}

/// Marks, per cell of each map, the height classes of the surface thrown on it; bits only ever go on, so order is no matter.
fn mark(maps: &[Map; 2], scene: &Scene<'_>) -> [Vec<u8>; 2] {
    let cells = [0, 1].map(|_| (0..CELLS * CELLS).map(|_| AtomicU8::new(0)).collect::<Vec<_>>());
    for item in &scene.items {
        let positions = &item.shape.mesh.positions;
        let size = (item.shape.high - item.shape.low).max(DVec3::ZERO) / maps[0].cell_mm;
        let cells_over = 2.0 * (size.x * size.y + size.y * size.z + size.z * size.x);
        let each = ((item.shape.triangles().len() as f64 / cells_over.max(1.0) / ENOUGH) as usize).clamp(1, MOST);
        item.shape.triangles().par_iter().step_by(each).for_each(|triangle| {
            let [a, b, c] = triangle.map(|v| item.place.apply(positions[v as usize]));
            let longest = (b - a).length().max((c - b).length()).max((a - c).length());
            let steps = (longest / maps[0].cell_mm).ceil().clamp(1.0, 256.0) as usize;
            for (i, j) in (0..steps).flat_map(|i| (0..steps - i).map(move |j| (i, j))) {
                let u = (i as f64 + 1.0 / 3.0) / steps as f64;
                let v = (j as f64 + 1.0 / 3.0) / steps as f64;
                let p = a + (b - a) * u + (c - a) * v;
                maps.iter().zip(&cells).for_each(|(map, cells)| map.mark_point(cells, p));
            }
        });
    }
    cells.map(|cells| cells.into_iter().map(AtomicU8::into_inner).collect())
}

impl Map {
    fn mark_point(&self, cells: &[AtomicU8], p: DVec3) {
        let up = (p.z - self.z_mm).max(0.0);
        let at = (p.truncate() - self.throw * up - self.low) / self.cell_mm;
        if at.x >= 0.0 && at.y >= 0.0 && at.x < CELLS as f64 && at.y < CELLS as f64 {
            let class = CLASSES.iter().take_while(|&&bound| up > bound * self.tall_mm).count().min(7);
            let cell = &cells[at.y as usize * CELLS + at.x as usize];
            // Most cells are marked already, and reading is cheaper than writing.
            if cell.load(Ordering::Relaxed) & 1 << class == 0 {
                cell.fetch_or(1 << class, Ordering::Relaxed);
            }
        }
    }

    /// Share of the light that passes all height classes, each blurred in proportion to its height.
    fn open_share(&self, marks: &[u8], spread: f64) -> Vec<f32> {
        let blurred = |class: usize| {
            let upper = CLASSES[class].min(1.0);
            let lower = class.checked_sub(1).map_or(0.0, |below| CLASSES[below]);
            let blur_mm = spread * 0.5 * (lower + upper) * self.tall_mm;
            let radius = (blur_mm / self.cell_mm).round().clamp(1.0, CELLS as f64 / 6.0) as usize;
            let mask = marks.iter().map(|m| f32::from(m >> class & 1)).collect();
            (0..3).fold(mask, |mask: Vec<f32>, _| box_blur(&box_blur(&mask, radius), radius))
        };
        let layers: Vec<Vec<f32>> = (0..CLASSES.len()).into_par_iter().map(blurred).collect();
        (0..CELLS * CELLS).map(|i| layers.iter().map(|layer| 1.0 - layer[i]).product()).collect()
    }
}

/// Blurs along rows and writes columns, so that twice is both ways.
fn box_blur(mask: &[f32], radius: usize) -> Vec<f32> {
    let mut blurred = vec![0.0; CELLS * CELLS];
    let share = 1.0 / (2 * radius + 1) as f32;
    for y in 0..CELLS {
        let row = &mask[y * CELLS..(y + 1) * CELLS];
        let mut sum: f32 = row[..radius].iter().sum();
        for x in 0..CELLS {
            sum += row.get(x + radius).copied().unwrap_or(0.0);
            blurred[x * CELLS + y] = sum.max(0.0) * share;
            sum -= if x >= radius { row[x - radius] } else { 0.0 };
        }
    }
    blurred
}
