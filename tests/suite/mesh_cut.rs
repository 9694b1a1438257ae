//! Plane cuts: published measures of cut solids, both sides alike bit by bit, closed halves, sockets, cuts of cuts.

#![allow(clippy::float_cmp, reason = "lattice coordinates are compared exactly")]

use std::collections::BTreeMap;
use std::f64::consts::{PI, TAU};

use glam::{DVec2, DVec3};
use statuary::mesh::cut::{self, CutError, Plane, Socket};
use statuary::mesh::{Origin, TriMesh, measure};
use statuary::units::{LATTICE_MM, snap_between_mm, snap_mm};

/// A mesh over points rounded to the lattice.
pub fn solid(points: Vec<DVec3>, triangles: Vec<[u32; 3]>) -> TriMesh {
    let snapped = points.into_iter().map(|p| DVec3::new(snap_mm(p.x), snap_mm(p.y), snap_mm(p.z))).collect();
    TriMesh::from_shape(snapped, triangles)
}

pub fn brick(low: DVec3, high: DVec3) -> TriMesh {
    let corner = |i: usize| DVec3::new([low.x, high.x][i & 1], [low.y, high.y][i >> 1 & 1], [low.z, high.z][i >> 2]);
    let quads = [[0, 2, 3, 1], [4, 5, 7, 6], [0, 1, 5, 4], [2, 6, 7, 3], [0, 4, 6, 2], [1, 3, 7, 5]];
    let triangles = quads.iter().flat_map(|[a, b, c, d]| [[*a, *b, *c], [*a, *c, *d]]).collect();
    solid((0..8).map(corner).collect(), triangles)
}

pub fn sphere(radius: f64, rings: u32) -> TriMesh {
    let around = 2 * rings;
    let mut points = vec![DVec3::Z * radius, -DVec3::Z * radius];
    let mut triangles = Vec::new();
    let at = |ring: u32, i: u32| 2 + (ring - 1) * around + i % around;
    for ring in 1..rings {
        let polar = PI * f64::from(ring) / f64::from(rings);
        for i in 0..around {
            let turn = TAU * f64::from(i) / f64::from(around);
            points.push(radius * DVec3::new(polar.sin() * turn.cos(), polar.sin() * turn.sin(), polar.cos()));
            match ring {
                1 => triangles.push([0, at(1, i), at(1, i + 1)]),
                _ => triangles.extend([
                    [at(ring - 1, i), at(ring, i), at(ring, i + 1)],
                    [at(ring - 1, i), at(ring, i + 1), at(ring - 1, i + 1)],
                ]),
            }
            if ring == rings - 1 {
                triangles.push([1, at(ring, i + 1), at(ring, i)]);
            }
        }
    }
    solid(points, triangles)
}

/// A torus around the z axis.
pub fn torus(big: f64, small: f64, steps: [u32; 2]) -> TriMesh {
    let [along, across] = steps;
    let at = |i: u32, j: u32| (i % along) * across + j % across;
    let mut points = Vec::new();
    let mut triangles = Vec::new();
    for i in 0..along {
        let u = TAU * f64::from(i) / f64::from(along);
        for j in 0..across {
            let v = TAU * f64::from(j) / f64::from(across);
            let reach = big + small * v.cos();
            points.push(DVec3::new(reach * u.cos(), reach * u.sin(), small * v.sin()));
            triangles.extend([[at(i, j), at(i + 1, j), at(i + 1, j + 1)], [at(i, j), at(i + 1, j + 1), at(i, j + 1)]]);
        }
    }
    solid(points, triangles)
}

pub fn assert_closed(mesh: &TriMesh) {
    let mut edges = BTreeMap::new();
    for [a, b, c] in &mesh.triangles {
        for edge in [(*a, *b), (*b, *c), (*c, *a)] {
            *edges.entry(edge).or_insert(0) += 1;
        }
    }
    assert!(!edges.is_empty());
    assert!(edges.iter().all(|((a, b), n)| *n == 1 && edges.contains_key(&(*b, *a)) && a != b));
    assert_eq!(mesh.triangles.len(), mesh.origins.len());
    assert_eq!(mesh.positions.len(), mesh.colours.len());
}

pub fn cap_area(mesh: &TriMesh, joint: u16) -> f64 {
    let of = |t: usize| if mesh.origins[t] == Origin::Cut(joint) { mesh.area_vector(t).length() / 2.0 } else { 0.0 };
    (0..mesh.triangles.len()).map(of).sum()
}

/// Cut-face triangles as sorted corner bits, the lowest corner first.
fn cap_bits(mesh: &TriMesh, joint: u16, reversed: bool) -> Vec<[[u64; 3]; 3]> {
    let faces = (0..mesh.triangles.len()).filter(|t| mesh.origins[*t] == Origin::Cut(joint));
    let mut bits: Vec<_> = faces
        .map(|t| {
            let mut corners = mesh.corners(t).map(|p| p.to_array().map(f64::to_bits));
            if reversed {
                corners.reverse();
            }
            let first = (0..3).min_by_key(|i| corners[*i]).unwrap();
            corners.rotate_left(first);
            corners
        })
        .collect();
    bits.sort_unstable();
    bits
}

pub fn assert_close(found: f64, expected: f64, relative: f64, what: &str) {
    assert!((found - expected).abs() <= relative * expected.abs(), "{what}: {found} instead of {expected}");
}

/// Cuts and checks everything that holds for any cut; returns volumes and areas below and above, and the cut face's.
pub fn measured(mesh: &TriMesh, plane: Plane) -> [f64; 5] {
    let halves = cut::halves(mesh, plane, 7).unwrap();
    let (below, above) = (&halves.below.mesh, &halves.above.mesh);
    for (half, up) in [(below, true), (above, false)] {
        assert_closed(half);
        let side = |p: &DVec3| plane.holds(*p) || plane.lies_under(*p) != up;
        assert!(half.positions.iter().all(side));
        let normal = if up { plane.normal() } else { -plane.normal() };
        let caps = (0..half.triangles.len()).filter(|t| half.origins[*t] == Origin::Cut(7));
        caps.for_each(|t| assert!(half.area_vector(t).dot(normal) > 0.0));
    }
    assert_eq!(cap_bits(below, 7, false), cap_bits(above, 7, true));
    for (piece, t) in [&halves.below, &halves.above].iter().flat_map(|p| (0..p.source.len()).map(move |t| (p, t))) {
        let source = piece.source[t];
        assert_eq!(source == cut::NO_SOURCE, piece.mesh.origins[t] == Origin::Cut(7));
        if source != cut::NO_SOURCE {
            let [a, b, c] = mesh.corners(source as usize);
            let normal = (b - a).cross(c - a).normalize();
            assert!(piece.mesh.corners(t).iter().all(|p| (*p - a).dot(normal).abs() < 3.0 * LATTICE_MM));
        }
    }
    let volumes = [below, above].map(measure::volume_mm3);
    let areas = [below, above].map(measure::area_mm2);
    // Rounding a rim point moves the crossed triangles by less than a lattice step.
    let side = |v: u32| plane.lies_under(mesh.positions[v as usize]);
    let crossed = |t: &usize| mesh.triangles[*t].iter().any(|v| side(*v) != side(mesh.triangles[*t][0]));
    let moved: f64 = (0..mesh.triangles.len()).filter(crossed).map(|t| mesh.area_vector(t).length() / 2.0).sum();
    assert!((volumes[0] + volumes[1] - measure::volume_mm3(mesh)).abs() <= LATTICE_MM * moved);
    assert_close(areas[0] + areas[1], measure::area_mm2(mesh) + 2.0 * halves.area_mm2, 1e-5, "area");
    assert_close(cap_area(below, 7), halves.area_mm2, if plane.is_sloped() { 1e-7 } else { 1e-12 }, "cut face");
    [volumes[0], volumes[1], areas[0], areas[1], halves.area_mm2]
}

/// Half a lattice step above a length, where planes lie.
fn beside(length_mm: f64) -> f64 {
    snap_between_mm(length_mm)
}

#[test]
fn a_cube_is_halved() {
    // Elementary: V .5 + .5, A 4 each, cut face 1, all in units of the edge.
    let cube = brick(DVec3::splat(-50.0), DVec3::splat(50.0));
    for axis in 0..3 {
        let found = measured(&cube, Plane::new(axis, beside(0.0)));
        for (found, expected) in found.iter().zip([5e5, 5e5, 4e4, 4e4, 1e4]) {
            assert_close(*found, expected, 1e-5, "half cube");
        }
    }
}

#[test]
fn an_octahedron_is_halved_beside_its_four_corners() {
    // Elementary: V 2/3 + 2/3, cut face 2, A 2 + 2 sqrt(3) each, for corners at unit distance.
    let corners = [DVec3::X, -DVec3::X, DVec3::Y, -DVec3::Y, DVec3::Z, -DVec3::Z].map(|p| p * 100.0);
    let faces = [[0, 2, 4], [2, 1, 4], [1, 3, 4], [3, 0, 4], [2, 0, 5], [1, 2, 5], [3, 1, 5], [0, 3, 5]];
    let found = measured(&solid(corners.to_vec(), faces.to_vec()), Plane::new(2, beside(0.0)));
    let half = 1e4 * (2.0 + 12.0_f64.sqrt());
    for (found, expected) in found.iter().zip([2e6 / 3.0, 2e6 / 3.0, half, half, 2e4]) {
        assert_close(*found, expected, 1e-5, "half octahedron");
    }
}

#[test]
fn a_tetrahedron_is_cut_at_half_its_height() {
    // Elementary: of the corner tetrahedron (V 1/6) the upper part is 1/8, the cut face (1/2)(1/2)^2.
    let corners = vec![DVec3::ZERO, DVec3::X * 100.0, DVec3::Y * 100.0, DVec3::Z * 100.0];
    let tetrahedron = solid(corners, vec![[0, 2, 1], [0, 1, 3], [1, 2, 3], [0, 3, 2]]);
    let found = measured(&tetrahedron, Plane::new(2, beside(50.0)));
    assert_close(found[0], 1e6 / 6.0 * 7.0 / 8.0, 1e-5, "below");
    assert_close(found[1], 1e6 / 6.0 / 8.0, 1e-5, "above");
    assert_close(found[4], 1250.0, 1e-5, "cut face");
}

#[test]
fn a_torus_shows_a_ring_or_two_discs() {
    // Torus R = 2, r = .5: V = 2 pi^2 R r^2 = 9.869604; section z = 0 an annulus of 12.566371 = pi (2.5^2 - 1.5^2), section
    // x = 0 two discs of together 1.570796.
    let torus = torus(200.0, 50.0, [640, 320]);
    // A ring of vertices lies at z = 0, so the plane keeps some steps away.
    let flat = measured(&torus, Plane::new(2, beside(0.001)));
    assert_close(flat[0] + flat[1], 9.869_604e6, 2e-4, "volume");
    assert_close(flat[4], 125_663.71, 2e-4, "annulus");
    let upright = measured(&torus, Plane::new(0, beside(0.0)));
    assert_close(upright[4], 15_707.96, 2e-4, "two discs");
    assert_close(upright[0], upright[1], 1e-5, "halves");
    assert_eq!(cut::section(&torus, Plane::new(0, beside(0.0))).unwrap().regions.len(), 2);
    assert_eq!(cut::section(&torus, Plane::new(2, beside(0.001))).unwrap().regions.len(), 1);
}

#[test]
fn a_sphere_loses_its_cap() {
    // Spherical cap of a unit sphere above z = .5: pi h^2 (3 - h) / 3 = .654498, disc .75 pi = 2.356194.
    let found = measured(&sphere(100.0, 256), Plane::new(2, beside(50.0)));
    assert_close(found[1], 0.654_498e6, 5e-4, "cap");
    assert_close(found[4], 2.356_194e4, 5e-4, "disc");
}

#[test]
fn crossings_that_fall_together_are_merged_or_refused() {
    // Just above a pole's ring of vertices, many crossings round to few lattice points.
    let ball = sphere(100.0, 64);
    let step = LATTICE_MM;
    for level in [-60.0, 0.0, 31.0, 92.3] {
        let ring = ball.positions.iter().map(|p| p.z).min_by(|a, b| (a - level).abs().total_cmp(&(b - level).abs()));
        for n in -6..6 {
            let plane = Plane::new(2, ring.unwrap() + step * (f64::from(n) + 0.5));
            match cut::halves(&ball, plane, 0) {
                Ok(_) => drop(measured(&ball, plane)),
                Err(error) => assert_eq!(error, CutError::Touches),
            }
        }
    }
    let corners = vec![DVec3::ZERO, DVec3::X, DVec3::Y, DVec3::Z * 1000.0];
    let spike = solid(corners, vec![[0, 2, 1], [0, 1, 3], [1, 2, 3], [0, 3, 2]]);
    let refused = |mesh, offset_mm| cut::halves(mesh, Plane::new(2, offset_mm), 0).err();
    assert_eq!(refused(&spike, 1000.0 - 0.5 * step), Some(CutError::Touches));
    assert_eq!(refused(&ball, 0.0), Some(CutError::VertexOnPlane));
    assert_eq!(refused(&ball, 101.3), Some(CutError::Misses));
}

#[test]
fn an_open_mesh_is_refused() {
    let mut ball = sphere(50.0, 24);
    let across = |t: &[u32; 3]| t.iter().any(|v| ball.positions[*v as usize].z > 3.0);
    let hole = ball.triangles.iter().position(|t| across(t) && !t.iter().all(|v| ball.positions[*v as usize].z > 3.0));
    ball.triangles.remove(hole.unwrap());
    ball.origins.pop();
    assert_eq!(cut::halves(&ball, Plane::new(2, beside(3.0)), 0).unwrap_err(), CutError::Open);
}

#[test]
fn pieces_part_where_the_chosen_regions_part_them() {
    let ring = torus(200.0, 50.0, [96, 48]);
    let section = cut::section(&ring, Plane::new(0, beside(1.0))).unwrap();
    assert_eq!(cut::pieces(&ring, &section, &[true, false], 0).unwrap_err(), CutError::StillJoined);
    let whole = cut::pieces(&ring, &section, &[true, true], 0).unwrap();
    assert_eq!((whole.pieces.len(), whole.seams.len()), (2, 2));
    assert!(whole.seams.iter().all(|s| s.below != s.above));

    // Half a ring, lying with its ends up: cut off one end only.
    let half = &whole.pieces[whole.seams[0].above].mesh;
    let section = cut::section(half, Plane::new(0, beside(40.0))).unwrap();
    assert_eq!(section.regions.len(), 2);
    let ends = cut::pieces(half, &section, &[false, true], 1).unwrap();
    assert_eq!((ends.pieces.len(), ends.seams.len()), (2, 1));
    ends.pieces.iter().for_each(|p| assert_closed(&p.mesh));
    let sum: f64 = ends.pieces.iter().map(|p| measure::volume_mm3(&p.mesh)).sum();
    assert_close(sum, measure::volume_mm3(half), 1e-9, "volume");
}

#[test]
fn an_earlier_cut_face_is_cut_and_filled_anew() {
    let ball = sphere(100.0, 100);
    let first = cut::halves(&ball, Plane::new(2, beside(10.0)), 3).unwrap();
    let second = cut::halves(&first.below.mesh, Plane::new(0, beside(-7.0)), 4).unwrap();
    let third = cut::halves(&second.above.mesh, Plane::new(1, beside(21.0)), 5).unwrap();
    let quarters = [&second.below.mesh, &third.below.mesh, &third.above.mesh];
    let areas: Vec<f64> = quarters.iter().map(|m| cap_area(m, 3)).collect();
    assert_close(areas.iter().sum(), first.area_mm2, 1e-7, "first cut face");
    let sum: f64 = quarters.iter().map(|m| measure::volume_mm3(m)).sum();
    assert_close(sum, measure::volume_mm3(&first.below.mesh), 1e-9, "volume");
    for mesh in quarters {
        assert_closed(mesh);
        for flat in cut::flats(mesh) {
            let on = |t: &usize| mesh.origins[*t] == Origin::Cut(flat.joint);
            let corners = (0..mesh.triangles.len()).filter(on).flat_map(|t| mesh.corners(t));
            assert!(corners.into_iter().all(|p| flat.plane.height(p) == flat.plane.offset_mm));
        }
    }
    assert_eq!(cut::flats(quarters[2]).iter().map(|f| f.joint).collect::<Vec<_>>(), [3, 4, 5]);
}

#[test]
fn sockets_match_on_both_sides() {
    let halves = cut::halves(&sphere(100.0, 64), Plane::new(1, beside(12.0)), 2).unwrap();
    let socket = |x: f64, y: f64| Socket { joint: 2, centre: DVec2::new(x, y), radius_mm: 4.15, depth_mm: 18.0 };
    let sockets = [socket(-40.3, 11.0), socket(47.7, 3.1)];
    let mut mouths = Vec::new();
    for half in [&halves.below, &halves.above] {
        let flat = cut::flats(&half.mesh)[0];
        let keyed = cut::add_sockets(&half.mesh, &flat, &sockets).unwrap();
        assert_closed(&keyed.mesh);
        // Prism with 24 sides around a circle: area n r^2 tan(pi / n).
        let prism = 24.0 * 4.15 * 4.15 * (PI / 24.0).tan();
        let taken = measure::volume_mm3(&half.mesh) - measure::volume_mm3(&keyed.mesh);
        assert_close(taken, 2.0 * 18.0 * prism, 1e-4, "sockets");
        assert_close(cap_area(&keyed.mesh, 2), halves.area_mm2 - 2.0 * prism, 1e-5, "cut face");
        mouths.push(cap_bits(&keyed.mesh, 2, flat.faces_up));
    }
    assert_eq!(mouths[0], mouths[1]);
    let crossing = [socket(0.0, 0.0), socket(5.0, 0.0)];
    let flat = cut::flats(&halves.below.mesh)[0];
    assert_eq!(cut::add_sockets(&halves.below.mesh, &flat, &crossing).unwrap_err(), CutError::Touches);
}
