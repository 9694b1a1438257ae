//! Tells chips from what they lie on: patches without a step in height or colour, flat, of a believable size, and no lower
//! than what is around them.

use std::collections::VecDeque;

use glam::DVec2;

use super::outline::Frame;
use super::view::View;

/// Steps that bound a patch, across a short way: height in mm, and colour in `OKLab`.
const STEP_MM: f64 = 0.45;
const STEP_COLOUR: f64 = 0.05;
/// Half of that way, mm.
const HALF_WAY_MM: f64 = 1.4;
/// Sides of a chip, mm, and how many times longer than wide it may be.
const SIDE_MM: std::ops::Range<f64> = 8.0..160.0;
const LENGTHY_MAX: f64 = 6.0;
/// A chip fills its rectangle so well (a disc .785).
const FILLED_MIN: f64 = 0.7;
/// Share of a chip, holes filled, that was scanned and is of one colour.
const WHOLE_MIN: f64 = 0.5;
/// How far from even a chip is, root mean square, mm.
const UNEVEN_MAX_MM: f64 = 0.8;
/// What is lower than most of its surroundings is what chips lie on, mm.
const LOWER_MM: f64 = 0.35;
/// The rim of a chip is not looked at: at least so many mm, or this share of the shorter side.
const RIM_MM: f64 = 1.5;
const RIM_SHARE: f64 = 0.1;

/// A chip in the view.
pub struct Patch {
    pub frame: Frame,
    /// Cells away from its rim.
    pub inner: Vec<usize>,
}

/// All chips, in the order of their first cells.
pub fn patches(view: &View) -> Vec<Patch> {
    let half_way = ((HALF_WAY_MM / view.cell_mm).round() as isize).max(1);
    let is_even: Vec<bool> =
        (0..view.heights.len()).map(|c| !view.heights[c].is_nan() && !is_step(view, c, half_way)).collect();
    let members = connected(view, &is_even);
    let shapes: Vec<Option<Shape>> = members.iter().map(|cells| Shape::of(view, cells)).collect();
    let middles: Vec<Option<usize>> = shapes.iter().map(|s| s.as_ref().map(|s| s.middle_cell(view))).collect();
    let heights: Vec<f64> = members.iter().map(|cells| middle_height(view, cells)).collect();
    let is_ground = |id: usize, shape: &Shape| {
        let around = beyond(view, &members[id], &shape.is_own, 3 * half_way);
        let higher = around.iter().filter(|c| view.smooth[**c].1 > heights[id] + LOWER_MM).count();
        let lower = around.iter().filter(|c| view.smooth[**c].1 < heights[id] - LOWER_MM).count();
        let holds = |other: usize| other != id && middles[other].is_some_and(|cell| shape.is_own[cell]);
        higher > lower && 4 * higher > around.len() || (0..members.len()).any(holds)
    };
    let chips = (0..members.len()).filter_map(|id| Some((id, shapes[id].as_ref()?)));
    chips
        .filter(|(id, shape)| !is_ground(*id, shape))
        .map(|(id, shape)| shape.patch(view, &members[id], half_way))
        .filter(|patch| !patch.inner.is_empty())
        .collect()
}

/// Whether height or colour differs on either side of a cell.
fn is_step(view: &View, cell: usize, half_way: isize) -> bool {
    [(half_way, 0), (0, half_way)].into_iter().any(|(right, away)| {
        let sides = [view.step(cell, right, away), view.step(cell, -right, -away)];
        let [Some(a), Some(b)] = sides else { return false };
        let ((a_colour, a_height), (b_colour, b_height)) = (view.smooth[a], view.smooth[b]);
        let apart = (0..3).map(|i| (a_colour[i] - b_colour[i]).powi(2)).sum::<f64>().sqrt();
        (a_height - b_height).abs() > STEP_MM || apart > STEP_COLOUR
    })
}

/// The scanned cells on the four sides of one.
fn beside(view: &View, cell: usize) -> [Option<usize>; 4] {
    [(1, 0), (-1, 0), (0, 1), (0, -1)].map(|(right, away)| view.step(cell, right, away))
}

/// Cells of each patch.
fn connected(view: &View, is_even: &[bool]) -> Vec<Vec<usize>> {
    let mut is_taken: Vec<bool> = is_even.iter().map(|even| !even).collect();
    let mut patches: Vec<Vec<usize>> = Vec::new();
    for start in 0..is_even.len() {
        if is_taken[start] {
            continue;
        }
        is_taken[start] = true;
        let mut cells = vec![start];
        let mut next = 0;
        while let Some(cell) = cells.get(next).copied() {
            next += 1;
            for n in beside(view, cell).into_iter().flatten() {
                if !std::mem::replace(&mut is_taken[n], true) {
                    cells.push(n);
                }
            }
        }
        patches.push(cells);
    }
    patches
}

fn middle_height(view: &View, cells: &[usize]) -> f64 {
    let mut heights: Vec<f64> = cells.iter().map(|c| view.smooth[*c].1).collect();
    let middle = heights.len() / 2;
    *heights.select_nth_unstable_by(middle, f64::total_cmp).1
}

/// Scanned cells around a patch, up to so many cells off.
fn beyond(view: &View, cells: &[usize], is_own: &[bool], reach: isize) -> Vec<usize> {
    let mut is_taken = vec![false; is_own.len()];
    let mut found = Vec::new();
    for cell in cells {
        for (right, away) in [(reach, 0), (-reach, 0), (0, reach), (0, -reach)] {
            if let Some(n) = view.step(*cell, right, away).filter(|n| !is_own[*n] && !is_taken[*n]) {
                is_taken[n] = true;
                found.push(n);
            }
        }
    }
    found
}

/// A patch of the shape of a chip.
struct Shape {
    frame: Frame,
    /// Whether each cell of the view is of the patch, its holes filled.
    is_own: Vec<bool>,
}

impl Shape {
    fn of(view: &View, cells: &[usize]) -> Option<Self> {
        let area = cells.len() as f64 * view.cell_mm * view.cell_mm;
        if area < WHOLE_MIN * SIDE_MM.start * SIDE_MM.start {
            return None;
        }
        let is_own = filled(view, cells);
        let count = is_own.iter().filter(|own| **own).count();
        let places: Vec<DVec2> = cells.iter().map(|c| view.place(*c)).collect();
        let frame = Frame::of(&places, view.cell_mm, count);
        let (long, short) = (frame.size.max_element(), frame.size.min_element());
        let is_chip = SIDE_MM.contains(&short)
            && SIDE_MM.contains(&long)
            && long < LENGTHY_MAX * short
            && frame.filled > FILLED_MIN
            && cells.len() as f64 > WHOLE_MIN * count as f64
            && unevenness(view, cells) < UNEVEN_MAX_MM;
        is_chip.then_some(Self { frame, is_own })
    }

    fn middle_cell(&self, view: &View) -> usize {
        let nearest = (0..self.is_own.len()).filter(|c| self.is_own[*c]).min_by(|a, b| {
            let off = |c: usize| view.place(c).distance_squared(self.frame.middle);
            off(*a).total_cmp(&off(*b))
        });
        nearest.unwrap_or_default()
    }

    /// The chip, its inner cells, and its size with the rim that the steps around it hid.
    fn patch(&self, view: &View, cells: &[usize], half_way: isize) -> Patch {
        let rim = RIM_MM.max(RIM_SHARE * self.frame.size.min_element());
        let depth = depths(view, &self.is_own);
        let is_inner = |c: &&usize| f64::from(depth[**c]) * view.cell_mm > rim;
        let mut inner: Vec<usize> = cells.iter().filter(is_inner).copied().collect();
        inner.sort_unstable();
        let is_rim = |c: &&usize| depth[**c] == 1;
        let goes_on = |c: &&usize| beside(view, **c).into_iter().flatten().any(|n| !self.is_own[n]);
        let (rims, hidden) = (cells.iter().filter(is_rim).count(), cells.iter().filter(is_rim).filter(goes_on).count());
        let mut frame = self.frame;
        if 2 * hidden > rims {
            // Steps are seen so far off.
            let cells = half_way as f64 + f64::from(u8::from(view.is_smoothed));
            frame.size += 2.0 * cells * view.cell_mm;
        }
        Patch { frame, inner }
    }
}

/// Cells of a patch and of its holes: all that cannot be reached from outside.
fn filled(view: &View, cells: &[usize]) -> Vec<bool> {
    let [width, height] = view.size;
    let mut is_own = vec![false; width * height];
    for cell in cells {
        is_own[*cell] = true;
    }
    let (mut low, mut high) = ([width, height], [0, 0]);
    for at in cells.iter().map(|c| view.at(*c)) {
        low = [low[0].min(at[0]), low[1].min(at[1])];
        high = [high[0].max(at[0]), high[1].max(at[1])];
    }
    // Only the box around the patch can hold holes.
    let (w, h) = (high[0] - low[0] + 3, high[1] - low[1] + 3);
    let own = |x: usize, y: usize| {
        let inside = (1..w - 1).contains(&x) && (1..h - 1).contains(&y);
        inside && is_own[(low[1] + y - 1) * width + low[0] + x - 1]
    };
    let mut is_outside = vec![false; w * h];
    is_outside[0] = true;
    let mut queue = VecDeque::from([0]);
    while let Some(cell) = queue.pop_front() {
        let (x, y) = (cell % w, cell / w);
        let near = [
            (x > 0).then(|| cell - 1),
            (x + 1 < w).then(|| cell + 1),
            (y > 0).then(|| cell - w),
            (y + 1 < h).then(|| cell + w),
        ];
        for n in near.into_iter().flatten() {
            if !is_outside[n] && !own(n % w, n / w) {
                is_outside[n] = true;
                queue.push_back(n);
            }
        }
    }
    for y in 1..h - 1 {
        for x in (1..w - 1).filter(|x| !is_outside[y * w + x]) {
            is_own[(low[1] + y - 1) * width + low[0] + x - 1] = true;
        }
    }
    is_own
}

/// Steps from outside the patch to each of its cells.
fn depths(view: &View, is_own: &[bool]) -> Vec<u32> {
    let [width, height] = view.size;
    let mut depth = vec![0; is_own.len()];
    let mut queue = VecDeque::new();
    // Holes count, too, so cells without a scan are stepped on.
    let near = |cell: usize| {
        let (x, y) = (cell % width, cell / width);
        [
            (x > 0).then(|| cell - 1),
            (x + 1 < width).then(|| cell + 1),
            (y > 0).then(|| cell - width),
            (y + 1 < height).then(|| cell + width),
        ]
    };
    for cell in (0..is_own.len()).filter(|c| is_own[*c]) {
        if near(cell).into_iter().any(|n| n.is_none_or(|n| !is_own[n])) {
            depth[cell] = 1;
            queue.push_back(cell);
        }
    }
    while let Some(cell) = queue.pop_front() {
        for n in near(cell).into_iter().flatten().filter(|n| is_own[*n]) {
            if depth[n] == 0 {
                depth[n] = depth[cell] + 1;
                queue.push_back(n);
            }
        }
    }
    depth
}

/// Root mean square distance from an even plane, mm.
fn unevenness(view: &View, cells: &[usize]) -> f64 {
    let count = cells.len() as f64;
    let places: Vec<(DVec2, f64)> = cells.iter().map(|c| (view.place(*c), view.heights[*c])).collect();
    let middle = places.iter().map(|(p, _)| *p).sum::<DVec2>() / count;
    let mean = places.iter().map(|(_, h)| *h).sum::<f64>() / count;
    let (mut xx, mut xy, mut yy, mut xh, mut yh) = (0.0, 0.0, 0.0, 0.0, 0.0);
    for (p, h) in &places {
        let (d, h) = (*p - middle, h - mean);
        xx += d.x * d.x;
        xy += d.x * d.y;
        yy += d.y * d.y;
        xh += d.x * h;
        yh += d.y * h;
    }
    let determinant = xx * yy - xy * xy;
    if determinant <= 0.0 {
        return 0.0;
    }
    let slope = DVec2::new(yy * xh - xy * yh, xx * yh - xy * xh) / determinant;
    let off = |(p, h): &(DVec2, f64)| (h - mean - slope.dot(*p - middle)).powi(2);
    (places.iter().map(off).sum::<f64>() / count).sqrt()
}
