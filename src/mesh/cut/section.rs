//! Where a plane crosses a mesh: the crossed triangles, the rim points they share, and the filled section.
//!
//! Each crossed triangle has a lone corner on one side; its two crossed edges are called `ahead` (leaving the lone
//! corner) and `behind` (coming back to it). Segments run with the material of the lower side to their left.

use glam::{DVec2, DVec3};
use rayon::prelude::*;

use super::flat::{Flat, flats_among};
use super::{CutError, Plane};
use crate::mesh::{Origin, TriMesh, outline};
use crate::units::snap_mm;

/// No rim point.
pub(super) const NONE: u32 = u32::MAX;

/// A triangle the plane crosses.
#[derive(Clone, Copy, Debug)]
pub(super) struct Crossed {
    pub triangle: u32,
    /// Corners, the lone one first, in the triangle's own turn.
    pub corners: [u32; 3],
    pub lone_above: bool,
    /// Rim points on the edges `ahead` and `behind`; `NONE` inside an earlier cut face.
    pub rim: [u32; 2],
    pub region: u32,
}

/// A piece of rim that runs across an earlier cut face.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) struct Chord {
    pub joint: u16,
    pub ends: [u32; 2],
    pub region: u32,
}

/// One connected area of a section.
#[derive(Clone, Debug, PartialEq)]
pub struct Region {
    /// True area.
    pub area_mm2: f64,
    /// Corners of its bounding rectangle over the plane, mm; see [`Plane::flatten`].
    pub low: DVec2,
    pub high: DVec2,
}

/// Where a plane crosses a mesh.
#[derive(Clone, Debug)]
pub struct Section {
    pub plane: Plane,
    pub regions: Vec<Region>,
    /// Rim points: on the lattice over the plane, and exactly on it where it is not sloped.
    pub points: Vec<DVec3>,
    /// Region each rim point belongs to.
    pub point_regions: Vec<u32>,
    /// Filling of all regions, over the rim points, counter-clockwise seen from above.
    pub cap: Vec<[u32; 3]>,
    pub(super) cap_regions: Vec<u32>,
    pub(super) colours: Vec<[f32; 3]>,
    pub(super) crossed: Vec<Crossed>,
    pub(super) chords: Vec<Chord>,
    pub(super) flats: Vec<Flat>,
    /// Crossed edges outside earlier cut faces, sorted, with their rim points.
    pub(super) edges: Vec<(u64, u32)>,
}

/// A segment of the section: across one crossed triangle, between two crossed edges.
struct Segments {
    /// Sorted keys of the crossed edges.
    keys: Vec<u64>,
    /// Crossings of each crossed triangle: ahead, behind.
    ends: Vec<[u32; 2]>,
    /// The crossed triangle whose segment leaves each crossing.
    leaving: Vec<u32>,
    /// Whether a crossing lies inside an earlier cut face and needs no point.
    inner: Vec<bool>,
}

/// Key of an undirected edge, lower index first.
pub(super) fn edge_key(a: u32, b: u32) -> u64 {
    u64::from(a.min(b)) << 32 | u64::from(a.max(b))
}

/// Finds and fills the section of a closed mesh.
///
/// # Errors
/// When a vertex lies on the plane, the mesh is open there, or the section is not made of simple outlines.
pub fn section(mesh: &TriMesh, plane: Plane) -> Result<Section, CutError> {
    let mut crossed = crossed(mesh, plane)?;
    let flats = flats_among(mesh, crossed.iter().map(|c| c.triangle));
    let segments = join(mesh, &crossed, &flats)?;
    let mut rims = Rims::new(mesh, plane, &segments);
    let mut loops = Vec::new();
    let mut seen = vec![false; segments.keys.len()];
    for start in 0..segments.keys.len() {
        if !seen[start] {
            loops.push(rims.walk(start as u32, &segments, &crossed, &mut seen)?);
        }
    }
    let Rims { points, colours, rim_of, loop_of, .. } = rims;
    let flat: Vec<DVec2> = points.iter().map(|p| plane.flatten(*p)).collect();
    let edges: Vec<[u32; 2]> =
        loops.iter().flat_map(|l| (0..l.len()).map(move |i| [l[i], l[(i + 1) % l.len()]])).collect();
    let filled = outline::fill(&flat, &edges)?;
    let mut point_regions = vec![NONE; points.len()];
    for (triangle, region) in filled.triangles.iter().zip(&filled.regions) {
        for v in triangle {
            point_regions[*v as usize] = *region;
        }
    }
    for (c, ends) in crossed.iter_mut().zip(&segments.ends) {
        c.rim = ends.map(|e| rim_of[e as usize]);
        c.region = point_regions[loops[loop_of[ends[0] as usize] as usize][0] as usize];
    }
    let chords = chords(mesh, &crossed, &segments, &flats, &rim_of);
    let outer = |(i, key): (usize, &u64)| (!segments.inner[i]).then_some((*key, rim_of[i]));
    let edges = segments.keys.iter().enumerate().filter_map(outer).collect();
    let areas: Vec<f64> = filled.areas_mm2.iter().map(|area| area * plane.stretch()).collect();
    let regions = regions(&areas, &flat, &point_regions);
    let (cap, cap_regions) = (filled.triangles, filled.regions);
    Ok(Section { plane, regions, points, point_regions, cap, cap_regions, colours, crossed, chords, flats, edges })
}

/// Crossed triangles in the mesh's order.
fn crossed(mesh: &TriMesh, plane: Plane) -> Result<Vec<Crossed>, CutError> {
    let of = |(triangle, corners): (usize, &[u32; 3])| {
        let above = corners.map(|v| plane.lies_under(mesh.positions[v as usize]));
        let lone = match above {
            [a, b, c] if a == b && b == c => return None,
            [_, b, c] if b == c => 0,
            [a, b, _] if a == b => 2,
            _ => 1,
        };
        let [a, b, c] = *corners;
        let corners = [[a, b, c], [b, c, a], [c, a, b]][lone];
        Some(Crossed { triangle: triangle as u32, corners, lone_above: above[lone], rim: [NONE; 2], region: NONE })
    };
    let found: Vec<Crossed> = mesh.triangles.par_iter().enumerate().filter_map(of).collect();
    if mesh.positions.par_iter().any(|p| plane.height(*p) == plane.offset_mm) {
        return Err(CutError::VertexOnPlane);
    }
    if found.is_empty() { Err(CutError::Misses) } else { Ok(found) }
}

/// Pairs crossed triangles over their crossed edges.
fn join(mesh: &TriMesh, crossed: &[Crossed], flats: &[Flat]) -> Result<Segments, CutError> {
    let mut slots: Vec<(u64, u32)> = Vec::with_capacity(2 * crossed.len());
    for (i, c) in crossed.iter().enumerate() {
        let [lone, m, n] = c.corners;
        slots.push((edge_key(lone, m), 2 * i as u32));
        slots.push((edge_key(n, lone), 2 * i as u32 + 1));
    }
    slots.par_sort_unstable();
    let (pairs, rest) = slots.as_chunks::<2>();
    let mut segments = Segments {
        keys: Vec::with_capacity(pairs.len()),
        ends: vec![[NONE; 2]; crossed.len()],
        leaving: Vec::with_capacity(pairs.len()),
        inner: Vec::with_capacity(pairs.len()),
    };
    for [(key, a), (other, b)] in pairs {
        // The segment leaves the edge `ahead` of a lone corner above, and `behind` of one below.
        let leaves = |slot: u32| crossed[slot as usize / 2].lone_above == slot.is_multiple_of(2);
        if key != other || segments.keys.last() == Some(key) || leaves(*a) == leaves(*b) {
            return Err(CutError::Open);
        }
        let id = segments.keys.len() as u32;
        segments.keys.push(*key);
        for slot in [*a, *b] {
            segments.ends[slot as usize / 2][slot as usize % 2] = id;
        }
        segments.leaving.push(if leaves(*a) { a / 2 } else { b / 2 });
        let face = |slot: u32| face_of(mesh, &crossed[slot as usize / 2], flats);
        segments.inner.push(face(*a).is_some() && face(*a) == face(*b));
    }
    if rest.is_empty() { Ok(segments) } else { Err(CutError::Open) }
}

/// The earlier cut face a crossed triangle lies in.
fn face_of(mesh: &TriMesh, crossed: &Crossed, flats: &[Flat]) -> Option<u16> {
    match mesh.origins[crossed.triangle as usize] {
        Origin::Cut(joint) if flats.iter().any(|f| f.joint == joint) => Some(joint),
        _ => None,
    }
}

/// Rim points under construction.
struct Rims<'a> {
    mesh: &'a TriMesh,
    plane: Plane,
    points: Vec<DVec3>,
    colours: Vec<[f32; 3]>,
    /// Rim point of each crossing.
    rim_of: Vec<u32>,
    loop_of: Vec<u32>,
    loops: u32,
}

impl<'a> Rims<'a> {
    fn new(mesh: &'a TriMesh, plane: Plane, segments: &Segments) -> Self {
        let none = vec![NONE; segments.keys.len()];
        let (points, colours) = (Vec::new(), Vec::new());
        Self { mesh, plane, points, colours, rim_of: none.clone(), loop_of: none, loops: 0 }
    }

    /// Follows one closed loop; crossings that fall on the same lattice point in a row become one rim point.
    fn walk(&mut self, start: u32, s: &Segments, crossed: &[Crossed], seen: &mut [bool]) -> Result<Vec<u32>, CutError> {
        let mut chain = Vec::new();
        let mut at = start;
        while !std::mem::replace(&mut seen[at as usize], true) {
            self.loop_of[at as usize] = self.loops;
            if !s.inner[at as usize] {
                chain.push(at);
            }
            let leaving = s.leaving[at as usize] as usize;
            at = s.ends[leaving][usize::from(crossed[leaving].lone_above)];
        }
        self.loops += 1;
        let mut rim: Vec<u32> = Vec::with_capacity(chain.len());
        for crossing in &chain {
            let (point, colour) = cross(self.mesh, s.keys[*crossing as usize], self.plane);
            if rim.last().is_none_or(|last| self.points[*last as usize] != point) {
                rim.push(self.points.len() as u32);
                self.points.push(point);
                self.colours.push(colour);
            }
            self.rim_of[*crossing as usize] = self.points.len() as u32 - 1;
        }
        let closes = |r: &[u32]| r.len() > 1 && self.points[r[0] as usize] == self.points[r[r.len() - 1] as usize];
        if closes(&rim)
            && let Some(last) = rim.pop()
        {
            for crossing in chain.iter().rev().take_while(|c| self.rim_of[**c as usize] == last).collect::<Vec<_>>() {
                self.rim_of[*crossing as usize] = rim[0];
            }
            self.points.pop();
            self.colours.pop();
        }
        if rim.len() < 3 { Err(CutError::Touches) } else { Ok(rim) }
    }
}

/// Point and colour where an edge meets the plane; the lower index is the first end, so both sides agree.
fn cross(mesh: &TriMesh, key: u64, plane: Plane) -> (DVec3, [f32; 3]) {
    let [a, b] = [(key >> 32) as usize, (key & 0xffff_ffff) as usize];
    let (p, q) = (mesh.positions[a], mesh.positions[b]);
    let (from, to) = (plane.height(p), plane.height(q));
    let t = (plane.offset_mm - from) / (to - from);
    let mut point = p + t * (q - p);
    for axis in 0..3 {
        // An edge within an earlier cut plane stays in it.
        point[axis] = if p[axis] == q[axis] { p[axis] } else { snap_mm(point[axis]) + 0.0 };
    }
    if !plane.is_sloped() || p[plane.axis] != q[plane.axis] {
        point = plane.lift_to_lattice(plane.flatten(point));
    }
    let (from, to, t) = (mesh.colours[a], mesh.colours[b], t as f32);
    (point, [0, 1, 2].map(|i| from[i] + t * (to[i] - from[i])))
}

/// Rim edges across earlier cut faces, from where the rim enters a face to where it leaves it.
fn chords(mesh: &TriMesh, crossed: &[Crossed], s: &Segments, flats: &[Flat], rim_of: &[u32]) -> Vec<Chord> {
    let mut chords = Vec::new();
    for (from, leaving) in s.leaving.iter().enumerate().filter(|(i, _)| !s.inner[*i]) {
        let entered = &crossed[*leaving as usize];
        let Some(joint) = face_of(mesh, entered, flats) else { continue };
        let across = |c: u32| s.ends[c as usize][usize::from(crossed[c as usize].lone_above)];
        let mut to = across(*leaving);
        while s.inner[to as usize] {
            to = across(s.leaving[to as usize]);
        }
        let ends = [rim_of[from], rim_of[to as usize]];
        if ends[0] != ends[1] {
            chords.push(Chord { joint, ends, region: entered.region });
        }
    }
    chords
}

fn regions(areas: &[f64], flat: &[DVec2], point_regions: &[u32]) -> Vec<Region> {
    let empty = |area: &f64| Region { area_mm2: *area, low: DVec2::INFINITY, high: DVec2::NEG_INFINITY };
    let mut regions: Vec<Region> = areas.iter().map(empty).collect();
    for (p, region) in flat.iter().zip(point_regions) {
        if let Some(r) = regions.get_mut(*region as usize) {
            (r.low, r.high) = (r.low.min(*p), r.high.max(*p));
        }
    }
    regions
}
