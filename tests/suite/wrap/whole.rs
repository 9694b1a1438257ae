//! The wrap: whatever goes in, a closed surface without intersections comes out.

use glam::DVec3;
use statuary::mesh::intersect::self_intersections;
use statuary::mesh::measure::volume_mm3;
use statuary::mesh::tree::TriTree;
use statuary::mesh::wrap::wrap;
use statuary::mesh::{Origin, TriMesh};
use statuary::units::snap_mm;

use super::{Dice, bumpy_ball, expect_solid, soup};

/// A bumpy ball of radius 30 mm, red below and yellow above.
fn ball() -> TriMesh {
    let (positions, triangles) = bumpy_ball(60, 0.05);
    let mut mesh = TriMesh::from_shape(positions.iter().map(|p| p * 30.0 + 0.123).collect(), triangles);
    mesh.colours = positions.iter().map(|p| if p.z < 0.0 { [0.8, 0.1, 0.0] } else { [0.9, 0.8, 0.2] }).collect();
    mesh
}

fn keep(mesh: &mut TriMesh, test: impl Fn(usize, DVec3) -> bool) {
    let middle = |t: &[u32; 3]| t.iter().map(|v| mesh.positions[*v as usize]).sum::<DVec3>() / 3.0;
    let kept = mesh.triangles.iter().enumerate().filter(|(i, t)| test(*i, middle(t))).map(|(_, t)| *t);
    mesh.triangles = kept.collect();
    mesh.origins.truncate(mesh.triangles.len());
}

/// Largest distance of a vertex from the scan, mm.
fn farthest(wrapped: &TriMesh, scan: &TriMesh) -> f64 {
    let tree = TriTree::new(&scan.positions, &scan.triangles);
    let distance = |p: &DVec3| tree.nearest(*p, f64::INFINITY).unwrap().distance;
    wrapped.positions.iter().map(distance).fold(0.0, f64::max)
}

#[test]
fn a_closed_scan_keeps_its_surface_volume_and_colours() {
    let scan = ball();
    let wrapped = wrap(&scan, 1.0);
    expect_solid(&wrapped);
    assert!((volume_mm3(&wrapped) / volume_mm3(&scan) - 1.0).abs() < 2e-3);
    assert!(farthest(&wrapped, &scan) < 0.1, "{}", farthest(&wrapped, &scan));
    assert!(wrapped.origins.iter().all(|origin| *origin == Origin::Skin));
    let lattice = |p: &DVec3| p.to_array().iter().all(|x| snap_mm(*x).to_bits() == x.to_bits());
    assert!(wrapped.positions.iter().all(lattice));
    for (position, colour) in wrapped.positions.iter().zip(&wrapped.colours).filter(|(p, _)| p.z.abs() > 3.0) {
        let want = if position.z < 0.0 { [0.8, 0.1, 0.0] } else { [0.9, 0.8, 0.2] };
        assert!(colour.iter().zip(want).all(|(a, b): (&f32, f32)| (a - b).abs() < 1e-4), "{position} {colour:?}");
    }
}

#[test]
fn holes_gaps_doubles_and_turned_triangles_change_little() {
    let mut scan = ball();
    let whole = volume_mm3(&scan);
    keep(&mut scan, |i, middle| middle.z < 26.0 && i % 97 != 0);
    let doubled: Vec<[u32; 3]> = scan.triangles.iter().step_by(50).copied().collect();
    scan.triangles.extend(doubled);
    for triangle in scan.triangles.iter_mut().step_by(211) {
        triangle.reverse();
    }
    scan.origins = vec![Origin::Skin; scan.triangles.len()];
    let wrapped = wrap(&scan, 1.0);
    expect_solid(&wrapped);
    let (found, lost) = (volume_mm3(&wrapped), 1.0 - volume_mm3(&wrapped) / whole);
    assert!((0.0..0.02).contains(&lost), "{found} of {whole}");
    let fill = wrapped.origins.iter().filter(|origin| **origin == Origin::Fill).count();
    assert!(fill > 100 && fill < wrapped.origins.len() / 4, "{fill}");
    // Colours in the hole keep within the range of those around it.
    let yellow = wrapped.positions.iter().zip(&wrapped.colours).filter(|(p, _)| p.z > 10.0).map(|(_, c)| c);
    assert!(yellow.clone().all(|c| c.iter().zip([0.9, 0.8, 0.2]).all(|(a, b): (&f32, f32)| (a - b).abs() < 1e-4)));
}

#[test]
fn a_scan_that_is_inside_out_is_turned() {
    let scan = ball();
    let mut turned = scan.clone();
    turned.triangles.iter_mut().for_each(|t| t.swap(1, 2));
    let wrapped = wrap(&turned, 1.5);
    expect_solid(&wrapped);
    assert!((volume_mm3(&wrapped) / volume_mm3(&scan) - 1.0).abs() < 5e-3);
}

#[test]
fn overlapping_and_nested_shells_become_one_solid() {
    let one = ball();
    let volume = volume_mm3(&one);
    let with = |other: &TriMesh, shift: f64, scale: f64| {
        let mut both = one.clone();
        let first = both.positions.len() as u32;
        both.positions.extend(other.positions.iter().map(|p| p * scale + DVec3::X * shift));
        both.triangles.extend(other.triangles.iter().map(|t| t.map(|v| v + first)));
        TriMesh::from_shape(both.positions, both.triangles)
    };
    let ghost = wrap(&with(&one, 2.0, 1.0), 1.0);
    expect_solid(&ghost);
    assert!(volume_mm3(&ghost) > volume && volume_mm3(&ghost) < 1.15 * volume);
    let nested = wrap(&with(&one, 0.0, 0.5), 1.0);
    expect_solid(&nested);
    assert!((volume_mm3(&nested) / volume - 1.0).abs() < 5e-3);
}

#[test]
fn any_soup_comes_out_closed_and_without_intersections() {
    for (seed, count, size, voxel) in [(31, 300, 0.5, 0.02), (32, 40, 1.5, 0.03), (33, 4000, 0.1, 0.04)] {
        let (positions, triangles) = soup(count, size, &mut Dice(seed));
        let wrapped = wrap(&TriMesh::from_shape(positions, triangles), voxel);
        assert!(wrapped.triangles.len() > 100, "{}", wrapped.triangles.len());
        expect_solid(&wrapped);
    }
}

#[test]
fn nothing_to_wrap_gives_nothing() {
    let empty = TriMesh::default();
    assert_eq!(wrap(&empty, 1.0), empty);
    let flat = TriMesh::from_shape(vec![DVec3::ONE; 3], vec![[0, 1, 2], [0, 0, 7]]);
    assert_eq!(wrap(&flat, 1.0), empty);
    let broken = TriMesh::from_shape(vec![DVec3::NAN, DVec3::X, DVec3::Y], vec![[0, 1, 2]]);
    assert_eq!(wrap(&broken, 1.0), empty);
    assert_eq!(wrap(&ball(), f64::NAN), empty);
    assert_eq!(wrap(&ball(), -1.0), empty);
    assert!(self_intersections(&wrap(&ball(), 1000.0)).is_empty());
}

#[test]
fn the_wrap_comes_out_alike_on_one_and_two_threads() {
    let mut scan = ball();
    keep(&mut scan, |i, middle| middle.x < 25.0 && i % 31 != 0);
    let on = |threads| {
        let pool = rayon::ThreadPoolBuilder::new().num_threads(threads).build().unwrap();
        pool.install(|| wrap(&scan, 0.7))
    };
    assert!(on(1) == on(2));
}
