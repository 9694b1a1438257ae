//! Where surface had to be made up, in words for a standing body.

use glam::DVec3;
use serde::Serialize;

use crate::mesh::measure::bounds;
use crate::mesh::topology::{Edges, NONE, components};
use crate::mesh::{Origin, TriMesh};

/// The zone no scanner sees on a standing person.
pub const SOLES: &str = "soles";

/// All zones by name, top to bottom.
pub const ZONES: &[&str] = &[
    "crown",
    "face",
    "back of the head",
    "neck and shoulders",
    "right armpit",
    "left armpit",
    "right arm",
    "left arm",
    "chest",
    "back",
    "belly",
    "loins and seat",
    "crotch",
    "right leg",
    "left leg",
    "feet",
    SOLES,
];

/// Openings that are listed one by one.
const OPENINGS_MAX: usize = 10;
/// Share of the whole surface below which an opening is not worth a line.
const OPENING_MIN: f64 = 1e-5;

/// Missing surface of one zone.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct ZoneArea {
    pub zone: &'static str,
    pub area_mm2: f64,
    /// Share of the zone's own surface.
    pub share: f64,
}

/// One connected piece of missing surface.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Opening {
    pub zone: &'static str,
    pub area_mm2: f64,
    /// Middle, mm from the body's middle: x to the subject's left, y to its back; z up from the floor.
    pub middle_mm: [f64; 3],
}

/// Missing surface by zone and by opening.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Missing {
    pub zones: Vec<ZoneArea>,
    pub openings: Vec<Opening>,
}

impl Missing {
    /// Missing surface but for the soles, mm2.
    pub fn without_soles_mm2(&self) -> f64 {
        self.zones.iter().filter(|zone| zone.zone != SOLES).fold(0.0, |sum, zone| sum + zone.area_mm2)
    }
}

/// The subject's box, to tell places on the body by.
#[derive(Clone, Copy, Debug)]
pub struct Body {
    low: DVec3,
    high: DVec3,
    middle: DVec3,
}

impl Body {
    pub fn of(mesh: &TriMesh) -> Self {
        let (low, high) = bounds(&mesh.positions);
        let middle = crate::mesh::measure::centroid(mesh).unwrap_or(0.5 * (low + high));
        Self { low, high, middle }
    }

    /// Height above the floor as a share of the subject's height.
    pub fn level(&self, p: DVec3) -> f64 {
        (p.z - self.low.z) / (self.high.z - self.low.z).max(f64::MIN_POSITIVE)
    }

    /// Whether a point lies in the front half.
    pub fn is_in_front(&self, p: DVec3) -> bool {
        p.y < self.middle.y
    }

    /// Distance from the middle plane, as a share of the height; positive on the subject's left.
    fn aside(&self, p: DVec3) -> f64 {
        (p.x - self.middle.x) / (self.high.z - self.low.z).max(f64::MIN_POSITIVE)
    }

    /// Whether a point belongs to the face: the front of the head above the chin (.87 of stature: Drillis and Contini
    /// 1966, from memory) and below the hair line.
    pub fn is_face(&self, p: DVec3) -> bool {
        (0.87..0.96).contains(&self.level(p)) && self.is_in_front(p)
    }

    /// The zone of a point whose surface faces `normal`. Shares of stature after Drillis and Contini 1966 (from memory);
    /// arms hang beside the trunk's half width of .129.
    pub fn zone(&self, p: DVec3, normal: DVec3) -> &'static str {
        /// Half width of the trunk, share of stature.
        const TRUNK: f64 = 0.129;
        /// Where the arms meet the trunk, and half the width of the crotch, shares of stature (common practice, no source).
        const ARMPIT: f64 = 0.075;
        const CROTCH: f64 = 0.03;
        let (level, aside, front) = (self.level(p), self.aside(p), self.is_in_front(p));
        let by_side = |right: &'static str, left: &'static str| if aside < 0.0 { right } else { left };
        match level {
            l if l >= 0.96 => "crown",
            l if l >= 0.87 => {
                if front {
                    "face"
                } else {
                    "back of the head"
                }
            }
            l if l >= 0.82 => "neck and shoulders",
            l if (0.70..0.79).contains(&l) && (ARMPIT..0.14).contains(&aside.abs()) => {
                by_side("right armpit", "left armpit")
            }
            l if (0.42..0.50).contains(&l) && aside.abs() < CROTCH && normal.z < 0.3 => "crotch",
            l if l >= 0.36 && aside.abs() > TRUNK => by_side("right arm", "left arm"),
            l if l >= 0.72 => {
                if front {
                    "chest"
                } else {
                    "back"
                }
            }
            l if l >= 0.58 => {
                if front {
                    "belly"
                } else {
                    "back"
                }
            }
            l if l >= 0.47 => {
                if front {
                    "belly"
                } else {
                    "loins and seat"
                }
            }
            l if l >= 0.05 => by_side("right leg", "left leg"),
            l if l < 0.03 && normal.z < -0.7 => SOLES,
            _ => "feet",
        }
    }
}

/// Finds the surface of a cleaned solid that was not scanned.
pub fn look(solid: &TriMesh) -> Missing {
    let body = Body::of(solid);
    let mut all = vec![0.0; ZONES.len()];
    let mut lacking = vec![0.0; ZONES.len()];
    let zone_of = |t: usize| {
        let middle = solid.corners(t).into_iter().sum::<DVec3>() / 3.0;
        body.zone(middle, solid.area_vector(t).normalize_or_zero())
    };
    let zones: Vec<usize> =
        (0..solid.triangles.len()).map(|t| ZONES.iter().position(|zone| *zone == zone_of(t)).unwrap_or(0)).collect();
    for (t, zone) in zones.iter().enumerate() {
        let area = 0.5 * solid.area_vector(t).length();
        all[*zone] += area;
        if solid.origins[t] == Origin::Fill {
            lacking[*zone] += area;
        }
    }
    let total: f64 = all.iter().sum();
    let mut found: Vec<ZoneArea> = (0..ZONES.len())
        .filter(|zone| lacking[*zone] > OPENING_MIN * total)
        .map(|zone| ZoneArea { zone: ZONES[zone], area_mm2: lacking[zone], share: lacking[zone] / all[zone] })
        .collect();
    found.sort_by(|a, b| b.area_mm2.total_cmp(&a.area_mm2));
    Missing { zones: found, openings: openings(solid, &body, &zones, OPENING_MIN * total) }
}

/// Connected pieces of fill, largest first.
fn openings(solid: &TriMesh, body: &Body, zones: &[usize], least_mm2: f64) -> Vec<Opening> {
    let mut edges = Edges::of(&solid.triangles, solid.positions.len());
    let is_fill = |t: usize| solid.origins[t] == Origin::Fill;
    for (half, mate) in edges.mates.iter_mut().enumerate() {
        if *mate != NONE && !(is_fill(half / 3) && is_fill(*mate as usize / 3)) {
            *mate = NONE;
        }
    }
    let pieces = components(&solid.triangles, &edges);
    let mut sums = vec![(0.0, DVec3::ZERO, vec![]); pieces.count];
    for t in (0..solid.triangles.len()).filter(|t| is_fill(*t)) {
        let area = 0.5 * solid.area_vector(t).length();
        let sum = &mut sums[pieces.label[t] as usize];
        sum.0 += area;
        sum.1 += area * solid.corners(t).into_iter().sum::<DVec3>() / 3.0;
        if sum.2.is_empty() {
            sum.2 = vec![0.0; ZONES.len()];
        }
        sum.2[zones[t]] += area;
    }
    sums.retain(|(area, ..)| *area > least_mm2);
    sums.sort_by(|a, b| b.0.total_cmp(&a.0));
    let opening = |(area, moment, by_zone): (f64, DVec3, Vec<f64>)| {
        let zone = (0..ZONES.len()).fold(0, |best, i| if by_zone[i] > by_zone[best] { i } else { best });
        let middle = moment / area - body.middle.with_z(body.low.z);
        Opening { zone: ZONES[zone], area_mm2: area, middle_mm: middle.to_array() }
    };
    sums.into_iter().take(OPENINGS_MAX).map(opening).collect()
}
