//! Inner vertices that came to lie on another vertex are moved off it: a file that joins corners by their place would
//! join them, and edges there would have more than two faces.

use glam::DVec3;
use rayon::prelude::*;

use crate::units::LATTICE_MM;

/// Moving one vertex off another may put it on a third.
const ROUNDS: usize = 16;

/// Moves inner vertices outward by single lattice steps until no two vertices share a place; tells how many moved.
pub fn part(outer: &[DVec3], inner: &mut [DVec3], direction: &[DVec3]) -> usize {
    let mut moved = vec![false; inner.len()];
    for round in 1..=ROUNDS {
        let twins = twins(outer, inner);
        if twins.is_empty() {
            break;
        }
        for slot in twins {
            let out = direction[slot];
            let axis = (0..3).fold(0, |best, i| if out[i].abs() > out[best].abs() { i } else { best });
            inner[slot][axis] += LATTICE_MM * round as f64 * out[axis].signum();
            moved[slot] = true;
        }
    }
    moved.iter().filter(|moved| **moved).count()
}

/// Inner vertices that lie where an outer one or an inner one of lower index does.
fn twins(outer: &[DVec3], inner: &[DVec3]) -> Vec<usize> {
    // Adding zero makes the two zeros one.
    let key = |p: &DVec3| (*p + DVec3::ZERO).to_array().map(f64::to_bits);
    let all = outer.par_iter().chain(inner.par_iter()).map(key).enumerate();
    let mut places: Vec<([u64; 3], u32)> = all.map(|(i, key)| (key, i as u32)).collect();
    places.par_sort_unstable();
    let later = places.windows(2).filter(|pair| pair[0].0 == pair[1].0).map(|pair| pair[1].1 as usize);
    let mut found: Vec<usize> = later.filter(|i| *i >= outer.len()).map(|i| i - outer.len()).collect();
    found.sort_unstable();
    found
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn twins_part_and_all_else_stays() {
        let outer = [DVec3::ZERO, DVec3::X];
        let mut inner = [DVec3::Y, -DVec3::ZERO, DVec3::Y, DVec3::Y];
        assert_eq!(part(&outer, &mut inner, &[DVec3::X, DVec3::NEG_Z, DVec3::X, DVec3::X]), 3);
        assert_eq!(inner[0], DVec3::Y);
        assert_eq!(inner[1], DVec3::new(0.0, 0.0, -LATTICE_MM));
        assert_eq!(twins(&outer, &inner), Vec::<usize>::new());
    }
}
