//! Kernels of mesh repair on shapes with one fault each, against counts known beforehand.

use glam::DVec3;
use statuary::mesh::base::{close_soles, cut_flat, section_areas_mm2, standing_area_mm2};
use statuary::mesh::fill::fill_holes;
use statuary::mesh::inspect::inspect;
use statuary::mesh::intersect::self_intersections;
use statuary::mesh::islands::relation;
use statuary::mesh::manifold::cut_apart;
use statuary::mesh::measure::{area_mm2, bounds, volume_mm3};
use statuary::mesh::orient_faces::orient_outwards;
use statuary::mesh::slivers::remove_slivers;
use statuary::mesh::spikes::pull_back_spikes;
use statuary::mesh::topology::{Edges, ends, next};
use statuary::mesh::untangle::{Allowance, largest_piece, untangle};
use statuary::mesh::weld::{drop_repeats, drop_unusable, split_t_junctions, weld_equal, weld_near};
use statuary::mesh::winding::Winding;
use statuary::mesh::{Origin, TriMesh};
use statuary::units::snap_between_mm;

use crate::shapes::{cuboid, revolved, sphere, together, without};

fn ball() -> TriMesh {
    sphere(DVec3::new(5.0, -3.0, 40.0), 30.0, 4)
}

#[test]
fn a_ball_is_solid() {
    let faults = inspect(&ball());
    assert!(faults.is_solid(), "{faults:?}");
    assert_eq!((faults.triangles, faults.components), (5120, 1));
}

#[test]
fn every_kind_of_fault_is_counted() {
    let mut mesh = ball();
    mesh.triangles.pop();
    mesh.triangles.swap(0, 1);
    mesh.triangles[100].swap(0, 1);
    let [a, b, _] = mesh.triangles[200];
    mesh.triangles.push([a, b, 2000]);
    mesh.triangles.push([7, 7, 8]);
    mesh.positions.push(DVec3::new(f64::NAN, 0.0, 0.0));
    mesh.colours.push([0.5; 3]);
    mesh.origins.resize(mesh.triangles.len(), Origin::Skin);
    let faults = inspect(&mesh);
    assert_eq!((faults.open_edges, faults.crowded_edges), (5, 1), "{faults:?}");
    assert_eq!((faults.flipped_edges, faults.degenerate, faults.non_finite), (3, 1, 1), "{faults:?}");
    assert!(!faults.is_solid());
    let (usable, dropped) = drop_unusable(&mesh);
    assert_eq!((usable.triangles.len(), dropped), (5121, 0));
    mesh.triangles.push([0, 1, 99_999]);
    mesh.origins.push(Origin::Skin);
    assert_eq!(inspect(&mesh).dangling, 1);
    assert_eq!(drop_unusable(&mesh).1, 1);
}

/// Two cubes that share an edge have 14 vertices; cut apart they have 16 and are two closed pieces.
#[test]
fn two_cubes_sharing_an_edge_come_apart() {
    let both = together(cuboid(DVec3::ZERO, DVec3::ONE), &cuboid(DVec3::new(1.0, 1.0, 0.0), DVec3::new(2.0, 2.0, 1.0)));
    let (welded, _) = weld_equal(both);
    assert_eq!(welded.positions.len(), 14);
    assert_eq!(inspect(&welded).crowded_edges, 1);
    let cut = cut_apart(welded);
    assert_eq!((cut.mesh.positions.len(), cut.edges_cut, cut.vertices_added), (16, 1, 2));
    let faults = inspect(&cut.mesh);
    assert!(faults.is_solid() && faults.components == 2, "{faults:?}");
}

/// Two tetrahedra that share a vertex have 7; cut apart they have 8.
#[test]
fn two_tetrahedra_sharing_a_vertex_come_apart() {
    let faces = vec![[0, 2, 1], [0, 1, 3], [1, 2, 3], [0, 3, 2]];
    let one = TriMesh::from_shape(vec![DVec3::ZERO, DVec3::X, DVec3::Y, DVec3::Z], faces);
    let mut other = one.clone();
    other.positions.iter_mut().for_each(|p| *p *= 2.0);
    other.triangles.iter_mut().for_each(|t| t.swap(1, 2));
    other.positions.iter_mut().for_each(|p| *p = -*p);
    let (welded, _) = weld_equal(together(one, &other));
    assert_eq!(welded.positions.len(), 7);
    let faults = inspect(&welded);
    assert_eq!((faults.pinched_vertices, faults.open_edges, faults.components), (1, 0, 2));
    let cut = cut_apart(welded);
    assert_eq!(cut.mesh.positions.len(), 8);
    assert!(inspect(&cut.mesh).is_solid());
}

#[test]
fn a_soup_of_triangles_welds_to_the_ball_it_was() {
    let ball = ball();
    let points = ball.triangles.iter().flatten().map(|v| ball.positions[*v as usize]).collect();
    let faces = (0..ball.triangles.len() as u32).map(|t| [3 * t, 3 * t + 1, 3 * t + 2]).collect();
    let (welded, gone) = weld_equal(TriMesh::from_shape(points, faces));
    assert_eq!((welded.positions.len(), gone), (ball.positions.len(), 3 * 5120 - ball.positions.len()));
    assert!(inspect(&welded).is_solid());
}

#[test]
fn a_seam_with_rounding_gaps_closes() {
    let ball = ball();
    let upper = without(ball.clone(), |c| c.z < 40.0);
    let mut lower = without(ball, |c| c.z >= 40.0);
    lower.positions.iter_mut().for_each(|p| *p += DVec3::new(3e-5, -2e-5, 4e-5));
    let both = together(upper, &lower);
    assert!(inspect(&both).open_edges > 0);
    let edges = Edges::of(&both.triangles, both.positions.len());
    let (welded, _) = weld_near(both, &edges, 1e-4);
    let faults = inspect(&welded);
    assert!(faults.is_solid() && faults.components == 1, "{faults:?}");
}

#[test]
fn doubled_faces_stay_once_and_fins_go() {
    let mut mesh = ball();
    let plain = mesh.clone();
    for t in 50..90 {
        let [a, b, c] = mesh.triangles[t];
        mesh.triangles.push(if t % 2 == 0 { [a, b, c] } else { [b, a, c] });
    }
    mesh.positions.push(DVec3::new(0.0, 0.0, 200.0));
    let tip = mesh.positions.len() as u32 - 1;
    let [a, b, _] = mesh.triangles[0];
    mesh.triangles.extend([[a, b, tip], [b, a, tip], [a, a, tip]]);
    mesh.colours.push([0.5; 3]);
    mesh.origins.resize(mesh.triangles.len(), Origin::Skin);
    let (kept, repeats) = drop_repeats(&mesh);
    assert_eq!((repeats.collapsed, repeats.duplicates), (1, 42));
    assert_eq!(kept, plain);
}

#[test]
fn flipped_faces_turn_outwards() {
    let mut mesh = ball();
    let plain = mesh.clone();
    for t in (0..5120).filter(|t| t % 3 != 0 || *t < 50) {
        mesh.triangles[t].swap(1, 2);
    }
    let turned = orient_outwards(&mut mesh);
    assert_eq!(turned.conflicts, 0);
    assert_eq!(turned.triangles, (0..5120).filter(|t| t % 3 != 0 || *t < 50).count());
    assert_eq!(mesh, plain);
}

/// Half a ball, open and far from the first piece, with a fin on an edge that ends at its rim: the crowded edge bars the walk
/// round the rim, yet the half ball is turned outwards.
#[test]
fn a_fin_at_the_rim_turns_no_piece_inside_out() {
    let centre = DVec3::new(0.0, 0.0, 2000.0);
    for side in [1.0, -1.0] {
        let half = without(sphere(centre, 50.0, 3), |c| side * (c.z - centre.z) < 0.0);
        let mut mesh = together(cuboid(DVec3::ZERO, DVec3::ONE), &half);
        let edges = Edges::of(&mesh.triangles, mesh.positions.len());
        let open = edges.open_halves(&mesh.triangles);
        let rim = (0..open.len() as u32).find(|half| open[*half as usize]).unwrap();
        let ((_, b), (_, c)) = (ends(&mesh.triangles, rim), ends(&mesh.triangles, next(rim)));
        mesh.positions.push(centre + 1.3 * (mesh.positions[b as usize] - centre));
        mesh.colours.push([0.5; 3]);
        mesh.triangles.push([b, c, mesh.positions.len() as u32 - 1]);
        mesh.origins.push(Origin::Skin);
        for inside_out in [false, true] {
            let mut mesh = mesh.clone();
            mesh.triangles[12..].iter_mut().filter(|_| inside_out).for_each(|t| t.swap(0, 1));
            orient_outwards(&mut mesh);
            let skin = 12..mesh.triangles.len() - 1;
            assert!(
                skin.clone().all(|t| mesh.area_vector(t).dot(mesh.corners(t)[0] - centre) > 0.0),
                "{side} {inside_out}"
            );
        }
    }
}

/// A fin that carries on one face of a box is flatter to it than the next face, and must not take its place.
#[test]
fn a_fin_on_a_sharp_edge_leaves_the_skin_whole() {
    let block = cuboid(DVec3::ZERO, DVec3::splat(9.0));
    let tips = [DVec3::new(4.0, -5.0, 0.0), DVec3::new(4.0, 0.0, -5.0)];
    for (tip, fin) in tips.into_iter().flat_map(|tip| [(tip, [0, 1, 8]), (tip, [1, 0, 8])]) {
        let mut mesh = block.clone();
        mesh.positions.push(tip);
        mesh.colours.push([0.5; 3]);
        mesh.triangles.push(fin);
        mesh.origins.push(Origin::Skin);
        let body = largest_piece(&cut_apart(mesh).mesh);
        assert!(inspect(&body).is_solid() && body.triangles.len() == 12, "{tip} {fin:?}: {:?}", inspect(&body));
    }
}

/// A strip glued with half a twist has one edge that cannot agree.
#[test]
fn a_twisted_band_is_told() {
    let n = 12_u32;
    let point = |i: u32, side: f64| {
        let turn = std::f64::consts::TAU * f64::from(i) / f64::from(n);
        let out = DVec3::new(turn.cos(), turn.sin(), 0.0);
        out * 10.0 + (out * (turn / 2.0).cos() + DVec3::Z * (turn / 2.0).sin()) * side
    };
    let points: Vec<DVec3> = (0..n).flat_map(|i| [point(i, -1.0), point(i, 1.0)]).collect();
    let mut faces = Vec::new();
    for i in 0..n {
        let (a, b) = (2 * i, 2 * i + 1);
        let (c, d) = if i + 1 < n { (a + 2, b + 2) } else { (1, 0) };
        faces.extend([[a, c, b], [b, c, d]]);
    }
    let mut mesh = TriMesh::from_shape(points, faces);
    assert_eq!(orient_outwards(&mut mesh).conflicts, 1);
    let cut = cut_apart(mesh);
    assert_eq!(inspect(&cut.mesh).flipped_edges, 0);
}

/// The open box of side 1: the missing square is 2 triangles of area 1, and the volume is 1 again.
#[test]
fn an_open_box_closes_flat() {
    let mut mesh = without(cuboid(DVec3::ZERO, DVec3::ONE), |c| c.z > 0.9);
    let filled = fill_holes(&mut mesh, true);
    assert_eq!((filled.len(), filled[0].rim_edges), (1, 4));
    assert!((filled[0].area_mm2 - 1.0).abs() < 1e-12);
    assert_eq!(mesh.origins.iter().filter(|o| **o == Origin::Fill).count(), 2);
    assert!(inspect(&mesh).is_solid());
    assert!((volume_mm3(&mesh) - 1.0).abs() < 1e-12);
}

#[test]
fn a_hole_in_a_ball_is_filled_round_and_coloured_from_its_rim() {
    let whole = ball();
    let mut mesh = without(whole.clone(), |c| c.z > 64.0);
    for (colour, p) in mesh.colours.iter_mut().zip(&mesh.positions) {
        *colour = [0.4 + 0.005 * p.x as f32, 0.2, if p.z > 50.0 { 0.3 } else { 0.9 }];
    }
    let filled = fill_holes(&mut mesh, true);
    assert_eq!(filled.len(), 1);
    let faults = inspect(&mesh);
    assert!(faults.is_solid() && faults.components == 1, "{faults:?}");
    let share = volume_mm3(&mesh) / volume_mm3(&whole);
    assert!((share - 1.0).abs() < 0.002, "volume {share}");
    let centre = DVec3::new(5.0, -3.0, 40.0);
    for (p, colour) in mesh.positions.iter().zip(&mesh.colours).skip(whole.positions.len()) {
        assert!((p.distance(centre) - 30.0).abs() < 0.8, "{p}");
        assert!((0.28..=0.53).contains(&colour[0]) && (colour[2] - 0.3).abs() < 1e-5, "{colour:?}");
    }
}

#[test]
fn holes_touching_at_a_point_are_closed_one_by_one() {
    let ball = ball();
    let spoke = ball.triangles[1000][0];
    let star: Vec<usize> = (0..5120).filter(|t| ball.triangles[*t].contains(&spoke)).collect();
    let neighbours = |t: usize| {
        star.iter()
            .filter(|u| ball.triangles[**u].iter().filter(|v| ball.triangles[t].contains(v)).count() == 2)
            .count()
    };
    assert_eq!(neighbours(star[0]), 2);
    let apart =
        star.iter().find(|u| ball.triangles[**u].iter().filter(|v| ball.triangles[star[0]].contains(v)).count() == 1);
    let gone = [star[0], *apart.unwrap()];
    let centres: Vec<DVec3> = gone.iter().map(|t| ball.corners(*t).iter().sum::<DVec3>() / 3.0).collect();
    let holed = without(ball.clone(), |c| centres.iter().any(|g| g.distance(c) < 1e-9));
    assert_eq!(holed.triangles.len(), 5118);
    let mut cut = cut_apart(holed).mesh;
    assert_eq!(cut.positions.len(), ball.positions.len() + 1);
    let filled = fill_holes(&mut cut, false);
    assert_eq!(filled.iter().map(|f| f.rim_edges).collect::<Vec<_>>(), [3, 3]);
    assert!(inspect(&cut).is_solid());
    assert!((area_mm2(&cut) - area_mm2(&ball)).abs() < 1e-9);
}

#[test]
fn a_row_of_short_edges_meets_a_row_of_long_ones() {
    let ball = ball();
    let upper = without(ball.clone(), |c| c.z < 40.0);
    let lower = without(ball.clone(), |c| c.z >= 40.0);
    let n = lower.positions.len() as u32;
    let mut finer = lower.clone();
    finer.triangles.clear();
    for t in &lower.triangles {
        let middles = [0, 1, 2].map(|k| {
            finer.positions.push((lower.positions[t[k] as usize] + lower.positions[t[(k + 1) % 3] as usize]) / 2.0);
            finer.positions.len() as u32 - 1
        });
        let ([a, b, c], [ab, bc, ca]) = (*t, middles);
        finer.triangles.extend([[a, ab, ca], [b, bc, ab], [c, ca, bc], [ab, bc, ca]]);
    }
    assert!(finer.positions.len() as u32 > n);
    let (welded, _) = weld_equal(together(upper, &TriMesh::from_shape(finer.positions, finer.triangles)));
    assert!(inspect(&welded).open_edges > 100);
    let (split, added) = split_t_junctions(&welded, &Edges::of(&welded.triangles, welded.positions.len()), 1e-6);
    assert!(added > 50);
    let faults = inspect(&split);
    assert!(faults.is_solid() && faults.components == 1, "{faults:?}");
}

/// Sections of a box 2 x 3: area 6 at every height; it stands on 6.
#[test]
fn sections_and_soles_of_a_box_have_its_area() {
    let mesh = cuboid(DVec3::new(1.0, 1.0, 0.0), DVec3::new(3.0, 4.0, 5.0));
    for area in section_areas_mm2(&mesh, &[0.5, 2.25, 4.9]) {
        assert!((area - 6.0).abs() < 1e-12);
    }
    assert!((standing_area_mm2(&mesh, 0.01) - 6.0).abs() < 1e-12);
    let cut = cut_flat(&mesh, snap_between_mm(2.0)).unwrap();
    assert!(inspect(&cut).is_solid());
    assert!((volume_mm3(&cut) - 18.0).abs() < 1e-3);
    assert_eq!(cut.origins.iter().filter(|o| **o == Origin::Fill).count(), 6);
}

#[test]
fn a_vertex_pushed_through_the_ball_is_brought_back() {
    let mut mesh = ball();
    let plain = volume_mm3(&mesh);
    mesh.positions[700] = DVec3::new(5.0, -3.0, 40.0) * 2.0 - mesh.positions[700] * 1.02;
    let allowed = Allowance { rounds: 10, pairs_max: 1000, lost_max_mm2: 1000.0, sliver_mm: 1e-4 };
    let done = untangle(&mut mesh, allowed);
    assert!(done.pairs_before > 0 && done.pairs_after == 0, "{done:?}");
    assert_eq!(self_intersections(&mesh).len(), 0);
    assert!(inspect(&mesh).is_solid());
    assert!((volume_mm3(&mesh) / plain - 1.0).abs() < 0.05);
}

#[test]
fn spikes_are_pulled_back_and_tips_are_not() {
    let mut mesh = ball();
    let plain = mesh.clone();
    mesh.positions[1500] = plain.positions[1500] * 2.5 - DVec3::new(5.0, -3.0, 40.0) * 1.5;
    assert_eq!(pull_back_spikes(&mut mesh), 1);
    assert!(mesh.positions[1500].distance(plain.positions[1500]) < 1.0);
    let mut coarse = sphere(DVec3::ZERO, 10.0, 1);
    coarse.positions[3] *= 2.0;
    assert_eq!(pull_back_spikes(&mut coarse), 0);
}

#[test]
fn needles_and_caps_go_and_the_ball_stays_closed() {
    let mut mesh = ball();
    let plain = volume_mm3(&mesh);
    let [a, b, c] = mesh.triangles[333];
    mesh.positions[a as usize] = mesh.positions[b as usize].lerp(mesh.positions[a as usize], 1e-6);
    let [d, e, f] = mesh.triangles[4000];
    mesh.positions[d as usize] = mesh.positions[e as usize].lerp(mesh.positions[f as usize], 0.4) + DVec3::splat(1e-7);
    assert!(![d, e, f].contains(&c));
    assert!(remove_slivers(&mut mesh, 1e-4) >= 2);
    let faults = inspect(&mesh);
    assert!(faults.is_solid(), "{faults:?}");
    assert!((volume_mm3(&mesh) / plain - 1.0).abs() < 0.01);
}

#[test]
fn a_piece_is_placed_against_a_body() {
    let body = ball();
    let winding = Winding::new(&body.positions, &body.triangles);
    let relate =
        |x: f64, radius: f64| relation(&sphere(DVec3::new(5.0 + x, -3.0, 40.0), radius, 3), &body, &winding, 50.0);
    let (inner, half, beside) = (relate(0.0, 10.0), relate(30.0, 10.0), relate(42.0, 10.0));
    assert_eq!(inner.inside, 1.0);
    assert!((0.3..0.7).contains(&half.inside), "{half:?}");
    assert!(beside.inside == 0.0 && (beside.gap_mm - 2.0).abs() < 0.2, "{beside:?}");
    assert!((beside.step - DVec3::new(-2.0, 0.0, 0.0)).length() < 0.6, "{beside:?}");
}

/// A post whose lowest 6 mm were not scanned stands on the floor that was, with walls straight down; a ball cut off above
/// its lowest point is drawn in on the way, for its surface runs inwards there.
#[test]
fn soles_are_closed_on_the_ground_as_the_surface_runs() {
    let post = revolved(&[(0.0, 40.0), (20.0, 40.0), (20.0, 30.0), (20.0, 20.0), (20.0, 10.0), (20.0, 6.0)], 64);
    let full_mm3 = 40.0 * 32.0 * 400.0 * (std::f64::consts::TAU / 64.0).sin();
    for (ground, low, share) in [(Some(0.0), 0.0, 1.0), (None, 6.0, 0.85), (Some(-500.0), 6.0, 0.85)] {
        let mut open = post.clone();
        assert_eq!(close_soles(&mut open, 10.0, 50.0, ground).len(), 1);
        assert!(inspect(&open).is_solid());
        let volume = volume_mm3(&open) / full_mm3;
        assert!((volume - share).abs() < 0.03, "{ground:?}: {volume}");
        assert!((bounds(&open.positions).0.z - low).abs() < 1.5, "{ground:?}");
    }
    let mut bowl = without(ball(), |c| c.z < 14.0);
    assert_eq!(close_soles(&mut bowl, 10.0, 50.0, Some(10.0)).len(), 1);
    assert!(inspect(&bowl).is_solid());
    let foot = standing_area_mm2(&bowl, 1e-6);
    // The section at 14 mm, and the one a straight wall would leave.
    let section = std::f64::consts::PI * (30.0_f64.powi(2) - 26.0_f64.powi(2));
    assert!((0.4 * section..0.8 * section).contains(&foot), "{foot} of {section}");
}
