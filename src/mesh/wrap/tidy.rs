//! Takes the slivers out of a contour: short edges are collapsed where the surface stays a manifold, no triangle turns
//! over and, by exact test afterwards, nothing intersects; what failed is left as it was.

use glam::{DVec3, Vec3};

use crate::mesh::intersect::self_intersect_in;
use crate::mesh::tree::TriTree;
use crate::units::snap_mm;

/// Edges below this part of the voxel are collapsed.
const SHORT: f64 = 0.4;
/// Least cosine of the angle a triangle may turn by.
const TURN: f64 = 0.5;
/// Shape below which a triangle may not come out unless one about as bad goes.
const SHAPE: f64 = 0.1;
/// Of the worst shape that goes, what may come out.
const SLACK: f64 = 0.5;
const SWEEPS: usize = 2;
/// Rounds of taking back before the contour is left as it came.
const ROUNDS: usize = 8;
const GONE: u32 = u32::MAX;

/// A closed surface with what the wrap knows of its vertices.
#[derive(Clone, Debug, Default)]
pub(super) struct Surface {
    pub(super) positions: Vec<DVec3>,
    pub(super) colours: Vec<Vec3>,
    /// Whether a vertex lies on the scan.
    pub(super) near: Vec<bool>,
    pub(super) triangles: Vec<[u32; 3]>,
}

/// Merges vertices at short edges but those to be kept, such as all on a rim; a surface without intersections stays
/// without.
pub(super) fn tidy(surface: Surface, voxel: f64, mut kept: Vec<bool>) -> Surface {
    let mut before: Option<Surface> = None;
    for _ in 0..ROUNDS {
        let mut merging = Merging::of(surface.clone());
        for _ in 0..SWEEPS {
            merging.sweep((SHORT * voxel).powi(2), &kept);
        }
        let spoilt = merging.spoilt_vertices(before.as_ref().unwrap_or(&surface), &kept);
        if !spoilt.contains(&true) {
            return merging.finish();
        }
        for v in 0..kept.len() {
            kept[v] |= spoilt[merging.root(v as u32) as usize];
        }
        before = Some(merging.surface);
    }
    surface
}

/// A surface while vertices are merged.
struct Merging {
    surface: Surface,
    /// How many vertices went into each.
    weights: Vec<f32>,
    /// The vertex each one was merged into: itself while it is there.
    into: Vec<u32>,
    /// A corner (three times the triangle plus the place in it) of each vertex.
    first: Vec<u32>,
    /// The next corner of the same vertex, in a ring; corners of triangles that are gone stay in it.
    next: Vec<u32>,
}

/// A triangle seen from one of its vertices.
#[derive(Clone, Copy)]
struct Spoke {
    triangle: u32,
    /// The other two vertices, in the triangle's order.
    left: u32,
    right: u32,
}

impl Merging {
    fn of(surface: Surface) -> Self {
        let count = surface.positions.len();
        let mut first = vec![GONE; count];
        let mut next = Vec::with_capacity(3 * surface.triangles.len());
        for (corner, v) in (0..).zip(surface.triangles.iter().flatten()) {
            let head = &mut first[*v as usize];
            if *head == GONE {
                *head = corner;
                next.push(corner);
            } else {
                next.push(next[*head as usize]);
                next[*head as usize] = corner;
            }
        }
        Self { surface, weights: vec![1.0; count], into: (0..count as u32).collect(), first, next }
    }

    /// Collapses edges shorter than the limit (squared), except those at vertices to be kept.
    fn sweep(&mut self, short_squared: f64, kept: &[bool]) {
        let (mut star, mut other_star) = (Vec::new(), Vec::new());
        for v in 0..self.into.len() as u32 {
            if kept[v as usize] || self.into[v as usize] != v {
                continue;
            }
            loop {
                self.star(v, &mut star);
                let place = self.surface.positions[v as usize];
                let distance = |other: u32| self.surface.positions[other as usize].distance_squared(place);
                let mergeable = |other: &u32| *other > v && !kept[*other as usize] && distance(*other) < short_squared;
                let partner = star.iter().map(|spoke| spoke.left).filter(mergeable).find(|other| {
                    self.star(*other, &mut other_star);
                    self.may_merge((v, &star), (*other, &other_star))
                });
                let Some(other) = partner else { break };
                self.merge(v, other);
            }
        }
    }

    /// The triangles around a vertex.
    fn star(&self, v: u32, star: &mut Vec<Spoke>) {
        star.clear();
        let mut corner = self.first[v as usize];
        loop {
            let (triangle, place) = (corner / 3, corner as usize % 3);
            let vertices = self.surface.triangles[triangle as usize];
            if vertices[0] != GONE {
                star.push(Spoke { triangle, left: vertices[(place + 1) % 3], right: vertices[(place + 2) % 3] });
            }
            corner = self.next[corner as usize];
            if corner == self.first[v as usize] {
                return;
            }
        }
    }

    fn valence(&self, v: u32) -> usize {
        let mut star = Vec::with_capacity(8);
        self.star(v, &mut star);
        star.len()
    }

    /// Where two vertices meet: between them, by the number of vertices in each, on the lattice.
    fn meeting_point(&self, a: u32, b: u32) -> DVec3 {
        let share = f64::from(self.weights[b as usize] / (self.weights[a as usize] + self.weights[b as usize]));
        let point = self.surface.positions[a as usize].lerp(self.surface.positions[b as usize], share);
        DVec3::from_array(point.to_array().map(snap_mm))
    }

    /// Whether two neighbours may become one: the surface stays a manifold (link condition, Dey et al. 1999) and no
    /// triangle turns over.
    fn may_merge(&self, (a, star_a): (u32, &[Spoke]), (b, star_b): (u32, &[Spoke])) -> bool {
        let mut common = star_a.iter().map(|s| s.left).filter(|v| star_b.iter().any(|s| s.left == *v));
        let (Some(c), Some(d), None) = (common.next(), common.next(), common.next()) else { return false };
        if self.valence(c) < 4 || self.valence(d) < 4 {
            return false;
        }
        let worst = self.worst_shape(a, star_a).min(self.worst_shape(b, star_b));
        let to = self.meeting_point(a, b);
        let stays = |from: u32, gone: u32, star: &[Spoke]| {
            let from = self.surface.positions[from as usize];
            star.iter().filter(|s| s.left != gone && s.right != gone).all(|s| {
                let rim = self.rim(s);
                let (before, after) = (area_vector(from, rim), area_vector(to, rim));
                before.dot(after) > TURN * before.length() * after.length()
                    && shape(to, rim) >= SLACK * worst.min(SHAPE)
            })
        };
        stays(a, b, star_a) && stays(b, a, star_b)
    }

    fn rim(&self, spoke: &Spoke) -> [DVec3; 2] {
        [spoke.left, spoke.right].map(|v| self.surface.positions[v as usize])
    }

    fn worst_shape(&self, v: u32, star: &[Spoke]) -> f64 {
        let at = self.surface.positions[v as usize];
        star.iter().map(|spoke| shape(at, self.rim(spoke))).fold(f64::INFINITY, f64::min)
    }

    /// Merges `b` into `a`.
    fn merge(&mut self, a: u32, b: u32) {
        let to = self.meeting_point(a, b);
        let mut star = Vec::with_capacity(8);
        self.star(b, &mut star);
        for spoke in star {
            let vertices = &mut self.surface.triangles[spoke.triangle as usize];
            if spoke.left == a || spoke.right == a {
                *vertices = [GONE; 3];
            } else {
                *vertices = vertices.map(|v| if v == b { a } else { v });
            }
        }
        let (a, b) = (a as usize, b as usize);
        self.next.swap(self.first[a] as usize, self.first[b] as usize);
        let (weight_a, weight_b) = (self.weights[a], self.weights[b]);
        let share = weight_b / (weight_a + weight_b);
        self.surface.colours[a] = self.surface.colours[a].lerp(self.surface.colours[b], share);
        self.surface.near[a] &= self.surface.near[b];
        self.surface.positions[a] = to;
        self.weights[a] += weight_b;
        self.into[b] = a as u32;
    }

    /// The vertex that now stands for one.
    fn root(&self, v: u32) -> u32 {
        let mut root = v;
        while self.into[root as usize] != root {
            root = self.into[root as usize];
        }
        root
    }

    /// Vertices of triangles that meet others. Looks only at pairs with a triangle that is not as it was before, when
    /// all pairs were sound but those at vertices kept since.
    fn spoilt_vertices(&self, before: &Surface, kept: &[bool]) -> Vec<bool> {
        let Surface { positions, triangles, .. } = &self.surface;
        let moved = |v: u32| kept[v as usize] || positions[v as usize] != before.positions[v as usize];
        let (mut there, mut changed) = (Vec::new(), Vec::new());
        for (triangle, was) in triangles.iter().zip(&before.triangles).filter(|(t, _)| t[0] != GONE) {
            there.push(*triangle);
            changed.push(triangle != was || triangle.iter().any(|v| moved(*v)));
        }
        let meet =
            |i: u32, j: u32| (changed[i as usize] || changed[j as usize]) && self_intersect_in(positions, &there, i, j);
        let pairs = TriTree::new(positions, &there).self_pairs(usize::MAX, |i, j| meet(i, j).then_some([i, j]));
        let mut spoilt = vec![false; positions.len()];
        for v in pairs.iter().flatten().flat_map(|t| there[*t as usize]) {
            spoilt[v as usize] = true;
        }
        spoilt
    }

    /// The surface without what is gone.
    fn finish(self) -> Surface {
        let stays = |v: &usize| self.into[*v] == *v as u32;
        let kept: Vec<usize> = (0..self.into.len()).filter(stays).collect();
        let mut number = vec![GONE; self.into.len()];
        for (new, v) in (0..).zip(&kept) {
            number[*v] = new;
        }
        let triangles = self.surface.triangles.iter().filter(|t| t[0] != GONE);
        Surface {
            positions: kept.iter().map(|v| self.surface.positions[*v]).collect(),
            colours: kept.iter().map(|v| self.surface.colours[*v]).collect(),
            near: kept.iter().map(|v| self.surface.near[*v]).collect(),
            triangles: triangles.map(|t| t.map(|v| number[v as usize])).collect(),
        }
    }
}

fn area_vector(at: DVec3, [left, right]: [DVec3; 2]) -> DVec3 {
    (left - at).cross(right - at)
}

/// Twice a triangle's area over the sum of its squared sides: 0.577 when they are equal, 0 without area.
fn shape(at: DVec3, [left, right]: [DVec3; 2]) -> f64 {
    let sides = left.distance_squared(at) + right.distance_squared(at) + left.distance_squared(right);
    area_vector(at, [left, right]).length() / sides
}
