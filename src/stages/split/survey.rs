//! Where keys fit a joint: spots with room around them over the whole depth in both parts, checked by distance to the skin.

use glam::{DVec2, DVec3};

use super::joints::Meeting;
use super::keys::{KeyRules, Placed, Side, Taken, inward};
use super::pattern::{Pattern, best_pair};
use super::walls::Walls;
use crate::mesh::cut::Plane;
use crate::mesh::{Origin, TriMesh, outline};

/// Places tried on a joint, about.
const PLACES: f64 = 250.0;
/// Distance between depths at which a socket's surroundings are looked at, mm.
const LOOK_MM: f64 = 3.0;
/// Socket depths tried, as shares of the wanted one.
const DEPTHS: [f64; 4] = [1.0, 0.67, 0.5, 0.35];
/// Pairs checked by distance before a choice of sizes is given up.
const TRIES: usize = 60;

/// A place for a key, with the room around it.
#[derive(Clone, Debug)]
pub(super) struct Spot {
    pub centre: DVec2,
    /// Distance to the joint's outline, mm.
    pub room: f64,
    /// Least distance to the outlines of the part below and above, down to each depth looked at, mm.
    deep: [Vec<f64>; 2],
}

/// Places for keys on a joint.
#[derive(Clone, Debug)]
pub(super) struct Survey {
    plane: Plane,
    /// Mean corner of the joint, in the plane's frame.
    middle: DVec2,
    depths_mm: Vec<f64>,
    spots: Vec<Spot>,
    walls: [Walls; 2],
}

impl Survey {
    /// Looks at a joint and at the parts below and above it.
    pub fn of(joint: &Meeting, meshes: [&TriMesh; 2], rules: &KeyRules) -> Self {
        let deepest = rules.dowels_mm.iter().map(|d| rules.depth_for(*d)).fold(0.0, f64::max) + rules.wall_mm;
        let count = (deepest / LOOK_MM).ceil().max(1.0) as usize;
        // Not at round depths, where vertices may lie.
        let depths_mm: Vec<f64> = (1..=count).map(|i| deepest * i as f64 / count as f64 - 0.000_7).collect();
        let sides = [Side::Below, Side::Above];
        let sections = [0, 1].map(|i| sections(meshes[i], joint.plane, sides[i], &depths_mm));
        let mut spots = spots(&joint.outlines, joint.area_mm2, PLACES, rules.room_mm());
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
        let walls = [0, 1].map(|i| {
            let ends = joint.span(deepest * inward(joint.plane, sides[i]));
            Walls::of(meshes[i], ends, rules.wall_mm + 1.0, |o| o == Origin::Cut(joint.cut))
        });
        Self { plane: joint.plane, middle: joint.middle(), depths_mm, spots, walls }
    }

    /// Surfaces of the parts below and above near the joint.
    pub fn walls(&self) -> &[Walls; 2] {
        &self.walls
    }

    /// Places up to two keys, clear of what the two parts have already, other than on the joints that are `alike`. A pair
    /// that could be swapped with another or turned is better than one key, which is better than none.
    pub fn place(&self, taken: [&Taken; 2], rules: &KeyRules, alike: &[Pattern]) -> Vec<Placed> {
        let mut fits: Vec<Vec<Placed>> = rules.dowels_mm.iter().map(|d| self.fitting(*d, taken, rules)).collect();
        let sizes = fits.len();
        let mixed: Vec<(usize, usize)> =
            (0..sizes).flat_map(|i| (i + 1..sizes.min(i + 3)).map(move |j| (i, j))).collect();
        let same: Vec<(usize, usize)> = (0..sizes).map(|i| (i, i)).collect();
        for told_apart in [true, false] {
            for (i, j) in mixed.iter().chain(&same) {
                let fine = |p: &Placed, q: &Placed| {
                    let pattern = Pattern::of(p, q);
                    pattern.turns_not(p, q, self.middle) && (!told_apart || alike.iter().all(|a| a.differs(&pattern)))
                };
                if let Some(pair) = self.held_pair(&mut fits, (*i, *j), taken, rules, fine) {
                    return pair.to_vec();
                }
            }
        }
        for (i, j) in &same {
            if let Some(pair) = self.held_pair(&mut fits, (*i, *j), taken, rules, |_, _| true) {
                return pair.to_vec();
            }
        }
        self.single(&mut fits, taken, rules).into_iter().collect()
    }

    /// The best pair of these sizes whose walls hold; places where they do not are made shallower or left out.
    fn held_pair(
        &self,
        fits: &mut [Vec<Placed>],
        (i, j): (usize, usize),
        taken: [&Taken; 2],
        rules: &KeyRules,
        fine: impl Fn(&Placed, &Placed) -> bool,
    ) -> Option<[Placed; 2]> {
        for _ in 0..TRIES {
            let pair = best_pair(&fits[i], &fits[j], rules.wall_mm, &fine)?;
            let mut held = true;
            for (key, size) in pair.iter().zip([i, j]) {
                if !self.holds(key, rules) {
                    held = false;
                    self.give_way(&mut fits[size], key, taken, rules);
                }
            }
            if held {
                return Some(pair);
            }
        }
        None
    }

    /// One key at the roomiest spot; a pin gets a flat, so that it cannot turn.
    fn single(&self, fits: &mut [Vec<Placed>], taken: [&Taken; 2], rules: &KeyRules) -> Option<Placed> {
        let room_at = |key: &Placed| self.spots.iter().find(|s| s.centre == key.centre).map_or(0.0, |s| s.room);
        for fits in fits {
            for _ in 0..TRIES {
                let Some(key) = fits.iter().copied().max_by(|a, b| room_at(a).total_cmp(&room_at(b))) else { break };
                if self.holds(&key, rules) {
                    return Some(Placed { flat: rules.pins, ..key });
                }
                self.give_way(fits, &key, taken, rules);
            }
        }
        None
    }

    /// Whether the wall around a socket is as thick as it must be in both parts.
    fn holds(&self, key: &Placed, rules: &KeyRules) -> bool {
        let mouth = self.plane.at(key.centre);
        [Side::Below, Side::Above].into_iter().zip(&self.walls).all(|(side, walls)| {
            walls.around(mouth, self.plane, inward(self.plane, side), &key.bands(), rules.wall_mm) >= rules.wall_mm
        })
    }

    fn give_way(&self, fits: &mut Vec<Placed>, key: &Placed, taken: [&Taken; 2], rules: &KeyRules) {
        let Some(at) = fits.iter().position(|f| f.centre == key.centre) else { return };
        let wanted = rules.depth_for(key.dowel_mm);
        let next = self.spots.iter().find(|s| s.centre == key.centre).and_then(|spot| {
            let shallower = DEPTHS.iter().filter(|share| *share * wanted < key.depth_mm - 1e-9);
            shallower
                .map(|share| self.key_at(spot, key.dowel_mm, *share, rules))
                .find(|k| self.has_room(spot, k, taken, rules))
        });
        match next {
            Some(next) => fits[at] = next,
            None => drop(fits.remove(at)),
        }
    }

    fn key_at(&self, spot: &Spot, dowel_mm: f64, share: f64, rules: &KeyRules) -> Placed {
        let (radius_mm, depth_mm) = (rules.radius_mm(dowel_mm), share * rules.depth_for(dowel_mm));
        let pin = rules.pins.then_some(Side::Below);
        Placed { centre: spot.centre, dowel_mm, radius_mm, depth_mm, chamfer_mm: rules.chamfer_mm, pin, flat: false }
    }

    fn has_room(&self, spot: &Spot, key: &Placed, taken: [&Taken; 2], rules: &KeyRules) -> bool {
        let reach = key.radius_mm + rules.wall_mm;
        let last = self.depths_mm.partition_point(|d| *d < key.depth_mm + rules.wall_mm).min(self.depths_mm.len() - 1);
        let held = spot.deep.iter().all(|deep| deep[last] >= reach);
        held && taken[0].clear_of(self.plane, Side::Below, key, rules.wall_mm)
            && taken[1].clear_of(self.plane, Side::Above, key, rules.wall_mm)
    }

    /// Spots where a key of this size fits, each at the greatest depth possible.
    fn fitting(&self, dowel_mm: f64, taken: [&Taken; 2], rules: &KeyRules) -> Vec<Placed> {
        let at = |spot: &Spot| {
            let keys = DEPTHS.iter().map(|share| self.key_at(spot, dowel_mm, *share, rules));
            keys.into_iter().find(|key| self.has_room(spot, key, taken, rules))
        };
        self.spots.iter().filter(|s| s.room >= rules.reach_mm(dowel_mm)).filter_map(at).collect()
    }
}

/// Grid points on an area with at least some room, and that room.
pub(super) fn spots(outlines: &[Vec<DVec2>], area_mm2: f64, places: f64, least_mm: f64) -> Vec<Spot> {
    let closed = |l: &Vec<DVec2>| (0..l.len()).map(|i| (l[i], l[(i + 1) % l.len()])).collect::<Vec<_>>();
    let edges: Vec<(DVec2, DVec2)> = outlines.iter().flat_map(closed).collect();
    let reach = (DVec2::INFINITY, DVec2::NEG_INFINITY);
    let (low, high) = edges.iter().fold(reach, |(l, h), e| (l.min(e.0), h.max(e.0)));
    let step = (area_mm2 / places).sqrt().max(0.5);
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
fn sections(mesh: &TriMesh, plane: Plane, side: Side, depths_mm: &[f64]) -> Vec<Vec<(DVec2, DVec2)>> {
    let sign = if side == Side::Above { 1.0 } else { -1.0 };
    let mut edges = vec![Vec::new(); depths_mm.len()];
    for corners in mesh.triangles.iter().map(|t| t.map(|v| mesh.positions[v as usize])) {
        let depth = corners.map(|p| sign * plane.above_mm(p));
        let (low, high) = depth.iter().fold((f64::MAX, f64::MIN), |(l, h), d| (l.min(*d), h.max(*d)));
        let first = depths_mm.partition_point(|d| *d < low);
        for (at, edges) in depths_mm.iter().zip(&mut edges).skip(first).take_while(|(at, _)| **at <= high) {
            edges.extend(segment(corners, depth, *at, plane));
        }
    }
    if side == Side::Below {
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
