//! Which side is out: neighbours are made to agree, then each piece as a whole is turned outwards.
//! Here a piece ends at crowded edges too.

use glam::DVec3;
use rayon::prelude::*;

use super::TriMesh;
use super::topology::{Components, Edges, NONE, components, ends, rims};

/// What was turned.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Turned {
    /// Triangles that now wind the other way.
    pub triangles: usize,
    /// Shared edges whose triangles cannot be made to agree, as on a Moebius band.
    pub conflicts: usize,
}

/// Makes neighbouring triangles agree and each piece face outwards.
///
/// # Examples
/// ```
/// use glam::DVec3;
/// use statuary::mesh::{TriMesh, measure::volume_mm3, orient_faces::orient_outwards};
///
/// // An octahedron with every second face turned over.
/// let points = vec![DVec3::X, -DVec3::X, DVec3::Y, -DVec3::Y, DVec3::Z, -DVec3::Z];
/// let faces = vec![[0, 2, 4], [2, 1, 4], [1, 3, 4], [3, 0, 4], [2, 0, 5], [1, 2, 5], [3, 1, 5], [0, 3, 5]];
/// let mut mesh = TriMesh::from_shape(points, faces);
/// mesh.triangles.iter_mut().step_by(2).for_each(|t| t.swap(0, 1));
/// let turned = orient_outwards(&mut mesh);
/// assert_eq!((turned.triangles, turned.conflicts), (4, 0));
/// assert!((volume_mm3(&mesh) - 4.0 / 3.0).abs() < 1e-12);
/// ```
pub fn orient_outwards(mesh: &mut TriMesh) -> Turned {
    let edges = Edges::of(&mesh.triangles, mesh.positions.len());
    orient_outwards_along(mesh, edges).0
}

/// The same for a mesh whose half-edge table is known; gives that of the turned mesh back.
pub fn orient_outwards_along(mesh: &mut TriMesh, edges: Edges) -> (Turned, Edges) {
    let flips = agreeing_flips(&mesh.triangles, &edges);
    apply(mesh, |t| flips[t]);
    let edges = turned_edges(edges, &flips);
    let is_conflict = |(half, mate): &(usize, &u32)| {
        let half = *half as u32;
        **mate != NONE && half < **mate && Edges::runs_alike(&mesh.triangles, half, **mate)
    };
    let conflicts = edges.mates.par_iter().enumerate().filter(is_conflict).count();
    let inside_out = turn_pieces(mesh, &edges, &flips);
    let triangles = flips.par_iter().zip(&inside_out).filter(|(one, other)| one != other).count();
    (Turned { triangles, conflicts }, turned_edges(edges, &inside_out))
}

/// Where a half-edge is after its triangle was turned: turning swaps the last two corners.
fn moved(half: u32, flips: &[bool]) -> u32 {
    if flips[half as usize / 3] { half / 3 * 3 + 2 - half % 3 } else { half }
}

/// The half-edge table after triangles were turned.
fn turned_edges(edges: Edges, flips: &[bool]) -> Edges {
    if !flips.contains(&true) {
        return edges;
    }
    let mate_of = |half: usize| match edges.mates[moved(half as u32, flips) as usize] {
        NONE => NONE,
        mate => moved(mate, flips),
    };
    let mates = (0..edges.mates.len()).into_par_iter().map(mate_of).collect();
    let crowd = |group: &Vec<u32>| {
        let mut group: Vec<u32> = group.iter().map(|half| moved(*half, flips)).collect();
        group.sort_unstable();
        group
    };
    Edges { mates, crowded: edges.crowded.iter().map(crowd).collect(), open: edges.open }
}

fn apply(mesh: &mut TriMesh, flip: impl Fn(usize) -> bool) {
    for (_, triangle) in mesh.triangles.iter_mut().enumerate().filter(|(t, _)| flip(*t)) {
        triangle.swap(1, 2);
    }
}

/// For each triangle whether to turn it so that it agrees with the first triangle of its piece, found breadth-first
/// across edges with two triangles.
#[must_use]
pub fn agreeing_flips(triangles: &[[u32; 3]], edges: &Edges) -> Vec<bool> {
    let mut flips = vec![false; triangles.len()];
    let mut seen = vec![false; triangles.len()];
    let mut queue = Vec::new();
    for seed in 0..triangles.len() {
        if std::mem::replace(&mut seen[seed], true) {
            continue;
        }
        queue.push(seed as u32);
        let mut at = 0;
        while let Some(t) = queue.get(at).copied() {
            at += 1;
            for half in [3 * t, 3 * t + 1, 3 * t + 2] {
                let mate = edges.mates[half as usize];
                if mate == NONE || std::mem::replace(&mut seen[mate as usize / 3], true) {
                    continue;
                }
                flips[mate as usize / 3] = flips[t as usize] ^ Edges::runs_alike(triangles, half, mate);
                queue.push(mate / 3);
            }
        }
        queue.clear();
    }
    flips
}

/// Turns each piece outwards. Closed and nearly closed ones by the volume they enclose, with holes closed by cones; shreds
/// the way most of their area was wound in the file, for a file that winds one shred rightly does so with all. Tells for
/// each triangle whether it was turned.
fn turn_pieces(mesh: &mut TriMesh, edges: &Edges, flipped: &[bool]) -> Vec<bool> {
    let pieces = components(&mesh.triangles, &Edges { crowded: Vec::new(), ..edges.clone() });
    let mut evidence = cone_volumes(mesh, edges, &pieces);
    let middle = mesh.positions.iter().sum::<DVec3>() / mesh.positions.len().max(1) as f64;
    let mut file_volume = 0.0;
    for (t, piece) in pieces.label.iter().enumerate() {
        let [a, b, c] = mesh.corners(t).map(|p| p - middle);
        let volume = a.dot(b.cross(c));
        file_volume += if flipped[t] { -volume } else { volume };
        evidence[*piece as usize].areas[usize::from(flipped[t])] += 0.5 * mesh.area_vector(t).length();
    }
    let inside_out: Vec<bool> = evidence.iter().map(|piece| piece.is_inside_out(file_volume < 0.0)).collect();
    let turned: Vec<bool> = pieces.label.par_iter().map(|piece| inside_out[*piece as usize]).collect();
    apply(mesh, |t| turned[t]);
    turned
}

/// What tells how a piece should face.
#[derive(Clone, Copy, Debug, Default)]
struct Evidence {
    /// Enclosed volume with every rim closed by a cone to its mean point, mm3.
    volume: f64,
    rim_mm: f64,
    /// Area wound as in the file, and turned against it, mm2.
    areas: [f64; 2],
}

impl Evidence {
    fn is_inside_out(&self, file_is_inside_out: bool) -> bool {
        /// Rim length over the root of the area, and share of the volume of a ball of equal area, that still speak of a
        /// body rather than a shred: half a ball has 2.5 and 0.7 (common practice, no source).
        const SHORT_RIM: f64 = 4.0;
        const BODY: f64 = 0.05;
        /// Share of a piece the file must wind alike to be believed.
        const BELIEVED: f64 = 0.8;
        let [as_filed, turned] = self.areas;
        let area = as_filed + turned;
        let ball = area.powf(1.5) / (6.0 * std::f64::consts::PI.sqrt());
        let is_body = self.rim_mm < SHORT_RIM * area.sqrt() && self.volume.abs() > BODY * ball;
        if self.rim_mm == 0.0 || is_body || as_filed.max(turned) < BELIEVED * area {
            self.volume < 0.0
        } else {
            (turned > as_filed) != file_is_inside_out
        }
    }
}

/// Volume and rim of each piece, about its own middle: what of its rim cannot be walked round, for a crowded edge bars the
/// way, is closed by a cone to there.
fn cone_volumes(mesh: &TriMesh, edges: &Edges, pieces: &Components) -> Vec<Evidence> {
    let bases = middles(mesh, pieces);
    let six = |piece: u32, [a, b, c]: [DVec3; 3]| {
        let base = bases[piece as usize];
        (a - base).dot((b - base).cross(c - base))
    };
    let mut evidence = vec![Evidence::default(); pieces.count];
    for (t, piece) in pieces.label.iter().enumerate() {
        evidence[*piece as usize].volume += six(*piece, mesh.corners(t)) / 6.0;
    }
    let place = |v: u32| mesh.positions[v as usize];
    for rim in rims(&mesh.triangles, edges) {
        let points = rim.iter().map(|half| place(ends(&mesh.triangles, *half).0));
        let middle = points.sum::<DVec3>() / rim.len() as f64;
        for half in &rim {
            let (from, to) = ends(&mesh.triangles, *half);
            let piece = pieces.label[*half as usize / 3];
            evidence[piece as usize].volume += six(piece, [place(to), place(from), middle]) / 6.0;
        }
    }
    let open = edges.open_halves(&mesh.triangles);
    for half in (0..open.len()).filter(|half| open[*half]) {
        let (from, to) = ends(&mesh.triangles, half as u32);
        evidence[pieces.label[half / 3] as usize].rim_mm += place(from).distance(place(to));
    }
    evidence
}

/// Mean corner of each piece.
fn middles(mesh: &TriMesh, pieces: &Components) -> Vec<DVec3> {
    let mut sums = vec![(DVec3::ZERO, 0.0); pieces.count];
    for (t, piece) in pieces.label.iter().enumerate() {
        let (sum, count) = &mut sums[*piece as usize];
        *sum += mesh.corners(t).iter().sum::<DVec3>();
        *count += 3.0;
    }
    sums.into_iter().map(|(sum, count)| sum / count).collect()
}
