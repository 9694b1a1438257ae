//! Spoils a good mesh the way a hand-held scan is spoilt: nothing seen from above the cap, under the soles and in the
//! armpits; noise in the beard; floating islands, a strip of floor, doubled and turned faces.

use super::body::{Piece, piece};
use super::{Scan, chance};

const SEED: u64 = 2_604;

fn centre(scan: &Scan, triangle: [u32; 3]) -> [f64; 3] {
    std::array::from_fn(|a| triangle.iter().map(|v| scan.positions[*v as usize][a]).sum::<f64>() / 3.0)
}

fn near(p: [f64; 3], q: [f64; 3], radius: f64) -> bool {
    (0..3).map(|a| (p[a] - q[a]).powi(2)).sum::<f64>() < radius * radius
}

/// Adds a small closed lump that belongs to nothing.
fn lump(scan: &mut Scan, at: [f64; 3], size: f64) {
    let first = scan.positions.len() as u32;
    for axis in 0..3 {
        for side in [-size, size] {
            let mut p = at;
            p[axis] += side;
            scan.positions.push(p);
            scan.colours.push([140, 138, 130]);
        }
    }
    let faces = [[0, 2, 4], [2, 1, 4], [1, 3, 4], [3, 0, 4], [2, 0, 5], [1, 2, 5], [3, 1, 5], [0, 3, 5]];
    scan.triangles.extend(faces.map(|face: [u32; 3]| face.map(|v| first + v)));
}

/// Applies every kind of damage; `cell_mm` is the mesh's spacing.
pub fn spoil(scan: &mut Scan, cell_mm: f64) {
    let holes = [
        ([0.0, 1760.0, 0.0], 46.0),
        ([232.0, 1300.0, 10.0], 36.0),
        ([-232.0, 1300.0, 0.0], 30.0),
        ([0.0, 796.0, 0.0], 26.0),
    ];
    let kept: Vec<[u32; 3]> = scan
        .triangles
        .iter()
        .copied()
        .filter(|triangle| {
            let c = centre(scan, *triangle);
            c[1] > cell_mm && !holes.iter().any(|(at, radius)| near(c, *at, *radius))
        })
        .collect();
    scan.triangles = kept;
    for i in 0..scan.positions.len() {
        let hairy = piece(scan.positions[i]) == Piece::Beard;
        let amount = if hairy { 2.4 } else { 0.25 };
        for a in 0..3 {
            scan.positions[i][a] += amount * (chance(SEED, (i * 3 + a) as u64) - 0.5) * (cell_mm / 3.6).min(1.5);
        }
    }
    let count = scan.triangles.len();
    for n in 0..count / 400 {
        let t = scan.triangles[(chance(SEED + 1, n as u64) * count as f64) as usize];
        scan.triangles.push(if n % 3 == 0 { [t[0], t[2], t[1]] } else { t });
    }
    for n in 0..60 {
        let at = [0, 1, 2].map(|a| chance(SEED + 2, n * 3 + a));
        lump(scan, [900.0 * at[0] - 450.0, 60.0 + 1750.0 * at[1], 520.0 * at[2] - 200.0], 2.0 + 5.0 * at[0]);
    }
    floor(scan);
    let used: std::collections::BTreeSet<u32> = scan.triangles.iter().flatten().copied().collect();
    let renumber: std::collections::BTreeMap<u32, u32> = used.iter().copied().zip(0..).collect();
    scan.positions = used.iter().map(|v| scan.positions[*v as usize]).collect();
    scan.colours = used.iter().map(|v| scan.colours[*v as usize]).collect();
    for v in scan.triangles.iter_mut().flatten() {
        *v = renumber[v];
    }
}

/// A strip of the studio's floor that the scanner took along.
fn floor(scan: &mut Scan) {
    let (columns, rows, step) = (16_u32, 6_u32, 14.0);
    let first = scan.positions.len() as u32;
    for r in 0..rows {
        for c in 0..columns {
            let up = 1.5 * chance(SEED + 3, u64::from(r * columns + c));
            scan.positions.push([f64::from(c) * step - 420.0, up - 4.0, f64::from(r) * step + 215.0]);
            scan.colours.push([118, 112, 104]);
        }
    }
    for r in 0..rows - 1 {
        for c in 0..columns - 1 {
            let a = first + r * columns + c;
            scan.triangles.extend([[a, a + columns, a + 1], [a + 1, a + columns, a + columns + 1]]);
        }
    }
}
