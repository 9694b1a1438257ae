//! Keys and marks of `split`: walls, fits and numbers, measured on the parts themselves.

use std::collections::BTreeMap;

use glam::DVec3;
use statuary::figure::{Figure, Joint, Key, Part};
use statuary::mesh::intersect::crossings_between;
use statuary::mesh::tree::TriTree;
use statuary::mesh::winding::Winding;
use statuary::mesh::{Origin, TriMesh};
use statuary::stages::split::{Keys, Split};

use crate::bodies::standing_block;
use crate::mannequin::mannequin;
use crate::stages_split::{assert_glue_order, assert_sound, figure, run};

const VOLUME_MM: [f64; 3] = [300.0; 3];
/// Depth of marks, mm.
const MARK_MM: f64 = 0.6;

fn split(settings: &Split) -> Figure {
    run(settings, &figure(mannequin(1400.0, 90), None), VOLUME_MM).figure.unwrap()
}

/// Triangles of a part that stem from a joint's keys or marks, with their greatest and least depth under its plane, mm.
fn sunk(part: &Part, joint: usize, figure: &Figure) -> Vec<(usize, f64, f64)> {
    let plane = &figure.joints[joint];
    let into = if std::ptr::eq(part, &raw const figure.parts[plane.a]) { -1.0 } else { 1.0 };
    let own = (0..part.mesh.triangles.len()).filter(|t| part.mesh.origins[*t] == Origin::Key(joint as u16));
    let depths = own.map(|t| {
        let depth = part.mesh.corners(t).map(|p| into * (plane.normal.dot(p) - plane.offset_mm));
        (t, depth.into_iter().fold(f64::MIN, f64::max), depth.into_iter().fold(f64::MAX, f64::min))
    });
    depths.collect()
}

fn is_near(key: &Key, p: DVec3, joint: &Joint) -> bool {
    let from = p - key.centre;
    (from - joint.normal * joint.normal.dot(from)).length() < 0.5 * key.socket_mm + 1.0
}

/// Surfaces of a part other than a joint's own face and what is sunk into it.
fn others(mesh: &TriMesh, own: &[u16]) -> TriTree {
    let of_others = |t: &usize| mesh.origins[*t].joint().is_none_or(|j| !own.contains(&j));
    let triangles: Vec<[u32; 3]> = (0..mesh.triangles.len()).filter(of_others).map(|t| mesh.triangles[t]).collect();
    TriTree::new(&mesh.positions, &triangles)
}

/// Joints that lie in the same plane.
fn beside(figure: &Figure, joint: &Joint) -> Vec<u16> {
    let same = |j: &Joint| j.normal == joint.normal && j.offset_mm == joint.offset_mm;
    (0..figure.joints.len()).filter(|j| same(&figure.joints[*j])).map(|j| j as u16).collect()
}

#[test]
fn walls_around_sockets_are_as_thick_as_set_wherever_they_are_measured() {
    for (wall_min_mm, keys) in [(2.0, Keys::Dowels), (3.5, Keys::Pins)] {
        let settings = Split { wall_min_mm, keys, mouth_chamfer_mm: 0.5, ..Split::default() };
        let figure = split(&settings);
        let mut measured = 0;
        for (j, joint) in figure.joints.iter().enumerate() {
            for part in [joint.a, joint.b].map(|p| &figure.parts[p]) {
                let tree = others(&part.mesh, &beside(&figure, joint));
                for (t, deepest, _) in
                    sunk(part, j, &figure).into_iter().filter(|(_, deepest, _)| *deepest > MARK_MM + 0.1)
                {
                    for p in part.mesh.corners(t) {
                        let wall = tree.nearest(p, 2.0 * wall_min_mm).map_or(f64::INFINITY, |n| n.distance);
                        assert!(wall > wall_min_mm - 0.02, "{wall} mm left in {} at depth {deepest}", part.name);
                        measured += 1;
                    }
                }
            }
        }
        assert!(measured > 2000, "{measured}");
    }
}

#[test]
fn every_wide_joint_has_two_keys_that_neither_turn_nor_swap() {
    let figure = split(&Split::default());
    let wide: Vec<&Joint> = figure.joints.iter().filter(|j| j.area_mm2 > 1200.0).collect();
    assert!(wide.len() > 8);
    let keyed = wide.iter().filter(|j| j.keys.len() == 2).count();
    assert!(keyed * 10 >= wide.len() * 9, "{keyed} of {}", wide.len());
    for (i, joint) in wide.iter().enumerate() {
        let [p, q] = joint.keys.as_slice() else { continue };
        for other in wide[..i].iter().filter(|o| (o.area_mm2 / joint.area_mm2 - 1.0).abs() < 0.1) {
            let [r, s] = other.keys.as_slice() else { continue };
            let sizes = |a: &Key, b: &Key| [a.dowel_mm.max(b.dowel_mm), a.dowel_mm.min(b.dowel_mm)];
            let apart = (p.centre.distance(q.centre) - r.centre.distance(s.centre)).abs();
            assert!(sizes(p, q) != sizes(r, s) || apart >= 1.99, "joints of {:.0} mm2 can be swapped", joint.area_mm2);
        }
    }
}

#[test]
fn pins_stand_in_their_sockets_with_the_clearance_set() {
    let settings = Split { keys: Keys::Pins, clearance_mm: 0.2, glue_gap_mm: 0.2, ..Split::default() };
    let figure = split(&settings);
    for part in &figure.parts {
        assert_sound(part);
    }
    assert_glue_order(&figure);
    let mut pins = 0;
    for (j, joint) in figure.joints.iter().enumerate() {
        let [a, b] = [joint.a, joint.b].map(|p| &figure.parts[p]);
        assert_eq!(crossings_between(&a.mesh, &b.mesh), Vec::<[u32; 2]>::new());
        let below_plane = |key: &Key| key.pin_of == Some(joint.a);
        assert!(joint.keys.iter().all(below_plane));
        let socket: Vec<[u32; 3]> =
            sunk(b, j, &figure).into_iter().filter(|s| s.1 > MARK_MM + 0.1).map(|s| b.mesh.triangles[s.0]).collect();
        let tree = TriTree::new(&b.mesh.positions, &socket);
        for key in &joint.keys {
            let raised = sunk(a, j, &figure).into_iter().filter(|s| s.2 < -1.0);
            let mut highest: f64 = 0.0;
            for p in raised.flat_map(|s| a.mesh.corners(s.0)).filter(|p| is_near(key, *p, joint)) {
                let height = joint.normal.dot(p) - joint.offset_mm;
                highest = highest.max(height);
                if height > 0.0 {
                    // Polygons of 24 sides with equal angles: the gap is the clearance, less at a flat.
                    let gap = tree.nearest(p, 5.0).map_or(f64::INFINITY, |n| n.distance);
                    assert!((0.1..0.75).contains(&gap), "{gap} mm at {height} mm");
                }
            }
            assert!((key.depth_mm - highest - 0.5).abs() < 0.01, "{} deep, {highest} high", key.depth_mm);
            pins += 1;
        }
    }
    assert!(pins >= figure.joints.len(), "{pins} pins on {} joints", figure.joints.len());
}

/// Distance at which a part is entered from a point in the open along a direction, mm, to a hundredth.
fn free_mm(inside: &Winding, from: DVec3, way: DVec3) -> f64 {
    (1..).map(|i| 0.01 * f64::from(i)).find(|mm| inside.at(from + *mm * way) > 0.5).unwrap()
}

#[test]
fn the_one_dowel_of_a_narrow_joint_has_a_flat_on_the_same_side_in_both_parts() {
    let bar = |wide_mm: f64, dowel_mm: f64, clearance_mm: f64| {
        let settings = Split { dowel_mm: vec![dowel_mm], clearance_mm, ..Split::default() };
        run(&settings, &figure(standing_block(DVec3::new(wide_mm, wide_mm, 500.0)), None), [256.0; 3])
    };
    let ran = bar(20.0, 8.0, 0.2);
    let figure = ran.figure.as_ref().unwrap();
    assert!(!figure.joints.is_empty() && figure.joints.iter().all(|j| j.keys.len() == 1), "{:?}", figure.joints);
    for joint in &figure.joints {
        let key = &joint.keys[0];
        let radius = 0.5 * key.socket_mm;
        let (along, across) = joint.normal.any_orthonormal_pair();
        // How far the socket reaches on either side of the cut, every two degrees.
        let [a, b] = [(joint.a, -joint.normal), (joint.b, joint.normal)].map(|(part, into)| {
            let mesh = &figure.parts[part].mesh;
            let inside = Winding::new(&mesh.positions, &mesh.triangles);
            let from = key.centre + 0.6 * key.depth_mm * into;
            (0..180)
                .map(|i| f64::from(2 * i).to_radians())
                .map(|turn| free_mm(&inside, from, turn.cos() * along + turn.sin() * across))
                .collect::<Vec<_>>()
        });
        assert!(a.iter().zip(&b).all(|(a, b)| (a - b).abs() < 0.011), "{a:?} {b:?}");
        let nearest = (0..180).min_by(|i, j| a[*i].total_cmp(&a[*j])).unwrap();
        let thickness = a[nearest] + a[(nearest + 90) % 180];
        assert!((thickness - key.filed_to_mm.unwrap() - 2.0 * 0.2).abs() < 0.1, "{thickness} {key:?}");
        // A chord at 0.6 radii: 53 degrees to either side.
        let cut = a.iter().filter(|reach| **reach < 0.98 * radius).count();
        assert!((48..54).contains(&cut) && a.iter().all(|reach| *reach < 1.02 * radius), "{cut} {a:?}");
    }
    for part in &figure.parts {
        assert_sound(part);
    }
    assert!(ran.logged("volume_error_relative") < 1e-9);
    assert!(!ran.told.iter().any(|what| what.contains("turning")), "{:?}", ran.told);
    // No flat holds a dowel in a hole that is much too wide.
    let loose = bar(13.0, 2.0, 2.0);
    assert!(loose.told.iter().any(|what| what.contains("turning")), "{:?}", loose.told);
    assert!(loose.figure.unwrap().joints.iter().flat_map(|j| &j.keys).all(|key| key.filed_to_mm.is_none()));
}

/// Strokes that each figure has when it is made of seven (counted by eye).
const STROKES: [usize; 10] = [6, 2, 5, 5, 4, 5, 6, 3, 7, 6];

fn strokes(number: usize) -> usize {
    STROKES[number / 10] + STROKES[number % 10]
}

#[test]
fn marks_have_the_strokes_of_both_numbers_and_keep_off_keys_and_skin() {
    let figure = split(&Split { mark_height_mm: 9.0, ..Split::default() });
    let mut marked = 0;
    for (j, joint) in figure.joints.iter().enumerate() {
        for (side, own, other) in [(0, joint.a, joint.b), (1, joint.b, joint.a)] {
            let part = &figure.parts[own];
            let floors =
                sunk(part, j, &figure).into_iter().filter(|s| (s.1 - MARK_MM).abs() < 0.01 && s.1 - s.2 < 0.01);
            let floors: Vec<usize> = floors.map(|s| s.0).collect();
            assert_eq!(joint.marked[side], !floors.is_empty());
            if floors.is_empty() {
                continue;
            }
            marked += 1;
            let found = components(&part.mesh, &floors);
            let whole = strokes(own + 1) + 1 + strokes(other + 1);
            assert!(found == whole || found == strokes(own + 1), "{found} strokes for {} and {}", own + 1, other + 1);
            let tree = others(&part.mesh, &beside(&figure, joint));
            for p in floors.iter().flat_map(|t| part.mesh.corners(*t)) {
                assert!(tree.nearest(p, 1.4).is_none(), "a mark is too close to the skin of {}", part.name);
                assert!(!joint.keys.iter().any(|key| is_near(key, p, joint)), "a mark meets a key");
            }
        }
    }
    let wide = figure.joints.iter().filter(|j| j.area_mm2 > 1200.0).count();
    assert!(marked * 10 >= 9 * 2 * wide, "{marked} faces, {wide} wide joints");
}

fn find(leader: &BTreeMap<u32, u32>, mut v: u32) -> u32 {
    while leader[&v] != v {
        v = leader[&v];
    }
    v
}

/// Number of connected pieces that triangles form.
fn components(mesh: &TriMesh, triangles: &[usize]) -> usize {
    let mut leader: BTreeMap<u32, u32> = BTreeMap::new();
    for [a, b, c] in triangles.iter().map(|t| mesh.triangles[*t]) {
        for v in [a, b, c] {
            leader.entry(v).or_insert(v);
        }
        for [v, w] in [[a, b], [b, c]] {
            let (v, w) = (find(&leader, v), find(&leader, w));
            leader.insert(v.max(w), v.min(w));
        }
    }
    leader.iter().filter(|(v, l)| v == l).count()
}

#[test]
fn the_room_for_glue_is_a_pocket_within_a_rim() {
    let settings = Split { keys: Keys::None, marks: false, glue_gap_mm: 0.2, ..Split::default() };
    let figure = split(&settings);
    let wide = figure.joints.iter().enumerate().filter(|(_, joint)| joint.area_mm2 > 1200.0);
    for (j, joint) in wide {
        let [a, b] = [joint.a, joint.b].map(|p| &figure.parts[p]);
        assert_sound(a);
        assert!(sunk(b, j, &figure).is_empty(), "the upper face is flat");
        let floor = sunk(a, j, &figure).into_iter().filter(|s| (s.2 - 0.2).abs() < 1e-3 && (s.1 - 0.2).abs() < 1e-3);
        let area: f64 = floor.map(|s| a.mesh.area_vector(s.0).length() / 2.0).sum();
        // A rim of 1 mm around a disc of the same area is the least there can be.
        let disc = std::f64::consts::PI * ((joint.area_mm2 / std::f64::consts::PI).sqrt() - 1.0).powi(2);
        assert!(area < disc + 1.0 && area > 0.6 * joint.area_mm2, "{area} of {} mm2", joint.area_mm2);
    }
}
