//! Meshes the zero set of the body's distance field: one vertex a cell with a sign change, one quad a crossing edge.

use super::{Scan, body};

const LOW: [f64; 3] = [-520.0, -8.0, -260.0];
const HIGH: [f64; 3] = [520.0, 1800.0, 330.0];

struct Grid {
    cell: f64,
    size: [usize; 3],
    values: Vec<f32>,
}

impl Grid {
    fn sample(cell: f64) -> Self {
        let size = std::array::from_fn(|a| ((HIGH[a] - LOW[a]) / cell).ceil() as usize + 1);
        let mut grid = Self { cell, size, values: Vec::new() };
        grid.values =
            (0..size[0] * size[1] * size[2]).map(|i| body::distance(grid.point(grid.place(i))) as f32).collect();
        grid
    }

    fn place(&self, index: usize) -> [usize; 3] {
        [index % self.size[0], index / self.size[0] % self.size[1], index / (self.size[0] * self.size[1])]
    }

    fn index(&self, [x, y, z]: [usize; 3]) -> usize {
        x + self.size[0] * (y + self.size[1] * z)
    }

    fn point(&self, place: [usize; 3]) -> [f64; 3] {
        std::array::from_fn(|a| LOW[a] + place[a] as f64 * self.cell)
    }

    fn value(&self, place: [usize; 3]) -> f64 {
        f64::from(self.values[self.index(place)])
    }
}

fn corner(place: [usize; 3], bits: usize) -> [usize; 3] {
    std::array::from_fn(|a| place[a] + (bits >> a & 1))
}

/// Mean of the edge crossings of a cell; none when the surface does not pass.
fn cell_vertex(grid: &Grid, place: [usize; 3]) -> Option<[f64; 3]> {
    let (mut sum, mut count) = ([0.0; 3], 0.0);
    for bits in 0..8_usize {
        for axis in 0..3 {
            if bits >> axis & 1 == 1 {
                continue;
            }
            let (p, q) = (corner(place, bits), corner(place, bits | 1 << axis));
            let (a, b) = (grid.value(p), grid.value(q));
            if (a < 0.0) != (b < 0.0) {
                let (p, q, t) = (grid.point(p), grid.point(q), a / (a - b));
                for k in 0..3 {
                    sum[k] += p[k] + t * (q[k] - p[k]);
                }
                count += 1.0;
            }
        }
    }
    (count > 0.0).then(|| sum.map(|x| x / count))
}

/// The deckhand's surface with cells of this size, mm.
#[must_use]
pub fn contour(cell_mm: f64) -> Scan {
    let grid = Grid::sample(cell_mm);
    let mut scan = Scan::default();
    let mut vertex = vec![u32::MAX; grid.values.len()];
    for (i, slot) in vertex.iter_mut().enumerate() {
        let place = grid.place(i);
        if (0..3).all(|a| place[a] + 1 < grid.size[a])
            && let Some(position) = cell_vertex(&grid, place)
        {
            *slot = scan.positions.len() as u32;
            scan.positions.push(position);
        }
    }
    for i in 0..grid.values.len() {
        let place = grid.place(i);
        for axis in 0..3 {
            let (u, v) = ((axis + 1) % 3, (axis + 2) % 3);
            if place[axis] + 1 >= grid.size[axis] || place[u] == 0 || place[v] == 0 {
                continue;
            }
            let mut next = place;
            next[axis] += 1;
            let (inside, beyond) = (grid.value(place) < 0.0, grid.value(next) < 0.0);
            if inside == beyond {
                continue;
            }
            let around = [(1, 1), (0, 1), (0, 0), (1, 0)].map(|(du, dv)| {
                let mut cell = place;
                cell[u] -= du;
                cell[v] -= dv;
                vertex[grid.index(cell)]
            });
            let [a, b, c, d] = if inside { around } else { [around[3], around[2], around[1], around[0]] };
            if [a, b, c, d].iter().all(|v| *v != u32::MAX) {
                scan.triangles.extend([[a, b, c], [a, c, d]]);
            }
        }
    }
    scan.colours = scan.positions.iter().map(|p| body::colour(*p)).collect();
    scan
}
