//! Places dowel sockets on joints: as far apart as walls allow, of different sizes so that parts go together one way only,
//! and inside both parts over their whole depth.

use glam::{DVec2, DVec3};

use super::joints::Meeting;
use crate::mesh::TriMesh;
use crate::mesh::cut::Plane;
use crate::mesh::outline;

/// Places tried on a joint, about.
const PLACES: f64 = 250.0;
/// Distance between depths at which a socket's surroundings are looked at, mm.
const LOOK_MM: f64 = 3.0;
/// Socket depths tried, as shares of the wanted one.
const DEPTHS: [f64; 3] = [1.0, 0.67, 0.5];
/// Wanted depth in diameters (common practice, no source).
const DIAMETERS: f64 = 3.0;

/// What sockets must keep to.
#[derive(Clone, Debug)]
#[allow(clippy::struct_field_names, reason = "lengths carry their unit")]
pub(super) struct KeyRules {
    /// Dowels on the shelf, largest first, mm.
    pub dowels_mm: Vec<f64>,
    pub clearance_mm: f64,
    pub wall_mm: f64,
    /// Wanted depth; three diameters when none is given.
    pub depth_mm: Option<f64>,
}

impl KeyRules {
    fn depth_for(&self, dowel_mm: f64) -> f64 {
        self.depth_mm.unwrap_or(DIAMETERS * dowel_mm)
    }

    fn radius_mm(&self, dowel_mm: f64) -> f64 {
        dowel_mm / 2.0 + self.clearance_mm
    }

    /// Half width a cut face needs for the smallest key, mm; 0 when there are no dowels.
    pub fn room_mm(&self) -> f64 {
        self.dowels_mm.last().map_or(0.0, |d| self.radius_mm(*d) + self.wall_mm)
    }
}

/// A socket pair on a joint.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Placed {
    /// In the frame of the joint's plane, mm.
    pub centre: DVec2,
    pub dowel_mm: f64,
    pub radius_mm: f64,
    pub depth_mm: f64,
}

/// Sockets a part has got so far: from mouth to floor, with radii.
#[derive(Clone, Debug, Default)]
pub(super) struct Taken(Vec<(DVec3, DVec3, f64)>);

impl Taken {
    /// Notes a socket of a cut in `plane`, into the part above or below it.
    pub fn add(&mut self, plane: Plane, up: bool, key: &Placed) {
        let mouth = plane.at(key.centre);
        self.0.push((mouth, floor(plane, mouth, up, key.depth_mm), key.radius_mm));
    }

    fn clear_of(&self, plane: Plane, up: bool, key: &Placed, wall_mm: f64) -> bool {
        let mouth = plane.at(key.centre);
        let own = [mouth, floor(plane, mouth, up, key.depth_mm)];
        self.0.iter().all(|(a, b, radius)| distance([*a, *b], own) >= radius + key.radius_mm + wall_mm)
    }
}

fn floor(plane: Plane, mouth: DVec3, up: bool, depth_mm: f64) -> DVec3 {
    mouth + if up { depth_mm } else { -depth_mm } * plane.normal()
}

/// Distance between two segments, mm: of their lines, where both feet lie within, else from the ends (after Ericson 2005).
fn distance([a, b]: [DVec3; 2], [c, d]: [DVec3; 2]) -> f64 {
    let (u, v, w) = (b - a, d - c, a - c);
    let (uu, uv, vv) = (u.dot(u), u.dot(v), v.dot(v));
    let sine = uu * vv - uv * uv;
    let (s, t) = ((uv * v.dot(w) - vv * u.dot(w)) / sine, (uu * v.dot(w) - uv * u.dot(w)) / sine);
    if sine > 1e-12 * uu * vv && (0.0..=1.0).contains(&s) && (0.0..=1.0).contains(&t) {
        return (a + s * u).distance(c + t * v);
    }
    let end = |p: DVec3, from: DVec3, along: DVec3| {
        let t = ((p - from).dot(along) / along.length_squared().max(1e-300)).clamp(0.0, 1.0);
        p.distance(from + t * along)
    };
    end(a, c, v).min(end(b, c, v)).min(end(c, a, u)).min(end(d, a, u))
}

/// A place for a key, with the room around it.
#[derive(Clone, Debug)]
struct Spot {
    centre: DVec2,
    /// Distance to the joint's outline, mm.
    room: f64,
    /// Least distance to the outlines of the part below and above, down to each depth looked at, mm.
    deep: [Vec<f64>; 2],
}

/// Places for keys on a joint.
#[derive(Clone, Debug)]
pub(super) struct Survey {
    plane: Plane,
    depths_mm: Vec<f64>,
    spots: Vec<Spot>,
}

impl Survey {
    /// Looks at a joint and at the parts below and above it.
    pub fn of(joint: &Meeting, meshes: [&TriMesh; 2], rules: &KeyRules) -> Self {
        let largest = rules.dowels_mm.first().copied().unwrap_or(0.0);
        let deepest = rules.depth_for(largest) + rules.wall_mm;
        let count = (deepest / LOOK_MM).ceil().max(1.0) as usize;
        // Not at round depths, where vertices may lie.
        let depths_mm: Vec<f64> = (1..=count).map(|i| deepest * i as f64 / count as f64 - 0.000_7).collect();
        let sections = [false, true].map(|up| sections(meshes[usize::from(up)], joint.plane, up, &depths_mm));
        let mut spots = spots(joint, rules.room_mm());
        for spot in &mut spots {
            spot.deep = [0, 1].map(|side| {
                let mut least = f64::INFINITY;
                let narrow = |edges: &Vec<(DVec2, DVec2)>| {
                    least = if least < rules.room_mm() { least } else { least.min(room(edges, spot.centre)) };
                    least
                };
                sections[side].iter().map(narrow).collect()
            });
        }
        Self { plane: joint.plane, depths_mm, spots }
    }

    /// Places up to two keys, clear of what the two parts have already.
    pub fn place(&self, taken: [&Taken; 2], rules: &KeyRules) -> Vec<Placed> {
        let fits: Vec<Vec<Placed>> = rules.dowels_mm.iter().map(|d| self.fitting(*d, taken, rules)).collect();
        let sizes = fits.len();
        let mixed = (0..sizes).flat_map(|i| (i + 1..sizes.min(i + 3)).map(move |j| (i, j)));
        for (i, j) in mixed.chain((0..sizes).map(|i| (i, i))) {
            if let Some(pair) = far_pair(&fits[i], &fits[j], rules.wall_mm) {
                return pair.to_vec();
            }
        }
        let room_at = |key: &Placed| self.spots.iter().find(|s| s.centre == key.centre).map_or(0.0, |s| s.room);
        let roomiest = |keys: &Vec<Placed>| keys.iter().copied().max_by(|a, b| room_at(a).total_cmp(&room_at(b)));
        fits.iter().find_map(roomiest).into_iter().collect()
    }

    /// Spots where a dowel of this size fits, each at the greatest depth possible.
    fn fitting(&self, dowel_mm: f64, taken: [&Taken; 2], rules: &KeyRules) -> Vec<Placed> {
        let radius_mm = rules.radius_mm(dowel_mm);
        let reach = radius_mm + rules.wall_mm;
        let at = |spot: &Spot| {
            let fits = |share: &f64| {
                let depth_mm = share * rules.depth_for(dowel_mm);
                let key = Placed { centre: spot.centre, dowel_mm, radius_mm, depth_mm };
                let last =
                    self.depths_mm.partition_point(|d| *d < depth_mm + rules.wall_mm).min(self.depths_mm.len() - 1);
                let held = spot.deep.iter().all(|deep| deep[last] >= reach);
                let clear = (0..2).all(|side| taken[side].clear_of(self.plane, side == 1, &key, rules.wall_mm));
                (held && clear).then_some(key)
            };
            (spot.room >= reach).then(|| DEPTHS.iter().find_map(fits)).flatten()
        };
        self.spots.iter().filter_map(at).collect()
    }
}

/// The two spots that hold best, far apart and deep, one of each list, if there is room between them.
fn far_pair(a: &[Placed], b: &[Placed], wall_mm: f64) -> Option<[Placed; 2]> {
    let mut best: Option<(f64, [Placed; 2])> = None;
    for p in a {
        for q in b {
            let apart = p.centre.distance(q.centre);
            // Leverage of the pair: a shallow socket holds less.
            let hold = apart * (p.depth_mm / p.dowel_mm).min(q.depth_mm / q.dowel_mm);
            if apart >= 2.0 * (p.radius_mm + q.radius_mm) + wall_mm && best.is_none_or(|b| hold > b.0) {
                best = Some((hold, [*p, *q]));
            }
        }
    }
    best.map(|b| b.1)
}

/// Grid points on a joint with at least some room, and that room.
fn spots(joint: &Meeting, least_mm: f64) -> Vec<Spot> {
    let closed = |l: &Vec<DVec2>| (0..l.len()).map(|i| (l[i], l[(i + 1) % l.len()])).collect::<Vec<_>>();
    let edges: Vec<(DVec2, DVec2)> = joint.outlines.iter().flat_map(closed).collect();
    let reach = (DVec2::INFINITY, DVec2::NEG_INFINITY);
    let (low, high) = edges.iter().fold(reach, |(l, h), e| (l.min(e.0), h.max(e.0)));
    let step = (joint.area_mm2 / PLACES).sqrt().max(0.5);
    let count = ((high - low) / step).ceil().max(DVec2::ONE).min(DVec2::splat(200.0));
    let mut spots = Vec::new();
    for j in 0..=count.y as usize {
        for i in 0..=count.x as usize {
            let centre = low + (high - low) * DVec2::new(i as f64, j as f64) / count;
            let room = room(&edges, centre);
            if room >= least_mm {
                spots.push(Spot { centre, room, deep: [Vec::new(), Vec::new()] });
            }
        }
    }
    spots
}

/// Sections of a part at depths below or above a plane, as edges with material to the left.
fn sections(mesh: &TriMesh, plane: Plane, up: bool, depths_mm: &[f64]) -> Vec<Vec<(DVec2, DVec2)>> {
    let sign = if up { 1.0 } else { -1.0 };
    let mut edges = vec![Vec::new(); depths_mm.len()];
    for corners in mesh.triangles.iter().map(|t| t.map(|v| mesh.positions[v as usize])) {
        let depth = corners.map(|p| sign * plane.above_mm(p));
        let (low, high) = depth.iter().fold((f64::MAX, f64::MIN), |(l, h), d| (l.min(*d), h.max(*d)));
        let first = depths_mm.partition_point(|d| *d < low);
        for (at, edges) in depths_mm.iter().zip(&mut edges).skip(first).take_while(|(at, _)| **at <= high) {
            edges.extend(segment(corners, depth, *at, plane));
        }
    }
    if !up {
        edges.iter_mut().flatten().for_each(|e| *e = (e.1, e.0));
    }
    edges
}

/// The segment in which a triangle crosses a depth.
fn segment(corners: [DVec3; 3], depth: [f64; 3], at: f64, plane: Plane) -> Option<(DVec2, DVec2)> {
    let mut ends = [None; 2];
    for i in 0..3 {
        let j = (i + 1) % 3;
        if (depth[i] < at) != (depth[j] < at) {
            let t = (at - depth[i]) / (depth[j] - depth[i]);
            ends[usize::from(depth[i] < at)] = Some(plane.within(corners[i].lerp(corners[j], t)));
        }
    }
    Some((ends[0]?, ends[1]?))
}

/// Distance from a point inside to the outlines, mm; negative outside.
fn room(edges: &[(DVec2, DVec2)], p: DVec2) -> f64 {
    let mut nearest = f64::INFINITY;
    for (a, b) in edges {
        let along = *b - *a;
        let t = ((p - *a).dot(along) / along.length_squared().max(1e-300)).clamp(0.0, 1.0);
        nearest = nearest.min(p.distance_squared(*a + t * along));
    }
    if outline::winding(edges.iter().copied(), p) > 0 { nearest.sqrt() } else { -nearest.sqrt() }
}
