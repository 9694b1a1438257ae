//! Cutting a mesh apart where it is not a 2-manifold (Gueziec et al. 2001, "Cutting and stitching").
//!
//! Purely combinatorial but for one choice: at a crowded edge triangles stay together in the pairs that bound the
//! same material, so that a body keeps its skin where something else touches it. Afterwards every edge has one or two
//! triangles and every vertex one fan.

use std::f64::consts::TAU;

use super::TriMesh;
use super::topology::{Edges, NONE, ends, fans, next, previous};
use super::weld::keep_triangles;

mod stitch;

pub use stitch::{Stitched, stitch};

/// A mesh cut apart, and how much cutting it took.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct CutApart {
    pub mesh: TriMesh,
    /// Edges that had more than two triangles.
    pub edges_cut: usize,
    pub vertices_added: usize,
}

/// Cuts all crowded edges, edges whose triangles disagree, and vertices with several fans. Vertices at equal places
/// stay apart if they are apart; [`stitch`] joins what fits together again.
///
/// Where one fan comes back to the same edge twice, cutting alone does not help: all but two triangles go there.
#[must_use]
pub fn cut_apart(mesh: TriMesh) -> CutApart {
    let edges = Edges::of(&mesh.triangles, mesh.positions.len());
    cut_apart_along(mesh, edges).0
}

/// The same for a mesh whose half-edge table is known; gives that of the result too.
#[must_use]
pub fn cut_apart_along(mesh: TriMesh, mut edges: Edges) -> (CutApart, Edges) {
    let edges_cut = edges.crowded.len();
    let before = mesh.positions.len();
    let mut mesh = cut_once(mesh, &mut edges);
    while !edges.crowded.is_empty() {
        let mut gone = vec![false; mesh.triangles.len()];
        let open = edges.open_halves(&mesh.triangles);
        for group in &edges.crowded {
            let kept = pairs_at_edge(&mesh, &open, group).first().map_or([NONE; 2], |pair| [pair.0, pair.1]);
            group.iter().filter(|half| !kept.contains(half)).for_each(|half| gone[*half as usize / 3] = true);
        }
        mesh = keep_triangles(&mesh, |t| !gone[t]);
        edges = Edges::of(&mesh.triangles, mesh.positions.len());
        mesh = cut_once(mesh, &mut edges);
    }
    (CutApart { vertices_added: mesh.positions.len().saturating_sub(before), mesh, edges_cut }, edges)
}

/// Cuts, and makes the table that of the result, in which edges may still be crowded.
fn cut_once(mesh: TriMesh, edges: &mut Edges) -> TriMesh {
    let mates = kept_pairs(&mesh, edges);
    let fan_of = fans(&mesh.triangles, &mates);
    let is_same = mates == edges.mates;
    let mesh = one_vertex_per_fan(mesh, &fan_of);
    if !is_same {
        *edges = Edges::of(&mesh.triangles, mesh.positions.len());
    }
    mesh
}

/// Mates that stay together: ordinary pairs that agree, and at crowded edges the pairs chosen by [`pairs_at_edge`].
fn kept_pairs(mesh: &TriMesh, edges: &Edges) -> Vec<u32> {
    let open = edges.open_halves(&mesh.triangles);
    let mut mates = edges.mates.clone();
    for half in 0..mates.len() as u32 {
        let mate = mates[half as usize];
        if mate != NONE && Edges::runs_alike(&mesh.triangles, half, mate) {
            mates[half as usize] = NONE;
            mates[mate as usize] = NONE;
        }
    }
    for group in &edges.crowded {
        for (a, b) in pairs_at_edge(mesh, &open, group) {
            mates[a as usize] = b;
            mates[b as usize] = a;
        }
    }
    mates
}

/// A triangle at a crowded edge.
#[derive(Clone, Copy)]
struct Leaf {
    half: u32,
    /// Angle about the edge, counter-clockwise seen against its direction, radians.
    angle: f64,
    /// Whether the half-edge runs in the direction of the edge; then its material lies clockwise of it.
    runs_along: bool,
    /// Whether the triangle hangs on this edge alone, as a fin does.
    dangles: bool,
}

/// Pairs of half-edges, running opposite ways, that stay together at one crowded edge.
fn pairs_at_edge(mesh: &TriMesh, open: &[bool], group: &[u32]) -> Vec<(u32, u32)> {
    let leaves = leaves_by_angle(mesh, open, group);
    let along = leaves.iter().filter(|leaf| leaf.runs_along).count();
    if 2 * along == leaves.len() { pairs_by_material(&leaves) } else { pairs_by_flatness(&leaves) }
}

fn leaves_by_angle(mesh: &TriMesh, open: &[bool], group: &[u32]) -> Vec<Leaf> {
    let (low, _) = ends(&mesh.triangles, group[0]);
    let corner = |half: u32, k: u32| mesh.triangles[half as usize / 3][((half % 3 + k) % 3) as usize];
    let place = |vertex: u32| mesh.positions[vertex as usize];
    let axis = (place(corner(group[0], 1)) - place(low)).normalize_or_zero();
    let right = axis.any_orthonormal_vector();
    let up = axis.cross(right);
    let leaf = |half: &u32| {
        let out = place(corner(*half, 2)) - place(low);
        let angle = out.dot(up).atan2(out.dot(right));
        let dangles = open[next(*half) as usize] && open[previous(*half) as usize];
        Leaf { half: *half, angle, runs_along: corner(*half, 0) == low, dangles }
    };
    let mut leaves: Vec<Leaf> = group.iter().map(leaf).collect();
    leaves.sort_unstable_by(|a, b| a.angle.total_cmp(&b.angle).then(a.half.cmp(&b.half)));
    leaves
}

/// Each leaf with material counter-clockwise of it goes with the next one that has it clockwise, as brackets do.
fn pairs_by_material(leaves: &[Leaf]) -> Vec<(u32, u32)> {
    let mut waiting: Vec<u32> = Vec::new();
    let mut pairs = Vec::new();
    for leaf in leaves.iter().chain(leaves) {
        let is_paired = pairs.iter().any(|(a, b)| *a == leaf.half || *b == leaf.half);
        if is_paired || waiting.contains(&leaf.half) {
            continue;
        }
        if !leaf.runs_along {
            waiting.push(leaf.half);
        } else if let Some(start) = waiting.pop() {
            pairs.push((start, leaf.half));
        }
    }
    pairs
}

/// Greedy: the flattest pair that runs opposite ways first, those with a fin last; what is left over stays open.
fn pairs_by_flatness(leaves: &[Leaf]) -> Vec<(u32, u32)> {
    let mut candidates = Vec::new();
    for (i, a) in leaves.iter().enumerate() {
        for b in leaves[i + 1..].iter().filter(|b| b.runs_along != a.runs_along) {
            let apart = (b.angle - a.angle).rem_euclid(TAU);
            candidates.push((a.dangles || b.dangles, (apart - TAU / 2.0).abs(), a.half, b.half));
        }
    }
    candidates.sort_unstable_by(|x, y| x.0.cmp(&y.0).then(x.1.total_cmp(&y.1)).then((x.2, x.3).cmp(&(y.2, y.3))));
    let mut pairs: Vec<(u32, u32)> = Vec::new();
    for (_, _, a, b) in candidates {
        if !pairs.iter().any(|(c, d)| [*c, *d].contains(&a) || [*c, *d].contains(&b)) {
            pairs.push((a, b));
        }
    }
    pairs
}

/// Gives every fan but the first at a vertex a vertex of its own.
fn one_vertex_per_fan(mut mesh: TriMesh, fan_of: &[u32]) -> TriMesh {
    let mut owner = vec![NONE; mesh.positions.len()];
    let mut vertex_of_fan = vec![NONE; fan_of.len()];
    for (corner, fan) in fan_of.iter().enumerate() {
        let name = &mut mesh.triangles[corner / 3][corner % 3];
        let known = &mut vertex_of_fan[*fan as usize];
        if *known == NONE {
            let vertex = *name as usize;
            if owner[vertex] == NONE {
                owner[vertex] = *fan;
                *known = *name;
            } else {
                *known = mesh.positions.len() as u32;
                mesh.positions.push(mesh.positions[vertex]);
                mesh.colours.push(mesh.colours[vertex]);
            }
        }
        *name = *known;
    }
    mesh
}
