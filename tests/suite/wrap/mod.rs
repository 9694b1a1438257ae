//! Tree, exact intersections, winding numbers and the wrap, against brute force and published values.
#![allow(clippy::unwrap_used)]

mod intersect;
mod local;
mod tree;
mod whole;
mod winding;

use std::collections::HashMap;

use glam::DVec3;
use statuary::mesh::TriMesh;
use statuary::mesh::intersect::self_intersections;
use statuary::mesh::measure::volume_mm3;

/// A small fixed generator (`SplitMix64`, Steele et al. 2014), so that every run tests the same shapes.
pub struct Dice(pub u64);

impl Dice {
    fn next(&mut self) -> u64 {
        self.0 = self.0.wrapping_add(0x9E37_79B9_7F4A_7C15);
        let mut z = self.0;
        z = (z ^ (z >> 30)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94D0_49BB_1331_11EB);
        z ^ (z >> 31)
    }

    fn unit(&mut self) -> f64 {
        (self.next() >> 11) as f64 / (1_u64 << 53) as f64
    }

    pub fn point(&mut self) -> DVec3 {
        DVec3::new(self.unit(), self.unit(), self.unit())
    }
}

type Soup = (Vec<DVec3>, Vec<[u32; 3]>);

/// Separate triangles of about the given size in the unit cube.
fn soup(count: u32, size: f64, dice: &mut Dice) -> Soup {
    let mut positions = Vec::new();
    for _ in 0..count {
        let centre = dice.point();
        positions.extend((0..3).map(|_| centre + (dice.point() - 0.5) * size));
    }
    (positions, (0..count).map(|i| [3 * i, 3 * i + 1, 3 * i + 2]).collect())
}

/// A closed ball of radius 1 with bumps: latitude rings between two poles.
fn bumpy_ball(rings: u32, bump: f64) -> Soup {
    let around = 2 * rings;
    let radius = |lat: f64, lon: f64| 1.0 + bump * (5.0 * lon).sin() * (6.0 * lat).sin();
    let mut positions = vec![DVec3::NEG_Z, DVec3::Z];
    for i in 1..rings {
        let lat = std::f64::consts::PI * f64::from(i) / f64::from(rings);
        for j in 0..around {
            let lon = std::f64::consts::TAU * f64::from(j) / f64::from(around);
            let on_ball = DVec3::new(lat.sin() * lon.cos(), lat.sin() * lon.sin(), -lat.cos());
            positions.push(on_ball * radius(lat, lon));
        }
    }
    let at = |ring: u32, j: u32| 2 + (ring - 1) * around + j % around;
    let mut triangles = Vec::new();
    for j in 0..around {
        triangles.push([0, at(1, j + 1), at(1, j)]);
        triangles.push([1, at(rings - 1, j), at(rings - 1, j + 1)]);
        for ring in 1..rings - 1 {
            triangles.push([at(ring, j), at(ring, j + 1), at(ring + 1, j + 1)]);
            triangles.push([at(ring, j), at(ring + 1, j + 1), at(ring + 1, j)]);
        }
    }
    (positions, triangles)
}

/// Fails unless the mesh bounds a solid: every side once in either direction, one ring of triangles around every
/// vertex, no intersections, not inside out, an attribute for everything.
fn expect_solid(mesh: &TriMesh) {
    let sides = mesh.triangles.iter().flat_map(|[a, b, c]| [(a, b, c), (b, c, a), (c, a, b)]);
    let mut opposite: HashMap<(u32, u32), u32> = HashMap::new();
    for (a, b, c) in sides {
        assert!(opposite.insert((*a, *b), *c).is_none(), "two triangles at side {a} {b}");
    }
    assert!(opposite.keys().all(|(a, b)| opposite.contains_key(&(*b, *a))), "an open side");
    let mut valence = vec![0; mesh.positions.len()];
    mesh.triangles.iter().flatten().for_each(|v| valence[*v as usize] += 1);
    let mut ring: HashMap<u32, u32> = HashMap::new();
    for (v, first) in opposite.keys() {
        if ring.contains_key(v) {
            continue;
        }
        let (mut at, mut steps) = (*first, 0);
        while steps == 0 || at != *first {
            at = opposite[&(*v, at)];
            steps += 1;
        }
        ring.insert(*v, steps);
    }
    assert!((0..).zip(&valence).all(|(v, valence)| ring.get(&v) == Some(valence)), "a vertex with two rings or none");
    assert_eq!(self_intersections(mesh).len(), 0);
    assert!(volume_mm3(mesh) > 0.0);
    assert_eq!((mesh.colours.len(), mesh.origins.len()), (mesh.positions.len(), mesh.triangles.len()));
}
