//! How much a seam would show on each triangle of the figure. Seams hide in creases and along colour borders, and are
//! minded most on the face and the hands; the measure is millimetres of seam, worth one each on plain skin seen from
//! the front.

use glam::{DVec3, Vec3};
use rayon::prelude::*;
use serde::{Deserialize, Serialize};

use super::body::{Body, Zone};
use super::tints::Tints;
use crate::colour::spaces::oklab_of_linear;
use crate::mesh::TriMesh;

/// How much more a seam is minded on the face, the head, the hands, than on clothes.
const FACE: f64 = 8.0;
const HEAD: f64 = 3.0;
const HAND: f64 = 2.5;
const NECK: f64 = 1.5;
/// Seams through the face count this many times more in the search, and those through what the owner bars: some parts more
/// are better.
const FACE_BARRED: f64 = 12.0;
const ASKED_BARRED: f64 = 80.0;
/// Share of a seam that a crease or a colour border can hide.
const HIDDEN_MAX: f64 = 0.8;
/// Rounds of averaging with the neighbours before creases and borders are looked for, as scan noise is finer.
const ROUNDS: usize = 3;
/// Colour steps from which a border begins to hide a seam and from which it hides it fully, in `OKLab`.
const STEP: std::ops::Range<f64> = 0.06..0.22;
/// Depths of a crease against the length it is averaged over, from which it begins to hide a seam, and does so fully.
const CREASE: std::ops::Range<f64> = 0.06..0.22;
/// Lengths averaging reaches, in edges, for so many rounds.
const REACH_EDGES: f64 = 1.8;

/// A stretch of the body that is not to be cut.
#[derive(Clone, Debug, PartialEq)]
pub(super) enum Barred {
    Zone(Zone),
    /// From and to a height, mm.
    Heights(f64, f64),
}

/// What a seam would show, and which tint it is, by triangle of the whole figure.
#[derive(Clone, Debug, Serialize, Deserialize)]
pub(super) struct Care {
    /// Weight of a seam on plain surface here.
    weight: Vec<f32>,
    /// Step of colour across a short length, by the way it runs.
    step: Vec<Vec3>,
    /// How many times dearer a seam is where nothing is to be cut; 0 elsewhere.
    barred: Vec<f32>,
    /// Place on the body.
    pub zones: Vec<Zone>,
    pub tints: Tints,
}

impl Barred {
    fn holds(&self, zone: Zone, height_mm: f64) -> bool {
        match self {
            Self::Zone(barred) => *barred == zone,
            Self::Heights(low, high) => (*low..=*high).contains(&height_mm),
        }
    }

    fn times(&self) -> f64 {
        if *self == Self::Zone(Zone::Face) { FACE_BARRED } else { ASKED_BARRED }
    }
}

impl Care {
    pub fn of(mesh: &TriMesh, body: &Body, barred: &[Barred]) -> Self {
        let open = Openness::of(body);
        let (smooth, tints) = rayon::join(|| Smooth::of(mesh), || Tints::of(mesh));
        let facts: Vec<(f32, Vec3, f32, Zone)> = (0..mesh.triangles.len())
            .into_par_iter()
            .map(|t| {
                let [a, b, c] = mesh.corners(t);
                let (middle, normal) = ((a + b + c) / 3.0, (b - a).cross(c - a).normalize_or_zero());
                let zone = body.zone(middle);
                let minded = match zone {
                    Zone::Face => FACE,
                    Zone::Head => HEAD,
                    Zone::Hand => HAND,
                    Zone::Neck => NECK,
                    _ => 1.0,
                };
                // Seen from the front before the back, and hardly where arms and legs stand close.
                let seen = (0.8 - 0.2 * normal.y) * (0.4 + 1.2 * open.at(body, middle)).min(1.0);
                let weight = minded * seen * (1.0 - HIDDEN_MAX * smooth.crease(mesh, t));
                let holding = barred.iter().filter(|b| b.holds(zone, middle.z - body.low.z));
                let times = holding.map(Barred::times).fold(0.0, f64::max);
                (weight as f32, smooth.step(mesh, t), times as f32, zone)
            })
            .collect();
        let mut care = Self { weight: Vec::new(), step: Vec::new(), barred: Vec::new(), zones: Vec::new(), tints };
        for (weight, step, barred, zone) in facts {
            care.weight.push(weight);
            care.step.push(step);
            care.barred.push(barred);
            care.zones.push(zone);
        }
        care
    }

    /// Weight of a seam across triangle `t` of the whole figure in a plane with this unit normal.
    pub fn across(&self, t: usize, plane_normal: DVec3, normal: DVec3) -> f64 {
        let facing = plane_normal.dot(normal);
        self.minded(t).across(plane_normal, (1.0 - facing * facing).max(0.0).sqrt())
    }

    pub fn minded(&self, t: usize) -> Minded {
        let bar = if self.is_barred(t) { f64::from(self.barred[t]) } else { 1.0 };
        Minded { weight: f64::from(self.weight[t]), bar, step: self.step[t].as_dvec3() }
    }

    pub fn is_barred(&self, t: usize) -> bool {
        self.barred[t] > 0.0
    }
}

/// What a seam would show on one triangle.
#[derive(Clone, Copy, Debug)]
pub(super) struct Minded {
    weight: f64,
    /// How many times dearer a seam is in the search, for what is not to be cut.
    pub bar: f64,
    step: DVec3,
}

impl Minded {
    /// Weight of a seam in a plane with this unit normal, given the sine of its angle with the triangle.
    pub fn across(&self, plane_normal: DVec3, sine: f64) -> f64 {
        // The step runs along the triangle, so only the length of what the plane's normal leaves there is needed.
        let step = if sine > 0.0 { plane_normal.dot(self.step).abs() / sine } else { 0.0 };
        self.weight * (1.0 - HIDDEN_MAX * ramp(step, &STEP))
    }
}

/// 0 below a range, 1 above, straight between.
fn ramp(value: f64, range: &std::ops::Range<f64>) -> f64 {
    ((value - range.start) / (range.end - range.start)).clamp(0.0, 1.0)
}

/// Surface and colours without their finest detail.
struct Smooth {
    places: Vec<DVec3>,
    colours: Vec<Vec3>,
    reach_mm: f64,
}

impl Smooth {
    fn of(mesh: &TriMesh) -> Self {
        let colour = |c: &[f32; 3]| {
            let [l, a, b] = oklab_of_linear(*c);
            DVec3::new(l, a, b)
        };
        let mut degree = vec![0.0_f64; mesh.positions.len()];
        for v in mesh.triangles.iter().flatten() {
            degree[*v as usize] += 2.0;
        }
        let averaged = |values: Vec<DVec3>| (0..ROUNDS).fold(values, |v, _| average(&v, &mesh.triangles, &degree));
        let colours = || averaged(mesh.colours.par_iter().map(colour).collect());
        let (places, colours) = rayon::join(|| averaged(mesh.positions.clone()), colours);
        let edge = |t: usize| mesh.corners(t)[0].distance(mesh.corners(t)[1]);
        let total: f64 = (0..mesh.triangles.len()).map(edge).sum();
        let reach_mm = (REACH_EDGES * total / mesh.triangles.len().max(1) as f64).max(1e-9);
        Self { places, colours: colours.into_par_iter().map(|c: DVec3| c.as_vec3()).collect(), reach_mm }
    }

    /// How much of a crease a triangle lies in, 0 to 1: the surface rises out of hollows when it is averaged.
    fn crease(&self, mesh: &TriMesh, t: usize) -> f64 {
        let [a, b, c] = mesh.corners(t);
        let normal = (b - a).cross(c - a).normalize_or_zero();
        let risen: DVec3 =
            mesh.triangles[t].iter().map(|v| self.places[*v as usize] - mesh.positions[*v as usize]).sum();
        ramp(risen.dot(normal) / 3.0 / self.reach_mm, &CREASE)
    }

    /// Step of colour over the length averaged, pointing the way it changes most.
    fn step(&self, mesh: &TriMesh, t: usize) -> Vec3 {
        let [a, b, c] = mesh.triangles[t].map(|v| v as usize);
        let [p, q, r] = mesh.corners(t);
        let normal = (q - p).cross(r - p);
        let twice = normal.length();
        if twice <= 0.0 {
            return Vec3::ZERO;
        }
        let unit = normal / twice;
        // Gradient of a linear function on a triangle, for each of the three channels.
        let slopes = [unit.cross(r - q), unit.cross(p - r), unit.cross(q - p)].map(|s| (s / twice).as_vec3());
        let gradient =
            |i: usize| slopes[0] * self.colours[a][i] + slopes[1] * self.colours[b][i] + slopes[2] * self.colours[c][i];
        let (l, u, v) = (gradient(0), gradient(1), gradient(2));
        let size = (l.length_squared() + u.length_squared() + v.length_squared()).sqrt();
        let longest = [l, u, v].into_iter().max_by(|x, y| x.length_squared().total_cmp(&y.length_squared()));
        longest.map_or(Vec3::ZERO, |w| w.normalize_or_zero() * size * self.reach_mm as f32)
    }
}

/// The values of all vertices, each moved half way to the mean of its neighbours'.
fn average(values: &[DVec3], triangles: &[[u32; 3]], degree: &[f64]) -> Vec<DVec3> {
    let mut sums = vec![DVec3::ZERO; values.len()];
    for [a, b, c] in triangles {
        let [a, b, c] = [*a as usize, *b as usize, *c as usize];
        for (v, [p, q]) in [(a, [b, c]), (b, [c, a]), (c, [a, b])] {
            sums[v] += values[p] + values[q];
        }
    }
    let moved = |(v, sum): (usize, &DVec3)| {
        if degree[v] > 0.0 { values[v].midpoint(*sum / degree[v]) } else { values[v] }
    };
    sums.par_iter().enumerate().map(moved).collect()
}

/// How freely each block can be seen; worked out once.
struct Openness(Vec<f32>);

impl Openness {
    fn of(body: &Body) -> Self {
        Self((0..body.blocks()).into_par_iter().map(|b| body.openness(b) as f32).collect())
    }

    fn at(&self, body: &Body, p: DVec3) -> f64 {
        body.block(p).map_or(1.0, |b| f64::from(self.0[b]))
    }
}
