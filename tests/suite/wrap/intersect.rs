//! Exact intersection tests against separating axes in whole numbers.

use glam::{DVec3, I64Vec3};
use statuary::mesh::TriMesh;
use statuary::mesh::intersect::{
    crossings_between, first_self_intersections, intersections_between, self_intersections,
};

use super::{Dice, bumpy_ball};

/// Whether two convex pieces with whole-number corners have a point in common: they do unless some axis, among the
/// crosses of their sides and of those with their sides, separates them (Gottschalk et al. 1996, flat pieces added).
fn pieces_meet(a: &[I64Vec3], b: &[I64Vec3]) -> bool {
    let sides = |p: &[I64Vec3]| (0..p.len()).map(|i| p[(i + 1) % p.len()] - p[i]).collect::<Vec<_>>();
    let all: Vec<I64Vec3> = sides(a).into_iter().chain(sides(b)).collect();
    let crosses: Vec<I64Vec3> = all.iter().flat_map(|s| all.iter().map(move |t| s.cross(*t))).collect();
    let second = crosses.iter().flat_map(|n| all.iter().map(move |s| n.cross(*s)));
    let separates = |axis: I64Vec3| {
        let span = |p: &[I64Vec3]| {
            let along = p.iter().map(|p| p.dot(axis));
            (along.clone().min().unwrap(), along.max().unwrap())
        };
        let (a, b) = (span(a), span(b));
        a.1 < b.0 || b.1 < a.0
    };
    !crosses.iter().copied().chain(second).any(separates)
}

/// What two triangles have in common beyond shared corners, for triangles with area.
fn expected(points: &[I64Vec3], t: [u32; 3], u: [u32; 3]) -> bool {
    let at = |v: &u32| points[*v as usize];
    let area = |t: [u32; 3]| (at(&t[1]) - at(&t[0])).cross(at(&t[2]) - at(&t[0])) != I64Vec3::ZERO;
    if !area(t) || !area(u) {
        return false;
    }
    let (shared, own): (Vec<u32>, Vec<u32>) = t.iter().partition(|v| u.contains(v));
    let other: Vec<u32> = u.into_iter().filter(|v| !t.contains(v)).collect();
    let piece = |corners: &[u32]| corners.iter().map(at).collect::<Vec<_>>();
    match shared.len() {
        0 => pieces_meet(&piece(&t), &piece(&u)),
        1 => pieces_meet(&piece(&own), &piece(&u)) || pieces_meet(&piece(&other), &piece(&t)),
        2 => {
            let along = at(&shared[1]) - at(&shared[0]);
            let (a, b) = (along.cross(at(&own[0]) - at(&shared[0])), along.cross(at(&other[0]) - at(&shared[0])));
            a.cross(b) == I64Vec3::ZERO && a.dot(b) > 0
        }
        _ => true,
    }
}

/// Triangles between random points of a small cubic grid: every kind of touching, in-plane and folded pair occurs.
fn grid_soup(side: i64, count: usize, dice: &mut Dice) -> (Vec<I64Vec3>, Vec<[u32; 3]>) {
    let points: Vec<I64Vec3> =
        (0..side * side * side).map(|i| I64Vec3::new(i % side, i / side % side, i / side / side)).collect();
    let corner = |dice: &mut Dice| (dice.next() % points.len() as u64) as u32;
    let triangles = (0..count).map(|_| [corner(dice), corner(dice), corner(dice)]);
    let triangles = triangles.filter(|[a, b, c]| a != b && b != c && c != a).collect();
    (points, triangles)
}

fn shape(points: &[I64Vec3], triangles: Vec<[u32; 3]>) -> TriMesh {
    TriMesh::from_shape(points.iter().map(|p| p.as_dvec3() / 4.0 + 100.0).collect(), triangles)
}

#[test]
fn pairs_in_a_grid_soup_are_those_found_with_whole_numbers() {
    let mut dice = Dice(11);
    for side in [2, 3, 4, 9] {
        let (points, triangles) = grid_soup(side, 90, &mut dice);
        let count = triangles.len() as u32;
        let pairs = (0..count).flat_map(|i| (i + 1..count).map(move |j| [i, j]));
        let truth: Vec<[u32; 2]> =
            pairs.filter(|[i, j]| expected(&points, triangles[*i as usize], triangles[*j as usize])).collect();
        let mesh = shape(&points, triangles);
        assert_eq!(self_intersections(&mesh), truth);
        assert!(truth.len() > 100 && truth.len() < (count * count / 2) as usize, "{}", truth.len());
        assert_eq!(first_self_intersections(&mesh, 10).len(), 10);
        assert!(first_self_intersections(&mesh, 10).iter().all(|pair| truth.contains(pair)));
    }
}

#[test]
fn pairs_between_two_soups_are_those_found_with_whole_numbers() {
    let mut dice = Dice(12);
    let (points, triangles) = grid_soup(5, 140, &mut dice);
    let (left, right) = triangles.split_at(triangles.len() / 2);
    let apart = |t: [u32; 3]| t.map(|v| v + points.len() as u32);
    let doubled: Vec<I64Vec3> = points.iter().chain(&points).copied().collect();
    let mut truth = Vec::new();
    for (i, t) in left.iter().enumerate() {
        let met = right.iter().enumerate().filter(|(_, u)| expected(&doubled, *t, apart(**u)));
        truth.extend(met.map(|(j, _)| [i as u32, j as u32]));
    }
    let (a, b) = (shape(&points, left.to_vec()), shape(&points, right.to_vec()));
    assert_eq!(intersections_between(&a, &b), truth);
    let crossings = crossings_between(&a, &b);
    assert!(!crossings.is_empty() && crossings.len() < truth.len());
    assert!(crossings.iter().all(|pair| truth.contains(pair)));
}

#[test]
fn a_closed_ball_is_free_of_intersections_until_a_corner_is_pushed_through() {
    let (positions, triangles) = bumpy_ball(30, 0.1);
    let mut mesh = TriMesh::from_shape(positions, triangles);
    assert_eq!(self_intersections(&mesh), Vec::<[u32; 2]>::new());
    mesh.positions[700] *= -1.5;
    assert!(!self_intersections(&mesh).is_empty());
}

#[test]
fn parts_that_touch_in_a_cut_plane_touch_but_do_not_cross() {
    let cube = |shift: DVec3| {
        let corner = |i: u32| DVec3::new(f64::from(i & 1), f64::from(i >> 1 & 1), f64::from(i >> 2)) + shift;
        let quads = [[0, 2, 3, 1], [4, 5, 7, 6], [0, 1, 5, 4], [2, 6, 7, 3], [0, 4, 6, 2], [1, 3, 7, 5]];
        let halves = quads.into_iter().flat_map(|[a, b, c, d]| [[a, b, c], [a, c, d]]).collect();
        TriMesh::from_shape((0..8).map(corner).collect(), halves)
    };
    let one = cube(DVec3::ZERO);
    assert!(!intersections_between(&one, &cube(DVec3::Z)).is_empty());
    assert!(crossings_between(&one, &cube(DVec3::Z)).is_empty());
    assert!(intersections_between(&one, &cube(DVec3::Z * 1.000_001)).is_empty());
    assert!(!crossings_between(&one, &cube(DVec3::new(0.25, 0.125, 0.75))).is_empty());
}

#[test]
fn pairs_come_out_alike_on_one_and_two_threads() {
    let mut dice = Dice(13);
    let (points, triangles) = grid_soup(12, 4000, &mut dice);
    let mesh = shape(&points, triangles);
    let on = |threads| {
        let pool = rayon::ThreadPoolBuilder::new().num_threads(threads).build().unwrap();
        pool.install(|| (first_self_intersections(&mesh, 500), self_intersections(&mesh).len()))
    };
    assert_eq!(on(1), on(2));
}
