//! How large and how heavy a plate has to be: the smallest one on which figure, plate and ballast together bear the tilt.

use glam::{DVec2, DVec3};

use super::outline::{self, Reach, around, clipped, least};
use super::settings::Shape;
use crate::mesh::hull::depth_inside;
use crate::units::{snap_between_mm, snap_mm};

/// Added to the tilt asked for, since masses are known exactly only once the parts are sliced, degrees.
const RESERVE_DEG: f64 = 0.2;

/// Steps in which a cavity grows deeper, mm.
const CAVITY_STEP_MM: f64 = 0.5;

/// Most parts side by side along a plate.
const ROW_MAX: usize = 4;

/// A mass and where its centre is: figure coordinates, mm.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub(super) struct Load {
    pub mass_g: f64,
    pub centre: DVec3,
}

impl Load {
    fn and(self, other: Self) -> Self {
        let mass_g = self.mass_g + other.mass_g;
        if mass_g <= 0.0 {
            return self;
        }
        Self { mass_g, centre: (self.mass_g * self.centre + other.mass_g * other.centre) / mass_g }
    }
}

/// What is known before the plate is.
#[derive(Clone, Debug)]
pub(super) struct Task {
    pub shape: Shape,
    /// Hull of the soles.
    pub feet: Vec<DVec2>,
    pub figure: Load,
    /// Height of the soles, figure coordinates, mm.
    pub soles_mm: f64,
    pub thickness_mm: f64,
    pub margin_mm: f64,
    pub tip_deg: f64,
    pub size_max_mm: f64,
    /// Room on the bed, mm.
    pub bed_mm: [f64; 2],
    /// Density of the ballast, g/cm3, and the deepest cavity, mm.
    pub ballast: Option<(f64, f64)>,
    /// Solid left around a cavity, mm.
    pub rim_mm: f64,
    pub shell_mm: f64,
    pub infill_share: f64,
    /// Density of the plate's plastic, g/cm3.
    pub density_g_per_cm3: f64,
}

/// A plate that was decided on.
#[derive(Clone, Debug)]
pub(super) struct Plan {
    pub outline: Vec<DVec2>,
    /// Planes between its parts across x and across y, mm.
    pub seams: [Vec<f64>; 2],
    /// One cavity for each part that has room for it; none without ballast.
    pub cavities: Vec<Vec<DVec2>>,
    pub cavity_mm: f64,
    pub height_mm: f64,
    pub plate: Load,
    pub ballast: Option<Load>,
    pub ballast_mm3: f64,
    /// Tilt it all bears, degrees.
    pub tip_deg: f64,
}

/// Why there is no plate.
#[derive(Clone, Copy, Debug, PartialEq, thiserror::Error)]
pub(super) enum SizeError {
    #[error("a plate around the feet is {0:.0} mm long, more than `size_max_mm`")]
    FeetTooWide(f64),
    #[error("the plate of {0:.0} x {1:.0} mm takes more than 4 parts in a row on this bed")]
    BedTooSmall(f64, f64),
}

/// Mass a ballast must have at least so that a figure bears a tilt, g: `m (h - d/tan) / (d/tan - h_b)` for a figure of
/// mass `m` with its centre at height `h` over the floor and `d` from the nearest edge, the ballast right under it at
/// height `h_b`; 0 when none is needed, `None` when no mass is enough. Lengths in mm.
///
/// # Examples
/// ```
/// use statuary::stages::base::ballast_least_g;
///
/// // 20 kg, 983 mm up, on feet of half length 135.6 mm, ballast 10 mm up: d/tan 10 is 769.03 mm.
/// let mass_g = ballast_least_g(20_000.0, 983.0, 135.6, 10.0, 10.0).unwrap();
/// assert!((mass_g - 5_638.0).abs() < 1.0);
/// assert_eq!(ballast_least_g(20_000.0, 700.0, 135.6, 10.0, 10.0), Some(0.0));
/// assert_eq!(ballast_least_g(20_000.0, 983.0, 1.0, 10.0, 10.0), None);
/// ```
#[must_use]
pub fn ballast_least_g(mass_g: f64, centre_mm: f64, edge_mm: f64, ballast_mm: f64, tip_deg: f64) -> Option<f64> {
    let allowed_mm = edge_mm / tip_deg.to_radians().tan();
    let (over, under) = (centre_mm - allowed_mm, allowed_mm - ballast_mm);
    if over <= 0.0 {
        return Some(0.0);
    }
    (under > 0.0).then(|| mass_g * over / under)
}

impl Task {
    /// The plate: without ballast as large as the tilt needs, with ballast only as large as the deepest cavity leaves
    /// necessary, and the cavity then no deeper than it must be.
    pub(super) fn solve(&self) -> Result<Plan, SizeError> {
        let goal_deg = self.tip_deg + RESERVE_DEG;
        let deepest = self.ballast.map_or(0.0, |(_, deepest)| deepest);
        let widest = self.widest(goal_deg, deepest)?;
        let bears = |around_mm: f64, cavity_mm: f64| self.tip_of(around_mm, cavity_mm) >= goal_deg;
        let enough = |around_mm: f64| bears(around_mm, 0.0) || (deepest > 0.0 && bears(around_mm, deepest));
        let around_mm = least(enough, 0.0, widest).unwrap_or(widest);
        let cavity_mm = if bears(around_mm, 0.0) { 0.0 } else { self.cavity(around_mm, deepest, goal_deg) };
        self.plan(around_mm, cavity_mm)
    }

    /// The furthest an outline may keep from the centre of mass: what the figure alone would need, or what the longest
    /// side allows.
    fn widest(&self, goal_deg: f64, deepest_mm: f64) -> Result<f64, SizeError> {
        let top_mm = self.figure.centre.z - self.soles_mm + self.thickness_mm + deepest_mm;
        let enough = top_mm * goal_deg.to_radians().tan();
        let side = |around_mm: f64| {
            let (low, high) = outline::bounds(&self.outline(around_mm));
            (high - low).max_element()
        };
        if side(0.0) > self.size_max_mm {
            return Err(SizeError::FeetTooWide(side(0.0)));
        }
        let too_wide = least(|around_mm| side(around_mm) > self.size_max_mm, 0.0, enough);
        Ok(too_wide.map_or(enough, |at| (at - 0.01).max(0.0)))
    }

    /// Depth of the cavity, in steps: from the depth the formula gives upwards; the deepest when that is not enough.
    fn cavity(&self, around_mm: f64, deepest_mm: f64, goal_deg: f64) -> f64 {
        let Some((density, _)) = self.ballast else { return 0.0 };
        let bare = self.trial(0.0, &self.outline(around_mm));
        let area_mm2: f64 =
            self.trial(CAVITY_STEP_MM, &bare.outline).cavities.iter().map(|c| outline::measured(c).0).sum();
        let load = self.figure.and(bare.plate);
        let edge_mm = depth_inside(&bare.outline, load.centre.truncate()).map_or(0.0, |(depth, _)| depth);
        let up_mm = load.centre.z - self.soles_mm + bare.height_mm;
        let first_g = ballast_least_g(load.mass_g, up_mm, edge_mm, 0.0, goal_deg).unwrap_or(0.0);
        let first = (first_g / (density * area_mm2.max(1.0) / 1000.0) / CAVITY_STEP_MM).floor().max(1.0);
        let depths = (0..).map(|i| (first + f64::from(i)) * CAVITY_STEP_MM).take_while(|depth| *depth < deepest_mm);
        let mut enough = depths.filter(|depth| self.tip_of(around_mm, *depth) >= goal_deg);
        snap_mm(enough.next().unwrap_or(deepest_mm))
    }

    fn outline(&self, around_mm: f64) -> Vec<DVec2> {
        let centre = self.figure.centre.truncate();
        around(self.shape, Reach { feet: &self.feet, margin_mm: self.margin_mm, centre, around_mm })
    }

    fn tip_of(&self, around_mm: f64, cavity_mm: f64) -> f64 {
        self.trial(cavity_mm, &self.outline(around_mm)).tip_deg
    }

    fn plan(&self, around_mm: f64, cavity_mm: f64) -> Result<Plan, SizeError> {
        let plan = self.trial(cavity_mm, &self.outline(around_mm));
        let (low, high) = outline::bounds(&plan.outline);
        let size = high - low;
        if self.seams(low, high).is_some() { Ok(plan) } else { Err(SizeError::BedTooSmall(size.x, size.y)) }
    }

    /// A plate with its masses, and how far everything tips.
    fn trial(&self, cavity_mm: f64, outline: &[DVec2]) -> Plan {
        let (low, high) = outline::bounds(outline);
        let seams = self.seams(low, high).unwrap_or_default();
        let height_mm = self.thickness_mm + cavity_mm;
        let cells = cells(outline, &seams);
        let rooms = if cavity_mm > 0.0 {
            cells.iter().map(|cell| outline::inset(cell, self.rim_mm)).collect()
        } else {
            Vec::new()
        };
        let cavities: Vec<Vec<DVec2>> = rooms.into_iter().filter(|room: &Vec<DVec2>| !room.is_empty()).collect();
        let floor_mm = self.soles_mm - height_mm;
        let sum = |outlines: &[Vec<DVec2>]| {
            let of = outlines.iter().map(|o| (outline::measured(o), outline::length_mm(o)));
            of.fold((0.0, DVec2::ZERO, 0.0), |(a, m, l), ((area, at), length)| (a + area, m + area * at, l + length))
        };
        let (whole_mm2, whole_moment, whole_mm) = sum(&cells);
        let (open_mm2, open_moment, open_mm) = sum(&cavities);
        let solid_mm3 = whole_mm2 * height_mm - open_mm2 * cavity_mm;
        let surface_mm2 = 2.0 * whole_mm2 + whole_mm * height_mm + open_mm * cavity_mm;
        let shell_mm3 = (surface_mm2 * self.shell_mm).min(solid_mm3);
        let plastic_mm3 = shell_mm3 + self.infill_share * (solid_mm3 - shell_mm3);
        let middle = (whole_moment * height_mm - open_moment * cavity_mm) / solid_mm3.max(1e-9);
        let up_mm = 0.5 * (whole_mm2 * height_mm * height_mm - open_mm2 * cavity_mm * cavity_mm) / solid_mm3.max(1e-9);
        let mass_g = plastic_mm3 / 1000.0 * self.density_g_per_cm3;
        let plate = Load { mass_g, centre: middle.extend(floor_mm + up_mm) };
        let ballast_mm3 = open_mm2 * cavity_mm;
        let ballast = self.ballast.filter(|_| ballast_mm3 > 0.0).map(|(density, _)| Load {
            mass_g: ballast_mm3 / 1000.0 * density,
            centre: (open_moment / open_mm2).extend(floor_mm + 0.5 * cavity_mm),
        });
        let load = self.figure.and(plate).and(ballast.unwrap_or_default());
        let edge_mm = depth_inside(outline, load.centre.truncate()).map_or(f64::NEG_INFINITY, |(depth, _)| depth);
        let tip_deg = edge_mm.atan2(load.centre.z - floor_mm).to_degrees();
        let outline = outline.to_vec();
        Plan { outline, seams, cavities, cavity_mm, height_mm, plate, ballast, ballast_mm3, tip_deg }
    }

    /// Planes that divide a box into the fewest equal parts that fit the bed, between lattice planes; `None` when that
    /// takes too many.
    fn seams(&self, low: DVec2, high: DVec2) -> Option<[Vec<f64>; 2]> {
        let size = high - low;
        let [x, y] = self.bed_mm;
        let fits = |[nx, ny]: &[usize; 2]| {
            let (a, b) = (size.x / *nx as f64 + 1e-3, size.y / *ny as f64 + 1e-3);
            (a <= x && b <= y) || (b <= x && a <= y)
        };
        let grids = (1..=ROW_MAX).flat_map(|nx| (1..=ROW_MAX).map(move |ny| [nx, ny]));
        let counts = grids.filter(fits).min_by_key(|[nx, ny]| nx * ny)?;
        let planes = |axis: usize| {
            let at = move |i: usize| snap_between_mm(low[axis] + size[axis] * i as f64 / counts[axis] as f64);
            (1..counts[axis]).map(at).collect()
        };
        Some([planes(0), planes(1)])
    }
}

/// The parts of an outline between its seams, rows across x first.
fn cells(outline: &[DVec2], seams: &[Vec<f64>; 2]) -> Vec<Vec<DVec2>> {
    let (low, high) = outline::bounds(outline);
    let ends = |axis: usize| -> Vec<f64> {
        [low[axis]].into_iter().chain(seams[axis].iter().copied()).chain([high[axis]]).collect()
    };
    let (xs, ys) = (ends(0), ends(1));
    let cell = |x: &[f64], y: &[f64]| clipped(outline, DVec2::new(x[0], y[0]), DVec2::new(x[1], y[1]));
    xs.windows(2).flat_map(|x| ys.windows(2).map(move |y| cell(x, y))).collect()
}
