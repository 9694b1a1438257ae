//! Decimation on shapes whose right answer is known: planes that meet in a point, a cube, balls, a ring.

use std::collections::BTreeSet;
use std::f64::consts::TAU;

use glam::DVec3;
use statuary::colour::spaces::oklab_of_linear;
use statuary::mesh::decimate::quadric::Quadric;
use statuary::mesh::decimate::{Decimated, Target, decimate};
use statuary::mesh::inspect::inspect;
use statuary::mesh::intersect::self_intersections;
use statuary::mesh::measure::{bounds, volume_mm3};
use statuary::mesh::tree::TriTree;
use statuary::mesh::{Origin, TriMesh};

use crate::shapes::{sphere, together, without};

fn decimated(mesh: &TriMesh, edge_mm: f64, error_max_mm: f64) -> (TriMesh, Decimated) {
    let target = Target { edge_mm, error_max_mm, colour_step_max: 0.1 };
    let (coarse, done) = decimate(mesh, &target, oklab_of_linear);
    let faults = inspect(&coarse);
    assert!(faults.is_solid(), "{faults:?}");
    assert_eq!(self_intersections(&coarse).len(), 0);
    assert_eq!((done.triangles_before, done.triangles_after), (mesh.triangles.len(), coarse.triangles.len()));
    assert!(done.error_max_mm <= error_max_mm);
    (coarse, done)
}

/// Vertices minus edges plus triangles; a closed mesh has three edges for two triangles.
fn euler(mesh: &TriMesh) -> i64 {
    mesh.positions.len() as i64 - mesh.triangles.len() as i64 / 2
}

/// Largest distance of points spread over the triangles of `from` to the surface of `to`, mm.
fn farthest(from: &TriMesh, to: &TriMesh) -> f64 {
    const STEPS: u32 = 4;
    let tree = TriTree::new(&to.positions, &to.triangles);
    let mut most: f64 = 0.0;
    for t in 0..from.triangles.len() {
        let [a, b, c] = from.corners(t);
        for (i, j) in (0..=STEPS).flat_map(|i| (0..=STEPS - i).map(move |j| (i, j))) {
            let point = a + (b - a) * (f64::from(i) / f64::from(STEPS)) + (c - a) * (f64::from(j) / f64::from(STEPS));
            most = most.max(point.distance(tree.nearest(point, f64::INFINITY).unwrap().point));
        }
    }
    most
}

/// Surface of a cube of side 10 with `n` times `n` squares on each side.
fn cube(n: i32) -> TriMesh {
    let mut mesh = TriMesh::default();
    let mut number = std::collections::HashMap::new();
    let mut vertex = |at: [i32; 3]| {
        *number.entry(at).or_insert_with(|| {
            mesh.positions.push(DVec3::from_array(at.map(|x| 10.0 * f64::from(x) / f64::from(n))));
            mesh.positions.len() as u32 - 1
        })
    };
    let mut triangles = Vec::new();
    for (axis, side) in (0..3).flat_map(|axis| [(axis, 0), (axis, n)]) {
        for (i, j) in (0..n).flat_map(|i| (0..n).map(move |j| (i, j))) {
            let [a, b, c, d] = [(0, 0), (1, 0), (1, 1), (0, 1)].map(|(di, dj)| {
                let mut at = [0; 3];
                (at[axis], at[(axis + 1) % 3], at[(axis + 2) % 3]) = (side, i + di, j + dj);
                vertex(at)
            });
            triangles.extend(if side == 0 { [[a, c, b], [a, d, c]] } else { [[a, b, c], [a, c, d]] });
        }
    }
    TriMesh::from_shape(mesh.positions, triangles)
}

/// A ring of radius 20 whose section has radius 8.
fn torus(around: u32, across: u32) -> TriMesh {
    let place = |i: u32, j: u32| {
        let (u, v) = (TAU * f64::from(i) / f64::from(around), TAU * f64::from(j) / f64::from(across));
        DVec3::new((20.0 + 8.0 * v.cos()) * u.cos(), (20.0 + 8.0 * v.cos()) * u.sin(), 8.0 * v.sin())
    };
    let at = |i: u32, j: u32| (i % around) * across + j % across;
    let cells = || (0..around).flat_map(|i| (0..across).map(move |j| (i, j)));
    let quads = |(i, j)| [[at(i, j), at(i + 1, j), at(i + 1, j + 1)], [at(i, j), at(i + 1, j + 1), at(i, j + 1)]];
    TriMesh::from_shape(cells().map(|(i, j)| place(i, j)).collect(), cells().flat_map(quads).collect())
}

const RED: [f32; 3] = [0.6, 0.05, 0.05];
const BLUE: [f32; 3] = [0.05, 0.05, 0.6];

/// A ball, red above and blue below its middle, with a hand-made ripple in brightness that is no border.
fn two_coloured() -> TriMesh {
    let mut mesh = sphere(DVec3::ZERO, 20.0, 5);
    let colour = |p: &DVec3| {
        let light = 1.0 + 0.05 * (p.x.sin() as f32);
        if p.z > 0.3 { RED.map(|c| c * light) } else { BLUE.map(|c| c * light) }
    };
    mesh.colours = mesh.positions.iter().map(colour).collect();
    mesh
}

/// Planes x = 1, y = 2, z = 3 meet in (1, 2, 3); seen from the origin the squares of the distances are 1, 4 and 9.
#[test]
fn three_planes_have_their_common_point_as_optimum() {
    let planes = [(DVec3::X, 1.0), (DVec3::Y, 2.0), (DVec3::Z, 3.0)];
    let sum = planes.iter().fold(Quadric::default(), |sum, (n, d)| sum + Quadric::of_plane(*n, *d, 1.0));
    let corner = DVec3::new(1.0, 2.0, 3.0);
    assert!(sum.optimum().unwrap().distance(corner) < 1e-12);
    assert!(sum.at(corner).abs() < 1e-12);
    assert!((sum.at(DVec3::ZERO) - 14.0).abs() < 1e-12);
    let moved = sum.moved(corner);
    assert!(moved.optimum().unwrap().length() < 1e-12 && (moved.at(-corner) - 14.0).abs() < 1e-12);
    let two = Quadric::of_plane(DVec3::X, 1.0, 1.0) + Quadric::of_plane(DVec3::Y, 2.0, 1.0);
    assert_eq!(two.optimum(), None);
}

#[test]
fn a_fine_cube_becomes_a_coarse_one_of_the_same_volume() {
    let fine = cube(24);
    assert!((volume_mm3(&fine) - 1000.0).abs() < 1e-9);
    let (coarse, done) = decimated(&fine, 100.0, 1e-6);
    assert!(coarse.triangles.len() <= 48, "{}", coarse.triangles.len());
    assert!((volume_mm3(&coarse) - 1000.0).abs() < 1e-9, "{}", volume_mm3(&coarse));
    let (low, high) = bounds(&coarse.positions);
    assert!(low.length() < 1e-12 && high.distance(DVec3::splat(10.0)) < 1e-12, "{low} {high}");
    assert_eq!((euler(&coarse), done.repeats), (2, 0));
}

#[test]
fn no_edge_gets_longer_than_four_thirds_of_the_target() {
    let (coarse, _) = decimated(&cube(24), 1.5, 1e-6);
    let edges = |t: usize| {
        let [a, b, c] = coarse.corners(t);
        [a.distance(b), b.distance(c), c.distance(a)]
    };
    assert!((0..coarse.triangles.len()).flat_map(edges).all(|mm| mm <= 2.0 + 1e-9));
    assert!(coarse.triangles.len() < 2000, "{}", coarse.triangles.len());
}

#[test]
fn a_ball_stays_within_the_bound_both_ways() {
    let fine = sphere(DVec3::new(5.0, -3.0, 40.0), 30.0, 6);
    let (coarse, done) = decimated(&fine, 6.0, 0.15);
    assert!(coarse.triangles.len() < fine.triangles.len() / 4, "{}", coarse.triangles.len());
    assert_eq!(euler(&coarse), 2);
    let (there, back) = (farthest(&fine, &coarse), farthest(&coarse, &fine));
    assert!(there.max(back) <= 0.15 && done.error_max_mm <= 0.15, "{there} {back} {done:?}");
    assert!(there.max(back) > 0.005, "{there} {back}: nothing was measured");
}

#[test]
fn a_ring_keeps_its_hole() {
    let fine = torus(160, 64);
    assert_eq!(euler(&fine), 0);
    let (coarse, _) = decimated(&fine, 4.0, 0.2);
    assert!(coarse.triangles.len() < fine.triangles.len() / 3, "{}", coarse.triangles.len());
    assert_eq!(euler(&coarse), 0);
    assert!(farthest(&coarse, &fine).max(farthest(&fine, &coarse)) <= 0.2);
}

/// Edges between the colours, by the places of their ends.
fn border(mesh: &TriMesh) -> BTreeSet<[[u64; 3]; 2]> {
    let is_red = |v: u32| mesh.colours[v as usize][0] > mesh.colours[v as usize][2];
    let bits = |v: u32| mesh.positions[v as usize].to_array().map(f64::to_bits);
    let sides = mesh.triangles.iter().flat_map(|[a, b, c]| [(*a, *b), (*b, *c), (*c, *a)]);
    sides.filter(|(a, b)| is_red(*a) && !is_red(*b)).map(|(a, b)| [bits(a), bits(b)]).collect()
}

#[test]
fn a_border_of_colour_stays_where_it_is() {
    let fine = two_coloured();
    let (coarse, _) = decimated(&fine, 3.0, 0.1);
    assert!(coarse.triangles.len() < fine.triangles.len() / 2, "{}", coarse.triangles.len());
    assert!(border(&fine).len() > 100);
    assert_eq!(border(&fine), border(&coarse));
    for (p, colour) in coarse.positions.iter().zip(&coarse.colours) {
        let side = if p.z > 0.3 { RED } else { BLUE };
        let [seen, meant] = [*colour, side].map(oklab_of_linear);
        let apart = (0..3).map(|i| (seen[i] - meant[i]).powi(2)).sum::<f64>().sqrt();
        assert!(apart < 0.05, "{p} {colour:?}");
    }
}

/// A ball cut level below, its floor fill: the rim stays, the floor is level to the bit and as large as before.
#[test]
fn what_is_between_skin_and_fill_stays() {
    let mut fine = cube(24);
    fine.positions.iter_mut().for_each(|p| *p += DVec3::new(0.1, 0.2, 0.7));
    let is_floor: Vec<bool> = (0..fine.triangles.len()).map(|t| fine.corners(t).iter().all(|p| p.z == 0.7)).collect();
    fine.origins = is_floor.iter().map(|is| if *is { Origin::Fill } else { Origin::Skin }).collect();
    let (coarse, _) = decimated(&fine, 5.0, 0.01);
    let fill = |mesh: &TriMesh| -> Vec<usize> {
        (0..mesh.triangles.len()).filter(|t| mesh.origins[*t] == Origin::Fill).collect()
    };
    let area = |mesh: &TriMesh| fill(mesh).iter().map(|t| -0.5 * mesh.area_vector(*t).z).sum::<f64>();
    assert!(fill(&coarse).len() < fill(&fine).len() / 3, "{}", fill(&coarse).len());
    assert!((area(&coarse) - area(&fine)).abs() < 1e-9);
    assert!(fill(&coarse).iter().all(|t| coarse.corners(*t).iter().all(|p| p.z == 0.7)));
    let rim = |mesh: &TriMesh| mesh.positions.iter().filter(|p| p.z == 0.7 && (p.x - 0.1).abs() < 1e-12).count();
    assert_eq!((rim(&fine), rim(&coarse)), (25, 25));
}

/// Two balls a hair apart: each may go 0.3 mm, the gap is 0.02 mm; what would touch is left alone.
#[test]
fn neighbours_never_meet() {
    let pair = together(sphere(DVec3::ZERO, 20.0, 5), &sphere(DVec3::new(40.02, 0.0, 0.0), 20.0, 5));
    let (coarse, _) = decimated(&pair, 6.0, 0.3);
    assert_eq!(inspect(&coarse).components, 2);
    assert!(coarse.triangles.len() < pair.triangles.len() / 3, "{}", coarse.triangles.len());
}

#[test]
fn open_meshes_and_senseless_targets_change_nothing() {
    let open = without(sphere(DVec3::ZERO, 20.0, 3), |c| c.z > 15.0);
    let target = Target { edge_mm: 10.0, error_max_mm: 1.0, colour_step_max: 0.1 };
    assert_eq!(decimate(&open, &target, oklab_of_linear).0, open);
    assert_eq!(decimate(&TriMesh::default(), &target, oklab_of_linear).0, TriMesh::default());
    let ball = sphere(DVec3::ZERO, 20.0, 3);
    for edge_mm in [0.0, -1.0, f64::NAN] {
        assert_eq!(decimate(&ball, &Target { edge_mm, ..target }, oklab_of_linear).0, ball);
    }
}

#[test]
fn any_number_of_threads_gives_the_same_mesh() {
    let run = |threads: usize| {
        let pool = rayon::ThreadPoolBuilder::new().num_threads(threads).build().unwrap();
        pool.install(|| decimated(&two_coloured(), 3.0, 0.1))
    };
    let (one, three) = (run(1), run(3));
    assert!(one == three);
}
