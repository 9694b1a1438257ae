//! Thickening of thin walls, on bodies whose walls and gaps are known from how they were made.

use glam::DVec3;
use rustc_hash::FxHashMap;
use statuary::mesh::inspect::inspect;
use statuary::mesh::intersect::self_intersections;
use statuary::mesh::measure::bounds;
use statuary::mesh::thicken::{Thickened, Thickening, thicken};
use statuary::mesh::tree::TriTree;
use statuary::mesh::walls::{share_below, walls};
use statuary::mesh::{TriMesh, measure};

use crate::bodies::{equipment, figure, part, run};

const WISH: Thickening = Thickening { wall_min_mm: 0.88, gap_min_mm: 0.44, sliver_mm: 1e-4 };

/// Numbers from `from` to `to`, about `step` apart.
fn ticks(from: f64, to: f64, step: f64) -> Vec<f64> {
    let count = ((to - from) / step).round().max(1.0);
    (0..=count as usize).map(|i| from + (to - from) * i as f64 / count).collect()
}

/// The surface of all cells of a grid, given by its ticks, whose middle is inside; each face is two triangles.
fn cells(grid: &[Vec<f64>; 3], inside: impl Fn(DVec3) -> bool) -> TriMesh {
    let middle = |cell: [i64; 3]| {
        let at = |axis: usize| {
            let (i, ticks) = (usize::try_from(cell[axis]).ok()?, &grid[axis]);
            Some(0.5 * (ticks.get(i)? + ticks.get(i + 1)?))
        };
        Some(DVec3::new(at(0)?, at(1)?, at(2)?))
    };
    let is_solid = |cell: [i64; 3]| middle(cell).is_some_and(&inside);
    let mut mesh = TriMesh::default();
    let mut known = FxHashMap::default();
    let mut vertex = |mesh: &mut TriMesh, corner: [i64; 3]| {
        *known.entry(corner).or_insert_with(|| {
            let place = std::array::from_fn(|axis| grid[axis][usize::try_from(corner[axis]).unwrap()]);
            mesh.positions.push(DVec3::from_array(place));
            mesh.positions.len() as u32 - 1
        })
    };
    let counts = [0, 1, 2].map(|axis| grid[axis].len() as i64 - 1);
    for cell in (0..counts[0] * counts[1] * counts[2])
        .map(|i| [i % counts[0], i / counts[0] % counts[1], i / (counts[0] * counts[1])])
        .filter(|cell| is_solid(*cell))
    {
        for (axis, side) in (0..3).flat_map(|axis| [(axis, 0), (axis, 1)]) {
            let mut beside = cell;
            beside[axis] += 2 * side - 1;
            if is_solid(beside) {
                continue;
            }
            let (u, v) = if side == 1 { ((axis + 1) % 3, (axis + 2) % 3) } else { ((axis + 2) % 3, (axis + 1) % 3) };
            let corner = |du: i64, dv: i64| {
                let mut at = cell;
                at[axis] += side;
                at[u] += du;
                at[v] += dv;
                at
            };
            let [a, b, c, d] = [corner(0, 0), corner(1, 0), corner(1, 1), corner(0, 1)].map(|at| vertex(&mut mesh, at));
            mesh.triangles.extend([[a, b, c], [a, c, d]]);
        }
    }
    TriMesh::from_shape(mesh.positions, mesh.triangles)
}

/// A block of 10 x 8 x 4 mm with two upright plates of 0.3 mm on it, 8 mm high, 0.8 mm of air between them.
fn comb() -> TriMesh {
    let y = [ticks(-3.0, 0.0, 0.3), vec![0.3], ticks(0.5, 1.1, 0.2), vec![1.4], ticks(1.7, 5.0, 0.3)].concat();
    cells(&[ticks(0.0, 10.0, 0.25), y, ticks(0.0, 12.0, 0.25)], |p| {
        p.z < 4.0 || (0.0..0.3).contains(&p.y) || (1.1..1.4).contains(&p.y)
    })
}

fn thickened(mesh: &TriMesh) -> (TriMesh, Thickened) {
    let mut thick = mesh.clone();
    let done = thicken(&mut thick, &WISH);
    assert!(inspect(&thick).is_solid() && self_intersections(&thick).is_empty());
    assert_eq!(thick.triangles, mesh.triangles);
    (thick, done)
}

/// Where a line along +y through the plates meets the surface.
fn across(mesh: &TriMesh, x: f64, z: f64) -> Vec<f64> {
    let tree = TriTree::new(&mesh.positions, &mesh.triangles);
    let from = DVec3::new(x, -5.0, z);
    let mut at: Vec<f64> = tree.ray_hits(from, DVec3::Y, 20.0).iter().map(|hit| hit.distance - 5.0).collect();
    // A line through an edge meets both its triangles.
    at.dedup_by(|a, b| (*a - *b).abs() < 1e-9);
    at
}

#[test]
fn plates_become_thick_enough_and_the_gap_stays_open() {
    let thin = comb();
    assert!(inspect(&thin).is_solid());
    let (thick, done) = thickened(&thin);
    assert!(done.moved > 0 && done.most_mm < WISH.wall_min_mm, "{done:?}");
    for (x, z) in [(2.03, 6.07), (5.03, 8.57), (8.11, 10.61)] {
        let at = across(&thick, x, z);
        assert_eq!(at.len(), 4, "{at:?}");
        let (one, gap, other) = (at[1] - at[0], at[2] - at[1], at[3] - at[2]);
        assert!((WISH.wall_min_mm..1.02).contains(&one) && (WISH.wall_min_mm..1.02).contains(&other), "{at:?}");
        assert!(gap >= WISH.gap_min_mm - 1e-3, "a gap of {gap} mm is left");
    }
    assert!(share_below(&walls(&thin, 20_000), WISH.wall_min_mm) > 0.3);
    assert!(share_below(&walls(&thick, 20_000), WISH.wall_min_mm) < 0.03);
}

#[test]
fn nothing_moves_away_from_thin_walls_and_the_height_stays() {
    let thin = comb();
    let (thick, _) = thickened(&thin);
    for (before, after) in thin.positions.iter().zip(&thick.positions) {
        let to_plates = (before.y - before.y.clamp(0.0, 1.4)).hypot(before.z - before.z.clamp(4.0, 12.0));
        let most = if to_plates > 1.5 { 0.0 } else { WISH.wall_min_mm };
        assert!(before.distance(*after) <= most, "{before} to {after}");
    }
    let (low, high) = bounds(&thick.positions);
    assert_eq!((low.z, high.z), (0.0, 12.0));
    let sturdy = cells(&[ticks(0.0, 4.0, 0.5), ticks(0.0, 4.0, 0.5), ticks(0.0, 4.0, 0.5)], |_| true);
    let (same, done) = thickened(&sturdy);
    assert_eq!((same, done), (sturdy, Thickened::default()));
}

/// A gap that is narrower than the least to begin with is left as it is, while the plates grow outwards.
#[test]
fn a_narrow_gap_is_not_narrowed() {
    let y = [ticks(-3.0, 0.0, 0.3), vec![0.3, 0.6, 0.9], ticks(1.2, 4.2, 0.3)].concat();
    let thin = cells(&[ticks(0.0, 10.0, 0.25), y, ticks(0.0, 12.0, 0.25)], |p| {
        p.z < 4.0 || (0.0..0.3).contains(&p.y) || (0.6..0.9).contains(&p.y)
    });
    let (thick, _) = thickened(&thin);
    let at = across(&thick, 5.03, 8.57);
    assert!(at[2] - at[1] >= 0.3 - 1e-9, "{at:?}");
    assert!(at[1] - at[0] >= 0.8 && at[3] - at[2] >= 0.8, "{at:?}");
}

#[test]
fn the_stage_thickens_on_demand_only_and_tells_it() {
    use statuary::stages::scale::Scale;
    let before = figure(vec![part(1, comb())]);
    let stage = |is_on: bool| Scale { factor: Some(1.0), wall_min_mm: 0.88, thicken: is_on, ..Scale::default() };
    let off = run(&stage(false), &before, &equipment()).unwrap();
    let warned = off.told("walls thinner than 0.88 mm").unwrap();
    assert!(warned.hint.contains("thicken: true") && off.told("thickened").is_none());
    assert!(!off.figure.thin_at.is_empty());
    let on = run(&stage(true), &before, &equipment()).unwrap();
    assert!(on.told("walls under 0.88 mm thickened").is_some());
    assert!(on.number("thin_share") < 0.1 * on.number("thin_share_before"));
    assert_eq!(on.number("thin_share_before"), off.number("thin_share"));
    assert!(on.figure.thin_at.len() < off.figure.thin_at.len() / 10);
    let more = measure::volume_mm3(&on.figure.whole) - measure::volume_mm3(&off.figure.whole);
    assert!((50.0..150.0).contains(&more), "two plates of 80 mm2 grow by about 0.6 mm each: {more} mm3");
}
