//! Solids by label: closed, exact in sum, apart from each other, as deep as the part allows.

use glam::DVec3;
use statuary::mesh::cut::{Plane, halves};
use statuary::mesh::inspect::inspect;
use statuary::mesh::intersect::{crossings_between, self_intersections};
use statuary::mesh::measure::volume_mm3;
use statuary::mesh::solids::{Solid, Solids, SolidsError, split_by_label, unpinch};
use statuary::mesh::{Origin, TriMesh};
use statuary::units::snap_mm;

use crate::shapes::{cuboid, sphere};

fn labels_by(mesh: &TriMesh, label: impl Fn(DVec3) -> u8) -> Vec<u8> {
    (0..mesh.triangles.len()).map(|t| label(mesh.corners(t).iter().sum::<DVec3>() / 3.0)).collect()
}

fn snapped(mut mesh: TriMesh) -> TriMesh {
    for p in &mut mesh.positions {
        *p = DVec3::from(p.to_array().map(snap_mm));
    }
    mesh
}

fn mesh_of(solid: &Solid) -> TriMesh {
    TriMesh::from_shape(solid.positions.clone(), solid.triangles.clone())
}

/// A solid that is closed, free of self-intersections and on the lattice; all of them fill the mesh and none other.
fn expect_sound(mesh: &TriMesh, found: &Solids) {
    let meshes: Vec<TriMesh> = found.solids.iter().map(mesh_of).collect();
    for (solid, shape) in found.solids.iter().zip(&meshes) {
        let faults = inspect(shape);
        assert!(faults.is_solid(), "label {}: {faults:?}", solid.label);
        assert_eq!(self_intersections(shape), Vec::<[u32; 2]>::new(), "label {}", solid.label);
    }
    for (i, a) in meshes.iter().enumerate() {
        for b in &meshes[..i] {
            assert_eq!(crossings_between(a, b), Vec::<[u32; 2]>::new());
        }
    }
    let (sum, whole) = (meshes.iter().map(volume_mm3).sum::<f64>(), volume_mm3(mesh));
    assert!((sum / whole - 1.0).abs() < 1e-12, "{sum} {whole}");
    assert_eq!((found.folded, found.crossing, found.pinched_edges), (0, 0, 0));
}

/// Own values, recomputed from the same recipe in another language: shells 2 mm deep under an icosphere of radius 50,
/// level 3, labels z > 10, x > 0, rest: 24125.986, 17350.704, 18356.951 and a core of 459258.961 mm3.
#[test]
fn shells_under_a_sphere_have_the_volumes_worked_out_for_them() {
    let ball = sphere(DVec3::ZERO, 50.0, 3);
    let labels = labels_by(&ball, |c| if c.z > 10.0 { 0 } else { 2 - u8::from(c.x > 0.0) });
    let found = split_by_label(&ball, &labels, &[2.0; 3]).unwrap();
    expect_sound(&ball, &found);
    assert_eq!(found.base, 0);
    let volumes: Vec<f64> = found.solids.iter().map(|s| volume_mm3(&mesh_of(s))).collect();
    for (volume, wanted) in volumes.iter().zip([24125.986 + 459_258.961, 17350.704, 18356.951]) {
        assert!((volume / wanted - 1.0).abs() < 3e-3, "{volumes:?}");
    }
    assert!((volumes.iter().sum::<f64>() - 519_092.602).abs() < 1e-3);
    assert!(found.deep_share > 0.999, "{}", found.deep_share);
}

#[test]
fn every_outer_triangle_is_in_the_solid_of_its_label() {
    let ball = sphere(DVec3::ZERO, 20.0, 3);
    let labels = labels_by(&ball, |c| u8::from(c.x > 3.0) + 3 * u8::from(c.y > 2.0));
    let found = split_by_label(&ball, &labels, &[1.0; 5]).unwrap();
    assert_eq!(found.solids.iter().map(|s| s.label).collect::<Vec<_>>(), [0, 1, 3, 4]);
    for solid in &found.solids {
        let shape = mesh_of(solid);
        let own = (0..labels.len()).filter(|t| labels[*t] == solid.label);
        let own: Vec<[DVec3; 3]> = own.map(|t| ball.corners(t)).collect();
        let kept = (0..shape.triangles.len()).filter(|t| own.contains(&shape.corners(*t))).count();
        assert_eq!(kept, own.len());
    }
    expect_sound(&ball, &found);
}

#[test]
fn one_label_gives_the_mesh_itself() {
    let cube = cuboid(DVec3::ZERO, DVec3::splat(10.0));
    let found = split_by_label(&cube, &[4; 12], &[2.0; 6]).unwrap();
    assert_eq!((found.base, found.solids.len()), (4, 1));
    assert_eq!(found.solids[0].positions, cube.positions);
    assert_eq!(found.solids[0].triangles, cube.triangles);
}

/// Waves as deep as the shell is thick, with creases and narrow ridges.
fn wavy_ball() -> TriMesh {
    let mut ball = sphere(DVec3::ZERO, 1.0, 5);
    for p in &mut ball.positions {
        let wave = (9.0 * p.x).sin() * (7.0 * p.y + 1.0).cos() + 0.4 * (31.0 * p.z).sin();
        *p *= 20.0 + 1.5 * wave;
    }
    snapped(ball)
}

#[test]
fn rough_skin_gets_shells_that_neither_fold_nor_cross() {
    let ball = wavy_ball();
    let labels = labels_by(&ball, |c| if c.z > 8.0 { 0 } else { 1 + u8::from((0.7 * c.x).sin() > 0.3 * c.y) });
    let mut smooth = labels.clone();
    unpinch(&ball, &mut smooth).unwrap();
    let found = split_by_label(&ball, &smooth, &[2.0; 3]).unwrap();
    expect_sound(&ball, &found);
    assert!(found.deep_share > 0.6, "{}", found.deep_share);
}

#[test]
fn a_thin_sheet_keeps_a_core_between_the_colours_of_its_sides() {
    let mut sheet = sphere(DVec3::ZERO, 30.0, 4);
    sheet.positions.iter_mut().for_each(|p| p.y *= 0.03);
    let sheet = snapped(sheet);
    let labels = labels_by(&sheet, |c| if c.x > 12.0 { 0 } else { 1 + u8::from(c.y > 0.0) });
    let found = split_by_label(&sheet, &labels, &[2.0; 3]).unwrap();
    expect_sound(&sheet, &found);
    assert_eq!(found.solids.len(), 3);
}

#[test]
fn colour_reaches_the_edge_of_a_cut_face() {
    let centre = DVec3::new(0.1, 0.2, 0.3);
    let ball = snapped(sphere(centre, 25.0, 4));
    let plane = Plane::new(2, 4.0 + 1.0 / 32768.0);
    let cut = halves(&ball, plane, 0).unwrap();
    let lower = &cut.below.mesh;
    let labels: Vec<u8> = (0..lower.triangles.len())
        .map(|t| u8::from(lower.origins[t] == Origin::Skin && lower.corners(t)[0].x > 5.0))
        .collect();
    let found = split_by_label(lower, &labels, &[2.0; 2]).unwrap();
    expect_sound(lower, &found);
    let shell = &found.solids[1];
    let depth_under_plane = |p: &DVec3| plane.offset_mm - p.z;
    let rim = shell.positions.iter().filter(|p| depth_under_plane(p) == 0.0).count();
    let feet = shell.positions.iter().filter(|p| depth_under_plane(p) > 0.0 && depth_under_plane(p) < 0.25);
    let inward = feet.filter(|p| (*p - centre).truncate().length() < 23.0).count();
    assert!(rim > 50 && 10 * inward >= 9 * rim, "{inward} of {rim} vertices of the rim keep close to the cut face");
}

#[test]
fn patches_that_touch_in_a_vertex_are_joined_or_parted() {
    let ball = sphere(DVec3::ZERO, 20.0, 3);
    let checks = labels_by(&ball, |c| u8::from((c.x > 0.0) == (c.y > 0.0)));
    assert!(split_by_label(&ball, &checks, &[1.0; 2]).unwrap().pinched_edges > 0);
    let mut joined = checks.clone();
    let changed = unpinch(&ball, &mut joined).unwrap();
    assert!(changed > 0 && changed < 20, "{changed}");
    let found = split_by_label(&ball, &joined, &[1.0; 2]).unwrap();
    expect_sound(&ball, &found);
    let again = unpinch(&ball, &mut joined).unwrap();
    assert_eq!(again, 0);
}

#[test]
fn noise_of_labels_is_parted_too() {
    let ball = sphere(DVec3::ZERO, 20.0, 4);
    let mut labels: Vec<u8> =
        (0..ball.triangles.len() as u32).map(|t| (t.wrapping_mul(2_654_435_761) >> 29) as u8).collect();
    unpinch(&ball, &mut labels).unwrap();
    let found = split_by_label(&ball, &labels, &[0.5; 8]).unwrap();
    expect_sound(&ball, &found);
}

#[test]
fn threads_do_not_change_the_result() {
    let ball = wavy_ball();
    let labels = labels_by(&ball, |c| u8::from(c.x > 0.0) + u8::from(c.z > 4.0));
    let with = |threads: usize| {
        let pool = rayon::ThreadPoolBuilder::new().num_threads(threads).build().unwrap();
        pool.install(|| split_by_label(&ball, &labels, &[2.0; 3]).unwrap())
    };
    assert_eq!(with(1), with(3));
}

#[test]
fn what_cannot_be_split_is_refused() {
    let cube = cuboid(DVec3::ZERO, DVec3::ONE);
    let count = SolidsError::LabelCount { labels: 3, triangles: 12 };
    assert_eq!(split_by_label(&cube, &[0; 3], &[1.0]), Err(count));
    assert_eq!(split_by_label(&cube, &[2; 12], &[1.0; 2]), Err(SolidsError::UnknownLabel(2)));
    let mut open = cube.clone();
    open.triangles.pop();
    open.origins.pop();
    assert_eq!(split_by_label(&open, &[0; 11], &[1.0]), Err(SolidsError::NotClosed(3)));
    let mut flipped = cube;
    flipped.triangles[0].swap(0, 1);
    assert_eq!(split_by_label(&flipped, &[0; 12], &[1.0]), Err(SolidsError::NotClosed(6)));
}
