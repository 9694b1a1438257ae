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
