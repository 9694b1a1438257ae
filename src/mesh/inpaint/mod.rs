//! Colours for vertices no camera saw: as smooth as the known colours around them allow, along the lines those show.
//!
//! Solves Laplace's equation with cotangent weights clamped above zero, in linear light, and then carries colours along
//! lines of equal colour. No new colour leaves the range of the known colours around its region (maximum principle).

mod change;
mod lines;

use glam::DVec3;

use super::TriMesh;
use super::solve::{Limits, conjugate_gradients};
use super::topology::{NONE, Sets};

/// Gives the marked vertices colours from the unmarked ones around them; regions without any become neutral grey.
///
/// # Examples
/// ```
/// use glam::DVec3;
/// use statuary::mesh::{TriMesh, inpaint::inpaint};
///
/// // The middle of a square takes the mean of its corners.
/// let points = vec![DVec3::X, DVec3::Y, -DVec3::X, -DVec3::Y, DVec3::ZERO];
/// let mut mesh = TriMesh::from_shape(points, vec![[0, 1, 4], [1, 2, 4], [2, 3, 4], [3, 0, 4]]);
/// mesh.colours = [0.1, 0.2, 0.3, 0.4, 0.0].map(|grey| [grey; 3]).to_vec();
/// inpaint(&mut mesh, &[false, false, false, false, true]);
/// assert!((mesh.colours[4][0] - 0.25).abs() < 1e-6);
/// ```
pub fn inpaint(mesh: &mut TriMesh, unknown: &[bool]) {
    let system = System::of(mesh, unknown);
    if system.vertices.is_empty() {
        return;
    }
    let colour = |v: u32| DVec3::from_array(mesh.colours[v as usize].map(f64::from));
    let (low, high) = system.ranges(colour);
    let mut solved = spread(&system, colour);
    lines::carry(mesh, &system, &mut solved, colour);
    for (row, v) in system.vertices.iter().enumerate() {
        let colour = if low[row].x <= high[row].x { solved[row].clamp(low[row], high[row]) } else { DVec3::splat(0.5) };
        mesh.colours[*v as usize] = colour.to_array().map(|c| c as f32);
    }
}

/// The smoothest continuation of values at known vertices, by row.
fn spread(system: &System, value: impl Fn(u32) -> DVec3) -> Vec<DVec3> {
    let side = |known: &Vec<(u32, f64)>| known.iter().map(|(v, weight)| value(*v) * *weight).sum();
    let sides: Vec<DVec3> = system.known.iter().map(side).collect();
    let (low, high) = system.ranges(&value);
    let mut solved: Vec<DVec3> = low.iter().zip(&high).map(|(low, high)| (*low + *high) * 0.5).collect();
    let limits = Limits { rounds: 2000, tolerance: 1e-5 };
    conjugate_gradients(|x, y| system.apply(x, y), &system.diagonal, &sides, &mut solved, limits);
    solved
}

/// The linear system over the unknown vertices.
struct System {
    vertices: Vec<u32>,
    row_of: Vec<u32>,
    /// Per row: unknown neighbours as rows, and weights.
    unknown: Vec<Vec<(u32, f64)>>,
    /// Per row: known neighbours as vertices, and weights.
    known: Vec<Vec<(u32, f64)>>,
    diagonal: Vec<f64>,
}

impl System {
    fn of(mesh: &TriMesh, unknown: &[bool]) -> Self {
        let vertices: Vec<u32> = (0..mesh.positions.len() as u32).filter(|v| unknown[*v as usize]).collect();
        let mut row_of = vec![NONE; mesh.positions.len()];
        (0_u32..).zip(&vertices).for_each(|(row, v)| row_of[*v as usize] = row);
        let mut rows: Vec<Vec<(u32, f64)>> = vec![Vec::new(); vertices.len()];
        for (t, triangle) in mesh.triangles.iter().enumerate() {
            if triangle.iter().all(|v| row_of[*v as usize] == NONE) {
                continue;
            }
            let weights = half_cotangents(mesh.corners(t));
            for k in 0..3 {
                let (a, b, weight) = (triangle[(k + 1) % 3], triangle[(k + 2) % 3], weights[k]);
                for (from, to) in [(a, b), (b, a)] {
                    if row_of[from as usize] != NONE {
                        rows[row_of[from as usize] as usize].push((to, weight));
                    }
                }
            }
        }
        let mut system = Self { vertices, row_of, unknown: Vec::new(), known: Vec::new(), diagonal: Vec::new() };
        for row in rows {
            let row = merged(row);
            system.diagonal.push(row.iter().map(|(_, weight)| weight).sum::<f64>().max(MIN_WEIGHT));
            let (unknown, known): (Vec<_>, Vec<_>) = row.into_iter().partition(|(v, _)| system.row(*v).is_some());
            system.unknown.push(unknown.into_iter().map(|(v, weight)| (system.row_of[v as usize], weight)).collect());
            system.known.push(known);
        }
        system
    }

    /// The row of a vertex; `None` when it is known.
    fn row(&self, v: u32) -> Option<usize> {
        let row = self.row_of[v as usize];
        (row != NONE).then_some(row as usize)
    }

    fn apply(&self, x: &[DVec3], y: &mut [DVec3]) {
        for (row, y) in y.iter_mut().enumerate() {
            let pull: DVec3 = self.unknown[row].iter().map(|(other, weight)| x[*other as usize] * *weight).sum();
            *y = x[row] * self.diagonal[row] - pull;
        }
    }

    /// Lowest and highest known colour around the region of each row; reversed infinities where there is none.
    fn ranges(&self, colour: impl Fn(u32) -> DVec3) -> (Vec<DVec3>, Vec<DVec3>) {
        let rows = self.vertices.len();
        let mut regions = Sets::new(rows);
        for (row, others) in self.unknown.iter().enumerate() {
            for (other, _) in others {
                regions.unite(row as u32, *other);
            }
        }
        let mut low = vec![DVec3::INFINITY; rows];
        let mut high = vec![DVec3::NEG_INFINITY; rows];
        let region: Vec<usize> = (0..rows).map(|row| regions.find(row as u32) as usize).collect();
        for (row, known) in self.known.iter().enumerate() {
            for (v, _) in known {
                low[region[row]] = low[region[row]].min(colour(*v));
                high[region[row]] = high[region[row]].max(colour(*v));
            }
        }
        (region.iter().map(|r| low[*r]).collect(), region.iter().map(|r| high[*r]).collect())
    }
}

/// Least weight of an edge: keeps every vertex tied to its neighbours.
const MIN_WEIGHT: f64 = 1e-3;

/// Half the cotangent at each corner, clamped: what the corner adds to the weight of the edge opposite it.
fn half_cotangents(corners: [DVec3; 3]) -> [f64; 3] {
    [0, 1, 2].map(|k| {
        let (u, v) = (corners[(k + 1) % 3] - corners[k], corners[(k + 2) % 3] - corners[k]);
        let cotangent = u.dot(v) / u.cross(v).length();
        if cotangent.is_finite() { (0.5 * cotangent).clamp(MIN_WEIGHT, 1.0 / MIN_WEIGHT) } else { MIN_WEIGHT }
    })
}

/// Sorts a row by vertex and adds up the weights of the same vertex.
fn merged(mut row: Vec<(u32, f64)>) -> Vec<(u32, f64)> {
    row.sort_by_key(|(v, _)| *v);
    row.dedup_by(|next, kept| {
        let same = next.0 == kept.0;
        if same {
            kept.1 += next.1;
        }
        same
    });
    row
}

#[cfg(test)]
mod tests {
    use super::*;

    /// One vertex amid a square whose corners are .1 .2 .3 .4: all weights equal, so their mean, .25.
    #[test]
    fn the_middle_of_a_square_takes_the_mean() {
        let points = vec![DVec3::X, DVec3::Y, -DVec3::X, -DVec3::Y, DVec3::ZERO];
        let mut mesh = TriMesh::from_shape(points, vec![[0, 1, 4], [1, 2, 4], [2, 3, 4], [3, 0, 4]]);
        for (colour, grey) in mesh.colours.iter_mut().zip([0.1, 0.2, 0.3, 0.4, 9.0]) {
            *colour = [grey; 3];
        }
        inpaint(&mut mesh, &[false, false, false, false, true]);
        assert!((mesh.colours[4][0] - 0.25).abs() < 1e-6, "{:?}", mesh.colours[4]);
    }

    /// A level sheet of 21 x 21 points with known colours but in the middle 7 x 7.
    fn painted(grey: impl Fn(f64, f64) -> f32) -> (TriMesh, Vec<bool>) {
        let place = |i: usize| DVec3::new((i % 21) as f64 - 6.0, (i / 21) as f64 - 6.0, 0.0);
        let squares = (0..20 * 21_u32).filter(|i| i % 21 < 20);
        let triangles = squares.flat_map(|i| [[i, i + 1, i + 22], [i, i + 22, i + 21]]).collect();
        let mut mesh = TriMesh::from_shape((0..441).map(place).collect(), triangles);
        let is_inner = |p: &DVec3| (0.5..7.5).contains(&p.x) && (0.5..7.5).contains(&p.y);
        let unknown: Vec<bool> = mesh.positions.iter().map(is_inner).collect();
        for (p, colour) in mesh.positions.iter().zip(&mut mesh.colours) {
            *colour = [if is_inner(p) { 9.0 } else { grey(p.x, p.y) }; 3];
        }
        inpaint(&mut mesh, &unknown);
        (mesh, unknown)
    }

    /// Linear functions are harmonic, with cotangent weights too (Wardetzky et al. 2007, linear precision; from memory), and
    /// constant along straight lines.
    #[test]
    fn an_even_gradient_goes_on() {
        let gradient = |x: f64, y: f64| (0.7 + 0.07 * x + 0.02 * y) as f32;
        let (mesh, _) = painted(gradient);
        for (p, colour) in mesh.positions.iter().zip(&mesh.colours) {
            assert!((colour[0] - gradient(p.x, p.y)).abs() < 2e-3, "{p} {colour:?}");
        }
    }

    /// Maximum principle: no vertex of the smooth solution is the lightest or darkest among its neighbours.
    #[test]
    fn no_colour_stands_out_among_its_neighbours() {
        let patchy = |x: f64, y: f64| ((7.0 * x + 3.0 * y).rem_euclid(10.0) / 10.0) as f32;
        let (mut mesh, unknown) = painted(patchy);
        let system = System::of(&mesh, &unknown);
        let smooth = spread(&system, |v| DVec3::from_array(mesh.colours[v as usize].map(f64::from)));
        system.vertices.iter().zip(smooth).for_each(|(v, c)| mesh.colours[*v as usize] = c.as_vec3().to_array());
        for v in (0..unknown.len()).filter(|v| unknown[*v]) {
            let near = mesh.triangles.iter().filter(|t| t.contains(&(v as u32))).flatten();
            let near = near.map(|w| *w as usize).filter(|w| *w != v).map(|w| mesh.colours[w][0]);
            let (low, high) = near.fold((f32::MAX, f32::MIN), |(low, high), c| (low.min(c), high.max(c)));
            assert!(
                (low..=high).contains(&mesh.colours[v][0]) && low < high,
                "{v}: {} {low} {high}",
                mesh.colours[v][0]
            );
        }
    }

    /// Slanting stripes, four steps wide, go on through the hole: nine of ten vertices off their borders get the colour of
    /// their stripe; the mean of both would be a coin toss.
    #[test]
    fn stripes_go_on() {
        let stripe = |p: &DVec3| ((p.x + 0.5 * p.y) / 4.0).floor().rem_euclid(2.0) as f32;
        let place = |i: u32| DVec3::new(f64::from(i % 41), f64::from(i / 41), 0.0);
        let squares = (0..40 * 41_u32).filter(|i| i % 41 < 40);
        let triangles = squares.flat_map(|i| [[i, i + 1, i + 42], [i, i + 42, i + 41]]).collect();
        let mut mesh = TriMesh::from_shape((0..41 * 41).map(place).collect(), triangles);
        let unknown: Vec<bool> =
            mesh.positions.iter().map(|p| p.distance(DVec3::new(20.0, 20.0, 0.0)) < 12.5).collect();
        mesh.colours = mesh.positions.iter().map(|p| [0.1 + 0.8 * stripe(p); 3]).collect();
        let truth = mesh.colours.clone();
        unknown.iter().zip(&mut mesh.colours).filter(|(unknown, _)| **unknown).for_each(|(_, c)| *c = [9.0; 3]);
        inpaint(&mut mesh, &unknown);
        let within = |p: DVec3| ((p.x + 0.5 * p.y) / 4.0 + 0.5).fract() - 0.5;
        let is_clear = |v: &usize| unknown[*v] && within(mesh.positions[*v]).abs() > 0.2;
        let inside: Vec<usize> = (0..unknown.len()).filter(is_clear).collect();
        let right = inside.iter().filter(|v| (mesh.colours[**v][0] - truth[**v][0]).abs() < 0.4).count();
        assert!(10 * right >= 9 * inside.len(), "{right} of {}", inside.len());
        assert!(mesh.colours.iter().all(|c| (0.1 - 1e-6..0.9 + 1e-6).contains(&c[0])), "maximum principle");
    }

    #[test]
    fn a_region_without_known_colours_becomes_grey() {
        let mut mesh = TriMesh::from_shape(vec![DVec3::X, DVec3::Y, DVec3::Z], vec![[0, 1, 2]]);
        mesh.colours = vec![[0.9, 0.0, 0.0]; 3];
        inpaint(&mut mesh, &[true; 3]);
        assert_eq!(mesh.colours, vec![[0.5; 3]; 3]);
    }
}
