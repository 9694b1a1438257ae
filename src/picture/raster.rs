//! Which triangle each sample of the picture sees: projection, sorting into bands of rows, and a depth buffer.
//!
//! Corners are rounded to 1/64 of a sample and edges are decided in whole numbers, so neighbours leave no gap and
//! never overlap. Bands are independent and take triangles in order: the result is the same on any number of threads.

use glam::DVec3;
use rayon::prelude::*;

use super::camera::View;
use super::{Item, Placement};

/// Fixed-point steps per sample.
pub const STEP: i64 = 64;
/// Rows of samples that are drawn as one piece of work.
const BAND_ROWS: usize = 64;
/// Triangles that are sorted into bands as one piece of work.
const CHUNK: usize = 1 << 15;
/// No triangle is seen here.
pub const NOTHING: u32 = u32::MAX;

/// A corner in sample space.
#[derive(Clone, Copy, Debug)]
pub struct Corner {
    /// 1/64 samples from the upper left corner.
    pub x: i32,
    pub y: i32,
    pub near: f32,
}

/// All items' corners in sample space, with where each item's vertices and triangles begin.
#[derive(Debug)]
pub struct Projected {
    pub corners: Vec<Corner>,
    pub first_vertex: Vec<usize>,
    pub first_triangle: Vec<usize>,
}

/// Nearness and triangle of every sample, row by row.
#[derive(Debug)]
pub struct Samples {
    pub width: usize,
    pub height: usize,
    pub near: Vec<f32>,
    pub triangle: Vec<u32>,
}

impl Projected {
    /// Projects all vertices; `oversampling` samples stand for a pixel in each direction.
    #[must_use]
    pub fn new(items: &[Item<'_>], view: &View, oversampling: usize) -> Self {
        let mut projected = Self { corners: Vec::new(), first_vertex: vec![0], first_triangle: vec![0] };
        let scale = (STEP * oversampling as i64) as f64;
        let corner = |place: &Placement, p: &DVec3| {
            let seen = view.project(place.apply(*p));
            let fixed = |v: f64| (v * scale).round().clamp(-1e8, 1e8) as i32;
            let sound = seen.x.is_finite() && seen.y.is_finite() && view.ahead_mm(seen.near) > 0.0;
            Corner { x: fixed(seen.x), y: fixed(seen.y), near: if sound { seen.near as f32 } else { f32::NAN } }
        };
        for item in items {
            let place = &item.place;
            projected.corners.par_extend(item.shape.mesh.positions.par_iter().map(|p| corner(place, p)));
            projected.first_vertex.push(projected.corners.len());
            let before = projected.first_triangle.last().copied().unwrap_or(0);
            projected.first_triangle.push(before + item.shape.triangles().len());
        }
        projected
    }

    /// The item a triangle belongs to, and its index there.
    #[must_use]
    pub fn locate(&self, triangle: u32) -> (usize, usize) {
        let item = self.first_triangle.partition_point(|&first| first <= triangle as usize) - 1;
        (item, triangle as usize - self.first_triangle[item])
    }

    /// The corners of a triangle in sample space.
    #[must_use]
    pub fn triangle(&self, items: &[Item<'_>], triangle: u32) -> [Corner; 3] {
        let (item, index) = self.locate(triangle);
        let first = self.first_vertex[item];
        items[item].shape.triangles()[index].map(|v| self.corners[first + v as usize])
    }
}

/// Twice the signed area of `a b p` in fixed-point units; positive when `p` lies to the inner side of a front face.
#[must_use]
pub fn side(a: Corner, b: Corner, x: i64, y: i64) -> i64 {
    let (ax, ay) = (i64::from(a.x), i64::from(a.y));
    (i64::from(b.y) - ay) * (x - ax) - (i64::from(b.x) - ax) * (y - ay)
}

/// Place of a sample in fixed-point units. Odd rows lie half a step to the right and odd columns half a step down, so
/// that the four samples of a pixel have four different columns and rows: edges are twice as smooth.
#[must_use]
pub fn place(x: usize, y: usize) -> (i64, i64) {
    let along = |index: usize, other: usize| index as i64 * STEP + STEP / 4 + (other & 1) as i64 * (STEP / 2);
    (along(x, y), along(y, x))
}

/// First and last sample that may lie between two fixed-point coordinates, cut to `0..limit`; empty if the first
/// exceeds the last.
fn covered(low: i32, high: i32, limit: usize) -> (i64, i64) {
    let first = (i64::from(low) - STEP / 4 * 3 + STEP - 1).div_euclid(STEP).max(0);
    let last = (i64::from(high) - STEP / 4).div_euclid(STEP).min(limit as i64 - 1);
    (first, last)
}

/// Turns a triangle to the front, or says that it is not to be drawn.
fn facing(corners: [Corner; 3], two_sided: bool) -> Option<[Corner; 3]> {
    let [a, b, c] = corners;
    if !(a.near.is_finite() && b.near.is_finite() && c.near.is_finite()) {
        return None;
    }
    match side(a, b, i64::from(c.x), i64::from(c.y)) {
        0 => None,
        area if area > 0 => Some([a, b, c]),
        _ if two_sided => Some([a, c, b]),
        _ => None,
    }
}

/// Finds the nearest triangle of every sample; of two equally near ones, the one that comes first.
#[must_use]
pub fn visible(items: &[Item<'_>], projected: &Projected, width: usize, height: usize) -> Samples {
    let bins = sort_into_bands(items, projected, width, height);
    let mut samples = Samples {
        width,
        height,
        near: vec![f32::NEG_INFINITY; width * height],
        triangle: vec![NOTHING; width * height],
    };
    let band_len = (width * BAND_ROWS).max(1);
    let rows = samples.near.par_chunks_mut(band_len).zip(samples.triangle.par_chunks_mut(band_len));
    rows.enumerate().for_each(|(band, (near, triangle))| {
        let mut target = Band { first_row: band * BAND_ROWS, width, near, triangle };
        for id in bins.iter().filter_map(|chunk| chunk.get(band)).flatten() {
            let corners = projected.triangle(items, *id);
            let (item, _) = projected.locate(*id);
            if let Some(corners) = facing(corners, items[item].two_sided) {
                target.draw(*id, corners);
            }
        }
    });
    samples
}

/// Lists, per chunk of triangles and band of rows, the triangles that may be seen there.
fn sort_into_bands(items: &[Item<'_>], projected: &Projected, width: usize, height: usize) -> Vec<Vec<Vec<u32>>> {
    let bands = height.div_ceil(BAND_ROWS);
    let total = projected.first_triangle.last().copied().unwrap_or(0);
    let chunks: Vec<usize> = (0..total).step_by(CHUNK).collect();
    let sort = |start: usize| {
        let mut lists = vec![Vec::new(); bands];
        for id in start..(start + CHUNK).min(total) {
            let id = id as u32;
            let corners = projected.triangle(items, id);
            let (item, _) = projected.locate(id);
            let Some([a, b, c]) = facing(corners, items[item].two_sided) else { continue };
            let (left, right) = covered(a.x.min(b.x).min(c.x), a.x.max(b.x).max(c.x), width);
            let (top, bottom) = covered(a.y.min(b.y).min(c.y), a.y.max(b.y).max(c.y), height);
            if left <= right && top <= bottom {
                for list in &mut lists[top as usize / BAND_ROWS..=bottom as usize / BAND_ROWS] {
                    list.push(id);
                }
            }
        }
        lists
    };
    chunks.into_par_iter().map(sort).collect()
}

/// A strip of the depth buffer.
struct Band<'a> {
    first_row: usize,
    width: usize,
    near: &'a mut [f32],
    triangle: &'a mut [u32],
}

impl Band<'_> {
    fn draw(&mut self, id: u32, [a, b, c]: [Corner; 3]) {
        let area = side(a, b, i64::from(c.x), i64::from(c.y));
        let rows = self.near.len() / self.width;
        let (left, right) = covered(a.x.min(b.x).min(c.x), a.x.max(b.x).max(c.x), self.width);
        let (top, bottom) = covered(a.y.min(b.y).min(c.y), a.y.max(b.y).max(c.y), self.first_row + rows);
        if left > right {
            return;
        }
        let per_area = 1.0 / area as f32;
        let edges = [(b, c), (c, a), (a, b)];
        let right_by = edges.map(|(from, to)| (i64::from(to.y) - i64::from(from.y)) * STEP);
        let down_by = edges.map(|(from, to)| (i64::from(from.x) - i64::from(to.x)) * (STEP / 2));
        let bias = edges.map(|(from, to)| i64::from(!owns_edge(from, to)));
        let first_row = top.max(self.first_row as i64) as usize;
        for row in first_row..(bottom + 1).max(0) as usize {
            let (x, y) = place(left as usize, row);
            let mut w = edges.map(|(from, to)| side(from, to, x, y));
            let start = (row - self.first_row) * self.width;
            for column in left as usize..=right as usize {
                if w[0] >= bias[0] && w[1] >= bias[1] && w[2] >= bias[2] {
                    self.cover(start + column, id, &[a, b, c], [w[0] as f32 * per_area, w[1] as f32 * per_area]);
                }
                let down = if column & 1 == 0 { down_by } else { down_by.map(|d| -d) };
                w = std::array::from_fn(|i| w[i] + right_by[i] + down[i]);
            }
        }
    }

    fn cover(&mut self, at: usize, id: u32, [a, b, c]: &[Corner; 3], share: [f32; 2]) {
        let near = c.near + share[0] * (a.near - c.near) + share[1] * (b.near - c.near);
        if near > self.near[at] {
            self.near[at] = near;
            self.triangle[at] = id;
        }
    }
}

/// Of the two triangles at an edge exactly one owns the samples on it: the one that runs it downwards, or leftwards
/// when it is level.
fn owns_edge(from: Corner, to: Corner) -> bool {
    to.y > from.y || (to.y == from.y && to.x < from.x)
}
