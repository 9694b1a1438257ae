//! Refines triangles until no edge of a wanted one is longer than a limit. An edge is split for all its triangles at
//! once, so no gaps open; longest edges go first (Rivara 1984), so angles stay at least half as wide as they were.

use glam::DVec3;
use rayon::prelude::*;
use rustc_hash::FxHashMap;

/// A value at a triangle's corner that may differ from triangle to triangle at one vertex.
pub trait Corner: Copy + Send + Sync {
    /// The value half-way to another corner of the same triangle.
    #[must_use]
    fn middle(self, other: Self) -> Self;
}

/// Triangles that share positions and carry corner values of their own.
#[derive(Clone, Debug, Default)]
pub struct Surface<C> {
    pub positions: Vec<DVec3>,
    pub triangles: Vec<[u32; 3]>,
    /// One entry per triangle.
    pub corners: Vec<[C; 3]>,
    /// Index of the triangle each was cut from, for what belongs to whole triangles.
    pub sources: Vec<u32>,
}

/// How far to go.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Limits {
    /// Longest edge of a wanted triangle, in the unit of the positions.
    pub edge_max: f64,
    pub triangles_max: usize,
}

/// How a refinement ended.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Outcome {
    /// No wanted triangle has a longer edge.
    Done,
    /// `triangles_max` stopped it; the triangles with the longest edges were refined first.
    Full,
}

type Edge = (u32, u32);

fn edge(a: u32, b: u32) -> Edge {
    (a.min(b), a.max(b))
}

impl<C: Corner> Surface<C> {
    fn length_squared(&self, (a, b): Edge) -> f64 {
        self.positions[a as usize].distance_squared(self.positions[b as usize])
    }

    /// Edges of a triangle; the n-th runs from corner n to the next.
    fn edges(&self, triangle: usize) -> [Edge; 3] {
        let [a, b, c] = self.triangles[triangle];
        [edge(a, b), edge(b, c), edge(c, a)]
    }

    /// Index of the longest edge; equal lengths are told apart by vertex numbers.
    fn longest(&self, triangle: usize) -> usize {
        let edges = self.edges(triangle);
        let key = |n: usize| (self.length_squared(edges[n]), edges[n]);
        let later = |best: usize, n: usize| {
            let ((length, vertices), (best_length, best_vertices)) = (key(n), key(best));
            let order = length.total_cmp(&best_length).then(vertices.cmp(&best_vertices));
            if order.is_gt() { n } else { best }
        };
        later(later(0, 1), 2)
    }

    /// Longest edge of a triangle, in the unit of the positions.
    #[must_use]
    pub fn longest_edge(&self, triangle: usize) -> f64 {
        self.length_squared(self.edges(triangle)[self.longest(triangle)]).sqrt()
    }

    /// Refines round by round. `wanted` is given the triangles with too long an edge and says which of them to refine.
    pub fn refine(&mut self, limits: Limits, mut wanted: impl FnMut(&Self, &[u32]) -> Vec<bool>) -> Outcome {
        loop {
            let triangles = self.triangles.len() as u32;
            let long: Vec<u32> =
                (0..triangles).into_par_iter().filter(|&t| self.longest_edge(t as usize) > limits.edge_max).collect();
            let flags = wanted(self, &long);
            let mut chosen: Vec<u32> = long.iter().zip(flags).filter_map(|(&t, is)| is.then_some(t)).collect();
            if chosen.is_empty() {
                return Outcome::Done;
            }
            let room = limits.triangles_max.saturating_sub(self.triangles.len());
            let around = Around::new(self.positions.len(), &self.triangles);
            let mut splits = Splits::of(self, &around, &chosen, limits.edge_max);
            let fits = splits.triangles_added() <= room;
            if !fits {
                chosen.sort_by(|&a, &b| self.longest_edge(b as usize).total_cmp(&self.longest_edge(a as usize)));
            }
            while splits.triangles_added() > room {
                chosen.truncate(chosen.len() / 2);
                splits = Splits::of(self, &around, &chosen, limits.edge_max);
            }
            self.split(splits);
            if !fits {
                return Outcome::Full;
            }
        }
    }

    /// Splits the edges and cuts their triangles.
    fn split(&mut self, mut splits: Splits) {
        let middle = |&(a, b): &Edge| (self.positions[a as usize] + self.positions[b as usize]) / 2.0;
        let middles: Vec<DVec3> = splits.edges.iter().map(middle).collect();
        let first_new = self.positions.len() as u32;
        self.positions.extend(middles);
        splits.triangles.par_sort_unstable();
        splits.triangles.dedup();
        for triangle in splits.triangles {
            let middles = self.edges(triangle as usize).map(|e| splits.numbers.get(&e).map(|n| first_new + n));
            self.cut(triangle as usize, middles);
        }
    }

    /// Cuts one triangle: across its longest edge, then each half across the old edge it kept, if that is split too.
    fn cut(&mut self, triangle: usize, middles: [Option<u32>; 3]) {
        let turn = self.longest(triangle);
        let at = |n: usize| (turn + n) % 3;
        let (vertices, values) = (self.triangles[triangle], self.corners[triangle]);
        let corner = |n: usize| (vertices[at(n)], values[at(n)]);
        let [a, b, c] = [corner(0), corner(1), corner(2)];
        let Some(m) = middles[at(0)] else { return };
        let m = (m, a.1.middle(b.1));
        let mut pieces = Vec::with_capacity(4);
        match middles[at(2)].map(|p| (p, c.1.middle(a.1))) {
            Some(p) => pieces.extend([[a, m, p], [p, m, c]]),
            None => pieces.push([a, m, c]),
        }
        match middles[at(1)].map(|n| (n, b.1.middle(c.1))) {
            Some(n) => pieces.extend([[m, b, n], [m, n, c]]),
            None => pieces.push([m, b, c]),
        }
        self.triangles[triangle] = pieces[0].map(|p| p.0);
        self.corners[triangle] = pieces[0].map(|p| p.1);
        for piece in &pieces[1..] {
            self.triangles.push(piece.map(|p| p.0));
            self.corners.push(piece.map(|p| p.1));
            self.sources.push(self.sources[triangle]);
        }
    }
}

/// The triangles around each vertex, in one row.
struct Around {
    triangles: Vec<u32>,
    /// Where each vertex's triangles begin, and the end of the last.
    starts: Vec<u32>,
}

impl Around {
    fn new(vertices: usize, triangles: &[[u32; 3]]) -> Self {
        let mut starts = vec![0; vertices + 2];
        triangles.iter().flatten().for_each(|&v| starts[v as usize + 2] += 1);
        (2..starts.len()).for_each(|n| starts[n] += starts[n - 1]);
        let mut around = vec![0; 3 * triangles.len()];
        for (triangle, number) in triangles.iter().zip(0..) {
            for &v in triangle {
                let slot = &mut starts[v as usize + 1];
                around[*slot as usize] = number;
                *slot += 1;
            }
        }
        Self { triangles: around, starts }
    }

    fn vertex(&self, vertex: u32) -> &[u32] {
        &self.triangles[self.starts[vertex as usize] as usize..self.starts[vertex as usize + 1] as usize]
    }
}

/// Edges to be split in one round, in the order in which they were chosen, which numbers their middles.
struct Splits {
    edges: Vec<Edge>,
    numbers: FxHashMap<Edge, u32>,
    /// Each triangle once for each of its edges that is split.
    triangles: Vec<u32>,
}

impl Splits {
    /// The long edges of the chosen triangles, and the longest edge of every triangle that has an edge split.
    fn of<C: Corner>(surface: &Surface<C>, around: &Around, chosen: &[u32], edge_max: f64) -> Self {
        let mut splits = Self { edges: Vec::new(), numbers: FxHashMap::default(), triangles: Vec::new() };
        for &triangle in chosen {
            for edge in surface.edges(triangle as usize) {
                if surface.length_squared(edge) > edge_max * edge_max {
                    splits.add(edge);
                }
            }
        }
        let mut next = 0;
        while let Some(&(a, b)) = splits.edges.get(next) {
            for &triangle in around.vertex(a) {
                if surface.triangles[triangle as usize].contains(&b) {
                    splits.triangles.push(triangle);
                    let longest = surface.longest(triangle as usize);
                    splits.add(surface.edges(triangle as usize)[longest]);
                }
            }
            next += 1;
        }
        splits
    }

    fn add(&mut self, edge: Edge) {
        let number = self.edges.len() as u32;
        if *self.numbers.entry(edge).or_insert(number) == number {
            self.edges.push(edge);
        }
    }

    /// Each split adds a triangle to every triangle at its edge.
    fn triangles_added(&self) -> usize {
        self.triangles.len()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    impl Corner for [f64; 2] {
        fn middle(self, other: Self) -> Self {
            [(self[0] + other[0]) / 2.0, (self[1] + other[1]) / 2.0]
        }
    }

    /// A unit cube whose corner values are the x and y of the corner.
    fn cube() -> Surface<[f64; 2]> {
        let positions: Vec<DVec3> =
            (0..8).map(|n| DVec3::new(f64::from(n & 1), f64::from(n >> 1 & 1), f64::from(n >> 2))).collect();
        let sides: [[u32; 4]; 6] = [[0, 2, 3, 1], [4, 5, 7, 6], [0, 1, 5, 4], [2, 6, 7, 3], [0, 4, 6, 2], [1, 3, 7, 5]];
        let triangles: Vec<[u32; 3]> = sides.iter().flat_map(|&[a, b, c, d]| [[a, b, c], [a, c, d]]).collect();
        let value = |v: u32| [positions[v as usize].x, positions[v as usize].y];
        let corners = triangles.iter().map(|t| t.map(value)).collect();
        let sources = (0..12).collect();
        Surface { positions, triangles, corners, sources }
    }

    fn area(surface: &Surface<[f64; 2]>) -> f64 {
        let p = |v: u32| surface.positions[v as usize];
        surface.triangles.iter().map(|&[a, b, c]| (p(b) - p(a)).cross(p(c) - p(a)).length() / 2.0).sum()
    }

    /// Every directed edge is met once, and its opposite once.
    fn is_closed(surface: &Surface<[f64; 2]>) -> bool {
        let mut seen = FxHashMap::default();
        for &[a, b, c] in &surface.triangles {
            for pair in [(a, b), (b, c), (c, a)] {
                *seen.entry(pair).or_insert(0) += 1;
            }
        }
        seen.iter().all(|(&(a, b), &n)| n == 1 && seen.contains_key(&(b, a)))
    }

    fn narrowest_angle_deg(surface: &Surface<[f64; 2]>) -> f64 {
        let p = |v: u32| surface.positions[v as usize];
        let angles = |&[a, b, c]: &[u32; 3]| {
            [(a, b, c), (b, c, a), (c, a, b)].map(|(a, b, c)| (p(b) - p(a)).angle_between(p(c) - p(a)))
        };
        surface.triangles.iter().flat_map(angles).fold(f64::INFINITY, f64::min).to_degrees()
    }

    #[test]
    fn all_of_a_cube_is_refined_without_gaps() {
        let mut surface = cube();
        let limits = Limits { edge_max: 0.11, triangles_max: 1_000_000 };
        let outcome = surface.refine(limits, |_, long| vec![true; long.len()]);
        assert_eq!(outcome, Outcome::Done);
        assert!(is_closed(&surface));
        assert!((area(&surface) - 6.0).abs() < 1e-12);
        assert!((0..surface.triangles.len()).all(|t| surface.longest_edge(t) <= 0.11));
        assert!(narrowest_angle_deg(&surface) > 22.4);
        for (triangle, corners) in surface.triangles.iter().zip(&surface.corners) {
            for (&v, value) in triangle.iter().zip(corners) {
                assert_eq!(*value, surface.positions[v as usize].truncate().to_array());
            }
        }
    }

    #[test]
    fn refining_one_corner_leaves_the_far_side_alone() {
        let mut surface = cube();
        let limits = Limits { edge_max: 0.02, triangles_max: 1_000_000 };
        let near = |s: &Surface<[f64; 2]>, t: u32| {
            s.triangles[t as usize].iter().any(|&v| s.positions[v as usize].length() < 0.1)
        };
        surface.refine(limits, |s, long| long.iter().map(|&t| near(s, t)).collect());
        assert!(is_closed(&surface));
        assert!((area(&surface) - 6.0).abs() < 1e-12);
        assert!(
            (0..surface.triangles.len() as u32).all(|t| !near(&surface, t) || surface.longest_edge(t as usize) <= 0.02)
        );
        let far = surface.sources.iter().filter(|&&s| s == 6 || s == 7).count();
        assert!(far < 100 && surface.triangles.len() > 300, "{far} of {}", surface.triangles.len());
    }

    #[test]
    fn the_cap_holds_and_the_longest_go_first() {
        let mut surface = cube();
        let limits = Limits { edge_max: 0.001, triangles_max: 5000 };
        assert_eq!(surface.refine(limits, |_, long| vec![true; long.len()]), Outcome::Full);
        assert!(surface.triangles.len() <= 5000 && surface.triangles.len() > 2000);
        assert!(is_closed(&surface));
    }
}
