//! Order of large meshes, the half-edge table and the search for changed triangles, against plain ways of doing it.

use std::collections::BTreeMap;

use glam::DVec3;
use statuary::mesh::TriMesh;
use statuary::mesh::intersect::self_intersections;
use statuary::mesh::order::{by_place, number_by_use};
use statuary::mesh::sound::{Sound, pairs_beside};
use statuary::mesh::topology::{Edges, NONE};
use statuary::mesh::weld::keep_triangles;

use crate::shapes::{cuboid, sphere, together};

/// A fixed shuffle of `0..n`: steps of a number that shares no factor with it.
fn shuffled(n: usize) -> impl Iterator<Item = usize> {
    let step =
        (n * 5 / 8..).find(|step| (2..=*step).all(|d: usize| !n.is_multiple_of(d) || !step.is_multiple_of(d))).unwrap();
    (0..n).map(move |i| i * step % n)
}

fn corners(positions: &[DVec3], triangles: &[[u32; 3]]) -> Vec<[DVec3; 3]> {
    triangles.iter().map(|t| t.map(|v| positions[v as usize])).collect()
}

#[test]
fn order_by_place_does_not_depend_on_the_order_before() {
    let ball = sphere(DVec3::new(7.0, -2.0, 5.0), 30.0, 4);
    let mixed: Vec<[u32; 3]> = shuffled(ball.triangles.len()).map(|t| ball.triangles[t]).collect();
    let ordered = |triangles: &[[u32; 3]]| -> Vec<[u32; 3]> {
        by_place(&ball.positions, triangles).iter().map(|t| triangles[*t as usize]).collect()
    };
    assert_ne!(ordered(&mixed), mixed);
    assert_eq!(ordered(&mixed), ordered(&ball.triangles));
    let way = |triangles: &[[u32; 3]]| -> f64 {
        let firsts: Vec<DVec3> = triangles.iter().map(|t| ball.positions[t[0] as usize]).collect();
        firsts.windows(2).map(|pair| pair[0].distance(pair[1])).sum()
    };
    assert!(way(&ordered(&mixed)) < 0.2 * way(&mixed), "{} of {}", way(&ordered(&mixed)), way(&mixed));
}

#[test]
fn numbering_by_use_keeps_every_corner_in_place() {
    let ball = sphere(DVec3::ZERO, 10.0, 3);
    let mut triangles: Vec<[u32; 3]> = shuffled(ball.triangles.len()).map(|t| ball.triangles[t]).collect();
    let before = corners(&ball.positions, &triangles);
    let old = number_by_use(&mut triangles, ball.positions.len() + 1);
    let mut places: Vec<DVec3> = ball.positions.clone();
    places.push(DVec3::ONE);
    let places: Vec<DVec3> = old.iter().map(|v| places[*v as usize]).collect();
    assert_eq!(corners(&places, &triangles), before);
    assert_eq!(triangles[0], [0, 1, 2]);
    assert_eq!(places.last(), Some(&DVec3::ONE), "unused vertices come last");
}

#[test]
fn half_edge_table_is_that_of_a_plain_map() {
    let mut mesh = sphere(DVec3::ZERO, 10.0, 6);
    let crowd: Vec<[u32; 3]> = (0..mesh.triangles.len()).step_by(97).map(|t| mesh.triangles[t]).collect();
    mesh.triangles.extend(crowd);
    mesh.triangles.drain(..900);
    mesh.triangles.extend([[5, 5, 9], [0, 40_000, 20_000]]);
    let mut sharing: BTreeMap<(u32, u32), Vec<u32>> = BTreeMap::new();
    for (t, [a, b, c]) in (0_u32..).zip(mesh.triangles.iter().copied()) {
        for (k, (from, to)) in (0_u32..).zip([(a, b), (b, c), (c, a)]).filter(|(_, (from, to))| from != to) {
            sharing.entry((from.min(to), from.max(to))).or_default().push(3 * t + k);
        }
    }
    let mut expected = Edges { mates: vec![NONE; 3 * mesh.triangles.len()], ..Edges::default() };
    for halves in sharing.into_values() {
        match halves[..] {
            [_] => expected.open += 1,
            [a, b] => (expected.mates[a as usize], expected.mates[b as usize]) = (b, a),
            _ => expected.crowded.push(halves),
        }
    }
    assert!(expected.open > 0 && !expected.crowded.is_empty());
    assert_eq!(Edges::of(&mesh.triangles, mesh.positions.len()), expected);
}

#[test]
fn changed_triangles_are_found_after_losses_moves_and_gains() {
    let ball = sphere(DVec3::ZERO, 30.0, 5);
    let sound = Sound::of(&ball, &[]);
    assert_eq!(pairs_beside(&ball, &sound), Vec::<[u32; 2]>::new());
    let holed = keep_triangles(&ball, |t| !(3_000..9_000).contains(&t) && t % 11 != 5);
    let beam = cuboid(DVec3::new(-50.0, -1.0, -1.0), DVec3::new(50.0, 1.2, 1.1));
    let mut changed: TriMesh = together(holed, &beam);
    changed.positions[2_000] *= 0.4;
    let pairs = pairs_beside(&changed, &sound);
    assert!(pairs.len() > 8, "{}", pairs.len());
    assert_eq!(pairs, self_intersections(&changed));
}
