//! A scan seen from above: height and colour in square cells.

use glam::{DVec2, DVec3};

use crate::colour::spaces::{Linear, Oklab, oklab_of_linear};
use crate::mesh::TriMesh;

/// Cells are this many times as wide as triangles, and no finer or coarser than these, mm.
const CELL_TIMES: f64 = 1.2;
const CELL_MM: std::ops::Range<f64> = 0.7..4.0;
/// Cells below this are averaged with those around them, mm: scan noise is finer.
const SMOOTHED_MM: f64 = 1.5;
/// Most cells.
const CELLS_MAX: f64 = 1e6;
/// What lies this far below the top of a cell is not seen, mm.
const DEEP_MM: f64 = 1.0;
/// Surfaces turned away from above by more than this are sides, as the cosine of the angle.
const FACING_MIN: f64 = 0.4;
/// Share of the surface that must face one way for it to tell what is above.
const ONE_SIDED: f64 = 0.3;

/// Cells in rows from the nearest on, each from left to right.
pub struct View {
    pub cell_mm: f64,
    pub size: [usize; 2],
    corner: DVec2,
    /// Height above an even board, mm; NaN where nothing was scanned.
    pub heights: Vec<f64>,
    /// Linear light.
    pub lights: Vec<Linear>,
    /// `OKLab` and height, of the cell and those around it where cells are fine.
    pub smooth: Vec<(Oklab, f64)>,
    /// Whether they are taken with those around.
    pub is_smoothed: bool,
}

impl View {
    /// None of a mesh that has no surface.
    pub fn of(mesh: &TriMesh) -> Option<Self> {
        let up = above(mesh)?;
        let right = if up.x.abs() < 0.9 { DVec3::X } else { DVec3::Y };
        let right = (right - right.dot(up) * up).normalize();
        let away = up.cross(right);
        let seen: Vec<usize> = (0..mesh.triangles.len()).filter(|t| facing(mesh, *t, up) > FACING_MIN).collect();
        let flat = |p: DVec3| DVec2::new(p.dot(right), p.dot(away));
        let corners = || seen.iter().flat_map(|t| mesh.corners(*t)).map(flat);
        let ends = (DVec2::INFINITY, DVec2::NEG_INFINITY);
        let (low, high) = corners().fold(ends, |(low, high), p| (low.min(p), high.max(p)));
        let span = high - low;
        let area: f64 = seen.iter().map(|t| 0.5 * mesh.area_vector(*t).length()).sum();
        if seen.is_empty() || !span.is_finite() || area <= 0.0 {
            return None;
        }
        let cell_mm = (CELL_TIMES * (2.0 * area / seen.len() as f64).sqrt()).clamp(CELL_MM.start, CELL_MM.end);
        let cell_mm = cell_mm.max((span.x * span.y / CELLS_MAX).sqrt());
        let size = [span.x, span.y].map(|s| (s / cell_mm) as usize + 1);
        let count = size[0] * size[1];
        let mut view = Self {
            cell_mm,
            size,
            corner: low,
            heights: vec![f64::NAN; count],
            lights: vec![[0.0; 3]; count],
            smooth: Vec::new(),
            is_smoothed: cell_mm < SMOOTHED_MM,
        };
        view.fill(mesh, &seen, flat, |p| p.dot(up));
        view.level();
        view.smooth = (0..count).map(|c| view.around(c)).collect();
        Some(view)
    }

    /// Middle of a cell, mm.
    pub fn place(&self, cell: usize) -> DVec2 {
        let [x, y] = self.at(cell);
        self.corner + self.cell_mm * DVec2::new(x as f64 + 0.5, y as f64 + 0.5)
    }

    pub fn at(&self, cell: usize) -> [usize; 2] {
        [cell % self.size[0], cell / self.size[0]]
    }

    /// The scanned cell so many cells to the right and away.
    pub fn step(&self, cell: usize, right: isize, away: isize) -> Option<usize> {
        let [x, y] = self.at(cell);
        let x = x.checked_add_signed(right).filter(|x| *x < self.size[0])?;
        let y = y.checked_add_signed(away).filter(|y| *y < self.size[1])?;
        let to = y * self.size[0] + x;
        (!self.heights[to].is_nan()).then_some(to)
    }

    /// Takes samples of every triangle: the top of each cell first, then the colours near it.
    fn fill(&mut self, mesh: &TriMesh, seen: &[usize], flat: impl Fn(DVec3) -> DVec2, height: impl Fn(DVec3) -> f64) {
        let cell_of = |view: &Self, p: DVec3| {
            let at = (flat(p) - view.corner) / view.cell_mm;
            let [x, y] = [(at.x, view.size[0]), (at.y, view.size[1])].map(|(v, n)| (v.max(0.0) as usize).min(n - 1));
            y * view.size[0] + x
        };
        for t in seen {
            samples(mesh, *t, self.cell_mm, |p, _| {
                let cell = cell_of(self, p);
                self.heights[cell] = self.heights[cell].max(height(p));
            });
        }
        let tops = self.heights.clone();
        let mut sums = vec![([0.0_f64; 3], 0.0_f64, 0.0_f64); tops.len()];
        for t in seen {
            samples(mesh, *t, self.cell_mm, |p, light| {
                let cell = cell_of(self, p);
                if height(p) > tops[cell] - DEEP_MM {
                    let sum = &mut sums[cell];
                    sum.0 = [0, 1, 2].map(|i| sum.0[i] + f64::from(light[i]));
                    sum.1 += height(p);
                    sum.2 += 1.0;
                }
            });
        }
        for (cell, (light, height, count)) in sums.into_iter().enumerate().filter(|(_, s)| s.2 > 0.0) {
            self.lights[cell] = light.map(|c| (c / count) as f32);
            self.heights[cell] = height / count;
        }
    }

    /// Takes the board's own slope out of the heights: that of most neighbours some cells apart.
    fn level(&mut self) {
        const APART: isize = 8;
        let slope = |right: isize, away: isize| {
            let rise = |c: usize| {
                self.step(c, right, away)
                    .filter(|_| !self.heights[c].is_nan())
                    .map(|n| self.heights[n] - self.heights[c])
            };
            let mut rises: Vec<f64> = (0..self.heights.len()).filter_map(rise).collect();
            if rises.is_empty() {
                return 0.0;
            }
            let middle = rises.len() / 2;
            *rises.select_nth_unstable_by(middle, f64::total_cmp).1 / APART as f64
        };
        let (right, away) = (slope(APART, 0), slope(0, APART));
        for cell in 0..self.heights.len() {
            let [x, y] = self.at(cell);
            self.heights[cell] -= right * x as f64 + away * y as f64;
        }
    }

    fn around(&self, cell: usize) -> (Oklab, f64) {
        let range = if self.is_smoothed { 0..9 } else { 4..5 };
        let near = range.filter_map(|i| self.step(cell, i % 3 - 1, i / 3 - 1));
        let (mut light, mut height, mut count) = ([0.0_f32; 3], 0.0, 0.0_f32);
        for n in near {
            light = [0, 1, 2].map(|i| light[i] + self.lights[n][i]);
            height += self.heights[n];
            count += 1.0;
        }
        (oklab_of_linear(light.map(|c| c / count.max(1.0))), height / f64::from(count.max(1.0)))
    }
}

/// Cosine between a triangle and a direction.
fn facing(mesh: &TriMesh, t: usize, up: DVec3) -> f64 {
    mesh.area_vector(t).normalize_or_zero().dot(up)
}

/// The direction most of the surface faces; for closed pieces, which face all ways, the one across their flat sides that
/// points along an axis of the scan rather than against it.
fn above(mesh: &TriMesh) -> Option<DVec3> {
    let vectors: Vec<DVec3> = (0..mesh.triangles.len()).map(|t| mesh.area_vector(t)).collect();
    let total: f64 = vectors.iter().map(|v| v.length()).sum();
    let sum: DVec3 = vectors.iter().sum();
    let mut up = if sum.length() > ONE_SIDED * total {
        sum.normalize()
    } else {
        let some = vectors.iter().step_by(vectors.len() / 200 + 1).map(|v| (across(&vectors, *v), *v));
        let n = some.max_by(|a, b| a.0.total_cmp(&b.0))?.1.try_normalize()?;
        let axis = (0..3).max_by(|a, b| n[*a].abs().total_cmp(&n[*b].abs()))?;
        n * n[axis].signum()
    };
    for _ in 0..4 {
        let near: DVec3 = vectors.iter().filter(|v| v.normalize_or_zero().dot(up) > 0.85).sum();
        up = near.try_normalize()?;
    }
    (total > 0.0).then_some(up)
}

/// How much surface lies across a direction; told by a sample of the surface.
fn across(vectors: &[DVec3], direction: DVec3) -> f64 {
    let Some(n) = direction.try_normalize() else { return -1.0 };
    let every = vectors.len() / 2000 + 1;
    vectors.iter().step_by(every).filter(|v| v.normalize_or_zero().dot(n).abs() > 0.97).map(|v| v.length()).sum()
}

/// Evenly spread points of a triangle, about two to a cell's side.
fn samples(mesh: &TriMesh, t: usize, cell_mm: f64, mut take: impl FnMut(DVec3, Linear)) {
    let [a, b, c] = mesh.corners(t);
    let colours = mesh.triangles[t].map(|v| mesh.colours[v as usize]);
    let longest = a.distance(b).max(b.distance(c)).max(c.distance(a));
    let n = ((2.0 * longest / cell_mm).ceil() as usize).clamp(1, 400);
    for i in 0..n {
        for j in 0..n - i {
            let (u, v) = ((i as f64 + 1.0 / 3.0) / n as f64, (j as f64 + 1.0 / 3.0) / n as f64);
            let w = 1.0 - u - v;
            let light = [0, 1, 2].map(|k| {
                (w * f64::from(colours[0][k]) + u * f64::from(colours[1][k]) + v * f64::from(colours[2][k])) as f32
            });
            take(w * a + u * b + v * c, light);
        }
    }
}
