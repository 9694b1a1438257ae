//! Slicing against circles, plain volumes and the loops of single heights.

use std::f64::consts::PI;

use glam::{DVec2, DVec3};
use statuary::mesh::slice::{LayerSums, Layers, Loop, Slicer, layer_sums};
use statuary::mesh::{TriMesh, measure};

use crate::bodies::{cylinder, prism, sphere, standing_block, together};

fn sums(mesh: &TriMesh, layers: Layers) -> LayerSums {
    layer_sums(&mesh.positions, &mesh.triangles, None, 1, layers)
}

fn area(loops: &[Loop]) -> f64 {
    let of = |l: &Loop| l.iter().zip(l.iter().cycle().skip(1)).map(|(a, b)| 0.5 * a.perp_dot(*b)).sum::<f64>();
    loops.iter().map(of).sum()
}

/// A sphere of R 50 in layers of 0.2: 500 layers that sum to 523,599.82 mm3 where the ball has 523,598.78.
#[test]
fn a_sphere_has_the_layers_of_circles() {
    let ball = sphere(DVec3::new(3.0, -2.0, 50.0), 50.0, 7);
    let layers = Layers::up_to(100.0, 0.2);
    let sums = sums(&ball, layers);
    assert_eq!(sums.area_mm2.len(), 500);
    for (i, area) in sums.area_mm2.iter().enumerate() {
        let height = layers.middle_mm(i) - 50.0;
        let circle = PI * (2500.0 - height * height);
        assert!((area - circle).abs() < 3e-4 * 7854.0, "layer {i}: {area} {circle}");
    }
    let total: f64 = sums.area_mm2.iter().map(|area| 0.2 * area).sum();
    assert!((total / measure::volume_mm3(&ball) - 1.0).abs() < 1e-5, "{total}");
    assert!((total / 523_599.82 - 1.0).abs() < 2e-4, "{total}");
    assert!((sums.perimeter_mm(250) / (100.0 * PI) - 1.0).abs() < 2e-4);
}

#[test]
fn loops_have_the_area_of_the_layer_sums() {
    let tube = {
        let mut inner = cylinder(20.0, 60.0, 96);
        inner.triangles.iter_mut().for_each(|t| t.swap(1, 2));
        together(&[cylinder(30.0, 60.0, 128), inner])
    };
    let two = together(&[tube, sphere(DVec3::new(80.0, 0.0, 25.0), 25.0, 4)]);
    let layers = Layers::up_to(60.0, 0.7);
    let (sums, slicer) = (sums(&two, layers), Slicer::new(&two.positions, &two.triangles));
    let heights: Vec<f64> = (0..layers.count).map(|i| layers.middle_mm(i)).collect();
    for (i, loops) in slicer.loops_at(&heights).iter().enumerate() {
        assert_eq!(loops.len(), if heights[i] < 50.0 { 3 } else { 2 }, "layer {i}");
        assert!((area(loops) - sums.area_mm2[i]).abs() < 1e-8, "layer {i}");
    }
}

/// Vertices that lie exactly at the height of a cut count as above it, so that no contour opens.
#[test]
fn vertices_at_the_height_of_a_cut_do_no_harm() {
    let square = [(0.0, 0.0), (8.0, 0.0), (8.0, 8.0), (0.0, 8.0)].map(DVec2::from);
    let box_of_bands = prism(&square, &[0.0, 0.125, 0.25, 0.375, 0.5, 0.625, 1.0]);
    let layers = Layers { layer_mm: 0.25, count: 4 };
    let sums = sums(&box_of_bands, layers);
    assert_eq!(sums.area_mm2, [64.0; 4]);
    let slicer = Slicer::new(&box_of_bands.positions, &box_of_bands.triangles);
    for i in 0..4 {
        let loops = slicer.loops(layers.middle_mm(i));
        assert!(loops.len() == 1 && (area(&loops) - 64.0).abs() < 1e-12);
    }
    assert!(slicer.loops(1.5).is_empty() && slicer.loops(-0.5).is_empty());
    // At the floor nothing is below, at the top the uppermost vertices still count as above.
    assert!(slicer.loops(0.0).is_empty());
    assert!((area(&slicer.loops(1.0)) - 64.0).abs() < 1e-12);
}

#[test]
fn contours_are_measured_by_label() {
    let tin = cylinder(10.0, 30.0, 400);
    let labels: Vec<u8> = (0..tin.triangles.len())
        .map(|t| {
            let middle = tin.corners(t).into_iter().sum::<DVec3>() / 3.0;
            if middle.x > 0.0 { 2 } else { 0 }
        })
        .collect();
    let layers = Layers::up_to(30.0, 0.3);
    let sums = layer_sums(&tin.positions, &tin.triangles, Some(&labels), 3, layers);
    for layer in 0..layers.count {
        let lengths: Vec<f64> = sums.contour_mm.iter().map(|of_label| of_label[layer]).collect();
        assert!((lengths[0] - 10.0 * PI).abs() < 0.2 && (lengths[2] - 10.0 * PI).abs() < 0.2, "{lengths:?}");
        assert_eq!(lengths[1].to_bits(), 0.0_f64.to_bits());
    }
}

#[test]
fn an_open_mesh_gives_no_broken_loops() {
    let mut open = standing_block(DVec3::splat(10.0));
    open.triangles.remove(0);
    open.triangles.remove(3);
    let slicer = Slicer::new(&open.positions, &open.triangles);
    assert!(slicer.loops(5.0).is_empty());
    assert!(Slicer::new(&[], &[]).loops(0.0).is_empty());
    assert!(sums(&TriMesh::default(), Layers::up_to(3.0, 0.2)).area_mm2.iter().all(|area| *area <= 0.0));
}

#[test]
fn one_and_two_threads_give_the_same_bits() {
    let ball = sphere(DVec3::new(0.0, 0.0, 50.0), 50.0, 7);
    let with = |threads| {
        let pool = rayon::ThreadPoolBuilder::new().num_threads(threads).build().unwrap();
        pool.install(|| sums(&ball, Layers::up_to(100.0, 0.2)))
    };
    assert_eq!(with(1), with(2));
}
