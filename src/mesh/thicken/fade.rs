//! Values that fall off along the surface no faster than a slope.

use std::cmp::Ordering;
use std::collections::BinaryHeap;

use super::super::TriMesh;
use super::super::fans::Fans;

#[derive(PartialEq)]
struct Front(f64, u32);

impl Eq for Front {}

impl PartialOrd for Front {
    fn partial_cmp(&self, other: &Self) -> Option<Ordering> {
        Some(self.cmp(other))
    }
}

impl Ord for Front {
    fn cmp(&self, other: &Self) -> Ordering {
        self.0.total_cmp(&other.0).then(other.1.cmp(&self.1))
    }
}

/// Raises each value to the most that any other leaves of itself on the way there along edges, falling at `slope` per
/// mm; values at `floor` give nothing, and nothing is raised to below it. Dijkstra's method.
pub fn fade(values: &mut [f64], mesh: &TriMesh, fans: &Fans, slope: f64, floor: f64) {
    let sources = values.iter().enumerate().filter(|(_, value)| **value > floor);
    let mut fronts: BinaryHeap<Front> = sources.map(|(v, value)| Front(*value, v as u32)).collect();
    while let Some(Front(value, v)) = fronts.pop() {
        if value < values[v as usize] {
            continue;
        }
        for u in fans.ring(mesh, v) {
            let left = value - slope * mesh.positions[u as usize].distance(mesh.positions[v as usize]);
            if left > values[u as usize].max(floor) {
                values[u as usize] = left;
                fronts.push(Front(left, u));
            }
        }
    }
}
