//! The early kernels of mesh repair on shapes whose faults are counted beforehand: faces without area, stitching,
//! membranes, spikes of several vertices.

use std::f64::consts::{PI, TAU};

use glam::DVec3;
use statuary::mesh::TriMesh;
use statuary::mesh::bridges::find_bridges;
use statuary::mesh::degenerate::{Flattened, flatten_out};
use statuary::mesh::inspect::inspect;
use statuary::mesh::manifold::{Stitched, cut_apart, stitch};
use statuary::mesh::measure::area_mm2;
use statuary::mesh::orient_faces::orient_outwards;
use statuary::mesh::spikes::deep_spikes;
use statuary::mesh::topology::Edges;
use statuary::mesh::weld::{keep_triangles, weld_equal};

use crate::shapes::{cuboid, sphere, together, without};

fn edges(mesh: &TriMesh) -> Edges {
    Edges::of(&mesh.triangles, mesh.positions.len())
}

fn ball() -> TriMesh {
    sphere(DVec3::new(5.0, -3.0, 40.0), 30.0, 4)
}

fn push(mesh: &mut TriMesh, triangles: &[[u32; 3]]) {
    mesh.triangles.extend(triangles);
    mesh.origins.resize(mesh.triangles.len(), mesh.origins[0]);
}

/// Puts a triangle without area between one triangle and its neighbour: its tip is the middle of their edge.
fn put_cap(mesh: &mut TriMesh, t: usize) {
    let [a, b, c] = mesh.triangles[t];
    let m = mesh.positions.len() as u32;
    mesh.positions.push(mesh.positions[a as usize].midpoint(mesh.positions[b as usize]));
    mesh.colours.push([0.5; 3]);
    mesh.triangles[t] = [a, m, c];
    push(mesh, &[[m, b, c], [a, b, m]]);
}

/// Number of rings and of points per ring of the horseshoe.
const RINGS: u32 = 243;
const AROUND: u32 = 32;

/// A closed tube of radius 8 in the plane y = 0: two legs of 150 mm, 40 mm apart, and half a circle above them.
pub fn horseshoe() -> TriMesh {
    const LEG: f64 = 150.0;
    const BEND: f64 = 20.0;
    let length = 2.0 * LEG + PI * BEND;
    let ring = |i: u32| {
        let along = length * f64::from(i) / f64::from(RINGS - 1);
        let angle = ((along - LEG) / BEND).clamp(0.0, PI);
        let inwards = DVec3::new(angle.cos(), 0.0, -angle.sin());
        let rise = if along < LEG { along } else { (length - along).min(LEG) };
        (DVec3::new(0.0, 0.0, rise) - inwards * BEND, inwards)
    };
    let point = |i: u32, k: u32| {
        let (centre, inwards) = ring(i);
        let turn = TAU * f64::from(k) / f64::from(AROUND);
        centre + (inwards * turn.cos() + DVec3::Y * turn.sin()) * 8.0
    };
    let mut points: Vec<DVec3> = (0..RINGS).flat_map(|i| (0..AROUND).map(move |k| point(i, k))).collect();
    let at = |i: u32, k: u32| i * AROUND + k % AROUND;
    let mut faces = Vec::new();
    for (i, k) in (0..RINGS - 1).flat_map(|i| (0..AROUND).map(move |k| (i, k))) {
        let (a, b, c, d) = (at(i, k), at(i, k + 1), at(i + 1, k + 1), at(i + 1, k));
        faces.extend([[a, b, c], [a, c, d]]);
    }
    let ends = [ring(0).0, ring(RINGS - 1).0];
    points.extend(ends);
    let first = RINGS * AROUND;
    for k in 0..AROUND {
        faces.extend([[at(0, k + 1), at(0, k), first], [at(RINGS - 1, k), at(RINGS - 1, k + 1), first + 1]]);
    }
    let mut mesh = TriMesh::from_shape(points, faces);
    orient_outwards(&mut mesh);
    mesh
}

/// Spans a film of ten strips between the legs, along the points `k` from the innermost ones.
pub fn span_film(mesh: &mut TriMesh, k: u32) {
    let strip = |i: u32| {
        let [a, b] = [i, i + 1].map(|i| i * AROUND + k % AROUND);
        let [c, d] = [i, i + 1].map(|i| (RINGS - 1 - i) * AROUND + k % AROUND);
        [[a, b, c], [b, d, c]]
    };
    let film: Vec<[u32; 3]> = (20..30).flat_map(strip).collect();
    push(mesh, &film);
}

/// Throws three neighbours out of a ball about a centre.
pub fn throw_out(mesh: &mut TriMesh, t: usize, centre: DVec3) {
    for v in mesh.triangles[t] {
        let p = &mut mesh.positions[v as usize];
        *p = centre + (*p - centre) * 1.8;
    }
}

/// One needle, two caps, every third triangle turned over, and a hole: what had no area is gone, the hole is as it was.
#[test]
fn faces_without_area_go_before_the_mesh_is_oriented() {
    let mut mesh = without(ball(), |c| c.z > 65.0);
    let plain = (mesh.triangles.len(), area_mm2(&mesh), inspect(&mesh).open_edges);
    let [a, b, _] = mesh.triangles[333];
    mesh.positions[a as usize] = mesh.positions[b as usize].lerp(mesh.positions[a as usize], 1e-7);
    put_cap(&mut mesh, 1200);
    put_cap(&mut mesh, 3000);
    mesh.triangles.iter_mut().step_by(3).for_each(|t| t.swap(0, 1));
    assert_eq!(flatten_out(&mut mesh), Flattened { collapsed: 1, turned: 2, left: 0 });
    orient_outwards(&mut mesh);
    let faults = inspect(&mesh);
    assert_eq!((mesh.triangles.len(), faults.open_edges), (plain.0 + 2 * 2 - 2, plain.2));
    assert_eq!((faults.crowded_edges, faults.flipped_edges, faults.pinched_vertices), (0, 0, 0));
    assert!((area_mm2(&mesh) / plain.1 - 1.0).abs() < 1e-3);
    assert_eq!(flatten_out(&mut mesh), Flattened::default());
}

#[test]
fn a_cap_on_the_rim_is_taken_off() {
    let at = |x: f64, y: f64| DVec3::new(x, y, 0.0);
    let points = vec![at(0.0, 0.0), at(4.0, 0.0), at(2.0, 0.0), at(2.0, 3.0)];
    let mut mesh = TriMesh::from_shape(points, vec![[0, 1, 2], [0, 2, 3], [2, 1, 3]]);
    assert_eq!(flatten_out(&mut mesh), Flattened { collapsed: 0, turned: 1, left: 0 });
    assert_eq!(mesh.triangles, [[0, 2, 3], [2, 1, 3]]);
}

/// The long edge of this cap has two triangles besides: turning it would open one of them.
#[test]
fn a_cap_on_a_crowded_edge_is_left() {
    let at = |x: f64, y: f64, z: f64| DVec3::new(x, y, z);
    let points = vec![
        at(0.0, 0.0, 0.0),
        at(4.0, 0.0, 0.0),
        at(2.0, 0.0, 0.0),
        at(2.0, 3.0, 0.0),
        at(2.0, 0.0, 3.0),
        at(2.0, -3.0, 0.0),
    ];
    let faces = vec![[0, 1, 2], [0, 2, 3], [2, 1, 3], [1, 0, 4], [1, 0, 5]];
    let mut mesh = TriMesh::from_shape(points, faces.clone());
    assert_eq!(flatten_out(&mut mesh), Flattened { collapsed: 0, turned: 0, left: 1 });
    assert_eq!(mesh.triangles, faces);
}

/// A needle's short edge that closes a ring of three is no edge to collapse: the tube would become a double cone.
#[test]
fn a_needle_that_would_pinch_a_tube_is_left() {
    let ring = |z: f64| [DVec3::new(0.0, 0.0, z), DVec3::new(1e-7, 0.0, z), DVec3::new(0.0, 5.0, z)];
    let points: Vec<DVec3> = (0..4).flat_map(|i| ring(4.0 * f64::from(i))).collect();
    let quad = |i: u32, k: u32| (3 * i + k, 3 * i + (k + 1) % 3, 3 * i + 3 + k, 3 * i + 3 + (k + 1) % 3);
    let quads = (0..3).flat_map(|i| (0..3).map(move |k| quad(i, k)));
    let mut mesh = TriMesh::from_shape(points, quads.flat_map(|(a, b, c, d)| [[a, b, d], [a, d, c]]).collect());
    let before = inspect(&mesh);
    flatten_out(&mut mesh);
    let after = inspect(&mesh);
    assert_eq!((after.crowded_edges, after.pinched_vertices, after.open_edges), (0, 0, before.open_edges));
}

#[test]
fn halves_of_a_ball_are_stitched_along_their_rims() {
    let halves = together(without(ball(), |c| c.z > 40.0), &without(ball(), |c| c.z <= 40.0));
    let halves = keep_triangles(&halves, |_| true);
    let open = edges(&halves).open;
    assert!(open > 100, "{open}");
    let (whole, done) = stitch(halves.clone(), &edges(&halves));
    assert_eq!(done, Stitched { edges: open / 2, undone: 0 });
    assert!(inspect(&whole).is_solid() && inspect(&whole).components == 1);
    // A third rim at the same place, or one that runs the same way, leaves it open which belong together.
    let three = together(halves.clone(), &without(ball(), |c| c.z > 40.0));
    assert_eq!(stitch(three.clone(), &edges(&three)).1, Stitched::default());
    let mut turned = halves;
    let lower = without(ball(), |c| c.z > 40.0).triangles.len();
    turned.triangles[..lower].iter_mut().for_each(|t| t.swap(0, 1));
    assert_eq!(stitch(turned.clone(), &edges(&turned)).1, Stitched::default());
}

/// Two pairs of triangles over one edge, each pair cut from the other: stitching two of their sides would bring all four
/// back onto that edge.
#[test]
fn stitches_that_would_crowd_an_edge_are_undone() {
    let (u, w, p) = (DVec3::ZERO, DVec3::X, DVec3::Y);
    let points = vec![u, w, p, DVec3::Z, u, w, p, -DVec3::Z];
    let mesh = TriMesh::from_shape(points, vec![[0, 1, 2], [1, 0, 3], [5, 4, 6], [4, 5, 7]]);
    let (same, done) = stitch(mesh.clone(), &edges(&mesh));
    assert_eq!((done, same), (Stitched { edges: 0, undone: 2 }, mesh));
}

/// What a cut parts at a place where it need not be stays stitched: a welded pair of balls that touch in one triangle.
#[test]
fn a_cut_mesh_is_stitched_to_no_crowded_edge() {
    let mut mesh = ball();
    let [a, b, c] = mesh.triangles[900];
    push(&mut mesh, &[[a, c, 4], [b, a, 4], [c, b, 4]]);
    let cut = cut_apart(mesh).mesh;
    let (stitched, _) = stitch(cut.clone(), &edges(&cut));
    let faults = inspect(&stitched);
    assert_eq!((faults.crowded_edges, faults.pinched_vertices, faults.flipped_edges), (0, 0, 0), "{faults:?}");
}

#[test]
fn films_between_legs_are_found_and_rods_and_balls_are_not() {
    let plain = horseshoe();
    assert!(inspect(&plain).is_solid());
    assert_eq!(find_bridges(&plain, &edges(&plain)), []);
    let mut webbed = plain.clone();
    span_film(&mut webbed, 3);
    span_film(&mut webbed, AROUND - 3);
    let found = find_bridges(&webbed, &edges(&webbed));
    assert_eq!(found.len(), 2);
    let n = plain.triangles.len() as u32;
    assert_eq!(found[0].triangles, (n..n + 20).collect::<Vec<u32>>());
    assert!(found[0].centre.x.abs() < 1e-9 && (found[0].centre.z - 37.3).abs() < 1.0, "{}", found[0].centre);
    // A rod of long triangles leads far as well, but holds a volume.
    let rod = together(plain.clone(), &cuboid(DVec3::new(-15.0, -20.0, 30.0), DVec3::new(15.0, -16.0, 34.0)));
    assert_eq!(find_bridges(&rod, &edges(&rod)), []);
    // A long triangle in the middle of a surface has a short way round.
    let (flat, _) = weld_equal(without(ball(), |c| (c - DVec3::new(35.0, -3.0, 40.0)).length() < 4.0));
    assert_eq!(find_bridges(&flat, &edges(&flat)), []);
}

/// Of a coarse mesh any triangle may be long.
#[test]
fn coarse_shapes_have_neither_membranes_nor_spikes() {
    let mut coarse = sphere(DVec3::ZERO, 30.0, 1);
    for v in [0, 3, 9] {
        coarse.positions[v] *= 4.0;
    }
    assert_eq!((find_bridges(&coarse, &edges(&coarse)).len(), deep_spikes(&coarse).len()), (0, 0));
    let slab = cuboid(DVec3::ZERO, DVec3::new(200.0, 200.0, 2.0));
    assert_eq!((find_bridges(&slab, &edges(&slab)).len(), deep_spikes(&slab).len()), (0, 0));
}

#[test]
fn a_spike_of_three_vertices_is_found_with_all_its_triangles() {
    let mut mesh = ball();
    assert_eq!(deep_spikes(&mesh), []);
    let tip = mesh.triangles[2222];
    throw_out(&mut mesh, 2222, DVec3::new(5.0, -3.0, 40.0));
    let spikes = deep_spikes(&mesh);
    assert_eq!(spikes.len(), 1);
    let (mut tip, spike) = (tip.to_vec(), &spikes[0]);
    tip.sort_unstable();
    assert_eq!((&spike.vertices, spike.triangles.len()), (&tip, 13));
    assert!(((spike.foot - DVec3::new(5.0, -3.0, 40.0)).length() - 30.0).abs() < 1.0);
}
