//! Takes the teeth off borders: faces that the scan's colour edge runs through may go to either side, and go to the
//! side that makes the border shorter.

use super::labels::Task;
use super::patches;
use crate::surface::{NONE, Surface};

/// Patches below this many times the least area are left as they are, for they may be eyes or buttons.
const SMALL: f64 = 30.0;
/// Rounds over the faces at borders in each direction.
const ROUNDS: usize = 4;

/// Straightens borders face by face; never makes a border longer.
///
/// Teeth of one side go first, so that a row of teeth falls to one side and not a step here and a step there.
pub fn straighten(task: &Task, labels: &mut [u8], patch_min_mm2: f64) {
    let surface = task.surface;
    let areas = patches::area_of_faces(surface, labels);
    let mut border: Vec<usize> = (0..surface.len()).filter(|face| shorter(surface, labels, *face).is_some()).collect();
    border.retain(|face| areas[*face] >= SMALL * patch_min_mm2);
    for round in 0..2 * ROUNDS {
        for &face in &border {
            let Some(label) = shorter(surface, labels, face) else { continue };
            let is_turn = (label < labels[face]) == (round < ROUNDS);
            if is_turn && task.allowed(face).contains(&label) && task.is_between(face, labels[face], label) {
                labels[face] = label;
            }
        }
    }
}

/// The label of a neighbour that would make the border shorter, if there is one.
fn shorter(surface: &Surface, labels: &[u8], face: usize) -> Option<u8> {
    let edges = surface.neighbours[face].into_iter().zip(surface.length_mm[face]).filter(|(next, _)| *next != NONE);
    let shared = |label: u8| {
        let same = edges.clone().filter(|(next, _)| labels[*next as usize] == label);
        same.map(|(_, length)| length).sum::<f32>()
    };
    let others = edges.clone().map(|(next, _)| labels[next as usize]).filter(|label| *label != labels[face]);
    let best = others.map(|label| (shared(label), label)).max_by(|x, y| x.0.total_cmp(&y.0).then(y.1.cmp(&x.1)));
    best.filter(|(length, _)| *length > shared(labels[face]) * 1.001).map(|(_, label)| label)
}
