//! Where keys fit a joint: spots with room around them over the whole depth in both parts, checked by distance to the skin.

use glam::DVec2;

use super::Site;
use super::keys::{KeyRules, Placed, Side, Taken, inward};
use super::pattern::{Pattern, best_pair};
use super::spots::{Outlines, Spot, sections, spots};
use super::walls::{Bore, Walls};
use crate::mesh::cut::Plane;
use crate::mesh::{Origin, TriMesh};

/// Places tried on a joint, about.
const PLACES: f64 = 250.0;
/// Distance between depths at which a socket's surroundings are looked at, mm.
const LOOK_MM: f64 = 3.0;
/// Looks are this much less deep than said, mm.
const BESIDE_MM: f64 = 0.000_7;
/// Socket depths tried, as shares of the wanted one.
const DEPTHS: [f64; 4] = [1.0, 0.67, 0.5, 0.35];
/// Pairs checked by distance before a choice of sizes is given up.
const TRIES: usize = 60;

/// Places for keys on a joint.
#[derive(Clone, Debug)]
pub struct Survey {
    plane: Plane,
    /// Mean corner of the joint, in the plane's frame.
    middle: DVec2,
    depths_mm: Vec<f64>,
    spots: Vec<Spot>,
    walls: [Walls; 2],
}

impl Survey {
    /// Looks at a joint and at the parts below and above it, whose cut faces there have the numbers `faces`; none when a part
    /// is not cut yet.
    #[must_use]
    pub fn of(site: &Site, meshes: [&TriMesh; 2], faces: [Option<u16>; 2], rules: &KeyRules) -> Self {
        let depths_mm = looks(rules);
        let deepest = depths_mm[depths_mm.len() - 1];
        let sides = [Side::Below, Side::Above];
        let sections = [0, 1].map(|i| sections(meshes[i], site.plane, sides[i], &depths_mm));
        let mut spots = spots(site, PLACES, rules.room_mm());
        for spot in &mut spots {
            spot.deep = [0, 1].map(|side| {
                let mut least = f64::INFINITY;
                let narrow = |outlines: &Outlines| {
                    least = if least < rules.room_mm() { least } else { least.min(outlines.room(spot.centre)) };
                    least
                };
                sections[side].iter().map(narrow).collect()
            });
        }
        let walls = [0, 1].map(|i| {
            let ends = site.span(deepest * inward(site.plane, sides[i]));
            Walls::of(meshes[i], ends, rules.wall_mm + 1.0, |o| faces[i].is_some_and(|cut| o == Origin::Cut(cut)))
        });
        Self { plane: site.plane, middle: site.middle(), depths_mm, spots, walls }
    }

    /// Surfaces of the parts below and above near the joint.
    #[must_use]
    pub fn walls(&self) -> &[Walls; 2] {
        &self.walls
    }

    /// Places up to two keys, clear of what the two parts have already, other than on the joints that are `alike`. A pair
    /// that could be swapped with another or turned is better than one key, which is better than none.
    #[must_use]
    pub fn place(&self, taken: [&Taken; 2], rules: &KeyRules, alike: &[Pattern]) -> Vec<Placed> {
        let choice = Choice { survey: self, taken, rules, fits: Vec::new() };
        choice.keys(alike)
    }
}

/// Depths at which surroundings are looked at, mm: where the wall under each possible socket ends, and between.
fn looks(rules: &KeyRules) -> Vec<f64> {
    let depths = |d: &f64| DEPTHS.map(|share| share * rules.depth_for(*d) + rules.wall_mm);
    let mut looks: Vec<f64> = rules.dowels_mm.iter().flat_map(depths).chain([rules.wall_mm]).collect();
    let deepest = looks.iter().copied().fold(0.0, f64::max);
    looks.extend((1..(deepest / LOOK_MM).ceil() as usize).map(|i| i as f64 * LOOK_MM));
    looks.sort_by(f64::total_cmp);
    looks.dedup();
    // Not at round depths, where vertices may lie.
    looks.into_iter().map(|depth| depth - BESIDE_MM).collect()
}

/// A choice of keys under way.
struct Choice<'a> {
    survey: &'a Survey,
    taken: [&'a Taken; 2],
    rules: &'a KeyRules,
    /// For each size the spots where it may go, each at the greatest depth possible.
    fits: Vec<Vec<Placed>>,
}

impl Choice<'_> {
    fn keys(mut self, alike: &[Pattern]) -> Vec<Placed> {
        self.fits = self.rules.dowels_mm.iter().map(|d| self.fitting(*d)).collect();
        let sizes = self.fits.len();
        let mixed = (0..sizes).flat_map(|i| (i + 1..sizes.min(i + 3)).map(move |j| (i, j)));
        let same: Vec<(usize, usize)> = (0..sizes).map(|i| (i, i)).collect();
        let all: Vec<(usize, usize)> = mixed.chain(same.iter().copied()).collect();
        let middle = self.survey.middle;
        for told_apart in [true, false] {
            let fine = |p: &Placed, q: &Placed| {
                let pattern = Pattern::of(p, q);
                pattern.turns_not(p, q, middle) && (!told_apart || alike.iter().all(|a| a.differs(&pattern)))
            };
            if let Some(pair) = all.iter().find_map(|sizes| self.held_pair(*sizes, fine)) {
                return pair.to_vec();
            }
        }
        let pair = same.iter().find_map(|sizes| self.held_pair(*sizes, |_, _| true));
        pair.map_or_else(|| self.single().into_iter().collect(), |pair| pair.to_vec())
    }

    /// The best pair of these sizes whose walls hold; places where they do not are made shallower or left out.
    fn held_pair(&mut self, (i, j): (usize, usize), fine: impl Fn(&Placed, &Placed) -> bool) -> Option<[Placed; 2]> {
        for _ in 0..TRIES {
            let pair = best_pair(&self.fits[i], &self.fits[j], self.rules.wall_mm, &fine)?;
            let mut held = true;
            for (key, size) in pair.iter().zip([i, j]) {
                if !self.holds(key) {
                    held = false;
                    self.give_way(size, key);
                }
            }
            if held {
                return Some(pair);
            }
        }
        None
    }

    /// One key at the roomiest spot, with a flat, so that it cannot turn.
    fn single(&mut self) -> Option<Placed> {
        for size in 0..self.fits.len() {
            for _ in 0..TRIES {
                let room = |key: &Placed| self.spot(key).map_or(0.0, |s| s.room);
                let roomiest = self.fits[size].iter().max_by(|a, b| room(a).total_cmp(&room(b)));
                let Some(key) = roomiest.copied() else { break };
                if self.holds(&key) {
                    return Some(key.flattened());
                }
                self.give_way(size, &key);
            }
        }
        None
    }

    fn spot(&self, key: &Placed) -> Option<&Spot> {
        self.survey.spots.iter().find(|s| s.centre == key.centre)
    }

    /// Whether the wall around a socket is as thick as it must be in both parts.
    fn holds(&self, key: &Placed) -> bool {
        let (plane, wall_mm) = (self.survey.plane, self.rules.wall_mm);
        let bands = key.bands(self.rules.gap_mm);
        [Side::Below, Side::Above].into_iter().zip(&self.survey.walls).all(|(side, walls)| {
            let bore = Bore { mouth: plane.at(key.centre), plane, inward: inward(plane, side), bands: &bands };
            walls.around(&bore, wall_mm) >= wall_mm
        })
    }

    /// Makes a key shallower, or takes its place off the list.
    fn give_way(&mut self, size: usize, key: &Placed) {
        let Some(at) = self.fits[size].iter().position(|f| f.centre == key.centre) else { return };
        let wanted = self.rules.depth_for(key.dowel_mm);
        let shallower = DEPTHS.iter().filter(|share| *share * wanted < key.depth_mm - 1e-9);
        let next = self.spot(key).and_then(|spot| {
            shallower.map(|share| self.key_at(spot, key.dowel_mm, *share)).find(|k| self.has_room(spot, k))
        });
        match next {
            Some(next) => self.fits[size][at] = next,
            None => drop(self.fits[size].remove(at)),
        }
    }

    fn key_at(&self, spot: &Spot, dowel_mm: f64, share: f64) -> Placed {
        Placed {
            centre: spot.centre,
            dowel_mm,
            radius_mm: self.rules.radius_mm(dowel_mm),
            depth_mm: share * self.rules.depth_for(dowel_mm),
            chamfer_mm: self.rules.chamfer_mm,
            pin: self.rules.pins.then_some(Side::Below),
            flat: false,
        }
    }

    fn has_room(&self, spot: &Spot, key: &Placed) -> bool {
        let wall_mm = self.rules.wall_mm;
        let depths_mm = &self.survey.depths_mm;
        let last =
            depths_mm.partition_point(|d| *d < key.depth_mm + wall_mm - 2.0 * BESIDE_MM).min(depths_mm.len() - 1);
        let held = spot.deep.iter().all(|deep| deep[last] >= key.radius_mm + wall_mm);
        let sides = [Side::Below, Side::Above].into_iter().zip(self.taken);
        held && sides.into_iter().all(|(side, taken)| taken.clear_of(self.survey.plane, side, key, wall_mm))
    }

    fn fitting(&self, dowel_mm: f64) -> Vec<Placed> {
        let deepest = |spot: &Spot| {
            let keys = DEPTHS.iter().map(|share| self.key_at(spot, dowel_mm, *share));
            keys.into_iter().find(|key| self.has_room(spot, key))
        };
        self.survey.spots.iter().filter(|s| s.room >= self.rules.reach_mm(dowel_mm)).filter_map(deepest).collect()
    }
}
