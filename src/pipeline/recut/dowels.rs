//! Dowels between the printed half and the rest: sockets in the rest, holes to drill in the half. They keep the walls that
//! `split` keeps, on both sides of the cut and down to their floor.

use glam::DVec2;

use super::pieces::Rest;
use crate::mesh::TriMesh;
use crate::mesh::cut::{self, NO_SOURCE, Socket};
use crate::mesh::outline;
use crate::mesh::slice::Slicer;
use crate::mesh::sound::{Sound, pairs_beside};
use crate::stages::split::Split;

/// Places tried on a face, about.
const PLACES: f64 = 400.0;
/// Distance between depths at which a dowel's surroundings are looked at, mm.
const LOOK_MM: f64 = 2.0;
/// Depths tried, as shares of the wanted one.
const DEPTHS: [f64; 3] = [1.0, 0.67, 0.5];
/// Wanted depth in diameters (common practice, no source).
const DIAMETERS: f64 = 3.0;
/// Dowels of one piece.
const MOST: usize = 2;

/// A dowel: a round hole of one depth on either side of the cut.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Dowel {
    /// On the bed, mm.
    pub centre: DVec2,
    pub dowel_mm: f64,
    pub hole_mm: f64,
    pub depth_mm: f64,
}

/// Looks for places in one part.
pub struct Search<'a> {
    rules: &'a Split,
    /// Diameters at hand, largest first, mm.
    sizes_mm: Vec<f64>,
    /// Distances from the cut, and the outlines of the part that far below and above it.
    looks: Vec<(f64, [Vec<Vec<DVec2>>; 2])>,
}

impl std::fmt::Debug for Search<'_> {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_struct("Search").field("sizes_mm", &self.sizes_mm).finish_non_exhaustive()
    }
}

impl<'a> Search<'a> {
    /// Looks at a part as it lies on the bed, about a height.
    #[must_use]
    pub fn new(part: &TriMesh, height_mm: f64, sizes_mm: &[f64], rules: &'a Split) -> Self {
        let mut sizes_mm = sizes_mm.to_vec();
        sizes_mm.sort_by(|a, b| b.total_cmp(a));
        let mut search = Self { rules, sizes_mm, looks: Vec::new() };
        let deepest = search.sizes_mm.first().map_or(0.0, |largest| search.wanted_mm(*largest) + rules.wall_min_mm);
        let count = (deepest / LOOK_MM).ceil() as usize;
        // Not at round heights, where many corners may lie.
        let depths: Vec<f64> = (1..=count).map(|i| deepest * i as f64 / count as f64 - 0.000_7).collect();
        let heights: Vec<f64> = depths.iter().flat_map(|d| [height_mm - d, height_mm + d]).collect();
        let mut loops = Slicer::new(&part.positions, &part.triangles).loops_at(&heights).into_iter();
        for depth in depths {
            search.looks.push((depth, [loops.next().unwrap_or_default(), loops.next().unwrap_or_default()]));
        }
        search
    }

    fn wanted_mm(&self, dowel_mm: f64) -> f64 {
        self.rules.key_depth_mm.unwrap_or(DIAMETERS * dowel_mm)
    }

    /// Up to two dowels for a face, of two sizes if there are two: the pair that holds best, far apart and deep; else one.
    #[must_use]
    pub fn place(&self, face: &[Vec<DVec2>], area_mm2: f64) -> Vec<Dowel> {
        let spots = spots(face, area_mm2, self.sizes_mm.last().map_or(f64::MAX, |d| self.reach_mm(*d)));
        let fits: Vec<Vec<Dowel>> = self.sizes_mm.iter().map(|size| self.fitting(*size, &spots)).collect();
        let sizes = fits.len();
        let mixed = (0..sizes).flat_map(|i| (i + 1..sizes).map(move |j| (i, j)));
        for (i, j) in mixed.chain((0..sizes).map(|i| (i, i))) {
            if let Some(pair) = far_pair(&fits[i], &fits[j], self.rules.wall_min_mm) {
                return pair.to_vec();
            }
        }
        let room = |dowel: &Dowel| spots.iter().find(|(at, _)| *at == dowel.centre).map_or(0.0, |spot| spot.1);
        let roomiest = |of: &Vec<Dowel>| of.iter().copied().max_by(|a, b| room(a).total_cmp(&room(b)));
        fits.iter().find_map(roomiest).into_iter().take(MOST).collect()
    }

    /// Half width that a dowel needs, mm.
    fn reach_mm(&self, dowel_mm: f64) -> f64 {
        0.5 * dowel_mm + self.rules.clearance_mm + self.rules.wall_min_mm
    }

    /// Places where a dowel fits, each at the greatest depth possible.
    fn fitting(&self, dowel_mm: f64, spots: &[(DVec2, f64)]) -> Vec<Dowel> {
        let reach = self.reach_mm(dowel_mm);
        let at = |(centre, room): &(DVec2, f64)| {
            if *room < reach {
                return None;
            }
            let deepest = self.wanted_mm(dowel_mm) + self.rules.wall_min_mm;
            let looked = self.looks.iter().take_while(|(depth, _)| *depth <= deepest + LOOK_MM);
            let held = looked.take_while(|(_, sides)| sides.iter().all(|side| room_in(side, *centre) >= reach));
            let solid = held.last().map_or(0.0, |(depth, _)| *depth);
            let depths = DEPTHS.iter().map(|share| share * self.wanted_mm(dowel_mm));
            let depth_mm = depths.into_iter().find(|depth| depth + self.rules.wall_min_mm <= solid + 0.01)?;
            Some(Dowel { centre: *centre, dowel_mm, hole_mm: dowel_mm + 2.0 * self.rules.clearance_mm, depth_mm })
        };
        spots.iter().filter_map(at).collect()
    }
}

/// The piece with a socket for each dowel; `None` when a socket would cross its surface.
#[must_use]
pub fn socketed(rest: &Rest, dowels: &[Dowel]) -> Option<Rest> {
    let flat = cut::flats(&rest.mesh).into_iter().find(|flat| flat.joint == rest.joint)?;
    let socket = |dowel: &Dowel| Socket {
        joint: rest.joint,
        centre: flat.plane.flatten(dowel.centre.extend(0.0)),
        radius_mm: 0.5 * dowel.hole_mm,
        depth_mm: dowel.depth_mm,
    };
    let sockets: Vec<Socket> = dowels.iter().map(socket).collect();
    let piece = cut::add_sockets(&rest.mesh, &flat, &sockets).ok()?;
    let sound = pairs_beside(&piece.mesh, &Sound::of(&rest.mesh, &[])).is_empty();
    let source = piece.source.iter().map(|t| if *t == NO_SOURCE { NO_SOURCE } else { rest.source[*t as usize] });
    sound.then(|| Rest { source: source.collect(), mesh: piece.mesh, ..rest.clone() })
}

/// The pair that holds best, one of each list, if there is room between the two.
fn far_pair(a: &[Dowel], b: &[Dowel], wall_mm: f64) -> Option<[Dowel; 2]> {
    let mut best: Option<(f64, [Dowel; 2])> = None;
    for p in a {
        for q in b {
            let apart = p.centre.distance(q.centre);
            // Leverage of the pair: a shallow hole holds less.
            let hold = apart * (p.depth_mm / p.dowel_mm).min(q.depth_mm / q.dowel_mm);
            if apart >= p.hole_mm + q.hole_mm + wall_mm && best.is_none_or(|best| hold > best.0) {
                best = Some((hold, [*p, *q]));
            }
        }
    }
    best.map(|best| best.1)
}

/// Points on a face with at least some room about them, and that room, mm.
fn spots(face: &[Vec<DVec2>], area_mm2: f64, least_mm: f64) -> Vec<(DVec2, f64)> {
    let reach = (DVec2::INFINITY, DVec2::NEG_INFINITY);
    let (low, high) = face.iter().flatten().fold(reach, |(low, high), p| (low.min(*p), high.max(*p)));
    if !(low.is_finite() && high.is_finite()) {
        return Vec::new();
    }
    let step = (area_mm2 / PLACES).sqrt().max(0.5);
    let count = ((high - low) / step).ceil().clamp(DVec2::ONE, DVec2::splat(200.0));
    let at = |i: usize, j: usize| low + (high - low) * DVec2::new(i as f64, j as f64) / count;
    let all = (0..=count.y as usize).flat_map(|j| (0..=count.x as usize).map(move |i| at(i, j)));
    all.map(|p| (p, room_in(face, p))).filter(|(_, room)| *room >= least_mm).collect()
}

/// Distance from a point inside outlines to the nearest of them, mm; negative outside.
fn room_in(loops: &[Vec<DVec2>], p: DVec2) -> f64 {
    let edges = || loops.iter().flat_map(|l| (0..l.len()).map(|i| (l[i], l[(i + 1) % l.len()])));
    let nearest = edges().fold(f64::INFINITY, |nearest, (a, b)| {
        let along = b - a;
        let t = ((p - a).dot(along) / along.length_squared().max(1e-300)).clamp(0.0, 1.0);
        nearest.min(p.distance_squared(a + t * along))
    });
    if outline::winding(edges(), p) > 0 { nearest.sqrt() } else { -nearest.sqrt() }
}
