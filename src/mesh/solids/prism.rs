//! The prism between a shell's face and the face under it: whether it stands upright.

use glam::DVec3;

/// Least share of a straight prism's volume that each of its three tetrahedra keeps.
const UPRIGHT_MIN: f64 = 1e-3;

/// Whether the three tetrahedra of a prism all lie under its face. They are cut along the diagonals that leave the
/// lower index at the surface, as the walls are, so that neighbouring prisms agree.
pub fn is_upright(ids: [u32; 3], above: [DVec3; 3], below: [DVec3; 3]) -> bool {
    let first = (0..3).min_by_key(|i| ids[*i]).unwrap_or(0);
    let (mut second, mut third, mut sign) = ((first + 1) % 3, (first + 2) % 3, 1.0);
    if ids[second] > ids[third] {
        (second, third, sign) = (third, second, -1.0);
    }
    let [a, b, c] = [first, second, third].map(|i| above[i]);
    let [d, e, f] = [first, second, third].map(|i| below[i]);
    let six = |p: DVec3, q: DVec3, r: DVec3| sign * -(p - a).cross(q - a).dot(r - a);
    let area = (above[1] - above[0]).cross(above[2] - above[0]).length();
    let depth = ((d - a).length() + (e - b).length() + (f - c).length()) / 3.0;
    let least = UPRIGHT_MIN * area * depth;
    six(b, c, f) > least && six(b, f, e) > least && six(e, f, d) > least
}

#[cfg(test)]
mod tests {
    use super::*;

    const ABOVE: [DVec3; 3] = [DVec3::Z, DVec3::new(1.0, 0.0, 1.0), DVec3::new(0.0, 1.0, 1.0)];

    #[test]
    fn a_straight_prism_is_upright_whatever_its_indices() {
        for ids in [[0, 1, 2], [0, 2, 1], [1, 0, 2], [1, 2, 0], [2, 0, 1], [2, 1, 0]] {
            assert!(is_upright(ids, ABOVE, ABOVE.map(|p| p - DVec3::Z)));
            assert!(!is_upright(ids, ABOVE, ABOVE.map(|p| p + DVec3::Z)));
        }
    }

    #[test]
    fn a_prism_whose_foot_is_turned_over_is_not_upright() {
        let [a, b, c] = ABOVE.map(|p| p - DVec3::Z);
        assert!(!is_upright([0, 1, 2], ABOVE, [b, a, c]));
        assert!(!is_upright([0, 1, 2], ABOVE, [a, b, ABOVE[2] + DVec3::Z]));
    }
}
