//! Shape rules of an object that is to be printed: closed, consistently oriented, outside out.

use rayon::prelude::*;

use super::Faults;

/// Checks a mesh whose indices are known to be in range; `place` names the object.
pub fn check(place: &str, positions: &[[f64; 3]], triangles: &[[u32; 3]], faults: &mut Faults) {
    if triangles.len() < 4 {
        faults.add(format!("{place} has {} triangles, expected at least 4", triangles.len()));
    }
    let mut sides: Vec<u64> = triangles.par_iter().flat_map_iter(|t| corners(*t)).collect();
    sides.par_sort_unstable();
    let edges = sides.chunk_by(|a, b| a >> 1 == b >> 1);
    let (mut crowded, mut open, mut flipped) = (0_usize, 0_usize, 0_usize);
    for edge in edges {
        match edge {
            [a, b] if a != b => {}
            [_, _] => flipped += 1,
            [_] => open += 1,
            _ => crowded += 1,
        }
    }
    for (count, what) in [
        (open, "belong to one triangle only"),
        (crowded, "belong to more than two triangles"),
        (flipped, "run the same way in both their triangles"),
    ] {
        if count > 0 {
            faults.add(format!("{count} edges of {place} {what}"));
        }
    }
    let volume = volume_mm3(positions, triangles);
    if volume.is_nan() || volume <= 0.0 {
        faults.add(format!("{place} is inside out: its volume is {volume:.3} cubic units"));
    }
}

/// The directed sides of a triangle: lower index, higher index, and in the last bit whether it runs downwards.
fn corners([a, b, c]: [u32; 3]) -> [u64; 3] {
    [(a, b), (b, c), (c, a)].map(|(from, to)| {
        let (low, high) = (from.min(to), from.max(to));
        u64::from(low) << 32 | u64::from(high) << 1 | u64::from(from > to)
    })
}

fn volume_mm3(positions: &[[f64; 3]], triangles: &[[u32; 3]]) -> f64 {
    let Some(origin) = positions.first() else { return 0.0 };
    let from_origin = |v: u32| {
        let p = positions[v as usize];
        [p[0] - origin[0], p[1] - origin[1], p[2] - origin[2]]
    };
    let six = triangles.iter().map(|t| {
        let [a, b, c] = t.map(from_origin);
        a[0] * (b[1] * c[2] - b[2] * c[1]) + a[1] * (b[2] * c[0] - b[0] * c[2]) + a[2] * (b[0] * c[1] - b[1] * c[0])
    });
    six.sum::<f64>() / 6.0
}
