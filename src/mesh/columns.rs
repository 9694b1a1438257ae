//! Vertical lines through a solid on a square grid: where surface hangs over, and how far down the next thing below is.
//! What an upright extruder has to support, as columns of one cell's section each.

use glam::{DVec2, DVec3};
use rayon::prelude::*;

/// Triangles per piece of work: fixed, so that any number of threads gives one order.
const CHUNK: usize = 1 << 15;

/// Which surface needs support, and how finely to look.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct OverhangRule {
    /// Steepest overhang from the vertical that prints without support, degrees.
    pub overhang_max_deg: f64,
    /// Surface this close above the bed rests on it, mm.
    pub on_bed_mm: f64,
    /// Side of a grid cell, mm.
    pub cell_mm: f64,
}

impl OverhangRule {
    /// Whether a triangle with this area vector hangs over too far.
    #[must_use]
    pub fn hangs_over(&self, area_vector: DVec3) -> bool {
        -area_vector.z > self.overhang_max_deg.to_radians().sin() * area_vector.length()
    }
}

/// A cell-wide column of support below one overhanging triangle.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Column {
    pub triangle: u32,
    /// Top of what is below: the bed or another surface of the part, mm.
    pub from_mm: f64,
    /// The overhanging surface, mm.
    pub to_mm: f64,
}

#[derive(Clone, Copy, Debug)]
struct Crossing {
    cell: u32,
    triangle: u32,
    z: f64,
    /// Seen from below: material begins here.
    enters: bool,
}

#[derive(Clone, Copy, Debug)]
struct Grid {
    low: DVec2,
    cell_mm: f64,
    columns: usize,
    rows: usize,
}

/// Every column of support a solid standing on z = 0 needs, in the order of the grid's cells, bottom first.
#[must_use]
pub fn support_columns(positions: &[DVec3], triangles: &[[u32; 3]], rule: OverhangRule) -> Vec<Column> {
    if positions.is_empty() {
        return Vec::new();
    }
    let (low, high) = super::measure::bounds(positions);
    // Cell middles stay off the lattice of vertices, so that no line runs along an edge.
    let shift = DVec2::new(std::f64::consts::FRAC_1_PI, std::f64::consts::FRAC_1_SQRT_2) * 1e-5;
    let size = ((high - low).truncate() / rule.cell_mm).ceil().max(DVec2::ONE);
    let grid =
        Grid { low: low.truncate() + shift, cell_mm: rule.cell_mm, columns: size.x as usize, rows: size.y as usize };
    let (crossings, starts) = sort_by_cell(&all_crossings(positions, triangles, grid), grid.columns * grid.rows);
    let of_cell: Vec<Vec<Column>> = starts
        .par_windows(2)
        .map(|range| {
            let mut line = crossings[range[0] as usize..range[1] as usize].to_vec();
            line.sort_by(|a, b| a.z.total_cmp(&b.z).then(a.triangle.cmp(&b.triangle)));
            columns_of_line(&line, |triangle| {
                let [a, b, c] = triangles[triangle as usize].map(|v| positions[v as usize]);
                rule.hangs_over((b - a).cross(c - a))
            })
        })
        .collect();
    of_cell.into_iter().flatten().filter(|column| column.to_mm > rule.on_bed_mm).collect()
}

/// Walks a line upwards, counting how deep in material it is.
fn columns_of_line(line: &[Crossing], hangs_over: impl Fn(u32) -> bool) -> Vec<Column> {
    let (mut depth, mut top_mm) = (0_i32, 0.0_f64);
    let mut columns = Vec::new();
    for crossing in line {
        if crossing.enters {
            if depth == 0 && crossing.z > top_mm && hangs_over(crossing.triangle) {
                columns.push(Column { triangle: crossing.triangle, from_mm: top_mm, to_mm: crossing.z });
            }
            depth += 1;
        } else {
            depth -= 1;
            top_mm = crossing.z;
        }
    }
    columns
}

fn all_crossings(positions: &[DVec3], triangles: &[[u32; 3]], grid: Grid) -> Vec<Crossing> {
    let chunks: Vec<Vec<Crossing>> = triangles
        .par_chunks(CHUNK)
        .enumerate()
        .map(|(chunk, some)| {
            let mut found = Vec::new();
            for (i, t) in some.iter().enumerate() {
                grid.lines_through(t, positions, |cell, z, enters| {
                    found.push(Crossing { cell, triangle: (chunk * CHUNK + i) as u32, z, enters });
                });
            }
            found
        })
        .collect();
    chunks.concat()
}

impl Grid {
    /// Calls `found(cell, z, enters)` for each vertical line through a cell's middle that meets the triangle.
    fn lines_through(self, t: &[u32; 3], positions: &[DVec3], mut found: impl FnMut(u32, f64, bool)) {
        let corners = t.map(|v| positions[v as usize]);
        let [a, b, c] = corners.map(DVec3::truncate);
        let turn = (b - a).perp_dot(c - a);
        let (low, high) = (a.min(b).min(c) - self.low, a.max(b).max(c) - self.low);
        let cells = |low: f64, high: f64, count: usize| {
            let first = (low / self.cell_mm - 0.5).ceil().max(0.0) as usize;
            let end = ((high / self.cell_mm - 0.5).floor() + 1.0).clamp(0.0, count as f64) as usize;
            first..end
        };
        for row in cells(low.y, high.y, self.rows) {
            for column in cells(low.x, high.x, self.columns) {
                let middle = self.low + self.cell_mm * DVec2::new(column as f64 + 0.5, row as f64 + 0.5);
                let sides = [(0, 1), (1, 2), (2, 0)].map(|(i, j)| side(t, positions, (i, j), middle));
                if sides.iter().all(|s| s.is_sign_positive() == turn.is_sign_positive()) && turn != 0.0 {
                    let z = (sides[1] * corners[0].z + sides[2] * corners[1].z + sides[0] * corners[2].z)
                        / (sides[0] + sides[1] + sides[2]);
                    found((row * self.columns + column) as u32, z, turn < 0.0);
                }
            }
        }
    }
}

/// Twice the signed area of an edge and a point; both triangles of an edge get the same bits with opposite sign.
fn side(t: &[u32; 3], positions: &[DVec3], (i, j): (usize, usize), p: DVec2) -> f64 {
    let of = |from: u32, to: u32| {
        let a = positions[from as usize].truncate();
        (positions[to as usize].truncate() - a).perp_dot(p - a)
    };
    if t[i] < t[j] { of(t[i], t[j]) } else { -of(t[j], t[i]) }
}

/// Crossings grouped by cell, and where each group starts.
fn sort_by_cell(crossings: &[Crossing], cells: usize) -> (Vec<Crossing>, Vec<u32>) {
    let mut starts = vec![0_u32; cells + 1];
    for crossing in crossings {
        starts[crossing.cell as usize + 1] += 1;
    }
    for cell in 0..cells {
        starts[cell + 1] += starts[cell];
    }
    let mut next = starts.clone();
    let blank = Crossing { cell: 0, triangle: 0, z: 0.0, enters: false };
    let mut sorted = vec![blank; crossings.len()];
    for crossing in crossings {
        let slot = &mut next[crossing.cell as usize];
        sorted[*slot as usize] = *crossing;
        *slot += 1;
    }
    (sorted, starts)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Eight corners and twelve triangles of a box.
    fn boxes(list: &[(DVec3, DVec3)]) -> (Vec<DVec3>, Vec<[u32; 3]>) {
        let faces = [[0, 2, 1], [1, 2, 3], [4, 5, 6], [5, 7, 6], [0, 1, 4], [1, 5, 4]];
        let more = [[2, 6, 3], [3, 6, 7], [0, 4, 2], [2, 4, 6], [1, 3, 5], [3, 7, 5]];
        let (mut positions, mut triangles) = (Vec::new(), Vec::new());
        for &(low, high) in list {
            let base = positions.len() as u32;
            let pick = |i: u32| DVec3::select(glam::BVec3::new(i & 1 == 1, i & 2 == 2, i & 4 == 4), high, low);
            positions.extend((0..8).map(pick));
            triangles.extend(faces.iter().chain(&more).map(|t| t.map(|v: u32| v + base)));
        }
        (positions, triangles)
    }

    const RULE: OverhangRule = OverhangRule { overhang_max_deg: 45.0, on_bed_mm: 0.2, cell_mm: 0.5 };

    #[test]
    fn a_box_on_the_bed_needs_no_support() {
        let (positions, triangles) = boxes(&[(DVec3::ZERO, DVec3::splat(10.0))]);
        assert!(
            crate::mesh::measure::volume_mm3(&crate::mesh::TriMesh::from_shape(positions.clone(), triangles.clone()))
                > 999.0
        );
        assert!(support_columns(&positions, &triangles, RULE).is_empty());
    }

    #[test]
    fn a_table_is_supported_down_to_what_lies_below() {
        let top = (DVec3::new(0.0, 0.0, 20.0), DVec3::new(40.0, 20.0, 25.0));
        let step = (DVec3::ZERO, DVec3::new(10.0, 20.0, 5.0));
        let (positions, triangles) = boxes(&[top, step]);
        let columns = support_columns(&positions, &triangles, RULE);
        let volume: f64 = columns.iter().map(|c| 0.25 * (c.to_mm - c.from_mm)).sum();
        assert!((volume - (30.0 * 20.0 * 20.0 + 10.0 * 20.0 * 15.0)).abs() < 1e-6, "{volume}");
    }

    #[test]
    fn slopes_up_to_the_limit_are_free() {
        let slope = |deg: f64| DVec3::new(deg.to_radians().cos(), 0.0, -deg.to_radians().sin());
        assert!(!RULE.hangs_over(slope(44.0)));
        assert!(RULE.hangs_over(slope(46.0)));
        assert!(!RULE.hangs_over(DVec3::Z));
    }
}
