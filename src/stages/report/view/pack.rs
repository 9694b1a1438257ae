//! A part as bytes for the page, read by `decode.js`:
//!
//! ```text
//! 3 x u16 per vertex   place in steps from the part's lowest corner, little endian
//! 3 x u8 per vertex    colour, sRGB
//! per run              class, low byte and high byte, and the number of triangles in a row that have it
//! 3 codes per triangle how far a corner's number lies below the next new one; 0 is that new one
//! ```
//!
//! Numbers of triangles and codes are written in groups of 7 bits, the low ones first, the highest bit set when more follow.

use glam::DVec3;

use super::coarse::Shown;
use crate::colour::spaces::bytes_of_linear;
use crate::mesh::measure::bounds;
use crate::mesh::order::{by_place, number_by_use};

/// A packed part.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Packed {
    /// Lowest corner and the length of a step, mm.
    pub low: DVec3,
    pub step_mm: f64,
    pub vertices: usize,
    pub triangles: usize,
    pub bytes: Vec<u8>,
}

/// Packs a part. Places are rounded by at most half a step on each axis, which is 1/65535 of the part's longest side;
/// triangles come in the order of their places.
#[must_use]
pub fn pack(shown: &Shown) -> Packed {
    let order = by_place(&shown.positions, &shown.triangles);
    let mut triangles: Vec<[u32; 3]> = order.iter().map(|t| shown.triangles[*t as usize]).collect();
    let old = number_by_use(&mut triangles, shown.positions.len());
    let vertices = triangles.iter().flatten().map(|v| *v as usize + 1).max().unwrap_or(0);
    let used = &old[..vertices];
    let places: Vec<DVec3> = used.iter().map(|v| shown.positions[*v as usize]).collect();
    let (low, high) = if places.is_empty() { (DVec3::ZERO, DVec3::ZERO) } else { bounds(&places) };
    let step_mm = ((high - low).max_element() / f64::from(u16::MAX)).max(f64::MIN_POSITIVE);
    let mut bytes = Vec::with_capacity(9 * vertices + 5 * triangles.len());
    for place in &places {
        let steps = ((*place - low) / step_mm).round().to_array();
        bytes.extend(steps.iter().flat_map(|s| (*s as u16).to_le_bytes()));
    }
    bytes.extend(used.iter().flat_map(|v| bytes_of_linear(shown.colours[*v as usize])));
    let classes: Vec<u16> = order.iter().map(|t| shown.classes[*t as usize]).collect();
    for run in classes.chunk_by(|a, b| a == b) {
        bytes.extend(run[0].to_le_bytes());
        put(&mut bytes, run.len() as u32);
    }
    let mut next = 0;
    for v in triangles.iter().flatten() {
        put(&mut bytes, next - v);
        next += u32::from(*v == next);
    }
    Packed { low, step_mm, vertices, triangles: triangles.len(), bytes }
}

/// Appends a number in groups of 7 bits.
fn put(bytes: &mut Vec<u8>, mut number: u32) {
    while number >= 0x80 {
        bytes.push(number as u8 | 0x80);
        number >>= 7;
    }
    bytes.push(number as u8);
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::colour::spaces::linear_of_bytes;

    /// What `decode.js` reads, as corners with classes.
    fn unpack(packed: &Packed) -> Vec<([DVec3; 3], [[u8; 3]; 3], u16)> {
        let (n, bytes) = (packed.vertices, &packed.bytes);
        let word = |at: usize| u16::from_le_bytes([bytes[at], bytes[at + 1]]);
        let place = |v: usize| {
            let steps: [f64; 3] = std::array::from_fn(|i| f64::from(word(6 * v + 2 * i)));
            packed.low + DVec3::from(steps) * packed.step_mm
        };
        let colour = |v: usize| std::array::from_fn(|i| bytes[6 * n + 3 * v + i]);
        let mut at = 9 * n;
        let number = |at: &mut usize| {
            let (mut number, mut shift) = (0_usize, 0);
            loop {
                let byte = bytes[*at];
                *at += 1;
                number |= usize::from(byte & 0x7f) << shift;
                shift += 7;
                if byte < 0x80 {
                    return number;
                }
            }
        };
        let mut classes = Vec::new();
        while classes.len() < packed.triangles {
            let class = word(at);
            at += 2;
            let run = number(&mut at);
            assert!(run > 0);
            classes.extend(std::iter::repeat_n(class, run));
        }
        let mut next = 0;
        let mut corner = || {
            let code = number(&mut at);
            assert!(code <= next, "a corner before the first");
            let v = next - code;
            next += usize::from(code == 0);
            assert!(v < n, "vertex {v} of {n}");
            v
        };
        let triangles: Vec<_> = classes.into_iter().map(|class| ([corner(), corner(), corner()], class)).collect();
        assert_eq!((at, next), (bytes.len(), n));
        triangles.into_iter().map(|(t, class)| (t.map(place), t.map(colour), class)).collect()
    }

    /// A wavy sheet of `n` x `n` squares, some vertices unused.
    fn sheet(n: u32) -> Shown {
        let at = |i: u32| DVec3::new(f64::from(i % (n + 1)), f64::from(i / (n + 1)), (f64::from(i) * 0.37).sin());
        let corner = |i: u32| i / n * (n + 1) + i % n;
        let squares = (0..n * n).map(corner).flat_map(|a| [[a, a + 1, a + n + 2], [a, a + n + 2, a + n + 1]]);
        Shown {
            positions: (0..(n + 1) * (n + 1) + 5).map(|i| at(i) * 7.3 + DVec3::splat(-11.0)).collect(),
            colours: (0..(n + 1) * (n + 1) + 5).map(|i| linear_of_bytes([i as u8, 255 - i as u8, 40])).collect(),
            triangles: squares.collect(),
            classes: (0..2 * n * n).map(|t| if t % 7 == 0 { 0x0203 } else { (t / 300) as u16 }).collect(),
        }
    }

    #[test]
    fn what_is_packed_comes_out_within_half_a_step() {
        let sheet = sheet(60);
        let packed = pack(&sheet);
        assert_eq!((packed.vertices, packed.triangles), (61 * 61, 2 * 60 * 60));
        let order = by_place(&sheet.positions, &sheet.triangles);
        let bound = packed.step_mm * 0.500_001;
        assert!(packed.step_mm < 60.0 * 7.3 / 65_000.0);
        for (t, (corners, colours, class)) in order.iter().zip(unpack(&packed)) {
            let triangle = sheet.triangles[*t as usize];
            assert_eq!(class, sheet.classes[*t as usize]);
            for k in 0..3 {
                let v = triangle[k] as usize;
                assert!((corners[k] - sheet.positions[v]).abs().max_element() <= bound);
                assert_eq!(colours[k], [v as u8, 255 - v as u8, 40]);
            }
        }
        // A sheet walked along a curve needs little more than a byte for a corner.
        assert!(packed.bytes.len() < 9 * packed.vertices + 5 * packed.triangles, "{} bytes", packed.bytes.len());
    }

    #[test]
    fn nothing_and_a_point_are_packed_as_well() {
        assert_eq!(unpack(&pack(&Shown::default())), []);
        let point = Shown {
            positions: vec![DVec3::splat(3.0)],
            colours: vec![[1.0; 3]],
            triangles: vec![[0; 3]],
            classes: vec![9],
        };
        assert_eq!(unpack(&pack(&point)), [([DVec3::splat(3.0); 3], [[255; 3]; 3], 9)]);
    }

    #[test]
    fn numbers_take_a_byte_for_seven_bits() {
        for (number, length) in [(0, 1), (127, 1), (128, 2), (16_383, 2), (16_384, 3), (u32::MAX, 5)] {
            let mut bytes = Vec::new();
            put(&mut bytes, number);
            assert_eq!(bytes.len(), length, "{number}");
        }
    }
}
