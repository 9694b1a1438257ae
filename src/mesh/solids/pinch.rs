//! Joins patches of a label that touch in a single vertex: such a contact cannot be printed, and under it the walls of
//! two prisms would meet in one edge.

use super::super::TriMesh;
use super::super::topology::NONE;
use super::{SolidsError, across_sides};

/// Rounds in which only the smallest run around a pinched vertex changes; then all but the largest do.
const GENTLE_ROUNDS: usize = 8;
/// Rounds at most: a change here may pinch a vertex beside it.
const ROUNDS_MAX: usize = 40;

/// Gives the smallest run of a label around each pinched vertex to the run beside it, until no vertex is pinched; gives
/// the number of triangles whose label changed.
///
/// # Errors
/// When labels and mesh do not match or the mesh is not a closed, oriented 2-manifold.
pub fn unpinch(mesh: &TriMesh, labels: &mut [u8]) -> Result<usize, SolidsError> {
    if labels.len() != mesh.triangles.len() {
        return Err(SolidsError::LabelCount { labels: labels.len(), triangles: mesh.triangles.len() });
    }
    let across = across_sides(mesh)?;
    let before = labels.to_vec();
    let mut start = vec![NONE; mesh.positions.len()];
    for (t, v) in (0_u32..).zip(&mesh.triangles).flat_map(|(t, corners)| corners.map(|v| (t, v))) {
        start[v as usize] = t;
    }
    let mut suspects: Vec<u32> = (0..start.len() as u32).filter(|v| start[*v as usize] != NONE).collect();
    for round in 0..ROUNDS_MAX {
        let mut touched = Vec::new();
        for v in suspects {
            let around = Around { mesh, across: &across, vertex: v };
            for t in around.cure(start[v as usize], labels, round < GENTLE_ROUNDS) {
                touched.extend(mesh.triangles[t as usize]);
            }
        }
        if touched.is_empty() {
            break;
        }
        touched.sort_unstable();
        touched.dedup();
        suspects = touched;
    }
    Ok(before.iter().zip(labels.iter()).filter(|(a, b)| a != b).count())
}

struct Around<'a> {
    mesh: &'a TriMesh,
    across: &'a [[u32; 3]],
    vertex: u32,
}

impl Around<'_> {
    /// Triangles around the vertex in their order, from `first` on.
    fn triangles(&self, first: u32) -> Vec<u32> {
        let mut found = vec![first];
        let mut t = first;
        loop {
            let corner = self.mesh.triangles[t as usize].iter().position(|v| *v == self.vertex).unwrap_or(0);
            t = self.across[t as usize][(corner + 2) % 3];
            if t == first {
                return found;
            }
            found.push(t);
        }
    }

    /// Relabels the smallest run, or all but the largest, if the vertex is pinched; gives the triangles that changed.
    fn cure(&self, first: u32, labels: &mut [u8], is_gentle: bool) -> Vec<u32> {
        let mut fan = self.triangles(first);
        let label = |t: &u32| labels[*t as usize];
        let Some(seam) = (1..fan.len()).find(|i| label(&fan[*i]) != label(&fan[*i - 1])) else { return Vec::new() };
        fan.rotate_left(seam);
        let runs: Vec<&[u32]> = fan.chunk_by(|a, b| label(a) == label(b)).collect();
        let has_twin = |i: usize| (0..runs.len()).any(|j| j != i && label(&runs[j][0]) == label(&runs[i][0]));
        if !(0..runs.len()).any(has_twin) {
            return Vec::new();
        }
        let area = |i: usize| runs[i].iter().map(|t| self.mesh.area_vector(*t as usize).length()).sum::<f64>();
        let by_area = |a: &usize, b: &usize| area(*a).total_cmp(&area(*b));
        let (smallest, largest) = ((0..runs.len()).min_by(by_area), (0..runs.len()).max_by(by_area));
        let (Some(smallest), Some(largest)) = (smallest, largest) else { return Vec::new() };
        let beside = [smallest + runs.len() - 1, smallest + 1].map(|i| i % runs.len());
        let heir = if is_gentle { beside.into_iter().max_by(by_area).unwrap_or(largest) } else { largest };
        let heir = label(&runs[heir][0]);
        let changed = if is_gentle { runs[smallest].to_vec() } else { runs.concat() };
        let changed: Vec<u32> = changed.into_iter().filter(|t| label(t) != heir).collect();
        for t in &changed {
            labels[*t as usize] = heir;
        }
        changed
    }
}
