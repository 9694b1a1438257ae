//! Cuts by sloped planes: published measures of cut solids, cuts across earlier cut faces, sections of many kinds.

use std::f64::consts::PI;

use glam::{DVec2, DVec3};
use statuary::mesh::cut::{self, CutError, Plane, Socket};
use statuary::mesh::inspect::inspect;
use statuary::mesh::intersect::self_intersections;
use statuary::mesh::{Origin, TriMesh, measure};
use statuary::units::{LATTICE_MM, snap_mm};

use crate::mesh_cut::{assert_close, assert_closed, brick, cap_area, measured, solid, sphere, torus};

/// Numbers between -1 and 1 that look random and are always the same.
fn noise(seed: u64) -> f64 {
    let hash = blake3::hash(&seed.to_le_bytes());
    let bytes: [u8; 4] = hash.as_bytes()[..4].try_into().unwrap();
    f64::from(u32::from_le_bytes(bytes)) / f64::from(u32::MAX) * 2.0 - 1.0
}

/// A direction that looks random.
pub fn direction(seed: u64) -> DVec3 {
    DVec3::new(noise(3 * seed), noise(3 * seed + 1), noise(3 * seed + 2)).try_normalize().unwrap_or(DVec3::X)
}

/// A closed body with bumps, in no direction symmetric; about 50 mm in radius.
pub fn bumpy(rings: u32) -> TriMesh {
    let mut mesh = sphere(50.0, rings);
    for p in &mut mesh.positions {
        let n = *p / 50.0;
        let bumps = 0.14 * (9.0 * n.x + 1.0).sin() + 0.11 * (11.0 * n.y).cos() * n.z + 0.07 * (14.0 * n.z + n.x).sin();
        *p = (*p * (1.0 + bumps)).map(snap_mm);
    }
    mesh
}

fn octahedron() -> TriMesh {
    let corners = [DVec3::X, -DVec3::X, DVec3::Y, -DVec3::Y, DVec3::Z, -DVec3::Z].map(|p| p * 100.0);
    let faces = [[0, 2, 4], [2, 1, 4], [1, 3, 4], [3, 0, 4], [2, 0, 5], [1, 2, 5], [3, 1, 5], [0, 3, 5]];
    solid(corners.to_vec(), faces.to_vec())
}

#[test]
fn a_cube_across_its_diagonal_shows_a_hexagon() {
    // Elementary, for a unit edge: V 1/2 each, a regular hexagon of side 1/sqrt 2, so 3 sqrt(3) / 4; A 3 + that each.
    let cube = brick(DVec3::splat(-50.0), DVec3::splat(50.0));
    let hexagon = 1e4 * 0.75 * 3.0_f64.sqrt();
    for signs in [[1.0, 1.0], [-1.0, 1.0], [1.0, -1.0], [-1.0, -1.0]] {
        let plane = Plane::across(DVec3::new(1.0, signs[0], signs[1]), DVec3::ZERO);
        let found = measured(&cube, plane);
        for (found, expected) in found.iter().zip([5e5, 5e5, 3e4 + hexagon, 3e4 + hexagon, hexagon]) {
            assert_close(*found, expected, 1e-6, "half cube");
        }
    }
}

#[test]
fn a_tetrahedron_is_cut_through_an_edge() {
    // Elementary: the corner tetrahedron (V 1/6, A 3/2 + sqrt(3)/2) is halved by x = y, which holds one edge; the cut face
    // is a right triangle with legs 1 and 1/sqrt 2, so sqrt(2) / 4.
    let corners = vec![DVec3::ZERO, DVec3::X * 100.0, DVec3::Y * 100.0, DVec3::Z * 100.0];
    let tetrahedron = solid(corners, vec![[0, 2, 1], [0, 1, 3], [1, 2, 3], [0, 3, 2]]);
    let face = 1e4 * 2.0_f64.sqrt() / 4.0;
    // The edge lies within a lattice step of the plane, so crossings fall together there: that may be refused, not faked.
    match cut::halves(&tetrahedron, Plane::across(DVec3::new(1.0, -1.0, 0.0), DVec3::ZERO), 7) {
        Err(error) => assert_eq!(error, CutError::Touches),
        Ok(halves) => assert_close(halves.area_mm2, face, 1e-5, "cut face"),
    }
    let found = measured(&tetrahedron, Plane::across(DVec3::new(1.0, -1.0, 0.0), DVec3::new(0.001, 0.0, 0.0)));
    let skin = 1e4 * (1.5 + 0.75_f64.sqrt()) / 2.0;
    for (found, expected) in found.iter().zip([1e6 / 12.0, 1e6 / 12.0, skin + face, skin + face, face]) {
        assert_close(*found, expected, 1e-4, "half tetrahedron");
    }
}

#[test]
fn an_octahedron_is_cut_through_four_corners_and_across_two_faces() {
    // Elementary, corners at unit distance: V 4/3; the plane x = y holds two corners and cuts a rhombus with diagonals 2
    // and sqrt 2, so sqrt 2; x + y + z = 0 cuts a regular hexagon of side 1/sqrt 2, so 3 sqrt(3) / 4.
    let half = 2e6 / 3.0;
    let rhombus = 1e4 * 2.0_f64.sqrt();
    let found = measured(&octahedron(), Plane::across(DVec3::new(1.0, -1.0, 0.0), DVec3::new(0.001, 0.0, 0.0)));
    for (found, expected) in [(found[0], half), (found[1], half), (found[4], rhombus)] {
        assert_close(found, expected, 5e-5, "octahedron across x = y");
    }
    let hexagon = 1e4 * 0.75 * 3.0_f64.sqrt();
    let found = measured(&octahedron(), Plane::across(DVec3::ONE, DVec3::ZERO));
    for (found, expected) in [(found[0], half), (found[1], half), (found[4], hexagon)] {
        assert_close(found, expected, 1e-6, "octahedron across its faces");
    }
}

#[test]
fn a_torus_shows_two_circles_where_a_plane_touches_it_twice() {
    // Villarceau: a plane through the centre sloped by asin(r / R) cuts two circles of radius R that cross; just beside it
    // the section's area is that of both discs less twice their lens, here by the circles' distance 2 r.
    let (big, small) = (200.0, 50.0);
    let ring = torus(big, small, [480, 240]);
    let slope: f64 = f64::asin(small / big);
    let plane = Plane::across(DVec3::new(-slope.sin(), 0.0, slope.cos()), DVec3::new(0.0, 0.0, 0.4));
    let found = measured(&ring, plane);
    let lens = 2.0 * big * big * (small / big).acos() - 2.0 * small * (big * big - small * small).sqrt();
    assert_close(found[4], 2.0 * (PI * big * big - lens), 5e-3, "both crescents");
    assert_close(found[0] + found[1], measure::volume_mm3(&ring), 1e-9, "volume");
    assert!(cut::section(&ring, plane).unwrap().regions.len() <= 2);
}

#[test]
fn a_sphere_is_cut_alike_from_all_sides() {
    // Spherical cap of height h of the sphere: pi h^2 (3 r - h) / 3, its disc pi h (2 r - h).
    let ball = sphere(100.0, 200);
    for i in 0..12 {
        let normal = direction(i);
        let height = 100.0 - 80.0 * noise(500 + i).abs();
        let plane = Plane::across(normal, normal * (100.0 - height));
        let found = measured(&ball, plane);
        let cap = if normal.dot(plane.normal()) > 0.0 { found[1] } else { found[0] };
        assert_close(cap, PI * height * height * (300.0 - height) / 3.0, 1e-3, "cap");
        assert_close(found[4], PI * height * (200.0 - height), 1e-3, "disc");
    }
}

#[test]
fn volume_and_area_stay_whatever_the_slope() {
    let body = bumpy(90);
    let (volume, area) = (measure::volume_mm3(&body), measure::area_mm2(&body));
    for i in 0..40 {
        let plane = Plane::across(direction(100 + i), DVec3::splat(20.0 * noise(900 + i)));
        let halves = cut::halves(&body, plane, 1).unwrap();
        let [below, above] = [&halves.below.mesh, &halves.above.mesh];
        let sums = [measure::volume_mm3, measure::area_mm2].map(|f: fn(&TriMesh) -> f64| f(below) + f(above));
        // Rounding rim points shifts a few thousandths of a cubic millimetre between curved facets.
        assert_close(sums[0], volume, 2e-9, "volume");
        assert_close(sums[1], area + cap_area(below, 1) + cap_area(above, 1), 2e-8, "area");
        assert_close(cap_area(below, 1), cap_area(above, 1), 1e-12, "cut faces");
        for half in [below, above] {
            assert!(inspect(half).is_solid());
            assert_eq!(self_intersections(half), Vec::<[u32; 2]>::new());
            let rim = half.positions.iter().filter(|p| p.map(snap_mm) != **p);
            rim.for_each(|p| assert!(plane.height(*p) == plane.offset_mm, "off the plane"));
        }
    }
}

#[test]
fn earlier_cut_faces_are_cut_and_filled_anew_by_any_plane() {
    let ball = sphere(100.0, 80);
    let planes = [
        Plane::across(DVec3::new(0.2, -0.1, 1.0), DVec3::new(0.0, 0.0, 10.0)),
        Plane::new(0, 0.5 * LATTICE_MM - 7.0),
        Plane::across(DVec3::new(-0.3, 1.0, 0.4), DVec3::new(0.0, 21.0, 0.0)),
        Plane::across(DVec3::new(0.6, 0.5, -0.7), DVec3::new(5.0, -3.0, 1.0)),
        Plane::across(DVec3::new(0.1, 0.02, 1.0), DVec3::new(0.0, 0.0, -15.0)),
        Plane::new(2, 0.5 * LATTICE_MM - 40.0),
    ];
    let mut parts = vec![ball.clone()];
    for (joint, plane) in (1_u16..).zip(planes) {
        let cut = |part: TriMesh| match cut::halves(&part, plane, joint) {
            Ok(halves) => vec![halves.below.mesh, halves.above.mesh],
            Err(error) => {
                assert_eq!(error, CutError::Misses);
                vec![part]
            }
        };
        parts = parts.into_iter().flat_map(cut).collect();
    }
    assert!(parts.len() > 12, "{} parts", parts.len());
    let sum: f64 = parts.iter().map(measure::volume_mm3).sum();
    assert_close(sum, measure::volume_mm3(&ball), 1e-8, "volume");
    for part in &parts {
        assert_closed(part);
        assert!(inspect(part).is_solid());
        assert_eq!(self_intersections(part), Vec::<[u32; 2]>::new());
        for flat in cut::flats(part) {
            let plane = planes[usize::from(flat.joint) - 1];
            assert_eq!((flat.plane.axis, flat.plane.slope), (plane.axis, plane.slope), "the plane is found again");
            assert!((flat.plane.offset_mm - plane.offset_mm).abs() < 2.0 * LATTICE_MM);
        }
        let joints = part.origins.iter().filter_map(|o| o.joint()).collect::<std::collections::BTreeSet<_>>();
        assert_eq!(cut::flats(part).len(), joints.len());
    }
    for joint in 1..=6 {
        // Both sides of every cut show the same area.
        let facing = |up: bool| -> f64 {
            let side = |m: &&TriMesh| cut::flats(m).iter().any(|f| f.joint == joint && f.faces_up == up);
            parts.iter().filter(side).map(|m| cap_area(m, joint)).sum()
        };
        assert_close(facing(true), facing(false), 1e-6, "both sides");
    }
}

#[test]
fn sockets_stand_square_on_a_sloped_face() {
    let plane = Plane::across(DVec3::new(0.3, 1.0, -0.45), DVec3::new(3.0, 12.0, 0.0));
    let halves = cut::halves(&sphere(100.0, 64), plane, 2).unwrap();
    let middle = plane.within(DVec3::new(3.0, 12.0, 0.0));
    let socket =
        |x: f64, y: f64| Socket { joint: 2, centre: middle + DVec2::new(x, y), radius_mm: 4.15, depth_mm: 18.0 };
    let sockets = [socket(-40.3, 11.0), socket(47.7, 3.1)];
    let mut mouths = Vec::new();
    for half in [&halves.below, &halves.above] {
        let flat = cut::flats_in(&half.mesh, |_| Some(plane))[0];
        let keyed = cut::add_sockets(&half.mesh, &flat, &sockets).unwrap().mesh;
        assert_closed(&keyed);
        assert_eq!(self_intersections(&keyed), Vec::<[u32; 2]>::new());
        // Prism with 24 sides around a circle: area n r^2 tan(pi / n).
        let prism = 24.0 * 4.15 * 4.15 * (PI / 24.0).tan();
        let taken = measure::volume_mm3(&half.mesh) - measure::volume_mm3(&keyed);
        assert_close(taken, 2.0 * 18.0 * prism, 1e-4, "sockets");
        assert_close(
            taken,
            -sockets.iter().map(|s| s.feature().added_mm3(plane, true)).sum::<f64>(),
            1e-4,
            "sockets as told",
        );
        let floors = keyed.positions.iter().map(|p| plane.above_mm(*p).abs()).filter(|d| (d - 18.0).abs() < 1e-3);
        assert_eq!(floors.count(), 48);
        let rim = |p: &&DVec3| plane.holds(**p);
        mouths.push(keyed.positions.iter().filter(rim).map(|p| p.to_array().map(f64::to_bits)).collect::<Vec<_>>());
    }
    for mouth in &mut mouths {
        mouth.sort_unstable();
    }
    assert_eq!(mouths[0], mouths[1]);
}

#[test]
fn sections_of_many_kinds_never_panic() {
    // Coplanar faces, vertices on the plane, tiny outlines, several and nested ones, planes beside everything.
    let ring = torus(60.0, 20.0, [24, 12]);
    let cube = brick(DVec3::splat(-30.0), DVec3::splat(30.0));
    let mut hollow = cube.clone();
    let inner = brick(DVec3::splat(-20.0), DVec3::splat(20.0));
    hollow.append(&TriMesh { triangles: inner.triangles.iter().map(|[a, b, c]| [*a, *c, *b]).collect(), ..inner });
    let mut made = 0;
    for (m, mesh) in [&ring, &cube, &hollow, &octahedron(), &sphere(0.01, 8)].into_iter().enumerate() {
        for i in 0..60 {
            let seed = 1000 * m as u64 + i;
            let exact = DVec3::new(1.0, f64::from(i as u32 % 3) - 1.0, f64::from(i as u32 / 3 % 3) - 1.0);
            let normal = if i % 2 == 0 { exact } else { direction(seed) };
            let through = mesh.positions[(i as usize * 7) % mesh.positions.len()];
            let point = if i % 3 == 0 { through } else { through * noise(seed).abs() };
            let plane = Plane::across(normal, point);
            match cut::halves(mesh, plane, 3) {
                Ok(halves) => {
                    made += 1;
                    for half in [&halves.below.mesh, &halves.above.mesh] {
                        assert_closed(half);
                        assert!(half.origins.contains(&Origin::Cut(3)));
                    }
                }
                Err(error) => assert!(matches!(error, CutError::Touches | CutError::Misses), "{error} at {plane:?}"),
            }
        }
    }
    assert!(made > 150, "{made}");
    for normal in [DVec3::ZERO, DVec3::NAN, DVec3::INFINITY, DVec3::new(1e-300, 0.0, 0.0)] {
        let _ = cut::halves(&cube, Plane::across(normal, DVec3::ZERO), 0);
    }
    assert!(cut::halves(&cube, Plane::across(DVec3::ONE, DVec3::NAN), 0).is_err());
}
