//! The local wrap: pieces become one where they cross, and every other triangle stays bit for bit.

use std::collections::HashSet;
use std::f64::consts::{PI, TAU};

use glam::DVec3;
use statuary::mesh::TriMesh;
use statuary::mesh::inspect::inspect;
use statuary::mesh::intersect::self_intersections;
use statuary::mesh::measure::volume_mm3;
use statuary::mesh::tree::TriTree;
use statuary::mesh::wrap::local::{Patched, wrap_crossings};

use crate::shapes::sphere;

type Corners = [[u64; 3]; 3];

fn both(mut a: TriMesh, b: &TriMesh) -> TriMesh {
    let shift = a.positions.len() as u32;
    a.positions.extend(&b.positions);
    a.colours.extend(&b.colours);
    a.origins.extend(&b.origins);
    a.triangles.extend(b.triangles.iter().map(|t| t.map(|v| v + shift)));
    a
}

/// A ring in a plane across z.
fn ring(centre: DVec3, radius: f64, thickness: f64) -> TriMesh {
    let (around, across) = (120, 16);
    let mut ring = TriMesh::default();
    for (i, j) in (0..around).flat_map(|i| (0..across).map(move |j| (i, j))) {
        let (u, v) = (TAU * f64::from(i) / f64::from(around), TAU * f64::from(j) / f64::from(across));
        let out = radius + thickness * v.cos();
        ring.positions.push(centre + DVec3::new(out * u.cos(), out * u.sin(), thickness * v.sin()));
        let at = |i: u32, j: u32| i % around * across + j % across;
        ring.triangles.push([at(i, j), at(i + 1, j), at(i + 1, j + 1)]);
        ring.triangles.push([at(i, j), at(i + 1, j + 1), at(i, j + 1)]);
    }
    TriMesh::from_shape(ring.positions, ring.triangles)
}

fn corners(mesh: &TriMesh) -> impl Iterator<Item = Corners> {
    (0..mesh.triangles.len()).map(|t| {
        let mut corners = mesh.corners(t).map(|p| p.to_array().map(f64::to_bits));
        corners.sort_unstable();
        corners
    })
}

/// Wraps and checks what always holds; of the triangles that may stay, tells the share that did.
fn wrapped(soup: &TriMesh, voxel_mm: f64, may_stay: impl Fn(DVec3) -> bool) -> (Patched, f64) {
    let done = wrap_crossings(soup, voxel_mm).unwrap();
    let faults = inspect(&done.mesh);
    assert!(faults.is_solid() && faults.components == 1, "{faults:?}");
    assert!(self_intersections(&done.mesh).is_empty());
    let tree = TriTree::new(&soup.positions, &soup.triangles);
    let off = |p: &DVec3| tree.nearest(*p, f64::INFINITY).unwrap().distance;
    let farthest = done.mesh.positions.iter().map(off).fold(0.0, f64::max);
    assert!(farthest < 0.5 * voxel_mm, "{farthest}");
    let there: HashSet<Corners> = corners(&done.mesh).collect();
    let middle = |t: usize| soup.corners(t).iter().sum::<DVec3>() / 3.0;
    let due = corners(soup).enumerate().filter(|(t, _)| may_stay(middle(*t)));
    let (stayed, all) =
        due.fold((0.0, 0.0), |(stayed, all), (_, t)| (stayed + f64::from(u8::from(there.contains(&t))), all + 1.0));
    (done, stayed / all)
}

/// The union of two balls has 2 V - lens, lens = pi (4 r + d) (2 r - d)^2 / 12; their seam lies in the plane between.
#[test]
fn two_balls_keep_all_triangles_off_their_seam() {
    let (r, d, voxel_mm) = (200.0, 250.0, 4.0);
    let ball = sphere(DVec3::ZERO, r, 5);
    let balls = both(ball.clone(), &sphere(DVec3::new(3.0, 5.0, d), r, 5));
    let seam_off = |p: DVec3| (p.z - 0.5 * d).abs() > 60.0;
    let outside = |p: DVec3| seam_off(p) && p.length() > 0.99 * r && p.distance(DVec3::new(3.0, 5.0, d)) > 0.99 * r;
    let (done, stayed) = wrapped(&balls, voxel_mm, outside);
    assert!(stayed == 1.0, "{stayed}");
    assert!(done.share < 0.1 && done.regions.len() == 2);
    let lens = PI * (4.0 * r + d) * (2.0 * r - d) * (2.0 * r - d) / 12.0;
    let share = volume_mm3(&done.mesh) / (2.0 * volume_mm3(&ball) - lens);
    assert!((share - 1.0).abs() < 1e-3, "{share}");
}

/// As glasses do, rings dip into a ball; they stay rings outside.
#[test]
fn rings_at_a_ball_are_joined_where_they_dip_in() {
    let head = sphere(DVec3::ZERO, 100.0, 5);
    let rims = [30.0, -30.0].map(|y| ring(DVec3::new(99.0, y, 10.0), 20.0, 3.0));
    let soup = both(both(head.clone(), &rims[0]), &rims[1]);
    let (done, stayed) = wrapped(&soup, 1.5, |p| p.x < 70.0 && p.length() > 99.0 || p.x > 112.0);
    assert!(stayed == 1.0 && done.share < 0.05, "{stayed} {}", done.share);
    // Each ring that bridges out of the ball adds a handle: V - E + F = 2 - 2 g.
    let (vertices, faces) = (done.mesh.positions.len() as i64, done.mesh.triangles.len() as i64);
    assert_eq!(vertices - faces / 2, 2 - 2 * 2);
    assert!(volume_mm3(&done.mesh) > volume_mm3(&head));
}

/// A bar along the curve (t^2 - 1, t^3 - t), whose ends cross each other at the origin.
#[test]
fn an_arm_that_runs_through_its_own_body_is_joined_to_it() {
    let mut bar = sphere(DVec3::ZERO, 1.0, 6);
    for p in &mut bar.positions {
        let t = 1.4 * p.x;
        let along = DVec3::new(2.0 * t, 3.0 * t * t - 1.0, 0.0).normalize();
        let middle = 60.0 * DVec3::new(t * t - 1.0, t * t * t - t, 0.0);
        *p = middle + 12.0 * (p.y * DVec3::new(-along.y, along.x, 0.0) + p.z * DVec3::Z);
    }
    if volume_mm3(&bar) < 0.0 {
        bar.triangles.iter_mut().for_each(|t| t.swap(1, 2));
    }
    assert!(!self_intersections(&bar).is_empty());
    let (done, stayed) = wrapped(&bar, 1.5, |p| p.length() > 40.0);
    assert!(stayed == 1.0, "{stayed}");
    assert!(volume_mm3(&done.mesh) < volume_mm3(&bar), "what was counted twice is there once");
}

#[test]
fn a_surface_that_does_not_cross_stays_and_an_open_one_is_refused() {
    let ball = sphere(DVec3::ZERO, 10.0, 3);
    let done = wrap_crossings(&ball, 1.0).unwrap();
    assert!(done.regions.is_empty() && done.mesh.triangles == ball.triangles);
    let mut open = ball;
    open.triangles.pop();
    open.origins.pop();
    assert!(wrap_crossings(&open, 1.0).unwrap_err().contains("not closed"));
}
