//! The order in which parts are glued, what each joint takes, and the dowels to cut.

use std::collections::BTreeMap;

use crate::figure::{Figure, Joint};

/// One joint in the order of gluing.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Step {
    /// Indices of the parts.
    pub a: usize,
    pub b: usize,
    pub area_mm2: f64,
    pub glue_ml: f64,
    pub dowels: usize,
    /// How many of them have a flat.
    pub filed: usize,
    pub pins: usize,
}

/// Dowels of one size.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Dowel {
    pub diameter_mm: f64,
    pub length_mm: f64,
    /// Thickness to which a flat is filed along it, mm.
    pub filed_to_mm: Option<f64>,
    pub count: usize,
}

/// Thickness of the film of glue between two faces, mm (common practice 0.1 to 0.2, no source).
const FILM_MM: f64 = 0.15;
/// Air left at the ends of a dowel, both together, mm (common practice, no source).
const DOWEL_AIR_MM: f64 = 1.0;

/// Joints in the order they are glued; those the order leaves out follow by number.
#[must_use]
pub fn steps(figure: &Figure) -> Vec<Step> {
    let mut order: Vec<usize> = Vec::new();
    for joint in figure.glue_order.iter().copied().chain(0..figure.joints.len()) {
        if joint < figure.joints.len() && !order.contains(&joint) {
            order.push(joint);
        }
    }
    let step = |joint: &Joint| Step {
        a: joint.a,
        b: joint.b,
        area_mm2: joint.area_mm2,
        glue_ml: joint.area_mm2 * FILM_MM / 1000.0,
        dowels: joint.keys.iter().filter(|key| key.pin_of.is_none()).count(),
        filed: joint.keys.iter().filter(|key| key.filed_to_mm.is_some()).count(),
        pins: joint.keys.iter().filter(|key| key.pin_of.is_some()).count(),
    };
    order.into_iter().map(|joint| step(&figure.joints[joint])).collect()
}

/// All dowels by diameter, length (both sockets' depth less the air at the ends) and flat, round ones first.
#[must_use]
pub fn dowels(figure: &Figure) -> Vec<Dowel> {
    let mut counts: BTreeMap<(i64, i64, Option<i64>), usize> = BTreeMap::new();
    for key in figure.joints.iter().flat_map(|joint| &joint.keys).filter(|key| key.pin_of.is_none()) {
        let length_mm = (2.0 * key.depth_mm - DOWEL_AIR_MM).max(0.0);
        let tenths = |mm: f64| (mm * 10.0).round() as i64;
        *counts.entry((tenths(key.dowel_mm), tenths(length_mm), key.filed_to_mm.map(tenths))).or_default() += 1;
    }
    let dowel = |((diameter, length, filed_to), count): ((i64, i64, Option<i64>), usize)| Dowel {
        diameter_mm: diameter as f64 / 10.0,
        length_mm: length as f64 / 10.0,
        filed_to_mm: filed_to.map(|tenths| tenths as f64 / 10.0),
        count,
    };
    counts.into_iter().map(dowel).collect()
}

#[cfg(test)]
mod tests {
    use glam::DVec3;

    use super::*;
    use crate::figure::Key;

    fn joint(a: usize, b: usize, depths: &[f64]) -> Joint {
        let key = |depth_mm: &f64| Key {
            centre: DVec3::ZERO,
            dowel_mm: 6.0,
            socket_mm: 6.2,
            depth_mm: *depth_mm,
            filed_to_mm: (*depth_mm < 10.0).then_some(4.74),
            pin_of: None,
        };
        let keys = depths.iter().map(key).collect();
        Joint { a, b, normal: DVec3::Z, offset_mm: 0.5, area_mm2: 10_000.0, keys, marked: [false; 2] }
    }

    #[test]
    fn dowels_of_one_size_are_counted_together() {
        let joints = vec![joint(0, 1, &[18.0, 18.0]), joint(1, 2, &[18.0, 12.0]), joint(2, 3, &[9.0])];
        let figure = Figure { joints, ..Figure::default() };
        let size = |d: &Dowel| (d.diameter_mm, d.length_mm, d.filed_to_mm, d.count);
        let sizes: Vec<_> = dowels(&figure).iter().map(size).collect();
        assert_eq!(sizes, [(6.0, 17.0, Some(4.7), 1), (6.0, 23.0, None, 1), (6.0, 35.0, None, 3)]);
    }

    #[test]
    fn every_joint_is_glued_once_in_the_given_order() {
        let joints = vec![joint(0, 1, &[]), joint(1, 2, &[]), joint(2, 3, &[])];
        let figure = Figure { joints, glue_order: vec![2, 0, 2, 9], ..Figure::default() };
        let order: Vec<_> = steps(&figure).iter().map(|s| s.a).collect();
        assert_eq!(order, [2, 0, 1]);
        // 100 cm2 with a film of 0.15 mm.
        assert!((steps(&figure)[0].glue_ml - 1.5).abs() < 1e-12);
    }
}
