//! Pairs of keys: far apart, together one way only, and other than on joints that look alike.

use glam::DVec2;

use super::keys::Placed;

/// A pair that is off by this much from where it should be does not go together, mm.
const MISS_MM: f64 = 2.0;
/// Keys differ in size when one is thicker by this much, mm.
const THICKER_MM: f64 = 0.9;
/// Joints whose areas differ by less than this share look alike.
const ALIKE: f64 = 0.2;

/// Sizes of a pair, the larger first, and their distance, mm.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Pattern {
    sizes_mm: [f64; 2],
    apart_mm: f64,
}

impl Pattern {
    #[must_use]
    pub fn of(p: &Placed, q: &Placed) -> Self {
        let sizes_mm = [p.dowel_mm.max(q.dowel_mm), p.dowel_mm.min(q.dowel_mm)];
        Self { sizes_mm, apart_mm: p.centre.distance(q.centre) }
    }

    /// Whether parts with these patterns cannot be swapped.
    #[must_use]
    pub fn differs(&self, other: &Self) -> bool {
        let sizes = self.sizes_mm.iter().zip(other.sizes_mm).any(|(a, b)| (a - b).abs() > THICKER_MM);
        sizes || (self.apart_mm - other.apart_mm).abs() >= MISS_MM
    }

    /// Whether a half turn about the middle of the pair, the one turn that maps a pair onto itself, either meets a socket of
    /// another size or leaves the joint's rim off by as much as anybody sees.
    #[must_use]
    pub fn turns_not(&self, p: &Placed, q: &Placed, middle: DVec2) -> bool {
        let off = (0.5 * (p.centre + q.centre)).distance(middle);
        self.sizes_mm[0] - self.sizes_mm[1] > THICKER_MM || 2.0 * off >= MISS_MM
    }
}

/// Whether joints of these areas look alike.
#[must_use]
pub fn look_alike(a_mm2: f64, b_mm2: f64) -> bool {
    (a_mm2 - b_mm2).abs() <= ALIKE * a_mm2.max(b_mm2)
}

/// The two keys that hold best, far apart and deep, one of each list, of those pairs that are `fine` and have room between
/// them.
pub(super) fn best_pair(
    a: &[Placed],
    b: &[Placed],
    wall_mm: f64,
    fine: impl Fn(&Placed, &Placed) -> bool,
) -> Option<[Placed; 2]> {
    let mut best: Option<(f64, [Placed; 2])> = None;
    for p in a {
        for q in b {
            let apart = p.centre.distance(q.centre);
            // Leverage of the pair: a shallow socket holds less.
            let hold = apart * (p.depth_mm / p.dowel_mm).min(q.depth_mm / q.dowel_mm);
            let has_room = apart >= p.radius_mm + q.radius_mm + p.chamfer_mm + q.chamfer_mm + wall_mm;
            if has_room && best.is_none_or(|b| hold > b.0) && fine(p, q) {
                best = Some((hold, [*p, *q]));
            }
        }
    }
    best.map(|b| b.1)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn key(x: f64, dowel_mm: f64) -> Placed {
        let radius_mm = 0.5 * dowel_mm;
        Placed {
            centre: DVec2::new(x, 0.0),
            dowel_mm,
            radius_mm,
            depth_mm: 10.0,
            chamfer_mm: 0.0,
            pin: None,
            flat: false,
        }
    }

    #[test]
    fn pairs_that_turn_or_swap_are_told() {
        let pattern = |p: &Placed, q: &Placed| Pattern::of(p, q);
        let (a, b, c) = (key(-20.0, 6.0), key(20.0, 6.0), key(20.0, 5.0));
        assert!(!pattern(&a, &b).turns_not(&a, &b, DVec2::new(0.9, 0.0)));
        assert!(pattern(&a, &b).turns_not(&a, &b, DVec2::new(0.0, 1.1)));
        assert!(pattern(&a, &c).turns_not(&a, &c, DVec2::ZERO));
        let nearer = key(18.1, 6.0);
        assert!(!pattern(&a, &nearer).differs(&pattern(&b, &a)));
        assert!(pattern(&a, &key(17.9, 6.0)).differs(&pattern(&b, &a)) && pattern(&a, &c).differs(&pattern(&a, &b)));
        assert!(look_alike(100.0, 81.0) && !look_alike(79.0, 100.0));
    }
}
