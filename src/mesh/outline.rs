//! Outlines in a plane: which side is material, which regions they enclose, and triangles that fill them without adding
//! a point. Constrained Delaunay triangulation (Chew 1989) by an exact-predicate library; crossings are reported.

use glam::DVec2;
use i_overlay::core::fill_rule::FillRule;
use i_overlay::core::overlay_rule::OverlayRule;
use i_overlay::float::single::SingleFloatOverlay;
use i_overlay::mesh::float::outline::offset::OutlineOffset;
use i_overlay::mesh::float::style::{LineJoin, OutlineStyle};
use spade::handles::{FaceHandle, FixedVertexHandle, InnerTag};
use spade::{CdtEdge, ConstrainedDelaunayTriangulation, Point2, Triangulation};

/// Corners of rounded offsets turn by no more, rad.
const JOIN_RAD: f64 = 0.3;
/// Half the width of what insets leave out as too narrow, mm.
const NECK_MM: f64 = 0.25;
/// Corners of offsets that are as near are one, mm.
const NEAR_MM: f64 = 0.01;
/// No point.
const NONE: u32 = u32::MAX;

type Cdt = ConstrainedDelaunayTriangulation<Point2<f64>>;

/// Why outlines enclose no clear area.
#[derive(Clone, Copy, Debug, PartialEq, Eq, thiserror::Error)]
pub enum OutlineError {
    #[error("an outline touches or crosses itself or another")]
    Touches,
    #[error("outlines enclose an area twice, or from the wrong side")]
    Overlaps,
}

/// Filled outlines.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Filled {
    /// Counter-clockwise triangles over the points given.
    pub triangles: Vec<[u32; 3]>,
    /// Region of each triangle: a connected area with its holes.
    pub regions: Vec<u32>,
    /// Area of each region, mm2.
    pub areas_mm2: Vec<f64>,
}

/// Twice the signed area of a triangle, mm2; positive when counter-clockwise.
#[must_use]
pub fn doubled_area(a: DVec2, b: DVec2, c: DVec2) -> f64 {
    (b - a).perp_dot(c - a)
}

/// How often closed chains of directed edges wind around a point (crossing number with signs).
pub fn winding(edges: impl IntoIterator<Item = (DVec2, DVec2)>, p: DVec2) -> i32 {
    let mut turns = 0;
    for (a, b) in edges {
        if (a.y > p.y) != (b.y > p.y) {
            let side = doubled_area(a, b, p);
            if b.y > a.y && side > 0.0 {
                turns += 1;
            } else if b.y < a.y && side < 0.0 {
                turns -= 1;
            }
        }
    }
    turns
}

/// Closed loops of directed edges, each starting at its lowest index; edges that close no loop are left out.
#[must_use]
pub fn loops(edges: &[[u32; 2]]) -> Vec<Vec<u32>> {
    let mut sorted = edges.to_vec();
    sorted.sort_unstable();
    let mut used = vec![false; sorted.len()];
    let mut loops = Vec::new();
    for start in 0..sorted.len() {
        let mut chain = Vec::new();
        let mut at = Some(start);
        while let Some(edge) = at.filter(|e| !std::mem::replace(&mut used[*e], true)) {
            chain.push(sorted[edge][0]);
            at = sorted.binary_search_by_key(&sorted[edge][1], |e| e[0]).ok();
        }
        if chain.len() > 2 && at == Some(start) {
            loops.push(chain);
        }
    }
    loops
}

/// What two areas have in common, as closed outlines with material to their left; accurate to about a millionth of the
/// areas' size, so for measuring and placing, not for building meshes.
#[must_use]
pub fn common(a: &[Vec<DVec2>], b: &[Vec<DVec2>]) -> Vec<Vec<DVec2>> {
    let plain = |l: &Vec<DVec2>| -> Vec<[f64; 2]> { l.iter().map(DVec2::to_array).collect() };
    let [a, b] = [a, b].map(|loops| loops.iter().map(plain).collect::<Vec<_>>());
    let shapes = a.overlay_as::<i64>(&b, OverlayRule::Intersect, FillRule::NonZero);
    shapes.into_iter().flatten().map(|l| l.into_iter().map(DVec2::from).collect()).collect()
}

/// The area within closed outlines that is further than `by_mm` from them, less what is narrower than half a millimetre; to
/// the same accuracy, material to the left.
#[must_use]
pub fn inset(loops: &[Vec<DVec2>], by_mm: f64) -> Vec<Vec<DVec2>> {
    let style = |by_mm: f64| OutlineStyle::new(by_mm).line_join(LineJoin::Round(JOIN_RAD));
    let plain: Vec<Vec<[f64; 2]>> = loops.iter().map(|l| l.iter().map(DVec2::to_array).collect()).collect();
    // Going too far and back (an opening) leaves no spikes and no necks.
    let shapes = plain.outline_as::<i64>(&style(-by_mm - NECK_MM)).outline_as::<i64>(&style(NECK_MM));
    let coarse = |l: Vec<[f64; 2]>| {
        let mut corners: Vec<DVec2> = l.into_iter().map(DVec2::from).collect();
        corners.dedup_by(|a, b| a.distance(*b) < NEAR_MM);
        while corners.len() > 1 && corners[0].distance(corners[corners.len() - 1]) < NEAR_MM {
            corners.pop();
        }
        corners
    };
    shapes.into_iter().flatten().map(coarse).filter(|l| l.len() > 2).collect()
}

/// Signed area of closed outlines, mm2; material lies to the left.
#[must_use]
pub fn loops_area_mm2(loops: &[Vec<DVec2>]) -> f64 {
    let of = |l: &Vec<DVec2>| {
        let turns = l.iter().zip(l.iter().cycle().skip(1));
        turns.map(|(a, b)| (*a - l[0]).perp_dot(*b - l[0])).sum::<f64>() / 2.0
    };
    loops.iter().map(of).sum()
}

/// Centroid of the area within closed outlines, as the moment of triangles about their first corner; that corner where they
/// enclose nothing.
#[must_use]
pub fn loops_middle(loops: &[Vec<DVec2>]) -> DVec2 {
    let Some(&first) = loops.iter().flatten().next() else { return DVec2::ZERO };
    let (mut doubled, mut moment) = (0.0, DVec2::ZERO);
    for outline in loops {
        for (a, b) in outline.iter().zip(outline.iter().cycle().skip(1)) {
            let (a, b) = (*a - first, *b - first);
            doubled += a.perp_dot(b);
            moment += a.perp_dot(b) * (a + b);
        }
    }
    if doubled == 0.0 { first } else { first + moment / (3.0 * doubled) }
}

/// Fills the area to the left of directed `edges`, which must form simple closed loops over `points`. Every point keeps
/// its place and no point is added; the result depends on positions only, not on the order of points.
///
/// # Errors
/// When loops touch or cross (also themselves), or enclose an area twice or inside out.
pub fn fill(points: &[DVec2], edges: &[[u32; 2]]) -> Result<Filled, OutlineError> {
    let mut order: Vec<u32> = edges.iter().map(|e| e[0]).collect();
    // Adding zero makes both zeros one.
    let key = |v: u32| (points[v as usize].x + 0.0, points[v as usize].y + 0.0);
    order.sort_by(|a, b| key(*a).0.total_cmp(&key(*b).0).then(key(*a).1.total_cmp(&key(*b).1)));
    if order.windows(2).any(|pair| key(pair[0]) == key(pair[1])) {
        return Err(OutlineError::Touches);
    }
    let next = successors(points.len(), edges, &order)?;
    let cdt = constrained(points, &order, &next)?;
    let turns = windings(&cdt, &next)?;
    Ok(collect(&cdt, &turns, points, &order))
}

/// Position in `order` that follows each one; every point must have one way in and one way out.
fn successors(points: usize, edges: &[[u32; 2]], order: &[u32]) -> Result<Vec<u32>, OutlineError> {
    let mut rank = vec![NONE; points];
    for (i, v) in order.iter().enumerate() {
        rank[*v as usize] = i as u32;
    }
    let mut next = vec![NONE; order.len()];
    let mut entered = vec![false; order.len()];
    for [from, to] in edges.iter().map(|e| e.map(|v| rank[v as usize])) {
        if to == NONE || std::mem::replace(&mut entered[to as usize], true) {
            return Err(OutlineError::Touches);
        }
        next[from as usize] = to;
    }
    Ok(next)
}

fn constrained(points: &[DVec2], order: &[u32], next: &[u32]) -> Result<Cdt, OutlineError> {
    let sites = order.iter().map(|v| Point2::new(points[*v as usize].x, points[*v as usize].y)).collect();
    let edges: Vec<[usize; 2]> = next.iter().enumerate().map(|(a, b)| [a, *b as usize]).collect();
    let mut conflict = false;
    let cdt = Cdt::try_bulk_load_cdt(sites, edges, |_| conflict = true).map_err(|_| OutlineError::Touches)?;
    // A constraint that runs through a point is split there, so counting shows it.
    if conflict || cdt.num_vertices() != order.len() || cdt.num_constraints() != order.len() {
        return Err(OutlineError::Touches);
    }
    let whole = |(a, b): (usize, &u32)| {
        let ends = [a, *b as usize].map(FixedVertexHandle::from_index);
        cdt.exists_constraint(ends[0], ends[1])
    };
    if next.iter().enumerate().all(whole) { Ok(cdt) } else { Err(OutlineError::Touches) }
}

/// Winding number of each face, spread from the outside.
fn windings(cdt: &Cdt, next: &[u32]) -> Result<Vec<i32>, OutlineError> {
    let mut turns = vec![i32::MAX; cdt.num_all_faces()];
    turns[cdt.outer_face().index()] = 0;
    let mut edges: Vec<_> = cdt.convex_hull().flat_map(|e| [e, e.rev()]).collect();
    while let Some(edge) = edges.pop() {
        let (here, beyond) = (turns[edge.face().index()], edge.rev().face());
        if here == i32::MAX || turns[beyond.index()] != i32::MAX {
            continue;
        }
        let along = next[edge.from().index()] as usize == edge.to().index();
        let step = match (edge.is_constraint_edge(), along) {
            (false, _) => 0,
            (true, true) => -1,
            (true, false) => 1,
        };
        turns[beyond.index()] = here + step;
        edges.extend(beyond.as_inner().into_iter().flat_map(|f| f.adjacent_edges()));
    }
    if turns.iter().all(|t| (0..=1).contains(t)) { Ok(turns) } else { Err(OutlineError::Overlaps) }
}

fn collect(cdt: &Cdt, turns: &[i32], points: &[DVec2], order: &[u32]) -> Filled {
    let mut region = vec![NONE; turns.len()];
    let mut filled = Filled::default();
    for face in cdt.inner_faces().filter(|face| turns[face.index()] == 1) {
        if region[face.index()] == NONE {
            spread(face, &mut region, filled.areas_mm2.len() as u32);
            filled.areas_mm2.push(0.0);
        }
        let triangle = face.vertices().map(|v| order[v.index()]);
        let [a, b, c] = triangle.map(|v| points[v as usize]);
        filled.areas_mm2[region[face.index()] as usize] += 0.5 * doubled_area(a, b, c);
        filled.regions.push(region[face.index()]);
        filled.triangles.push(triangle);
    }
    filled
}

/// Marks all faces reached without crossing an outline.
fn spread(start: FaceHandle<'_, InnerTag, Point2<f64>, (), CdtEdge<()>, ()>, region: &mut [u32], name: u32) {
    region[start.index()] = name;
    let mut stack = vec![start];
    while let Some(face) = stack.pop() {
        for edge in face.adjacent_edges().into_iter().filter(|e| !e.is_constraint_edge()) {
            if let Some(beyond) = edge.rev().face().as_inner().filter(|f| region[f.index()] == NONE) {
                region[beyond.index()] = name;
                stack.push(beyond);
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn square(x: f64, y: f64, half: f64) -> Vec<DVec2> {
        [(-1.0, -1.0), (1.0, -1.0), (1.0, 1.0), (-1.0, 1.0)]
            .map(|(i, j)| DVec2::new(x + half * i, y + half * j))
            .to_vec()
    }

    #[test]
    fn insets_of_several_areas_with_holes_keep_their_distance() {
        let mut hole = square(3.0, 0.0, 5.0);
        hole.reverse();
        let loops = inset(&[square(0.0, 0.0, 20.0), hole, square(50.0, 10.0, 4.0), square(70.0, 0.0, 0.9)], 1.0);
        // The hole grows by a band with round corners, of 16 sides or so.
        let hole = 100.0 + 4.0 * 10.0 + std::f64::consts::PI;
        let wanted = 38.0 * 38.0 - hole + 36.0;
        assert!((loops_area_mm2(&loops) - wanted).abs() < 0.6, "{}, expected {wanted}", loops_area_mm2(&loops));
        assert_eq!(loops.len(), 3);
    }
}
