//! Where parts go in an exploded view: away from the part the figure stands on, across each joint.

use std::collections::VecDeque;

use glam::DVec3;

use crate::figure::Figure;

/// Share of the figure's height that the longest chain of parts spreads by, and the most one gap may take.
const CHAIN_SHARE: f64 = 0.5;
const GAP_SHARE: f64 = 0.11;

/// Shift of each part, mm. Parts that no joint leads to move straight out from the figure's middle.
#[must_use]
pub fn shifts(figure: &Figure) -> Vec<DVec3> {
    let parts = figure.parts.len();
    let (low, high) = figure.bounds();
    let steps = steps_from_base(figure);
    let longest = steps.iter().flatten().map(|(depth, _)| *depth).max().unwrap_or(0).max(1);
    let height_mm = (high.z - low.z).max(0.0);
    let gap_mm = height_mm * GAP_SHARE.min(CHAIN_SHARE / longest as f64);
    let middle = 0.5 * (low + high);
    let outwards = |i: usize| {
        let positions = &figure.parts[i].mesh.positions;
        let mean = positions.iter().sum::<DVec3>() / positions.len().max(1) as f64;
        (mean - middle).normalize_or_zero()
    };
    (0..parts).map(|i| steps[i].map_or_else(|| outwards(i), |(_, direction)| direction) * gap_mm).collect()
}

/// Per part, joints between it and the base, and the sum of their normals; none where no joint leads to.
fn steps_from_base(figure: &Figure) -> Vec<Option<(usize, DVec3)>> {
    let lowest = |i: usize| figure.parts[i].mesh.positions.iter().map(|p| p.z).fold(f64::INFINITY, f64::min);
    let mut steps = vec![None; figure.parts.len()];
    let base = (0..figure.parts.len()).min_by(|&a, &b| lowest(a).total_cmp(&lowest(b)).then(a.cmp(&b)));
    let Some(base) = base else { return steps };
    steps[base] = Some((0, DVec3::ZERO));
    let mut queue = VecDeque::from([(base, 0, DVec3::ZERO)]);
    while let Some((part, depth, sum)) = queue.pop_front() {
        for joint in &figure.joints {
            let (next, direction) = match part {
                p if p == joint.a => (joint.b, joint.normal),
                p if p == joint.b => (joint.a, -joint.normal),
                _ => continue,
            };
            if let Some(step @ None) = steps.get_mut(next) {
                *step = Some((depth + 1, sum + direction));
                queue.push_back((next, depth + 1, sum + direction));
            }
        }
    }
    steps
}

#[cfg(test)]
mod tests {
    use std::sync::Arc;

    use super::*;
    use crate::figure::{Joint, Part};
    use crate::mesh::TriMesh;

    fn part(number: usize, at: [f64; 3]) -> Part {
        let corner = DVec3::from(at);
        let positions = vec![corner, corner + DVec3::X, corner + DVec3::Z * 10.0];
        let mesh = Arc::new(TriMesh::from_shape(positions, vec![[0, 1, 2]]));
        Part { number, name: String::new(), mesh, labels: None, pose: None, estimate: None }
    }

    fn joint(a: usize, b: usize, normal: DVec3) -> Joint {
        Joint { a, b, normal, offset_mm: 0.0, area_mm2: 1.0, keys: Vec::new(), marked: [false; 2] }
    }

    #[test]
    fn parts_move_away_from_the_base_across_their_joints() {
        let places = [[0.0, 0.0, 10.0], [0.0, 0.0, 0.0], [5.0, 0.0, 10.0], [-40.0, 0.0, 5.0]];
        let parts = (0..4).map(|i| part(i + 1, places[i])).collect();
        // Part 1 stands on part 2; part 3 hangs on part 1 and is the joint's lower side; part 4 hangs on nothing.
        let joints = vec![joint(1, 0, DVec3::Z), joint(2, 0, -DVec3::X)];
        let shifts = shifts(&Figure { parts, joints, ..Figure::default() });
        assert_eq!(shifts[1], DVec3::ZERO);
        assert!(shifts[0].z > 0.0 && shifts[0].x == 0.0, "{shifts:?}");
        assert_eq!((shifts[2].z, shifts[2].x), (shifts[0].z, shifts[0].z));
        assert!(shifts[3].x < 0.0, "{shifts:?}");
    }
}
