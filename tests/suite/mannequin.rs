//! A simple standing person for tests: capsules blended into one closed surface by marching tetrahedra.

use std::collections::HashMap;

use glam::{DVec3, IVec3};
use statuary::mesh::TriMesh;
use statuary::units::snap_mm;

/// Limbs as capsules: two ends and a radius, in shares of the height; the front faces -y.
const LIMBS: [([f64; 3], [f64; 3], f64); 13] = [
    ([-0.07, 0.0, 0.03], [-0.075, 0.0, 0.27], 0.035),
    ([0.07, 0.0, 0.03], [0.075, 0.0, 0.27], 0.035),
    ([-0.07, -0.09, 0.02], [-0.07, 0.02, 0.02], 0.025),
    ([0.07, -0.09, 0.02], [0.07, 0.02, 0.02], 0.025),
    ([-0.075, 0.0, 0.27], [-0.06, 0.0, 0.5], 0.048),
    ([0.075, 0.0, 0.27], [0.06, 0.0, 0.5], 0.048),
    ([-0.05, 0.0, 0.53], [0.05, 0.0, 0.53], 0.065),
    ([-0.04, 0.0, 0.6], [0.04, 0.0, 0.6], 0.062),
    ([-0.065, 0.0, 0.76], [0.065, 0.0, 0.76], 0.075),
    ([-0.125, 0.0, 0.8], [-0.24, -0.01, 0.5], 0.026),
    ([0.125, 0.0, 0.8], [0.24, -0.01, 0.5], 0.026),
    ([0.0, 0.0, 0.82], [0.0, -0.01, 0.9], 0.032),
    ([0.0, -0.015, 0.915], [0.0, -0.015, 0.945], 0.055),
];

/// Distance to the figure's surface in shares of its height, negative inside; flat at the ground.
fn distance(p: DVec3) -> f64 {
    let limb = |(a, b, radius): &([f64; 3], [f64; 3], f64)| {
        let (a, b) = (DVec3::from_array(*a), DVec3::from_array(*b));
        let t = ((p - a).dot(b - a) / (b - a).length_squared()).clamp(0.0, 1.0);
        p.distance(a + t * (b - a)) - radius
    };
    let blend = 60.0;
    let sum: f64 = LIMBS.iter().map(|l| (-blend * limb(l)).exp()).sum();
    -sum.ln() / blend
}

/// A person of this height, with about `cells` grid cells from foot to head; the soles are flat on z = 0.
pub fn mannequin(height_mm: f64, cells: i32) -> TriMesh {
    let step = 1.0 / f64::from(cells);
    let (low, high) = (IVec3::new(-cells / 3, -cells / 5, 0), IVec3::new(cells / 3, cells / 8, cells + cells / 20));
    let mut mesh = Marching { step, height_mm, ..Marching::default() };
    for z in low.z..high.z {
        for y in low.y..high.y {
            for x in low.x..high.x {
                mesh.cell(IVec3::new(x, y, z));
            }
        }
    }
    TriMesh::from_shape(mesh.points, mesh.triangles)
}

#[derive(Default)]
struct Marching {
    step: f64,
    height_mm: f64,
    values: HashMap<IVec3, f64>,
    crossings: HashMap<(IVec3, IVec3), u32>,
    points: Vec<DVec3>,
    triangles: Vec<[u32; 3]>,
}

impl Marching {
    fn value(&mut self, at: IVec3) -> f64 {
        let p = at.as_dvec3() * self.step;
        // The layer at the ground is outside, so that the soles come out flat.
        *self.values.entry(at).or_insert_with(|| if at.z <= 0 { 1.0 } else { distance(p) })
    }

    fn crossing(&mut self, a: IVec3, b: IVec3) -> u32 {
        let (a, b) = if a.to_array() < b.to_array() { (a, b) } else { (b, a) };
        let (u, v) = (self.value(a), self.value(b));
        let points = &mut self.points;
        let (step, height_mm) = (self.step, self.height_mm);
        *self.crossings.entry((a, b)).or_insert_with(|| {
            // Kept off the ends, so that no triangle loses its area.
            let t = (u / (u - v)).clamp(0.1, 0.9);
            let mut p = a.as_dvec3().lerp(b.as_dvec3(), t) * step;
            if a.z.min(b.z) <= 0 {
                p.z = 0.0;
            }
            points.push((p * height_mm).map(snap_mm));
            points.len() as u32 - 1
        })
    }

    /// The six tetrahedra around the main diagonal of a cell (Kuhn's division).
    fn cell(&mut self, at: IVec3) {
        let corner = |i: i32| at + IVec3::new(i & 1, i >> 1 & 1, i >> 2);
        if (0..8).all(|i| self.value(corner(i)) > 0.0) {
            return;
        }
        for [i, j, even] in [[1, 3, 1], [2, 6, 1], [4, 5, 1], [1, 5, 0], [2, 3, 0], [4, 6, 0]] {
            let mut tetrahedron = [0, i, j, 7].map(corner);
            if even == 0 {
                tetrahedron.swap(1, 2);
            }
            self.tetrahedron(tetrahedron);
        }
    }

    /// Corners wound so that the last one sees the first three counter-clockwise from behind.
    fn tetrahedron(&mut self, t: [IVec3; 4]) {
        let inside: Vec<usize> = (0..4).filter(|i| self.value(t[*i]) < 0.0).collect();
        let others = |v: usize| [[1, 2, 3], [0, 3, 2], [0, 1, 3], [0, 2, 1]][v];
        match inside.as_slice() {
            [v] => {
                let [a, b, c] = others(*v).map(|o| self.crossing(t[*v], t[o]));
                self.triangles.push([a, b, c]);
            }
            [_, _, _] => {
                let v = (0..4).find(|v| !inside.contains(v)).unwrap();
                let [a, b, c] = others(v).map(|o| self.crossing(t[v], t[o]));
                self.triangles.push([a, c, b]);
            }
            [v, w] => {
                let [p, q] = { others(*v) }
                    .iter()
                    .copied()
                    .cycle()
                    .skip_while(|o| o != w)
                    .skip(1)
                    .take(2)
                    .collect::<Vec<_>>()[..]
                else {
                    return;
                };
                let [a, b, c, d] = [(*v, p), (*v, q), (*w, q), (*w, p)].map(|(i, o)| self.crossing(t[i], t[o]));
                self.triangles.extend([[a, b, c], [a, c, d]]);
            }
            _ => {}
        }
    }
}
