//! Where things are on the body: head and face, trunk, arms and hands, legs. Found from the shape, so that it holds for
//! bent and raised arms too; told in shares of the stature, with the front along -y and the figure's own left along +x.

use glam::DVec3;
use serde::{Deserialize, Serialize};

use super::arms;
use super::face::Face;
use super::grid::{Grid, NONE};
use super::head::Head;
use crate::mesh::topology::Sets;
use crate::mesh::{TriMesh, measure};

/// Blocks the body is seen in, about.
const BLOCKS: f64 = 8_000.0;
/// Thin features such as fingers may stand off the blocks of their limb this far, in blocks.
const LIMB_REACH: i32 = 8;
/// Spread of a standing person's volume about its axis, at most, as a share of the stature (arms down about .08, held out
/// .12; seated figures and busts more: measured on our own bodies).
const STANDING_SPREAD_MAX: f64 = 0.135;
/// The same the narrower way (standing .036, seated and bent .075 and more).
const STANDING_DEPTH_MAX: f64 = 0.065;
/// A standing person's head is this near to the upright axis, as a share of the stature, and the ball in it so large.
const STANDING_LEAN_MAX: f64 = 0.1;
const STANDING_BALL: std::ops::Range<f64> = 0.03..0.1;
/// The ball in the head of a bust is at least this share of its height.
const BUST_BALL_MIN: f64 = 0.1;
/// A place on the body.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
pub(super) enum Zone {
    Foot,
    Shin,
    Thigh,
    Hips,
    Waist,
    Chest,
    UpperArm,
    Forearm,
    Hand,
    Neck,
    Head,
    Face,
    /// Of a figure that is no standing person.
    Lower,
    Middle,
    Upper,
}

/// How a figure is held, for what is below its head.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
enum Build {
    Standing,
    Bust,
    /// Seated, bent, lying, or no person.
    Other,
}

/// The whole figure as places on a body.
#[derive(Clone, Debug, Serialize, Deserialize)]
pub(super) struct Body {
    pub low: DVec3,
    pub high: DVec3,
    /// Centre of mass: arms held out do not shift it much.
    pub middle: DVec3,
    build: Build,
    head: Option<Head>,
    /// From the ground to the crown, mm: a raised hand may be higher.
    stature_mm: f64,
    face: Face,
    grid: Grid,
    zones: Vec<Zone>,
}

impl Body {
    pub fn of(mesh: &TriMesh) -> Self {
        let (low, high) = measure::bounds(&mesh.positions);
        let middle = measure::centroid(mesh).unwrap_or(0.5 * (low + high));
        let step = (measure::volume_mm3(mesh).max(1e-9) / BLOCKS).cbrt();
        let head = Head::of(mesh, low, high);
        let mut body = Self {
            low,
            high,
            middle,
            build: Build::Other,
            head,
            stature_mm: (head.map_or(high.z, |h| h.crown_z) - low.z).max(1e-9),
            face: Face::none(),
            grid: Grid::of(mesh, low, high, step),
            zones: Vec::new(),
        };
        body.build = body.held();
        body.face = Face::of(&body, mesh);
        let is_head = &body.face.is_head;
        let zone = |b: usize| if is_head[b] { Zone::Head } else { body.below_head(body.grid.centre(b)) };
        let mut zones: Vec<Zone> = (0..is_head.len()).map(zone).collect();
        if body.build == Build::Standing {
            arms::mark(&body, &mut zones);
        }
        body.zones = zones;
        body
    }

    pub fn height_mm(&self) -> f64 {
        (self.high.z - self.low.z).max(1e-9)
    }

    /// Height above the feet as a share of the stature.
    pub fn level(&self, p: DVec3) -> f64 {
        (p.z - self.low.z) / self.stature_mm
    }

    /// Distance from the middle as a share of the stature; positive on the figure's own left.
    pub fn aside(&self, p: DVec3) -> f64 {
        (p.x - self.middle.x) / self.stature_mm
    }

    /// Distance behind the middle as a share of the stature.
    pub fn behind(&self, p: DVec3) -> f64 {
        (p.y - self.middle.y) / self.stature_mm
    }

    /// The place a point on or in the body belongs to.
    pub fn zone(&self, p: DVec3) -> Zone {
        match self.grid.block_near(p, LIMB_REACH).map(|b| self.zones[b]) {
            Some(arm @ (Zone::UpperArm | Zone::Forearm | Zone::Hand)) => arm,
            Some(Zone::Head) if self.level(p) >= self.face.chin => {
                if self.face.holds(p, self.level(p)) {
                    Zone::Face
                } else {
                    Zone::Head
                }
            }
            _ => self.below_head(p),
        }
    }

    pub fn head(&self) -> Option<Head> {
        self.head
    }

    pub fn is_standing(&self) -> bool {
        self.build == Build::Standing
    }

    pub fn stature_mm(&self) -> f64 {
        self.stature_mm
    }

    /// Middle of a block.
    pub fn centre(&self, block: usize) -> DVec3 {
        self.grid.centre(block)
    }

    /// Neighbours of a block: below and above along x, y, z.
    pub fn near(&self, block: usize) -> [u32; 6] {
        self.grid.near(block)
    }

    /// Edge of a block as a share of the stature.
    pub fn step(&self) -> f64 {
        self.grid.step_mm / self.stature_mm
    }

    /// Blocks the body is seen in.
    pub fn blocks(&self) -> usize {
        self.grid.cells.len()
    }

    /// The block a point on the skin belongs to.
    pub fn block(&self, p: DVec3) -> Option<usize> {
        self.grid.block_at(p)
    }

    /// How freely a block can be seen, 0 to 1.
    pub fn openness(&self, block: usize) -> f64 {
        self.grid.openness(block)
    }

    /// Number of connected pieces when the body's box is cut into so many even slabs along each axis.
    pub fn pieces(&self, counts: [usize; 3]) -> usize {
        let cell = |b: usize| {
            let share = (self.grid.centre(b) - self.low) / (self.high - self.low);
            [0, 1, 2].map(|i| ((share[i] * counts[i] as f64) as usize).min(counts[i] - 1))
        };
        let mut sets = Sets::new(self.zones.len());
        for b in 0..self.zones.len() {
            for n in [1, 3, 5].map(|side| self.grid.near(b)[side]).into_iter().filter(|n| *n != NONE) {
                if cell(b) == cell(n as usize) {
                    sets.unite(b as u32, n);
                }
            }
        }
        let mut sizes = vec![0; self.zones.len()];
        for b in 0..self.zones.len() as u32 {
            sizes[sets.find(b) as usize] += 1;
        }
        // Single blocks are crumbs of the coarse view.
        sizes.into_iter().filter(|n| *n > 1).count()
    }

    /// The place of what is no head and no arm, by height alone (levels: Drillis & Contini 1966; neck base .82 acromion and
    /// waist .60: ANSUR II 2012).
    fn below_head(&self, p: DVec3) -> Zone {
        let level = self.level(p);
        match self.build {
            Build::Standing => match level {
                l if l < 0.06 => Zone::Foot,
                l if l < 0.28 => Zone::Shin,
                l if l < 0.46 => Zone::Thigh,
                l if l < 0.57 => Zone::Hips,
                l if l < 0.68 => Zone::Waist,
                l if l < self.face.chin - 0.03 => Zone::Chest,
                _ => Zone::Neck,
            },
            _ if self.head.is_some_and(|h| h.is_neck(p)) => Zone::Neck,
            Build::Bust => Zone::Chest,
            Build::Other if level < 0.34 => Zone::Lower,
            Build::Other if level < 0.67 => Zone::Middle,
            Build::Other => Zone::Upper,
        }
    }

    /// How the figure is held, by its spread and where its head is.
    fn held(&self) -> Build {
        let [narrow, wide] = self.spread();
        let is_narrow = wide < STANDING_SPREAD_MAX && narrow < STANDING_DEPTH_MAX;
        let Some(head) = self.head else { return if is_narrow { Build::Standing } else { Build::Other } };
        let ball = head.ball_mm / self.stature_mm;
        let lean = (head.middle - self.middle).truncate().length() / self.stature_mm;
        if ball >= BUST_BALL_MIN {
            Build::Bust
        } else if is_narrow && lean < STANDING_LEAN_MAX && STANDING_BALL.contains(&ball) {
            Build::Standing
        } else {
            Build::Other
        }
    }

    /// Root mean square distance of the volume from its upright axis, the narrower and the wider way, as shares
    /// of the stature.
    fn spread(&self) -> [f64; 2] {
        let count = self.grid.cells.len().max(1) as f64;
        let off = |b: usize| self.grid.centre(b) - self.middle;
        let sum = (0..self.grid.cells.len()).map(|b| off(b) * off(b)).sum::<DVec3>() / count;
        [sum.x.min(sum.y), sum.x.max(sum.y)].map(|s| s.sqrt() / self.stature_mm)
    }
}

#[cfg(test)]
mod tests {
    use std::f64::consts::{PI, TAU};

    use super::*;

    /// Balls of a figure 1000 mm high: middle and radius of each.
    type Balls = Vec<(DVec3, f64)>;

    fn ball((middle, radius): (DVec3, f64)) -> TriMesh {
        let (rings, sides) = (8_u32, 12_u32);
        let point = |ring: u32, side: u32| {
            let up = PI * f64::from(ring) / f64::from(rings);
            let round = TAU * f64::from(side) / f64::from(sides);
            middle + radius * DVec3::new(up.sin() * round.cos(), up.sin() * round.sin(), -up.cos())
        };
        let quads = || (0..rings).flat_map(|r| (0..sides).map(move |s| (r, s)));
        let mut points = vec![point(0, 0)];
        points.extend(quads().filter(|(r, _)| *r > 0).map(|(r, s)| point(r, s)));
        points.push(point(rings, 0));
        let at = |ring: u32, side: u32| match ring {
            0 => 0,
            r if r == rings => 1 + (rings - 1) * sides,
            r => 1 + (r - 1) * sides + side % sides,
        };
        let halves = |(r, s)| [[at(r, s), at(r, s + 1), at(r + 1, s + 1)], [at(r, s), at(r + 1, s + 1), at(r + 1, s)]];
        let triangles = quads().flat_map(halves).filter(|[a, b, c]| a != b && b != c && c != a).collect();
        TriMesh::from_shape(points, triangles)
    }

    fn body(balls: &Balls) -> Body {
        let mut mesh = TriMesh::default();
        for b in balls {
            mesh.append(&ball(*b));
        }
        Body::of(&mesh)
    }

    /// Balls from one place to another, radius from and to.
    fn limb(from: [f64; 3], to: [f64; 3], radii: [f64; 2]) -> Balls {
        let (from, to) = (DVec3::from_array(from), DVec3::from_array(to));
        let count = (from.distance(to) / (0.4 * radii[0].min(radii[1]))).ceil() as usize;
        let along = |i: usize| i as f64 / count.max(1) as f64;
        (0..=count).map(|i| (from.lerp(to, along(i)), radii[0] + (radii[1] - radii[0]) * along(i))).collect()
    }

    /// A head that looks along `front`, longer than wide.
    fn head(at: [f64; 3], front: [f64; 2]) -> Balls {
        let [x, y, z] = at;
        let ends = [12.0, -14.0].map(|f| [x + f * front[0], y + f * front[1], z]);
        let mut balls = limb(ends[0], ends[1], [46.0, 46.0]);
        balls.extend(limb([ends[0][0], ends[0][1], z - 25.0], [ends[1][0], ends[1][1], z + 22.0], [42.0, 42.0]));
        balls
    }

    fn standing(arm_to: [[f64; 3]; 2]) -> Balls {
        let mut balls = head([0.0, -8.0, 935.0], [0.0, -1.0]);
        balls.extend(limb([0.0, 8.0, 800.0], [0.0, 0.0, 900.0], [33.0, 33.0]));
        balls.extend(limb([-70.0, 0.0, 770.0], [70.0, 0.0, 770.0], [68.0, 68.0]));
        balls.extend(limb([0.0, 0.0, 770.0], [0.0, 0.0, 540.0], [80.0, 85.0]));
        for x in [-50.0, 50.0] {
            balls.extend(limb([x, 0.0, 540.0], [1.4 * x, 0.0, 40.0], [62.0, 36.0]));
            balls.extend(limb([1.4 * x, 0.0, 28.0], [1.4 * x, -95.0, 28.0], [28.0, 28.0]));
        }
        balls.extend(limb([-118.0, 0.0, 800.0], [-190.0, -10.0, 640.0], [34.0, 28.0]));
        balls.extend(limb([-190.0, -10.0, 640.0], [-215.0, -40.0, 420.0], [28.0, 22.0]));
        balls.extend(limb([118.0, 0.0, 800.0], arm_to[0], [34.0, 28.0]));
        balls.extend(limb(arm_to[0], arm_to[1], [28.0, 22.0]));
        balls
    }

    fn at(body: &Body, p: [f64; 3]) -> Zone {
        body.zone(DVec3::from_array(p))
    }

    #[test]
    fn a_raised_arm_is_an_arm_and_no_head() {
        let body = body(&standing([[190.0, 0.0, 960.0], [170.0, -10.0, 1190.0]]));
        assert_eq!(at(&body, [170.0, -10.0, 1200.0]), Zone::Hand);
        assert_eq!(at(&body, [190.0, 0.0, 985.0]), Zone::Forearm);
        assert_eq!(at(&body, [-215.0, -40.0, 400.0]), Zone::Hand);
        assert_eq!(at(&body, [0.0, -65.0, 930.0]), Zone::Face);
        assert_eq!(at(&body, [0.0, 50.0, 930.0]), Zone::Head);
        // Heights are told by the crown, not by the hand.
        assert!((body.level(DVec3::new(0.0, 0.0, 500.0)) - 0.5).abs() < 0.02);
        assert_eq!(at(&body, [70.0, -36.0, 240.0]), Zone::Shin);
        assert_eq!(at(&body, [0.0, -80.0, 740.0]), Zone::Chest);
    }

    #[test]
    fn an_arm_held_out_leaves_the_rest_as_it_is() {
        let hanging = body(&standing([[190.0, -10.0, 640.0], [215.0, -40.0, 420.0]]));
        let out = body(&standing([[260.0, 0.0, 800.0], [470.0, 0.0, 800.0]]));
        for p in [[0.0, -65.0, 930.0], [0.0, 50.0, 930.0], [0.0, -80.0, 740.0], [70.0, -36.0, 240.0]] {
            assert_eq!(at(&hanging, p), at(&out, p), "{p:?}");
        }
        assert_eq!(at(&hanging, [215.0, -40.0, 400.0]), Zone::Hand);
        assert_eq!(at(&out, [480.0, 0.0, 800.0]), Zone::Hand);
    }

    /// Seated on a block, bowed: it looks along +x.
    fn seated() -> Balls {
        let mut balls = head([60.0, 0.0, 940.0], [1.0, 0.0]);
        balls.extend(limb([0.0, 0.0, 800.0], [45.0, 0.0, 890.0], [34.0, 34.0]));
        balls.extend(limb([-30.0, -75.0, 760.0], [-30.0, 75.0, 760.0], [74.0, 74.0]));
        balls.extend(limb([-30.0, 0.0, 760.0], [-40.0, 0.0, 480.0], [85.0, 95.0]));
        for y in [-60.0, 60.0] {
            balls.extend(limb([-40.0, y, 450.0], [330.0, y, 450.0], [70.0, 55.0]));
            balls.extend(limb([330.0, y, 450.0], [330.0, y, 40.0], [52.0, 40.0]));
            balls.extend(limb([-30.0, 2.0 * y, 740.0], [40.0, 2.2 * y, 560.0], [36.0, 30.0]));
            balls.extend(limb([40.0, 2.2 * y, 560.0], [220.0, y, 530.0], [30.0, 24.0]));
        }
        for x in [-90.0, 0.0, 90.0] {
            balls.extend(limb([x, -60.0, 300.0], [x, -60.0, 90.0], [90.0, 90.0]));
            balls.extend(limb([x, 60.0, 300.0], [x, 60.0, 90.0], [90.0, 90.0]));
        }
        balls
    }

    #[test]
    fn a_seated_figure_has_its_face_where_it_looks() {
        let body = body(&seated());
        assert_eq!(at(&body, [110.0, 0.0, 930.0]), Zone::Face);
        assert_eq!(at(&body, [5.0, 0.0, 950.0]), Zone::Head);
        assert_eq!(at(&body, [20.0, 0.0, 845.0]), Zone::Neck);
        assert_eq!(at(&body, [60.0, 0.0, 985.0]), Zone::Head);
        // Neither shoulders nor hands are taken for a head, and no legs are guessed.
        assert_eq!(at(&body, [-30.0, 120.0, 780.0]), Zone::Upper);
        assert_eq!(at(&body, [330.0, 60.0, 450.0]), Zone::Middle);
        assert_eq!(at(&body, [330.0, 60.0, 60.0]), Zone::Lower);
    }

    #[test]
    fn a_bust_is_head_neck_and_chest() {
        let mut balls = head([0.0, -8.0, 935.0], [0.0, -1.0]);
        balls.extend(limb([0.0, 8.0, 790.0], [0.0, 0.0, 900.0], [33.0, 33.0]));
        balls.extend(limb([-90.0, 5.0, 745.0], [90.0, 5.0, 745.0], [62.0, 62.0]));
        balls.extend(limb([0.0, 5.0, 745.0], [0.0, 5.0, 690.0], [70.0, 50.0]));
        let body = body(&balls);
        assert_eq!(at(&body, [0.0, -65.0, 930.0]), Zone::Face);
        assert_eq!(at(&body, [0.0, 50.0, 930.0]), Zone::Head);
        assert_eq!(at(&body, [0.0, 30.0, 845.0]), Zone::Neck);
        assert_eq!(at(&body, [110.0, 0.0, 730.0]), Zone::Chest);
        assert_eq!(at(&body, [0.0, 0.0, 655.0]), Zone::Chest);
    }

    #[test]
    fn a_post_has_no_head() {
        let body = body(&limb([0.0, 0.0, 100.0], [0.0, 0.0, 900.0], [100.0, 100.0]));
        assert!(body.head().is_none());
    }
}
