//! Strips of triangles between two rims that run side by side.

use glam::DVec3;

/// Cells of the table a strip may take; longer rims are joined by the shorter diagonal each time.
const TABLE_MAX: usize = 60_000_000;

/// Triangles over two loops of points, numbered through from the first loop to the second, that run side by side in the
/// same sense: those of shortest squared diagonals from the nearest pair of points on (dynamic programming over the
/// monotone ways round, as for contours by Fuchs, Kedem and Uselton 1977). Each edge of `a` is run along its direction,
/// each of `b` against it.
pub(super) fn strip(a: &[DVec3], b: &[DVec3]) -> Vec<[u32; 3]> {
    let (n, m) = (a.len(), b.len());
    let nearest = |i: usize| {
        let other = (0..m).min_by(|j, k| a[i].distance_squared(b[*j]).total_cmp(&a[i].distance_squared(b[*k])));
        other.map_or((f64::INFINITY, i, 0), |j| (a[i].distance_squared(b[j]), i, j))
    };
    let start = (0..n).map(nearest).min_by(|x, y| x.0.total_cmp(&y.0).then(x.1.cmp(&y.1)));
    let Some((_, first_a, first_b)) = start else { return Vec::new() };
    let way = Way { a, b, first_a, first_b };
    let steps = if (n + 1) * (m + 1) <= TABLE_MAX { way.shortest() } else { way.greedy() };
    way.triangles(&steps)
}

struct Way<'a> {
    a: &'a [DVec3],
    b: &'a [DVec3],
    first_a: usize,
    first_b: usize,
}

impl Way<'_> {
    fn diagonal(&self, i: usize, j: usize) -> f64 {
        self.a[(self.first_a + i) % self.a.len()].distance_squared(self.b[(self.first_b + j) % self.b.len()])
    }

    /// For each step whether it goes along `a`.
    fn shortest(&self) -> Vec<bool> {
        let (n, m) = (self.a.len(), self.b.len());
        let mut along_a = vec![false; (n + 1) * (m + 1)];
        let mut costs = vec![f64::INFINITY; m + 1];
        for i in 0..=n {
            for j in 0..=m {
                let by_a = if i > 0 { costs[j] } else { f64::INFINITY };
                let by_b = if j > 0 { costs[j - 1] } else { f64::INFINITY };
                let before = if i + j == 0 { 0.0 } else { by_a.min(by_b) };
                along_a[i * (m + 1) + j] = by_a <= by_b;
                costs[j] = before + self.diagonal(i, j);
            }
        }
        let (mut i, mut j) = (n, m);
        let mut steps = Vec::with_capacity(n + m);
        while i + j > 0 {
            let by_a = j == 0 || i > 0 && along_a[i * (m + 1) + j];
            steps.push(by_a);
            if by_a { i -= 1 } else { j -= 1 }
        }
        steps.reverse();
        steps
    }

    fn greedy(&self) -> Vec<bool> {
        let (n, m) = (self.a.len(), self.b.len());
        let (mut i, mut j) = (0, 0);
        let mut steps = Vec::with_capacity(n + m);
        while i < n || j < m {
            let by_a = j == m || i < n && self.diagonal(i + 1, j) <= self.diagonal(i, j + 1);
            steps.push(by_a);
            if by_a { i += 1 } else { j += 1 }
        }
        steps
    }

    fn triangles(&self, steps: &[bool]) -> Vec<[u32; 3]> {
        let (n, m) = (self.a.len(), self.b.len());
        let in_a = |i: usize| ((self.first_a + i) % n) as u32;
        let in_b = |j: usize| (n + (self.first_b + j) % m) as u32;
        let (mut i, mut j) = (0, 0);
        let mut triangles = Vec::with_capacity(steps.len());
        for along_a in steps {
            if *along_a {
                triangles.push([in_a(i), in_a(i + 1), in_b(j)]);
                i += 1;
            } else {
                triangles.push([in_b(j), in_a(i), in_b(j + 1)]);
                j += 1;
            }
        }
        triangles
    }
}

#[cfg(test)]
mod tests {
    use std::f64::consts::TAU;

    use super::*;

    fn ring(points: usize, radius: f64) -> Vec<DVec3> {
        let angle = |i: usize| TAU * i as f64 / points as f64;
        (0..points).map(|i| radius * DVec3::new(angle(i).cos(), angle(i).sin(), 0.0)).collect()
    }

    /// Between regular polygons all triangles face one way, and their areas add up to that of the ring.
    #[test]
    fn two_rings_are_joined_without_folds() {
        for (n, m) in [(40, 40), (12, 90), (77, 20)] {
            let (a, b) = (ring(n, 10.0), ring(m, 9.0));
            let points: Vec<DVec3> = a.iter().chain(&b).copied().collect();
            let area =
                |corners: usize, radius: f64| 0.5 * corners as f64 * radius * radius * (TAU / corners as f64).sin();
            let way = Way { a: &a, b: &b, first_a: 3, first_b: 3 * m / n };
            for triangles in [strip(&a, &b), way.triangles(&way.greedy())] {
                assert_eq!(triangles.len(), n + m);
                let areas = triangles.iter().map(|t| {
                    let [p, q, r] = t.map(|v| points[v as usize]);
                    0.5 * (q - p).cross(r - p).z
                });
                assert!(areas.clone().all(|area| area > 0.0));
                assert!((areas.sum::<f64>() - (area(n, 10.0) - area(m, 9.0))).abs() < 1e-9);
            }
        }
    }
}
