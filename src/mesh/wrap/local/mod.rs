//! The wrap of no more surface than needs it: around places where a closed surface crosses itself, or where closed
//! pieces cross each other. All triangles elsewhere stay as they are, bit for bit.
//!
//! Triangles near a crossing are taken away, and whole stretches of surface that lie inside the solid. A contour of the
//! winding number is drawn where they were, trimmed to leave a gap to what stays, and the gap is closed by strips
//! between rims. Where that does not give a surface free of intersections, the place is taken larger and tried again.

pub(super) mod bricks;
mod kept;
mod patch;
mod seam;
mod strip;

use glam::DVec3;

use self::bricks::Bricks;
use self::kept::{Kept, State};
use self::patch::patch;
use self::seam::join_rims;
use crate::mesh::TriMesh;
use crate::mesh::fill::close_up;
use crate::mesh::inspect::inspect;
use crate::mesh::intersect::first_self_intersections;
use crate::mesh::measure::area_mm2;
use crate::mesh::sound::pairs_of;
use crate::mesh::topology::{Edges, components};
use crate::mesh::untangle::{Allowance, untangle};
use crate::mesh::weld::keep_triangles;
use crate::mesh::winding::Winding;

/// What a local wrap came to.
#[derive(Clone, Debug, Default)]
pub struct Patched {
    pub mesh: TriMesh,
    /// Mean point of each region that was laid anew, mm.
    pub regions: Vec<DVec3>,
    /// Share of the area of the result that is new.
    pub share: f64,
    /// How often a region had to be taken larger.
    pub retries: usize,
}

/// Reach around a crossing in which the surface is taken away, voxels (by trial).
const REACH: f64 = 4.0;
/// Gap between what stays and the patch, voxels (by trial).
const GAP: f64 = 1.2;
/// Length of rims without a partner up to which they are closed as holes, voxels.
const SMALL_RIM: f64 = 12.0;
const TRIES: usize = 5;
/// Crossing pairs of the surface and of seams, and share of triangles taken away, beyond which it is not tried.
const PAIRS_MAX: usize = 200_000;
const SEAM_PAIRS_MAX: usize = 5000;
const SHARE_MAX: f64 = 0.95;

/// Makes one surface free of intersections of closed, oriented pieces, wrapping only where they cross.
///
/// # Errors
/// In words, why it cannot be done locally; then only [`super::wrap`] is left.
pub fn wrap_crossings(soup: &TriMesh, voxel_mm: f64) -> Result<Patched, String> {
    let pairs = first_self_intersections(soup, PAIRS_MAX);
    if pairs.len() >= PAIRS_MAX {
        return Err("the surface crosses itself all over".to_owned());
    }
    let winding = Winding::new(&soup.positions, &soup.triangles);
    let edges = Edges::of(&soup.triangles, soup.positions.len());
    if edges.open > 0 || !edges.crowded.is_empty() {
        return Err("pieces of the surface are not closed".to_owned());
    }
    let mut places: Vec<[DVec3; 2]> = pairs.iter().map(|pair| meeting_box(soup, *pair)).collect();
    let job = Job { soup, winding: &winding, voxel_mm };
    for retries in 0..TRIES {
        match job.attempt(&places)? {
            Attempt::Done(patched) => return Ok(Patched { retries, ..patched }),
            Attempt::Larger(more) => places.extend(more.iter().map(|p| [*p, *p])),
        }
    }
    Err(format!("{TRIES} attempts to lay only the crossing places anew left seams that do not close"))
}

/// The box in which two triangles meet.
fn meeting_box(mesh: &TriMesh, pair: [u32; 2]) -> [DVec3; 2] {
    let [(low, high), (other_low, other_high)] = pair.map(|t| {
        let [a, b, c] = mesh.corners(t as usize);
        (a.min(b).min(c), a.max(b).max(c))
    });
    let (low, high) = (low.max(other_low), high.min(other_high));
    [low.min(high), low.max(high)]
}

enum Attempt {
    Done(Patched),
    /// Places to be taken away as well.
    Larger(Vec<DVec3>),
}

struct Job<'a> {
    soup: &'a TriMesh,
    winding: &'a Winding,
    voxel_mm: f64,
}

impl Job<'_> {
    fn attempt(&self, places: &[[DVec3; 2]]) -> Result<Attempt, String> {
        let soup = self.soup;
        let kept = Kept::beside(soup, self.winding, places, REACH * self.voxel_mm);
        if kept.count(State::Away) as f64 > SHARE_MAX * soup.triangles.len() as f64 {
            return Err("most of the surface would have to be laid anew".to_owned());
        }
        let Some(patch) = patch(soup, self.winding, &kept, GAP, self.voxel_mm) else {
            return Err("the places that cross are too large".to_owned());
        };
        let mut mesh = soup.clone();
        let stays: Vec<usize> = (0..soup.triangles.len()).filter(|t| kept.states[*t] == State::Stays).collect();
        mesh.triangles = stays.iter().map(|t| soup.triangles[*t]).collect();
        mesh.origins = stays.iter().map(|t| soup.origins[*t]).collect();
        mesh.append(&patch);
        let alone = join_rims(&mut mesh, stays.len(), 6.0 * self.voxel_mm, SMALL_RIM * self.voxel_mm);
        if !alone.is_empty() {
            return Ok(Attempt::Larger(alone));
        }
        self.finish(mesh, stays.len(), &kept)
    }

    /// Closes what is left open, takes small crossings out of the seams and checks everything.
    fn finish(&self, mut mesh: TriMesh, stays: usize, kept: &Kept) -> Result<Attempt, String> {
        close_up(&mut mesh, false);
        let fresh: Vec<u32> = (stays as u32..mesh.triangles.len() as u32).collect();
        let pairs = pairs_of(&mesh, &fresh);
        let share = 1.0 - area_mm2(&keep_triangles(&mesh, |t| t < stays)) / area_mm2(&mesh);
        let crossing: Vec<DVec3> = pairs.iter().flatten().flat_map(|t| mesh.corners(*t as usize)).collect();
        mesh = keep_triangles(&mesh, |_| true);
        if !pairs.is_empty() {
            let gentle = Allowance { rounds: 2, pairs_max: pairs.len(), lost_max_mm2: 0.0, sliver_mm: 0.0 };
            if pairs.len() > SEAM_PAIRS_MAX {
                return Err("seams of patches cross all over".to_owned());
            }
            if untangle(&mut mesh, gentle).pairs_after > 0 {
                return Ok(Attempt::Larger(crossing));
            }
        }
        if mesh.triangles.is_empty() || !inspect(&mesh).is_solid() {
            return Err("the patches do not fit the surface around them".to_owned());
        }
        Ok(Attempt::Done(Patched { mesh, regions: regions(self.soup, kept), share, retries: 0 }))
    }
}

/// Mean point of each connected stretch of surface that was taken away.
fn regions(soup: &TriMesh, kept: &Kept) -> Vec<DVec3> {
    let away: Vec<[u32; 3]> =
        soup.triangles.iter().zip(&kept.states).filter(|(_, s)| **s == State::Away).map(|(t, _)| *t).collect();
    let pieces = components(&away, &Edges::of(&away, soup.positions.len()));
    let mut sums = vec![(DVec3::ZERO, 0.0); pieces.count];
    for (t, piece) in away.iter().zip(&pieces.label) {
        let sum = &mut sums[*piece as usize];
        sum.0 += t.iter().map(|v| soup.positions[*v as usize]).sum::<DVec3>();
        sum.1 += 3.0;
    }
    sums.into_iter().map(|(sum, count)| sum / count).collect()
}

/// A region of the grid, or all of it.
#[derive(Clone, Copy, Debug)]
pub(super) enum Within<'a> {
    All,
    Bricks(&'a Bricks),
}

impl Within<'_> {
    pub(super) fn holds(self, corner: glam::IVec3) -> bool {
        match self {
            Self::All => true,
            Self::Bricks(bricks) => bricks.hold(corner),
        }
    }
}
