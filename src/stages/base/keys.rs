//! Dowels between the plate and the feet, and between parts of the plate: two for each joint, of different sizes and far
//! apart, where walls allow.

use std::f64::consts::TAU;

use glam::{DVec2, DVec3};
use rayon::prelude::*;

use crate::mesh::cut::{Flat, Plane, Socket, add_sockets};
use crate::mesh::sound::{Sound, pairs_beside};
use crate::mesh::tree::TriTree;
use crate::mesh::{Origin, TriMesh, outline};

/// Places tried on a joint, about.
const PLACES: f64 = 200.0;
/// Distance between depths at which a socket's surroundings are looked at, mm.
const LOOK_MM: f64 = 1.0;
/// Socket depths tried, in diameters (three is common practice, no source).
const DEPTHS: [f64; 5] = [3.0, 2.5, 2.0, 1.5, 1.0];
/// Distances are compared up to this, mm.
const ROUNDING_MM: f64 = 1e-6;
/// Points around a socket whose wall is looked at.
const RING: usize = 16;

/// What sockets keep to.
#[derive(Clone, Debug)]
#[allow(clippy::struct_field_names, reason = "lengths carry their unit")]
pub(super) struct Rules {
    /// Dowels at hand, largest first, mm.
    pub dowels_mm: Vec<f64>,
    pub clearance_mm: f64,
    pub wall_mm: f64,
}

impl Rules {
    /// From the axis of a dowel to the outside of the wall around it, mm.
    fn reach_mm(&self, dowel_mm: f64) -> f64 {
        dowel_mm / 2.0 + self.clearance_mm + self.wall_mm
    }
}

/// A dowel's place on a joint.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Placed {
    pub centre: DVec2,
    pub dowel_mm: f64,
    pub radius_mm: f64,
    pub depth_mm: f64,
}

/// The faces of two parts that meet, the lower one along the axis first.
#[derive(Clone, Debug)]
pub(super) struct Meeting {
    pub flats: [Flat; 2],
    /// Outlines of the common area, material to the left seen from the plane's upper side.
    pub outlines: Vec<Vec<DVec2>>,
}

impl Meeting {
    pub fn area_mm2(&self) -> f64 {
        outline::loops_area_mm2(&self.outlines)
    }

    fn plane(&self) -> Plane {
        self.flats[0].plane
    }
}

/// Outlines of a cut face, material to the left seen from the plane's upper side.
pub(super) fn outlines(mesh: &TriMesh, flat: &Flat) -> Vec<Vec<DVec2>> {
    let place = |v: u32| flat.plane.flatten(mesh.positions[v as usize]);
    let loops = outline::loops(&flat.rim(mesh));
    let mut outlines: Vec<Vec<DVec2>> = loops.into_iter().map(|l| l.into_iter().map(place).collect()).collect();
    if !flat.faces_up {
        for outline in &mut outlines {
            outline.reverse();
        }
    }
    outlines
}

/// A part that a joint is sunk into, and the triangle of the part before that each of its triangles is of.
pub(super) type Drilled = (TriMesh, Vec<u32>);

/// Places keys on a joint and sinks their sockets into both parts, under the joint's number; `None` when there is no room
/// or a socket would cross anything.
pub(super) fn sink(
    meeting: &Meeting,
    meshes: [&TriMesh; 2],
    joint: u16,
    rules: &Rules,
) -> Option<(Vec<Placed>, [Drilled; 2])> {
    let keys = places(meeting, meshes, rules);
    let socket = |k: &Placed| Socket { joint, centre: k.centre, radius_mm: k.radius_mm, depth_mm: k.depth_mm };
    let sockets: Vec<Socket> = keys.iter().map(socket).collect();
    let drill = |side: usize| -> Option<Drilled> {
        let piece = add_sockets(meshes[side], &meeting.flats[side], &sockets).ok()?;
        let sound = pairs_beside(&piece.mesh, &Sound::of(meshes[side], &[])).is_empty();
        sound.then_some((piece.mesh, piece.source))
    };
    if keys.is_empty() {
        return None;
    }
    Some((keys, [drill(0)?, drill(1)?]))
}

/// A place for a key: room to the joint's outline, and to all surfaces around its axis down to each depth, mm.
struct Spot {
    centre: DVec2,
    room: f64,
    deep: Vec<f64>,
}

/// What surrounds a joint on both sides.
struct Around<'a> {
    meeting: &'a Meeting,
    rules: &'a Rules,
    trees: [TriTree; 2],
}

impl Around<'_> {
    /// Least distance from the axis to any surface of the two parts, down to each depth looked at, mm.
    fn clear(&self, centre: DVec2, deepest: f64, enough: f64) -> Vec<f64> {
        let mouth: DVec3 = self.meeting.plane().lift(centre);
        let mut least = enough;
        let mut deep = Vec::new();
        for step in 0..=(deepest / LOOK_MM).ceil() as usize {
            for (tree, flat) in self.trees.iter().zip(&self.meeting.flats) {
                let at = mouth - flat.outward() * (step as f64 * LOOK_MM);
                least = tree.nearest(at, least).map_or(least, |nearest| nearest.distance);
            }
            deep.push(least);
        }
        deep
    }

    /// Whether a socket has its wall around the last of its depth and under the rim of its floor, on both sides.
    fn has_walls(&self, key: &Placed, from_mm: f64) -> bool {
        let plane = self.meeting.plane();
        let ring = (0..RING).map(|i| key.centre + key.radius_mm * DVec2::from_angle(TAU * i as f64 / RING as f64));
        let depths = [0.5 * (from_mm + key.depth_mm), key.depth_mm];
        let mut points = ring.flat_map(|p| depths.map(|depth| (plane.lift(p), depth)));
        points.all(|(p, depth)| {
            let free = |(tree, flat): (&TriTree, &Flat)| {
                tree.nearest(p - flat.outward() * depth, 0.999 * self.rules.wall_mm).is_none()
            };
            self.trees.iter().zip(&self.meeting.flats).all(free)
        })
    }
}

fn places(meeting: &Meeting, meshes: [&TriMesh; 2], rules: &Rules) -> Vec<Placed> {
    let Some((largest, least)) = rules.dowels_mm.first().zip(rules.dowels_mm.last()) else { return Vec::new() };
    let deepest = DEPTHS[0] * largest + rules.wall_mm;
    let trees = [0, 1].map(|side| beside(meshes[side], &meeting.flats[side]));
    let around = Around { meeting, rules, trees };
    let mut spots = spots(meeting, rules.reach_mm(*least));
    spots.par_iter_mut().for_each(|spot| spot.deep = around.clear(spot.centre, deepest, rules.reach_mm(*largest)));
    let of_size = |d: &f64| spots.par_iter().filter_map(|s| fitting(s, *d, &around)).collect();
    let fits: Vec<Vec<Placed>> = rules.dowels_mm.iter().map(of_size).collect();
    let sizes = fits.len();
    let mixed = (0..sizes).flat_map(|i| (i + 1..sizes.min(i + 3)).map(move |j| (i, j)));
    let mut pairs = mixed.chain((0..sizes).map(|i| (i, i)));
    let pair = pairs.find_map(|(i, j)| far_pair(&fits[i], &fits[j], rules.wall_mm));
    let room = |key: &Placed| spots.iter().find(|s| s.centre == key.centre).map_or(0.0, |s| s.room);
    let single = || fits.iter().find_map(|f| f.iter().copied().max_by(|a, b| room(a).total_cmp(&room(b))));
    pair.map_or_else(|| single().into_iter().collect(), |pair| pair.to_vec())
}

/// Everything of a part but one face.
fn beside(mesh: &TriMesh, flat: &Flat) -> TriTree {
    let others = mesh.triangles.iter().zip(&mesh.origins).filter(|(_, o)| **o != Origin::Cut(flat.joint));
    TriTree::new(&mesh.positions, &others.map(|(t, _)| *t).collect::<Vec<_>>())
}

/// Grid points on the joint with at least some room.
fn spots(meeting: &Meeting, least_mm: f64) -> Vec<Spot> {
    let closed = |l: &Vec<DVec2>| (0..l.len()).map(|i| (l[i], l[(i + 1) % l.len()])).collect::<Vec<_>>();
    let edges: Vec<(DVec2, DVec2)> = meeting.outlines.iter().flat_map(closed).collect();
    let start = (DVec2::INFINITY, DVec2::NEG_INFINITY);
    let (low, high) = edges.iter().fold(start, |(l, h), e| (l.min(e.0), h.max(e.0)));
    let step = (meeting.area_mm2() / PLACES).sqrt().max(0.5);
    let count = ((high - low) / step).ceil().clamp(DVec2::splat(2.0), DVec2::splat(200.0));
    let mut spots = Vec::new();
    for j in 0..=count.y as usize {
        for i in 0..=count.x as usize {
            let centre = low + (high - low) * DVec2::new(i as f64, j as f64) / count;
            let nearest = edges.iter().map(|(a, b)| distance_squared(centre, *a, *b)).fold(f64::INFINITY, f64::min);
            let room = nearest.sqrt();
            if room >= least_mm && outline::winding(edges.iter().copied(), centre) > 0 {
                spots.push(Spot { centre, room, deep: Vec::new() });
            }
        }
    }
    spots
}

fn distance_squared(p: DVec2, a: DVec2, b: DVec2) -> f64 {
    let along = b - a;
    let t = ((p - a).dot(along) / along.length_squared().max(1e-300)).clamp(0.0, 1.0);
    p.distance_squared(a + t * along)
}

/// A dowel of this size at a spot, at the greatest depth possible.
fn fitting(spot: &Spot, dowel_mm: f64, around: &Around<'_>) -> Option<Placed> {
    let rules = around.rules;
    let (radius_mm, reach) = (dowel_mm / 2.0 + rules.clearance_mm, rules.reach_mm(dowel_mm));
    if spot.room < reach {
        return None;
    }
    // Between two looks the distance shrinks by no more than the way gone.
    let at_depth = |depth: f64| {
        let (steps, seen) =
            (depth.max(0.0) / LOOK_MM, |step: f64| spot.deep.get(step as usize).copied().unwrap_or(0.0));
        seen(steps.ceil()).max(seen(steps.floor()) - LOOK_MM * steps.fract()) + ROUNDING_MM
    };
    let fits = |diameters: &f64| {
        let placed = Placed { centre: spot.centre, dowel_mm, radius_mm, depth_mm: diameters * dowel_mm };
        // Down to where the wall under the floor begins to count, a ball about the axis tells; from there on the rim does.
        let sides = placed.depth_mm + rules.wall_mm - reach;
        let held = at_depth(sides) >= reach && at_depth(placed.depth_mm) >= rules.wall_mm;
        (held && around.has_walls(&placed, sides.max(0.0))).then_some(placed)
    };
    DEPTHS.iter().find_map(fits)
}

/// The two spots that hold best, far apart and deep, one of each list, if there is room between them.
fn far_pair(a: &[Placed], b: &[Placed], wall_mm: f64) -> Option<[Placed; 2]> {
    let mut best: Option<(f64, [Placed; 2])> = None;
    for p in a {
        for q in b {
            let apart = p.centre.distance(q.centre);
            let hold = apart * (p.depth_mm / p.dowel_mm).min(q.depth_mm / q.dowel_mm);
            if apart >= 2.0 * (p.radius_mm + q.radius_mm) + wall_mm && best.is_none_or(|b| hold > b.0) {
                best = Some((hold, [*p, *q]));
            }
        }
    }
    best.map(|b| b.1)
}
