//! The head, found as a lump: the topmost ball inside the figure from which every way to a larger one leads through a
//! neck. That holds for bent and seated figures and for busts, and for raised arms, which are no lumps of that size.

use glam::{DVec2, DVec3};
use serde::{Deserialize, Serialize};

use super::grid::{Grid, NONE};
use crate::mesh::{TriMesh, measure};

/// Blocks heads are looked for in, about.
const BLOCKS: f64 = 40_000.0;
/// The ball in a neck is at most this share of that in the head (on our own bodies .5 to .71; calves .84 and more).
const NECK_SHARE_MAX: f64 = 0.8;
/// The ball in a head, as a share of the figure's height: a standing adult's half head breadth is .044 (ANSUR II 2012),
/// a bust may be all head.
const BALL: std::ops::Range<f64> = 0.03..0.4;
/// A raised hand or what it holds has a smaller ball than this share of the head's.
const RIVAL: f64 = 0.6;
/// Heads are in the upper half.
const LEVEL_MIN: f64 = 0.5;
/// Above a head is nothing, from so many balls over its middle on: room for hair and hats.
const CROWN_MAX: f64 = 3.0;
/// How far a head reaches to the sides and down from the middle of its ball, in balls (chin and vertex are 1.5 from it).
pub(super) const REACH: f64 = 2.2;
/// What lies in the neck's plane belongs to the neck up to here, in balls.
const NECK_HALF: f64 = 0.25;
/// Where shoulders are below the middle of the head, in balls.
const SHOULDERS: std::ops::Range<f64> = 2.0..4.5;
/// A head from above is longer than wide (ANSUR II 2012: 1.29 times); below this it does not tell where it faces.
const LENGTHY: f64 = 1.08;

/// The head of a figure.
#[derive(Clone, Copy, Debug, Serialize, Deserialize)]
pub(super) struct Head {
    /// Middle and radius of the largest ball in it.
    pub middle: DVec3,
    pub ball_mm: f64,
    /// Middle of the narrowest place between it and the trunk.
    neck: DVec3,
    /// Height of its highest point, mm.
    pub crown_z: f64,
}

impl Head {
    /// None where no neck sets it off from the trunk.
    pub fn of(mesh: &TriMesh, low: DVec3, high: DVec3) -> Option<Self> {
        let step = (measure::volume_mm3(mesh).max(1e-9) / BLOCKS).cbrt();
        let grid = Grid::of(mesh, low, high, step);
        let balls = Balls::of(&grid);
        let height = (high.z - low.z).max(1e-9);
        let is_head = |lump: &Lump| {
            let middle = grid.centre(lump.peak);
            BALL.contains(&(lump.ball * step / height))
                && lump.neck.is_none_or(|neck| balls.radius(neck) <= NECK_SHARE_MAX * lump.ball)
                && middle.z - low.z > LEVEL_MIN * height
                && is_free_above(&grid, middle, lump.ball * step)
        };
        let mut lumps = balls.lumps(&grid);
        lumps.retain(is_head);
        let largest = lumps.iter().map(|l| l.ball).fold(0.0, f64::max);
        lumps.retain(|l| l.ball >= RIVAL * largest);
        let top = |l: &Lump| grid.cells[l.peak][2];
        let lump = lumps.iter().max_by(|a, b| top(a).cmp(&top(b)).then(b.peak.cmp(&a.peak)))?;
        let (middle, ball_mm) = (grid.centre(lump.peak), lump.ball * step);
        let neck = lump.neck.or_else(|| trunk_neck(&balls, &grid, lump));
        let neck = neck.map_or(middle - 1.5 * ball_mm * DVec3::Z, |neck| grid.centre(neck));
        let is_top = |p: &&DVec3| {
            (p.truncate() - middle.truncate()).length() < ball_mm
                && (0.0..CROWN_MAX * ball_mm).contains(&(p.z - middle.z))
        };
        let crown_z = mesh.positions.iter().filter(is_top).map(|p| p.z).fold(middle.z, f64::max);
        Some(Self { middle, ball_mm, neck, crown_z })
    }

    /// Whether a point is nearer to the head's upright axis than so many balls.
    pub fn is_beside(&self, p: DVec3, balls: f64) -> bool {
        (p - self.middle).truncate().length() < balls * self.ball_mm
    }

    /// Whether a point lies in the space of the head: others may too, such as those of a hand at the ear.
    pub fn reaches(&self, p: DVec3) -> bool {
        let up = (self.middle - self.neck).normalize_or(DVec3::Z);
        let over = p.z - self.middle.z;
        self.is_beside(p, REACH)
            && (-REACH * self.ball_mm..CROWN_MAX * self.ball_mm).contains(&over)
            && (p - self.neck).dot(up) > NECK_HALF * self.ball_mm
    }

    /// Middle of what is below the neck down to the shoulder blades, of these places in the figure.
    pub fn shoulders(&self, places: &[DVec3]) -> DVec3 {
        let below = |p: &&DVec3| {
            let off = **p - self.middle;
            (SHOULDERS.start..SHOULDERS.end).contains(&(-off.z / self.ball_mm))
                && off.truncate().length() < SHOULDERS.end * self.ball_mm
        };
        let (count, sum) = places.iter().filter(below).fold((0, DVec3::ZERO), |(n, sum), p| (n + 1, sum + *p));
        if count > 0 { sum / f64::from(count) } else { self.middle }
    }

    /// Whether a point lies about the neck.
    pub fn is_neck(&self, p: DVec3) -> bool {
        p.distance(self.neck) < 1.2 * self.ball_mm
    }

    /// Where the head of a bent or seated figure faces, level: along its longer way from above, rather forward along -y,
    /// and rather off the shoulders.
    pub fn facing(&self, head: &[DVec3], shoulders: DVec3) -> DVec3 {
        let upper: Vec<DVec2> =
            head.iter().filter(|p| p.z > self.middle.z - 0.3 * self.ball_mm).map(|p| p.truncate()).collect();
        let mean = upper.iter().sum::<DVec2>() / upper.len().max(1) as f64;
        let (xx, yy, xy) = upper
            .iter()
            .map(|p| *p - mean)
            .fold((0.0, 0.0, 0.0), |(xx, yy, xy), d| (xx + d.x * d.x, yy + d.y * d.y, xy + d.x * d.y));
        let (half, apart) = (0.5 * (xx + yy), (0.5 * (xx - yy)).hypot(xy));
        if half - apart <= 0.0 || ((half + apart) / (half - apart)).sqrt() < LENGTHY {
            return DVec3::NEG_Y;
        }
        let along = DVec2::from_angle(0.5 * (2.0 * xy).atan2(xx - yy));
        let off = (self.middle - shoulders).truncate() / self.ball_mm;
        let rather = DVec2::NEG_Y + off.clamp_length_max(1.0);
        (if along.dot(rather) < 0.0 { -along } else { along }).extend(0.0)
    }
}

/// The neck below a head that is larger than the trunk: that of the largest lump beneath.
fn trunk_neck(balls: &Balls, grid: &Grid, head: &Lump) -> Option<usize> {
    let is_trunk = |l: &Lump| grid.centre(l.peak).z < grid.centre(head.peak).z - head.ball * grid.step_mm;
    let below = balls.lumps(grid).into_iter().filter(|l| l.neck.is_some() && is_trunk(l));
    below.max_by(|a, b| a.ball.total_cmp(&b.ball).then(b.peak.cmp(&a.peak)))?.neck
}

/// Whether nothing is above a ball but its own crown.
fn is_free_above(grid: &Grid, middle: DVec3, ball_mm: f64) -> bool {
    let is_over =
        |p: DVec3| p.z - middle.z > CROWN_MAX * ball_mm && (p.truncate() - middle.truncate()).length() < 1.5 * ball_mm;
    !(0..grid.cells.len()).any(|b| is_over(grid.centre(b)))
}

/// A place where a larger ball fits than around it.
#[derive(Clone, Copy, Debug)]
struct Lump {
    /// Block in its middle.
    peak: usize,
    /// Radius, blocks.
    ball: f64,
    /// The block on the way to a larger lump that is the widest narrowest; none for the largest of all.
    neck: Option<usize>,
}

/// The ball that fits in the figure around each block.
struct Balls {
    /// Box around all blocks with a rim of empty cells.
    size: [usize; 3],
    /// Block of each cell.
    ids: Vec<u32>,
    /// Square of the distance to the nearest empty cell, in blocks, by cell.
    squares: Vec<f64>,
    cells: Vec<usize>,
}

impl Balls {
    fn of(grid: &Grid) -> Self {
        let most = |axis: usize| grid.cells.iter().map(|c| usize::from(c[axis])).max().unwrap_or(0);
        let size = [0, 1, 2].map(|axis| most(axis) + 3);
        let cell = |c: &[u16; 3]| {
            let [x, y, z] = c.map(|v| usize::from(v) + 1);
            (z * size[1] + y) * size[0] + x
        };
        let cells: Vec<usize> = grid.cells.iter().map(cell).collect();
        let mut ids = vec![NONE; size[0] * size[1] * size[2]];
        // Far enough for every ball, and small enough to be added up exactly.
        let far = (size[0] + size[1] + size[2]).pow(2) as f64;
        let mut squares = vec![0.0; ids.len()];
        for (b, cell) in cells.iter().enumerate() {
            ids[*cell] = b as u32;
            squares[*cell] = far;
        }
        let mut balls = Self { size, ids, squares, cells };
        let strides = balls.strides();
        for axis in 0..3 {
            let others: Vec<usize> = (0..3).filter(|i| *i != axis).collect();
            for i in 0..size[others[0]] {
                for j in 0..size[others[1]] {
                    let first = i * strides[others[0]] + j * strides[others[1]];
                    let line: Vec<usize> = (0..size[axis]).map(|k| first + k * strides[axis]).collect();
                    let values: Vec<f64> = line.iter().map(|c| balls.squares[*c]).collect();
                    for (cell, value) in line.iter().zip(nearest(&values)) {
                        balls.squares[*cell] = value;
                    }
                }
            }
        }
        balls
    }

    fn strides(&self) -> [usize; 3] {
        [1, self.size[0], self.size[0] * self.size[1]]
    }

    /// In blocks.
    fn radius(&self, block: usize) -> f64 {
        self.squares[self.cells[block]].sqrt() - 0.5
    }

    /// All lumps: blocks are taken from the widest on, and where two lumps meet the smaller one ends.
    fn lumps(&self, grid: &Grid) -> Vec<Lump> {
        let count = grid.cells.len();
        let mut order: Vec<u32> = (0..count as u32).collect();
        let square = |b: u32| self.squares[self.cells[b as usize]];
        order.sort_by(|a, b| square(*b).total_cmp(&square(*a)).then(a.cmp(b)));
        let mut rank = vec![0; count];
        for (i, b) in order.iter().enumerate() {
            rank[*b as usize] = i;
        }
        let [x, y, z] = self.strides().map(|s| s as isize);
        let steps: Vec<isize> =
            (0..27).map(|i| (i % 3 - 1) * x + (i / 3 % 3 - 1) * y + (i / 9 - 1) * z).filter(|s| *s != 0).collect();
        // Each block points towards the widest block of its lump.
        let mut owner: Vec<u32> = (0..count as u32).collect();
        let mut lumps = Vec::new();
        for (i, b) in order.iter().enumerate() {
            for step in &steps {
                let near = self.ids[(self.cells[*b as usize] as isize + step) as usize];
                if near == NONE || rank[near as usize] > i {
                    continue;
                }
                let (own, other) = (find(&mut owner, *b), find(&mut owner, near));
                if own == other {
                    continue;
                }
                let wide_first = rank[own as usize] < rank[other as usize];
                let (wide, narrow) = if wide_first { (own, other) } else { (other, own) };
                owner[narrow as usize] = wide;
                // A block that joins a lump at once is none of its own.
                if narrow != *b {
                    lumps.push(Lump {
                        peak: narrow as usize,
                        ball: self.radius(narrow as usize),
                        neck: Some(*b as usize),
                    });
                }
            }
        }
        let is_last = |b: &u32| owner[*b as usize] == *b;
        lumps.extend(order.iter().copied().filter(is_last).map(|b| Lump {
            peak: b as usize,
            ball: self.radius(b as usize),
            neck: None,
        }));
        lumps
    }
}

fn find(owner: &mut [u32], mut b: u32) -> u32 {
    while owner[b as usize] != b {
        owner[b as usize] = owner[owner[b as usize] as usize];
        b = owner[b as usize];
    }
    b
}

/// The least of `value + distance squared` over a line, at each of its places (lower envelope of parabolas: Felzenszwalb &
/// Huttenlocher, Theory of Computing 8, 2012).
fn nearest(values: &[f64]) -> Vec<f64> {
    // Places whose parabola is lowest somewhere, with where that begins.
    let mut lowest: Vec<(usize, f64)> = Vec::new();
    for (q, value) in values.iter().enumerate() {
        let meets = |p: usize| {
            let (q, p) = (q as f64, p as f64);
            (value + q * q - values[p as usize] - p * p) / (2.0 * (q - p))
        };
        while lowest.last().is_some_and(|(p, from)| meets(*p) <= *from) {
            lowest.pop();
        }
        let from = lowest.last().map_or(f64::NEG_INFINITY, |(p, _)| meets(*p));
        lowest.push((q, from));
    }
    let mut at = 0;
    (0..values.len())
        .map(|i| {
            while lowest.get(at + 1).is_some_and(|(_, from)| *from < i as f64) {
                at += 1;
            }
            let p = lowest[at].0;
            values[p] + (i as f64 - p as f64).powi(2)
        })
        .collect()
}
