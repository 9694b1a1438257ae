//! Minimum-weight triangulation of a closed loop in space: dynamic programming (Barequet and Sharir 1995) with the
//! weight of Liepa 2003, the sharpest fold first, then the area. Long loops are split at near points first.

use std::cmp::Ordering;

use glam::DVec3;

/// Loops up to this many edges are solved whole; time grows with the cube.
const WHOLE_LOOP: usize = 160;

/// A loop of points with what lies beyond its edges.
#[derive(Clone, Debug)]
pub struct Loop {
    pub points: Vec<DVec3>,
    /// Unit normal of the surface beyond the edge from each point to the next; none when there is none yet.
    pub beyond: Vec<Option<DVec3>>,
    /// Points of the loop each point already has an edge to: those chords are barred.
    pub barred: Vec<Vec<u32>>,
}

impl Loop {
    fn is_barred(&self, a: usize, b: usize) -> bool {
        self.barred[a].contains(&(b as u32))
    }
}

/// Triangles over the points of the loop, running along its direction; `None` when barred chords leave no way.
#[must_use]
pub fn triangulate(outline: &Loop) -> Option<Vec<[u32; 3]>> {
    let whole: Vec<usize> = (0..outline.points.len()).collect();
    let mut waiting = vec![whole];
    let mut triangles = Vec::new();
    while let Some(span) = waiting.pop() {
        if span.len() < 3 {
            return None;
        }
        let Some((a, b)) = (span.len() > WHOLE_LOOP).then(|| nearest_chord(outline, &span)).flatten() else {
            triangles.extend(lightest(outline, &span)?);
            continue;
        };
        let outer = span[..=a].iter().chain(&span[b..]).copied().collect();
        waiting.push(span[a..=b].to_vec());
        waiting.push(outer);
    }
    Some(triangles)
}

/// The shortest free chord that leaves at least a quarter of the span on either side, as places in the span.
fn nearest_chord(outline: &Loop, span: &[usize]) -> Option<(usize, usize)> {
    /// Ends tried in a span: bounds the search on very long rims.
    const ENDS: usize = 2000;
    let n = span.len();
    let step = n.div_ceil(ENDS);
    let mut best = (f64::INFINITY, None);
    for a in (0..n).step_by(step) {
        for b in (a + n / 4..n.min(a + 3 * n / 4)).step_by(step) {
            let length = outline.points[span[a]].distance_squared(outline.points[span[b]]);
            if length < best.0 && !outline.is_barred(span[a], span[b]) {
                best = (length, Some((a, b)));
            }
        }
    }
    best.1
}

/// Weight of a triangulated span, to be kept low.
#[derive(Clone, Copy, PartialEq, PartialOrd)]
struct Weight {
    /// Minus the cosine of the sharpest fold: -1 is flat, 1 folded back.
    fold: f64,
    area: f64,
}

impl Weight {
    const NOTHING: Self = Self { fold: -1.0, area: 0.0 };
    const NO_WAY: Self = Self { fold: f64::INFINITY, area: f64::INFINITY };

    fn plus(self, other: Self) -> Self {
        Self { fold: self.fold.max(other.fold), area: self.area + other.area }
    }
}

/// The table of best weights: `at(i, k)` covers the chord from `i` to `k`.
struct Table {
    n: usize,
    weight: Vec<Weight>,
    /// Middle point of the triangle on the inner side of the chord.
    middle: Vec<u32>,
    /// Unit normal of that triangle.
    normal: Vec<DVec3>,
}

fn lightest(outline: &Loop, span: &[usize]) -> Option<Vec<[u32; 3]>> {
    let n = span.len();
    let mut table =
        Table { n, weight: vec![Weight::NO_WAY; n * n], middle: vec![0; n * n], normal: vec![DVec3::ZERO; n * n] };
    for i in 0..n - 1 {
        table.weight[i * n + i + 1] = Weight::NOTHING;
    }
    for reach in 2..n {
        for i in 0..n - reach {
            let k = i + reach;
            let is_rim = reach == n - 1;
            if is_rim || !outline.is_barred(span[i], span[k]) {
                solve_chord(outline, span, &mut table, i, k);
            }
        }
    }
    table.weight[n - 1].fold.is_finite().then(|| collect(&table, span))
}

/// Finds the best middle point for one chord.
fn solve_chord(outline: &Loop, span: &[usize], table: &mut Table, i: usize, k: usize) {
    let n = table.n;
    let point = |j: usize| outline.points[span[j]];
    let closing = (i == 0 && k == n - 1).then(|| beyond(outline, span, n - 1)).flatten();
    let mut best = Weight::NO_WAY;
    for m in i + 1..k {
        let rest = table.weight[i * n + m].plus(table.weight[m * n + k]);
        if rest.partial_cmp(&best) != Some(Ordering::Less) {
            continue;
        }
        let cross = (point(m) - point(i)).cross(point(k) - point(i));
        let twice_area = cross.length();
        let normal = cross / twice_area.max(f64::MIN_POSITIVE);
        let near = |a: usize, b: usize| {
            if b == a + 1 { beyond(outline, span, a) } else { Some(table.normal[a * n + b]) }
        };
        let folds = [near(i, m), near(m, k), closing].into_iter().flatten().map(|other| -normal.dot(other));
        let fold = if twice_area > 0.0 { folds.fold(-1.0, f64::max) } else { 1.0 };
        let weight = rest.plus(Weight { fold, area: 0.5 * twice_area });
        if weight < best {
            best = weight;
            table.middle[i * n + k] = m as u32;
            table.normal[i * n + k] = normal;
        }
    }
    table.weight[i * n + k] = best;
}

/// Normal beyond the edge that starts at a place of the span; none for chords of an earlier split.
fn beyond(outline: &Loop, span: &[usize], from: usize) -> Option<DVec3> {
    let (a, b) = (span[from], span[(from + 1) % span.len()]);
    if (a + 1) % outline.points.len() == b { outline.beyond[a] } else { None }
}

fn collect(table: &Table, span: &[usize]) -> Vec<[u32; 3]> {
    let mut chords = vec![(0, table.n - 1)];
    let mut triangles = Vec::with_capacity(table.n - 2);
    while let Some((i, k)) = chords.pop() {
        if k > i + 1 {
            let m = table.middle[i * table.n + k] as usize;
            triangles.push([i, m, k].map(|j| span[j] as u32));
            chords.extend([(i, m), (m, k)]);
        }
    }
    triangles
}
