//! How a surface passes through one cell of the grid, for each of the 256 ways its corners can be inside or outside.
//!
//! Marching cubes (Lorensen and Cline 1987) with one rule for faces: inside corners that only meet across a face's
//! diagonal stay apart. Both cells at a face see the same corners, so they agree. A loop is filled by a fan that is
//! proved, for all crossings at once, to keep off the cell's faces and out of its own way: so no two triangles of the
//! whole surface meet but in what they share.

use std::sync::LazyLock;

use glam::{DVec3, IVec3};

/// Crossings lie in this part of an edge, measured from its lower end: what the proof of the fans covers.
pub(super) const SPAN: [f64; 2] = [1.0 / 128.0, 127.0 / 128.0];

/// An edge of the cell: the corner at its lower end and its axis. Corner c lies at (c & 1, c >> 1 & 1, c >> 2).
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) struct Edge {
    pub(super) corner: usize,
    pub(super) axis: usize,
}

/// A closed line where the surface leaves the cell through its faces.
#[derive(Clone, Debug)]
pub(super) struct Loop {
    /// Its crossings, counter-clockwise seen from outside the solid.
    pub(super) edges: Vec<Edge>,
    /// The crossings, as places in `edges`, from which a fan fills the loop soundly.
    pub(super) fans: Vec<usize>,
}

/// Offset of a corner from the cell's lowest.
pub(super) fn corner_offset(corner: usize) -> IVec3 {
    IVec3::new((corner & 1) as i32, (corner >> 1 & 1) as i32, (corner >> 2) as i32)
}

/// The loops of a cell whose corner c is inside when bit c of `inside` is set.
pub(super) fn loops(inside: u8) -> &'static [Loop] {
    static TABLE: LazyLock<Vec<Vec<Loop>>> = LazyLock::new(|| (0..=255).map(trace).collect());
    &TABLE[usize::from(inside)]
}

/// Corners of the six faces, counter-clockwise seen from outside the cell.
fn faces() -> impl Iterator<Item = [usize; 4]> {
    (0..3).flat_map(|axis| {
        let (u, v) = (1 << ((axis + 1) % 3), 1 << ((axis + 2) % 3));
        [[0, v, u + v, u], [0, u, u + v, v].map(|corner| corner + (1 << axis))]
    })
}

fn edge_between(a: usize, b: usize) -> Edge {
    Edge { corner: a.min(b), axis: (a ^ b).trailing_zeros() as usize }
}

/// On each face a line runs from the edge where a row of inside corners starts to the edge where it ends.
fn trace(inside: u8) -> Vec<Loop> {
    let is_inside = |corner: usize| inside >> corner & 1 == 1;
    let mut steps: Vec<(Edge, Edge)> = Vec::new();
    for face in faces() {
        for start in (0..4).filter(|i| is_inside(face[*i]) && !is_inside(face[(i + 3) % 4])) {
            let row = (0..4).take_while(|i| is_inside(face[(start + i) % 4])).count();
            let end = start + row - 1;
            let before = edge_between(face[(start + 3) % 4], face[start]);
            steps.push((before, edge_between(face[end % 4], face[(end + 1) % 4])));
        }
    }
    let mut loops = Vec::new();
    while let Some((first, mut at)) = steps.pop() {
        let mut edges = vec![first];
        while let Some(next) = steps.iter().position(|(from, _)| *from == at) {
            edges.push(at);
            at = steps.swap_remove(next).1;
        }
        let fans = (0..edges.len()).filter(|apex| fan_is_sound(&edges, *apex)).collect();
        loops.push(Loop { edges, fans });
    }
    loops
}

/// Whether no side of the fan runs through a face and every two of its triangles are parted, whatever the crossings.
fn fan_is_sound(edges: &[Edge], apex: usize) -> bool {
    let fan: Vec<Edge> = (0..edges.len()).map(|i| edges[(apex + i) % edges.len()]).collect();
    let spokes = 2..fan.len() - 1;
    let clear = spokes.clone().all(|k| !share_a_face(fan[0], fan[k]));
    let mut pairs = spokes.flat_map(|k| (1..k).map(move |i| (i, k)));
    clear && pairs.all(|(i, k)| parted(&fan, i, k))
}

fn share_a_face(a: Edge, b: Edge) -> bool {
    (0..3).any(|axis| axis != a.axis && axis != b.axis && (a.corner ^ b.corner) >> axis & 1 == 0)
}

/// Whether triangles (0, i, i+1) and (0, k, k+1) of a fan, i < k, are parted by a plane through its apex: one along a
/// spoke between them and a fixed direction, or one across a fixed direction.
///
/// Each test value is linear in every crossing taken alone, so if it has one sign at all ends it has it throughout.
fn parted(fan: &[Edge], i: usize, k: usize) -> bool {
    let sides = [(i, 1.0), (i + 1, 1.0), (k, -1.0), (k + 1, -1.0)];
    let along_spoke = |spoke: usize, direction: DVec3| {
        sides.into_iter().filter(|(at, _)| *at != spoke).all(|(at, sign)| {
            corners_of_span().all(|[s, t, u]| {
                let apex = crossing(fan[0], s);
                let normal = direction.cross(crossing(fan[spoke], t) - apex);
                sign * normal.dot(crossing(fan[at], u) - apex) > SURE
            })
        })
    };
    let across = |direction: DVec3| {
        sides.into_iter().all(|(at, sign)| {
            corners_of_span().all(|[s, t, _]| sign * direction.dot(crossing(fan[at], t) - crossing(fan[0], s)) > SURE)
        })
    };
    directions().any(|direction| (i + 1..=k).any(|spoke| along_spoke(spoke, direction)) || across(direction))
}

/// Well above the rounding of the test values, which are sums of a few products below 8.
const SURE: f64 = 1e-12;

fn crossing(edge: Edge, t: f64) -> DVec3 {
    corner_offset(edge.corner).as_dvec3() + DVec3::AXES[edge.axis] * t
}

fn corners_of_span() -> impl Iterator<Item = [f64; 3]> {
    (0..8).map(|i| [SPAN[i & 1], SPAN[i >> 1 & 1], SPAN[i >> 2]])
}

/// The 26 directions with parts -1, 0 and 1.
fn directions() -> impl Iterator<Item = DVec3> {
    let part = |i: i32| f64::from(i % 3 - 1);
    (0..27).filter(|i| *i != 13).map(move |i| DVec3::new(part(i), part(i / 3), part(i / 9)))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn triangles(way: &Loop, apex: usize) -> Vec<[Edge; 3]> {
        let at = |i: usize| way.edges[(apex + i) % way.edges.len()];
        (1..way.edges.len() - 1).map(|i| [at(0), at(i), at(i + 1)]).collect()
    }

    #[test]
    fn every_crossed_edge_is_in_one_loop_and_every_loop_has_a_sound_fan() {
        for inside in 0..=255_u8 {
            let crossed = (0..3).flat_map(|axis| (0..8).map(move |corner| Edge { corner, axis })).filter(|edge| {
                let other = edge.corner | 1 << edge.axis;
                other != edge.corner && (inside >> edge.corner ^ inside >> other) & 1 == 1
            });
            let mut found: Vec<Edge> = loops(inside).iter().flat_map(|way| way.edges.clone()).collect();
            found.sort_by_key(|edge| (edge.axis, edge.corner));
            assert_eq!(found, crossed.collect::<Vec<_>>());
            assert!(loops(inside).iter().all(|way| (3..=7).contains(&way.edges.len()) && !way.fans.is_empty()));
        }
    }

    /// The other half of the proof: triangles of different loops are parted by a plane across a fixed direction.
    #[test]
    fn loops_of_one_cell_keep_apart_whatever_the_crossings() {
        let mut pairs = 0;
        for inside in 0..=255_u8 {
            let fans = |way: &Loop| way.fans.iter().flat_map(|apex| triangles(way, *apex)).collect::<Vec<_>>();
            let ways: Vec<Vec<[Edge; 3]>> = loops(inside).iter().map(fans).collect();
            for (i, way) in ways.iter().enumerate() {
                for (t, u) in way.iter().flat_map(|t| ways[..i].iter().flatten().map(move |u| (t, u))) {
                    let span = |t: &[Edge; 3], direction: DVec3| {
                        let ends = t.iter().flat_map(|edge| SPAN.map(|s| crossing(*edge, s).dot(direction)));
                        ends.fold((f64::INFINITY, f64::NEG_INFINITY), |(low, high), x| (low.min(x), high.max(x)))
                    };
                    assert!(directions().any(|d| span(t, d).1 + SURE < span(u, d).0), "{inside:08b}");
                    pairs += 1;
                }
            }
        }
        assert!(pairs > 100);
    }

    #[test]
    fn the_surface_faces_away_from_inside_corners() {
        for corner in 0..8 {
            let way = &loops(1 << corner)[0];
            let [a, b, c] = [0, 1, 2].map(|i| crossing(way.edges[i], 0.5));
            assert!((b - a).cross(c - a).dot(a - corner_offset(corner).as_dvec3()) > 0.0);
        }
    }
}
