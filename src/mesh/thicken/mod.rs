//! Thin walls made thick enough to print, and nothing else: both sides of a wall move apart by half of what it lacks,
//! its rim goes along, and the move fades out beside it. Own method.
//!
//! ```text
//! walls -need-> way by vertex -faded upwards-> way -capped by the gap in front, faded downwards-> way -put back where it harms
//! ```

mod fade;
mod probe;

use glam::DVec3;
use rayon::prelude::*;

use super::fans::Fans;
use super::put_back::put_back;
use super::tree::TriTree;
use super::{TriMesh, measure};

/// Vertices per task.
const CHUNK: usize = 4096;

/// Rounds at most: where a gap holds one side back, the other makes up for it in the next.
const ROUNDS: usize = 6;

/// Walls are made this much thicker than asked for, so that none is found a hair too thin.
const AMPLE: f64 = 1.02;

/// How much the move falls with every millimetre from the thin place.
const FADE: f64 = 0.4;

/// What walls and gaps should be, mm.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Thickening {
    /// Walls thinner than this are thickened to it.
    pub wall_min_mm: f64,
    /// No gap becomes narrower than this by it; those that are stay as they are.
    pub gap_min_mm: f64,
    /// Triangles may not become lower than this by moving.
    pub sliver_mm: f64,
}

/// What was done.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Thickened {
    /// Vertices that moved.
    pub moved: usize,
    /// Moves that were undone, for triangles would have crossed, turned over or become slivers.
    pub put_back: usize,
    /// Longest way moved, mm.
    pub most_mm: f64,
}

/// Thickens the thin walls of a solid in place; triangles, colours and origins stay, and so does its height: nothing
/// moves below its lowest or above its highest level. Farther than 1.3 times
/// `wall_min_mm` from a thin wall nothing moves.
///
/// # Examples
/// ```
/// use glam::DVec3;
/// use statuary::mesh::thicken::{Thickening, thicken};
/// use statuary::mesh::{TriMesh, measure};
///
/// // A sheet of 10 x 10 x 0.4 mm, standing on its edge.
/// let corner = |i: u32| DVec3::new(f64::from(i & 1) * 10.0, f64::from(i >> 1 & 1) * 0.4, f64::from(i >> 2) * 10.0);
/// let faces = [[0, 2, 3, 1], [4, 5, 7, 6], [0, 1, 5, 4], [2, 6, 7, 3], [0, 4, 6, 2], [1, 3, 7, 5]];
/// let triangles = faces.iter().flat_map(|[a, b, c, d]| [[*a, *b, *c], [*a, *c, *d]]).collect();
/// let mut sheet = TriMesh::from_shape((0..8).map(corner).collect(), triangles);
/// thicken(&mut sheet, &Thickening { wall_min_mm: 0.8, gap_min_mm: 0.4, sliver_mm: 0.0 });
/// let (low, high) = measure::bounds(&sheet.positions);
/// assert!((0.6..1.2).contains(&(high.y - low.y)));
/// assert_eq!(high.z - low.z, 10.0);
/// ```
pub fn thicken(mesh: &mut TriMesh, wish: &Thickening) -> Thickened {
    if !(wish.wall_min_mm > 0.0 && wish.wall_min_mm.is_finite()) || mesh.triangles.is_empty() {
        return Thickened::default();
    }
    let (fans, start) = (Fans::of(mesh), mesh.positions.clone());
    let (low, high) = measure::bounds(&start);
    let mut thin = Thin { triangles: (0..mesh.triangles.len() as u32).collect(), held: vec![0; start.len()] };
    for _ in 0..ROUNDS {
        let Some(ways) = thin.ways(mesh, &fans, wish) else { break };
        let before = mesh.positions.clone();
        let place = |(v, p): (usize, &mut DVec3)| {
            let aim = start[v] + (*p + ways[v] - start[v]).clamp_length_max(wish.wall_min_mm);
            *p = if ways[v] == DVec3::ZERO { *p } else { aim.with_z(aim.z.clamp(low.z, high.z)) };
        };
        mesh.positions.par_iter_mut().with_min_len(CHUNK).enumerate().for_each(place);
        let back = put_back(mesh, &before, wish.sliver_mm);
        thin.held.iter_mut().zip(back).for_each(|(held, back)| *held += u8::from(back));
    }
    let moves = start.iter().zip(&mesh.positions).map(|(from, to)| from.distance(*to));
    let (moved, most_mm) = moves.fold((0, 0.0_f64), |(sum, most), mm| (sum + usize::from(mm > 0.0), most.max(mm)));
    Thickened { moved, put_back: thin.held.into_iter().filter(|held| *held > 0).count(), most_mm }
}

/// What is left to do.
struct Thin {
    /// Triangles over walls that may be too thin.
    triangles: Vec<u32>,
    /// How often the move of a vertex did harm; it goes a smaller way the next time.
    held: Vec<u8>,
}

impl Thin {
    /// Where each vertex should go in this round; `None` when no wall is too thin.
    fn ways(&mut self, mesh: &TriMesh, fans: &Fans, wish: &Thickening) -> Option<Vec<DVec3>> {
        let normals = probe::normals(mesh, fans, 0.5 * wish.wall_min_mm);
        let tree = TriTree::new(&mesh.positions, &mesh.triangles);
        let probe = probe::Probe { mesh, tree: &tree, normals: &normals };
        let lack_mm = |t: &u32| {
            let wall_mm = probe.wall_mm(*t, wish.wall_min_mm);
            (wall_mm < wish.wall_min_mm).then_some((*t, AMPLE * wish.wall_min_mm - wall_mm))
        };
        let lacks: Vec<(u32, f64)> = self.triangles.par_iter().with_min_len(CHUNK).filter_map(lack_mm).collect();
        let most_mm = 0.5 * lacks.iter().fold(0.0, |most, (_, mm)| mm.max(most));
        if lacks.is_empty() {
            return None;
        }
        self.triangles = lacks.iter().map(|(t, _)| *t).collect();
        let mut way = vec![0.0_f64; mesh.positions.len()];
        for (t, mm) in lacks {
            mesh.triangles[t as usize].iter().for_each(|v| way[*v as usize] = way[*v as usize].max(0.5 * mm));
        }
        fade::fade(&mut way, mesh, fans, FADE, 0.0);
        let room_mm = |v: usize| match (way[v] > 0.0, self.held[v]) {
            (false, _) => most_mm,
            (true, held) => probe.room_mm(v, way[v] * 0.4_f64.powi(held.into()), wish.gap_min_mm),
        };
        let rooms = (0..way.len()).into_par_iter().with_min_len(CHUNK).map(room_mm);
        let mut caps: Vec<f64> = rooms.map(|mm| -mm).collect();
        fade::fade(&mut caps, mesh, fans, FADE, -most_mm);
        Some((0..way.len()).map(|v| way[v].min(-caps[v]).max(0.0) * normals[v]).collect())
    }
}
