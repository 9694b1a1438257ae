//! Mesh kernels on bumpy spheres in three sizes: each row of a table can be held against the row above, for the work
//! grows by four. `cargo bench --bench kernel`

use divan::{Bencher, black_box};
use glam::DVec3;
use statuary::mesh::TriMesh;
use statuary::mesh::cut::{Plane, halves};
use statuary::mesh::intersect::self_intersections;
use statuary::mesh::topology::Edges;
use statuary::mesh::tree::TriTree;
use statuary::mesh::wrap::wrap;

/// Rings of quads from pole to pole; `2 n (n - 1)` triangles.
const RINGS: [usize; 3] = [125, 250, 500];

fn main() {
    divan::main();
}

/// A closed ball of about 100 mm with bumps, so that no kernel meets a special case throughout.
fn ball(rings: usize) -> TriMesh {
    use std::f64::consts::PI;
    let place = |i: usize, j: usize| {
        let (down, round) = (PI * i as f64 / rings as f64, 2.0 * PI * j as f64 / rings as f64);
        let radius = 100.0 + 2.0 * (9.0 * down).sin() * (7.0 * round).cos();
        radius * DVec3::new(down.sin() * round.cos(), down.sin() * round.sin(), down.cos())
    };
    let mut positions = vec![place(0, 0), place(rings, 0)];
    positions.extend((1..rings).flat_map(|i| (0..rings).map(move |j| place(i, j))));
    let at = |i: usize, j: usize| (2 + (i - 1) * rings + j % rings) as u32;
    let mut triangles = Vec::new();
    for j in 0..rings {
        triangles.push([0, at(1, j), at(1, j + 1)]);
        triangles.push([1, at(rings - 1, j + 1), at(rings - 1, j)]);
        for i in 1..rings - 1 {
            triangles.push([at(i, j), at(i + 1, j), at(i + 1, j + 1)]);
            triangles.push([at(i, j), at(i + 1, j + 1), at(i, j + 1)]);
        }
    }
    TriMesh::from_shape(positions, triangles)
}

#[divan::bench(args = RINGS)]
fn edges(bencher: Bencher<'_, '_>, rings: usize) {
    let mesh = ball(rings);
    bencher.bench(|| Edges::of(&mesh.triangles, mesh.positions.len()));
}

#[divan::bench(args = RINGS)]
fn tree(bencher: Bencher<'_, '_>, rings: usize) {
    let mesh = ball(rings);
    bencher.bench(|| TriTree::new(&mesh.positions, &mesh.triangles));
}

#[divan::bench(args = RINGS, sample_count = 20)]
fn crossing_pairs(bencher: Bencher<'_, '_>, rings: usize) {
    let mesh = ball(rings);
    bencher.bench(|| self_intersections(&mesh));
}

#[divan::bench(args = RINGS, sample_count = 20)]
fn cut(bencher: Bencher<'_, '_>, rings: usize) {
    let mesh = ball(rings);
    bencher.bench(|| halves(&mesh, black_box(Plane::new(2, 3.125)), 0).expect("the plane meets no vertex"));
}

#[divan::bench(args = [2.0, 1.0, 0.5], sample_count = 10)]
fn wrapped(bencher: Bencher<'_, '_>, voxel_mm: f64) {
    let mesh = ball(RINGS[0]);
    bencher.bench(|| wrap(&mesh, voxel_mm));
}
