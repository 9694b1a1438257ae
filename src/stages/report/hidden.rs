//! Heads made unrecognisable in pictures: the rectangle that a head takes up is drawn in a few coarse blocks.

use crate::mesh::TriMesh;
use crate::picture::{Drawn, Placement, Scene, draw};

/// Where a standing or sitting person's shoulders end at the latest, as a share of the height: head and neck lie above (head and
/// neck are 18 % of stature, Drillis & Contini 1966; more of a sitting person is hidden than needed).
const SHOULDERS: f64 = 0.82;
/// Blocks across a head: too few for a face.
const BLOCKS: usize = 5;

/// Height in a mesh's own coordinates above which it is head, mm.
#[must_use]
pub fn head_from_mm(low_mm: f64, high_mm: f64) -> f64 {
    low_mm + SHOULDERS * (high_mm - low_mm)
}

/// Draws a scene, heads hidden where they begin at a height.
#[must_use]
pub fn drawn(scene: &Scene<'_>, head_from_mm: Option<f64>) -> Drawn {
    let mut drawn = draw(scene);
    for item in &scene.items {
        hide(&mut drawn, item.shape.mesh, &item.place, head_from_mm);
    }
    drawn
}

/// Hides the head of one mesh in a picture of it.
pub fn hide(drawn: &mut Drawn, mesh: &TriMesh, place: &Placement, head_from_mm: Option<f64>) {
    let Some(from_mm) = head_from_mm else { return };
    let head = mesh.positions.iter().filter(|p| p.is_finite() && p.z >= from_mm);
    let mut box_px = [[f64::INFINITY; 2], [f64::NEG_INFINITY; 2]];
    for p in head {
        let seen = drawn.view.project(place.apply(*p));
        for (axis, at) in [seen.x, seen.y].into_iter().enumerate() {
            box_px[0][axis] = box_px[0][axis].min(at);
            box_px[1][axis] = box_px[1][axis].max(at);
        }
    }
    let size = [drawn.image.width, drawn.image.height];
    let [low, high] = [0, 1].map(|end| [0, 1].map(|axis| box_px[end][axis].clamp(0.0, size[axis] as f64)));
    if low[0] < high[0] && low[1] < high[1] {
        let (low, high) = (low.map(|at| at.floor() as usize), high.map(|at| at.ceil() as usize));
        coarsen(&mut drawn.image.rgb, size[0], low, high);
    }
}

/// Gives each block of a rectangle its mean colour.
fn coarsen(rgb: &mut [u8], width: usize, low: [usize; 2], high: [usize; 2]) {
    let side = (high[0] - low[0]).max(high[1] - low[1]).div_ceil(BLOCKS).max(1);
    for top in (low[1]..high[1]).step_by(side) {
        for left in (low[0]..high[0]).step_by(side) {
            let (right, bottom) = ((left + side).min(high[0]), (top + side).min(high[1]));
            let places = || (top..bottom).flat_map(move |y| (left..right).map(move |x| 3 * (y * width + x)));
            let count = (right - left) * (bottom - top);
            for channel in 0..3 {
                let sum: usize = places().map(|at| usize::from(rgb[at + channel])).sum();
                for at in places() {
                    rgb[at + channel] = (sum / count) as u8;
                }
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_rectangle_of_any_size_becomes_a_few_blocks() {
        let width = 40;
        let mut rgb: Vec<u8> = (0..width * 30 * 3).map(|i| (i * 37 % 251) as u8).collect();
        let before = rgb.clone();
        coarsen(&mut rgb, width, [3, 5], [24, 28]);
        let mut colours = std::collections::BTreeSet::new();
        for y in 0..30 {
            for x in 0..width {
                let at = 3 * (y * width + x);
                let inside = (3..24).contains(&x) && (5..28).contains(&y);
                if inside {
                    colours.insert([rgb[at], rgb[at + 1], rgb[at + 2]]);
                } else {
                    assert_eq!(rgb[at..at + 3], before[at..at + 3], "{x} {y}");
                }
            }
        }
        assert!(colours.len() <= BLOCKS * BLOCKS, "{}", colours.len());
    }
}
