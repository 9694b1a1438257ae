//! Splits triangles where level planes cross them, so that borders between labels can run level.
//!
//! Where an edge is crossed is decided for the edge alone, so that a closed mesh stays closed; what is then a polygon is cut along
//! the planes of its own triangle and divided into triangles with the largest least angle (over all ways, by dynamic
//! programming as in Klincsek 1980).

use glam::DVec3;
use rustc_hash::{FxHashMap, FxHashSet};

use super::TriMesh;
use crate::units::snap_mm;

/// Crossings closer to a vertex than this share of the edge go through the vertex: they would leave slivers.
const NEAR: f64 = 0.08;

/// A mesh whose triangles end at level planes.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Levelled {
    pub mesh: TriMesh,
    /// Triangle of the mesh each triangle is a piece of.
    pub source: Vec<u32>,
    /// Height of each vertex.
    pub heights_mm: Vec<f64>,
}

/// Splits triangles along the planes each is given, in ascending order; `heights_mm` tells how high each vertex lies. A crossing
/// near a vertex goes through it where it is no more than `near_mm` below or above.
///
/// Edges at which outside and inside meet are never split, so that parts still fit each other, nor those of triangles that are
/// to be `kept`. New vertices lie on the lattice,
/// with colours between those of the edge's ends.
#[must_use]
pub fn split<'p>(
    mesh: &TriMesh,
    heights_mm: &[f64],
    near_mm: f64,
    kept: &[u32],
    planes: impl Fn(usize) -> &'p [f64],
) -> Levelled {
    let mut crossed: FxHashMap<(u32, u32), Vec<f64>> = FxHashMap::default();
    for (t, triangle) in mesh.triangles.iter().enumerate() {
        let z = triangle.map(|v| heights_mm[v as usize]);
        let (low, high) = (z[0].min(z[1]).min(z[2]), z[0].max(z[1]).max(z[2]));
        for plane in planes(t).iter().filter(|plane| low < **plane && **plane < high) {
            for (i, j) in edges(*triangle) {
                let [from, to] = [i, j].map(|v| heights_mm[v as usize]);
                if (from < *plane) != (to < *plane) {
                    crossed.entry((i, j)).or_default().push(*plane);
                }
            }
        }
    }
    let mut fixed = fixed_edges(mesh);
    fixed.extend(kept.iter().flat_map(|t| edges(mesh.triangles[*t as usize])));
    crossed.retain(|edge, _| !fixed.contains(edge));
    let mut crossed: Vec<((u32, u32), Vec<f64>)> = crossed.into_iter().collect();
    crossed.sort_unstable_by_key(|(edge, _)| *edge);

    let mut levelled = Levelled {
        mesh: TriMesh {
            positions: mesh.positions.clone(),
            colours: mesh.colours.clone(),
            triangles: Vec::with_capacity(mesh.triangles.len()),
            origins: Vec::with_capacity(mesh.triangles.len()),
        },
        source: Vec::with_capacity(mesh.triangles.len()),
        heights_mm: heights_mm.to_vec(),
    };
    let points: FxHashMap<(u32, u32), Vec<Crossing>> = crossed
        .into_iter()
        .map(|((i, j), mut planes)| {
            planes.sort_by(f64::total_cmp);
            planes.dedup();
            ((i, j), planes.into_iter().map(|plane| levelled.cross(mesh, (i, j), (plane, near_mm))).collect())
        })
        .collect();
    for (t, triangle) in mesh.triangles.iter().enumerate() {
        if edges(*triangle).into_iter().any(|edge| points.contains_key(&edge)) {
            levelled.divide(mesh, t, &points, planes(t));
        } else {
            levelled.push(mesh, t, *triangle);
        }
    }
    levelled
}

/// Where a plane crosses an edge: at a vertex of its own, or at an end.
#[derive(Clone, Copy, Debug)]
struct Crossing {
    plane: f64,
    vertex: u32,
}

/// The edges of a triangle, lower vertex first.
fn edges([a, b, c]: [u32; 3]) -> [(u32, u32); 3] {
    [(a, b), (b, c), (c, a)].map(|(i, j)| (i.min(j), i.max(j)))
}

/// Edges of triangles inside.
fn fixed_edges(mesh: &TriMesh) -> FxHashSet<(u32, u32)> {
    let inside = mesh.triangles.iter().zip(&mesh.origins).filter(|(_, origin)| !origin.is_outside());
    inside.flat_map(|(t, _)| edges(*t)).collect()
}

impl Levelled {
    fn push(&mut self, mesh: &TriMesh, source: usize, triangle: [u32; 3]) {
        self.mesh.triangles.push(triangle);
        self.mesh.origins.push(mesh.origins[source]);
        self.source.push(source as u32);
    }

    fn cross(&mut self, mesh: &TriMesh, (i, j): (u32, u32), (plane, near_mm): (f64, f64)) -> Crossing {
        let [p, q] = [i, j].map(|v| v as usize);
        let (from, to) = (self.heights_mm[p], self.heights_mm[q]);
        let share = (plane - from) / (to - from);
        let near = NEAR.min(near_mm / (to - from).abs());
        let vertex = if share < near {
            i
        } else if share > 1.0 - near {
            j
        } else {
            let (x, y) = (mesh.colours[p], mesh.colours[q]);
            self.mesh.positions.push(mesh.positions[p].lerp(mesh.positions[q], share).map(snap_mm));
            self.mesh.colours.push([0, 1, 2].map(|c| x[c] + share as f32 * (y[c] - x[c])));
            self.heights_mm.push(plane);
            self.mesh.positions.len() as u32 - 1
        };
        Crossing { plane, vertex }
    }

    /// Divides a triangle some of whose edges are crossed.
    fn divide(&mut self, mesh: &TriMesh, t: usize, points: &FxHashMap<(u32, u32), Vec<Crossing>>, planes: &[f64]) {
        let mut rim: Vec<u32> = Vec::with_capacity(8);
        let mut on_plane: Vec<Crossing> = Vec::new();
        let [a, b, c] = mesh.triangles[t];
        for (from, to) in [(a, b), (b, c), (c, a)] {
            rim.push(from);
            let Some(found) = points.get(&(from.min(to), from.max(to))) else { continue };
            on_plane.extend(found);
            let mut new: Vec<u32> = found.iter().map(|p| p.vertex).filter(|v| *v != from && *v != to).collect();
            new.dedup();
            let rises = self.heights_mm[from as usize] < self.heights_mm[to as usize];
            rim.extend(if rises { new } else { new.into_iter().rev().collect() });
        }
        let mut pieces = vec![rim];
        for plane in planes {
            let mut at: Vec<u32> =
                on_plane.iter().filter(|p| p.plane.total_cmp(plane).is_eq()).map(|p| p.vertex).collect();
            at.sort_unstable();
            at.dedup();
            let [x, y] = at[..] else { continue };
            let holds = |piece: &Vec<u32>| piece.contains(&x) && piece.contains(&y);
            if let Some(piece) = pieces.iter().position(holds) {
                let parted = part(&pieces[piece], x, y);
                pieces.splice(piece..=piece, parted);
            }
        }
        for piece in pieces {
            for triangle in triangulated(&self.mesh.positions, &piece) {
                self.push(mesh, t, triangle);
            }
        }
    }
}

/// A polygon cut from one of its corners to another; whole when they are neighbours.
fn part(piece: &[u32], x: u32, y: u32) -> Vec<Vec<u32>> {
    let at = |v: u32| piece.iter().position(|p| *p == v).unwrap_or(0);
    let (i, j) = (at(x).min(at(y)), at(x).max(at(y)));
    if j - i < 2 || piece.len() - (j - i) < 2 {
        return vec![piece.to_vec()];
    }
    vec![piece[i..=j].to_vec(), piece[j..].iter().chain(&piece[..=i]).copied().collect()]
}

/// A polygon in triangles whose worst shape is the best there can be.
fn triangulated(positions: &[DVec3], piece: &[u32]) -> Vec<[u32; 3]> {
    let n = piece.len();
    let shape = |i: usize, k: usize, j: usize| {
        let [a, b, c] = [i, k, j].map(|i| positions[piece[i] as usize]);
        let longest = (b - a).length_squared().max((c - b).length_squared()).max((a - c).length_squared());
        (b - a).cross(c - a).length() / longest.max(f64::MIN_POSITIVE)
    };
    let mut best = vec![vec![(f64::INFINITY, 0); n]; n];
    for span in 2..n {
        for i in 0..n - span {
            let j = i + span;
            let through = |k: usize| (shape(i, k, j).min(best[i][k].0).min(best[k][j].0), k);
            let ways = (i + 1..j).map(through);
            best[i][j] = ways.fold((f64::NEG_INFINITY, i + 1), |x, y| if y.0 > x.0 { y } else { x });
        }
    }
    let mut triangles = Vec::with_capacity(n.saturating_sub(2));
    let mut open = vec![(0, n - 1)];
    while let Some((i, j)) = open.pop().filter(|_| n > 2) {
        if j - i >= 2 {
            let k = best[i][j].1;
            triangles.push([piece[i], piece[k], piece[j]]);
            open.extend([(i, k), (k, j)]);
        }
    }
    triangles
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::mesh::inspect::inspect;
    use crate::mesh::{Origin, measure};

    /// A prism with slanted triangles; its bottom is a cut face.
    fn prism() -> TriMesh {
        let ring = |z: f64, turn: f64| {
            let on = move |i: u32| turn + std::f64::consts::TAU * f64::from(i) / 7.0;
            (0..7).map(move |i| DVec3::new(10.0 * on(i).cos(), 10.0 * on(i).sin(), z).map(snap_mm))
        };
        let positions: Vec<DVec3> = ring(0.0, 0.0).chain(ring(20.0, 0.3)).collect();
        let mut triangles = Vec::new();
        for (a, b) in (0..7_u32).map(|i| (i, (i + 1) % 7)) {
            triangles.extend([[a, b, b + 7], [a, b + 7, a + 7]]);
        }
        let skin = triangles.len();
        for i in 1..6 {
            triangles.extend([[0, i + 1, i], [7, 7 + i, 8 + i]]);
        }
        let mut mesh = TriMesh::from_shape(positions, triangles);
        (skin..mesh.triangles.len()).step_by(2).for_each(|t| mesh.origins[t] = Origin::Cut(0));
        mesh
    }

    #[test]
    fn triangles_end_at_the_planes_and_the_mesh_stays_closed() {
        let mesh = prism();
        let heights: Vec<f64> = mesh.positions.iter().map(|p| p.z).collect();
        let planes = [5.0, 5.3, 12.0];
        let levelled =
            split(
                &mesh,
                &heights,
                f64::INFINITY,
                &[],
                |t| if mesh.origins[t].is_outside() { &planes[..] } else { &[] },
            );
        assert!(inspect(&levelled.mesh).is_solid());
        assert!((measure::volume_mm3(&levelled.mesh) / measure::volume_mm3(&mesh) - 1.0).abs() < 1e-6);
        let crosses = |t: &[u32; 3]| {
            let z = t.map(|v| levelled.heights_mm[v as usize]);
            planes.iter().any(|p| z.iter().any(|z| z < p) && z.iter().any(|z| z > p))
        };
        let sides = levelled.mesh.triangles.iter().zip(&levelled.source).filter(|(_, source)| **source < 14);
        assert_eq!(sides.filter(|(t, _)| crosses(t)).count(), 0);
        assert!(levelled.mesh.triangles.len() > mesh.triangles.len() + 60);
    }

    /// Only what has planes of its own is cut along them; its neighbours take the new vertices in.
    #[test]
    fn neighbours_without_planes_only_take_new_vertices_in() {
        let mesh = prism();
        let heights: Vec<f64> = mesh.positions.iter().map(|p| p.z).collect();
        let levelled = split(&mesh, &heights, f64::INFINITY, &[], |t| if t == 0 { &[8.0][..] } else { &[] });
        assert!(inspect(&levelled.mesh).is_solid());
        assert_eq!(levelled.mesh.positions.len(), mesh.positions.len() + 2);
        let pieces = |source: u32| levelled.source.iter().filter(|s| **s == source).count();
        assert_eq!([pieces(0), pieces(1)], [3, 2]);
    }

    /// A rim with inside faces keeps its edges, whatever crosses them.
    #[test]
    fn rims_are_left_alone() {
        let mesh = prism();
        let along: Vec<f64> = mesh.positions.iter().map(|p| p.x).collect();
        let levelled =
            split(&mesh, &along, f64::INFINITY, &[], |t| if mesh.origins[t].is_outside() { &[1.0][..] } else { &[] });
        assert!(inspect(&levelled.mesh).is_solid());
        let inside = levelled.mesh.origins.iter().filter(|origin| !origin.is_outside()).count();
        assert_eq!(inside, 5);
    }
}
