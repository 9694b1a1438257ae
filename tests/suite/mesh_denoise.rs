//! Denoising against shapes whose true surface is a formula: balls and cubes with noise of a known size.

use deviates::Noise;
use glam::DVec3;
use statuary::mesh::TriMesh;
use statuary::mesh::denoise::{Denoised, Smoothing, denoise, roughness_mm};
use statuary::mesh::intersect::self_intersections;
use statuary::mesh::measure::volume_mm3;

use crate::shapes::{sphere, together};

/// Seeded normal deviates.
mod deviates {
    pub struct Noise(u64);

    impl Noise {
        pub fn new(seed: u64) -> Self {
            Self(seed)
        }

        fn uniform(&mut self) -> f64 {
            self.0 = self.0.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
            ((self.0 >> 11) as f64 + 0.5) / (1_u64 << 53) as f64
        }

        /// Box and Muller 1958.
        pub fn normal(&mut self) -> f64 {
            (-2.0 * self.uniform().ln()).sqrt() * (std::f64::consts::TAU * self.uniform()).cos()
        }
    }
}

const RADIUS: f64 = 200.0;

fn noisy_ball(sigma: f64) -> TriMesh {
    let mut ball = sphere(DVec3::ZERO, RADIUS, 5);
    let mut noise = Noise::new(5);
    ball.positions.iter_mut().for_each(|p| *p *= 1.0 + sigma * noise.normal() / RADIUS);
    ball
}

/// A cube of half side `HALF` with a net of `STEPS` squares a side, its vertices shared at edges.
const HALF: f64 = 50.0;
const STEPS: i64 = 40;

fn cube() -> TriMesh {
    let mut index = std::collections::BTreeMap::new();
    let (mut positions, mut triangles) = (Vec::new(), Vec::new());
    let mut vertex = |place: [i64; 3]| {
        *index.entry(place).or_insert_with(|| {
            positions.push(DVec3::from_array(place.map(|c| HALF * (2 * c - STEPS) as f64 / STEPS as f64)));
            positions.len() as u32 - 1
        })
    };
    for axis in 0..3 {
        for (i, j, side) in (0..STEPS).flat_map(|i| (0..STEPS).flat_map(move |j| [(i, j, 0), (i, j, STEPS)])) {
            let mut at = |u: i64, v: i64| {
                let mut place = [0; 3];
                (place[axis], place[(axis + 1) % 3], place[(axis + 2) % 3]) = (side, u, v);
                vertex(place)
            };
            let [a, b, c, d] = [at(i, j), at(i + 1, j), at(i + 1, j + 1), at(i, j + 1)];
            triangles.extend(if side == 0 { [[a, c, b], [a, d, c]] } else { [[a, b, c], [a, c, d]] });
        }
    }
    TriMesh::from_shape(positions, triangles)
}

/// Moves each vertex along x, y and z.
fn shaken(mut mesh: TriMesh, sigma: f64) -> TriMesh {
    let mut noise = Noise::new(11);
    mesh.positions.iter_mut().for_each(|p| *p += sigma * DVec3::new(noise.normal(), noise.normal(), noise.normal()));
    mesh
}

fn rms(errors: impl Iterator<Item = f64>) -> f64 {
    let (sum, count) = errors.fold((0.0, 0.0), |(sum, n), e| (sum + e * e, n + 1.0));
    f64::sqrt(sum / count)
}

fn radial_rms(ball: &TriMesh) -> f64 {
    rms(ball.positions.iter().map(|p| p.length() - RADIUS))
}

fn denoised(mesh: &TriMesh, move_max_mm: f64) -> (TriMesh, Denoised) {
    let strength = vec![1.0; mesh.positions.len()];
    let mut smooth = mesh.clone();
    let done = denoise(&mut smooth, &Smoothing::usual(&strength, move_max_mm));
    (smooth, done)
}

#[test]
fn a_noisy_ball_loses_more_than_half_its_noise_and_keeps_its_volume() {
    let ball = noisy_ball(0.5);
    let (smooth, done) = denoised(&ball, 2.0);
    assert!((radial_rms(&ball) - 0.5).abs() < 0.02);
    assert!(radial_rms(&smooth) < 0.25, "{}", radial_rms(&smooth));
    assert!((volume_mm3(&smooth) / volume_mm3(&ball) - 1.0).abs() < 0.002);
    assert_eq!(self_intersections(&smooth).len(), 0);
    assert!(done.moved > ball.positions.len() / 2 && done.rms_mm > 0.3, "{done:?}");
}

/// Against plain steps to the mean of the neighbours, as many as it takes to bring the noise of the faces as far down.
#[test]
fn a_noisy_cube_keeps_its_edges() {
    let truth = cube();
    let noisy = shaken(truth.clone(), 0.25);
    let on_edge = |p: &DVec3| p.abs().to_array().iter().filter(|c| **c == HALF).count() >= 2;
    // Of a vertex on an edge: how far from the two faces; of one well within a face: how far from that.
    let edge_error = |mesh: &TriMesh| {
        let edge = truth.positions.iter().zip(&mesh.positions).filter(|(p, _)| on_edge(p));
        rms(edge.flat_map(|(p, q)| (0..3).filter(|k| p[*k].abs() == HALF).map(|k| q[k] - p[k]).collect::<Vec<_>>()))
    };
    let face_error = |mesh: &TriMesh| {
        let inner = |p: &DVec3| {
            let off = p.abs().to_array().into_iter().filter(|c| *c < HALF - 10.0).count();
            (off == 2).then(|| (0..3).find(|k| p[*k].abs() == HALF)).flatten()
        };
        rms(truth.positions.iter().zip(&mesh.positions).filter_map(|(p, q)| inner(p).map(|k| q[k] - p[k])))
    };
    let (smooth, _) = denoised(&noisy, 2.0);
    let mut uniform = noisy.clone();
    let mut steps = 0;
    while face_error(&uniform) > face_error(&smooth) && steps < 500 {
        uniform_step(&mut uniform);
        steps += 1;
    }
    assert!(face_error(&smooth) < 0.6 * face_error(&noisy), "{} {}", face_error(&smooth), face_error(&noisy));
    assert!(edge_error(&smooth) < 0.5 * edge_error(&uniform), "{} {}", edge_error(&smooth), edge_error(&uniform));
}

/// Half-way to the mean of the neighbours, all at once.
fn uniform_step(mesh: &mut TriMesh) {
    let mut sums = vec![(DVec3::ZERO, 0.0); mesh.positions.len()];
    for [a, b, c] in &mesh.triangles {
        for (from, to) in [(a, b), (b, c), (c, a)] {
            let sum = &mut sums[*from as usize];
            *sum = (sum.0 + mesh.positions[*to as usize], sum.1 + 1.0);
        }
    }
    for (p, (sum, count)) in mesh.positions.iter_mut().zip(sums) {
        *p = p.lerp(sum / count, 0.5);
    }
}

#[test]
fn no_vertex_moves_farther_than_its_strength_allows() {
    let ball = noisy_ball(1.5);
    let strength: Vec<f64> = (0..ball.positions.len()).map(|v| (v % 5) as f64 / 4.0).collect();
    for most in [0.4, 1.0 / 3.0, 1e-6] {
        let mut smooth = ball.clone();
        let done = denoise(&mut smooth, &Smoothing::usual(&strength, most));
        for (v, (p, q)) in ball.positions.iter().zip(&smooth.positions).enumerate() {
            assert!((*q - *p).length() <= strength[v] * most, "{v}: {}", (*q - *p).length());
        }
        assert!(done.max_mm <= most && done.max_mm > 0.99 * most, "{done:?}");
    }
}

#[test]
fn strength_zero_leaves_vertices_bit_identical() {
    let bits = |p: &DVec3| p.to_array().map(f64::to_bits);
    let ball = noisy_ball(0.5);
    let strength: Vec<f64> = ball.positions.iter().map(|p| f64::from(p.z > 0.0)).collect();
    let mut smooth = ball.clone();
    let done = denoise(&mut smooth, &Smoothing::usual(&strength, 1.0));
    let pairs = ball.positions.iter().zip(&smooth.positions);
    assert!(pairs.clone().filter(|(p, _)| p.z <= 0.0).all(|(p, q)| bits(p) == bits(q)));
    assert!(pairs.filter(|(p, q)| p.z > 0.0 && p != q).count() > 1000 && done.moved > 1000);
    let mut still = ball.clone();
    let none = [0.0, f64::NAN, -1.0];
    assert_eq!(denoise(&mut still, &Smoothing::usual(&none, 1.0)), Denoised::default());
    assert!(still == ball);
}

/// Two noisy sheets, as of cloth over skin, closer than the noise could carry them.
#[test]
fn nothing_crosses_that_did_not_cross_before() {
    let outer = noisy_ball(0.6);
    let mut inner = sphere(DVec3::ZERO, RADIUS - 3.2, 5);
    let mut noise = Noise::new(77);
    inner.positions.iter_mut().for_each(|p| *p *= 1.0 + 0.6 * noise.normal() / RADIUS);
    inner.triangles.iter_mut().for_each(|t| t.swap(0, 1));
    let both = together(outer, &inner);
    let before = self_intersections(&both);
    let (smooth, _) = denoised(&both, 5.0);
    let new: Vec<_> = self_intersections(&smooth).into_iter().filter(|pair| !before.contains(pair)).collect();
    assert_eq!(new, Vec::<[u32; 2]>::new());
}

/// Noise nearly as large as the triangles makes many turn over when they are smoothed without bounds.
#[test]
fn harm_is_undone() {
    let crumpled = shaken(cube(), 0.9);
    let before = self_intersections(&crumpled);
    let (smooth, done) = denoised(&crumpled, 50.0);
    let new = self_intersections(&smooth).into_iter().filter(|pair| !before.contains(pair)).count();
    let turned = (0..smooth.triangles.len())
        .filter(|t| smooth.corners(*t) != crumpled.corners(*t))
        .filter(|t| smooth.area_vector(*t).dot(crumpled.area_vector(*t)) <= 0.0)
        .count();
    assert_eq!((new, turned), (0, 0));
    assert!(done.put_back > 0, "{done:?}");
}

/// Noise of a known deviation is estimated to a tenth; smooth curvature and edges are not taken for noise.
#[test]
fn roughness_is_the_deviation_of_the_noise() {
    let mean = |mesh: &TriMesh| roughness_mm(mesh).iter().sum::<f64>() / mesh.positions.len() as f64;
    for sigma in [0.1, 0.4] {
        let found = mean(&noisy_ball(sigma));
        assert!((found / sigma - 1.0).abs() < 0.1, "{sigma}: {found}");
    }
    assert!(mean(&noisy_ball(0.0)) < 0.005, "{}", mean(&noisy_ball(0.0)));
    let off_edge = |p: &DVec3| p.abs().to_array().iter().filter(|c| **c > HALF - 6.0).count() < 2;
    let cube = cube();
    let rough = roughness_mm(&cube);
    assert!(cube.positions.iter().zip(rough).filter(|(p, _)| off_edge(p)).all(|(_, r)| r < 1e-9));
}

#[test]
fn any_number_of_threads_gives_the_same_places() {
    let ball = noisy_ball(0.8);
    let on = |threads: usize| {
        let pool = rayon::ThreadPoolBuilder::new().num_threads(threads).build().unwrap();
        pool.install(|| (denoised(&ball, 0.7), roughness_mm(&ball)))
    };
    let (one, three) = (on(1), on(3));
    assert!(one == three);
}

#[test]
fn meshes_without_surface_are_left_alone() {
    let flat = TriMesh::from_shape(vec![DVec3::ZERO, DVec3::X, DVec3::X * 2.0, DVec3::Y], vec![[0, 1, 2], [0, 0, 1]]);
    for mesh in [TriMesh::default(), flat] {
        let (smooth, done) = denoised(&mesh, 1.0);
        assert!(smooth == mesh && done.moved == 0, "{done:?}");
        assert!(roughness_mm(&mesh).iter().all(|r| r.is_finite()));
    }
}
