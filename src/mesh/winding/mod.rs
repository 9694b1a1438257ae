//! Generalised winding number: how often a surface, with holes or without, goes round a point. Above one half is
//! inside (Jacobson, Kavan, Sorkine-Hornung 2013).
//!
//! Near triangles count with their exact solid angle (van Oosterom and Strackee 1983); far groups of triangles with the
//! first three terms of their expansion (Barill et al. 2018).

mod cluster;

use std::f64::consts::{PI, TAU};

use glam::DVec3;
use rayon::prelude::*;

use super::tree::{Node, TriTree};
use cluster::Cluster;

/// Winding numbers of one surface.
#[derive(Clone, Debug, Default)]
pub struct Winding {
    tree: TriTree,
    clusters: Vec<Cluster>,
}

impl Winding {
    /// Prepares the surface, in parallel.
    #[must_use]
    pub fn new(positions: &[DVec3], triangles: &[[u32; 3]]) -> Self {
        let tree = TriTree::new(positions, triangles);
        let leaf = |node: &Node| {
            if node.is_leaf() { Cluster::of_triangles(&tree.corners[node.slots()]) } else { Cluster::default() }
        };
        let mut clusters: Vec<Cluster> = tree.nodes.par_iter().map(leaf).collect();
        // Children lie behind their parents, so going backwards they are ready when needed.
        for at in (0..clusters.len()).rev().filter(|at| !tree.nodes[*at].is_leaf()) {
            let node = &tree.nodes[at];
            let [left, right] = tree.children(at as u32).map(|child| clusters[child as usize]);
            clusters[at] = Cluster::of_two(&left, &right, node.low(), node.high());
        }
        Self { tree, clusters }
    }

    /// The tree over the surface's triangles.
    #[must_use]
    pub fn tree(&self) -> &TriTree {
        &self.tree
    }

    /// The winding number of a point: 1 inside a closed surface, 0 outside, in between near holes.
    ///
    /// # Examples
    /// ```
    /// use glam::DVec3;
    /// use statuary::mesh::winding::Winding;
    ///
    /// // Eight triangles like this one close around the origin.
    /// let eighth = Winding::new(&[DVec3::X, DVec3::Y, DVec3::Z], &[[0, 1, 2]]);
    /// assert!((eighth.at(DVec3::ZERO) - 1.0 / 8.0).abs() < 1e-12);
    /// assert!(eighth.at(DVec3::splat(9.0)) < 0.0, "seen from its front it counts the other way");
    /// ```
    #[must_use]
    pub fn at(&self, point: DVec3) -> f64 {
        let mut far = 0.0;
        let mut near = Turns::default();
        let mut at = 0;
        while let Some(cluster) = self.clusters.get(at) {
            if let Some(angle) = cluster.solid_angle(point) {
                far += angle;
                at += cluster.nodes as usize;
                continue;
            }
            if cluster.nodes == 1 {
                for corners in &self.tree.corners[self.tree.nodes[at].slots()] {
                    near.add(point, corners);
                }
            }
            at += 1;
        }
        far / (4.0 * PI) + near.count()
    }
}

/// Sum of solid angles as whole turns and the angle of a complex number: one arc tangent for all triangles.
///
/// Half a triangle's solid angle is the angle of `x + iy` below; multiplying adds angles, and a turn is complete when
/// two factors from one half-plane have their product in the other.
struct Turns {
    whole: f64,
    re: f64,
    im: f64,
}

impl Default for Turns {
    fn default() -> Self {
        Self { whole: 0.0, re: 1.0, im: 0.0 }
    }
}

impl Turns {
    fn add(&mut self, point: DVec3, corners: &[DVec3; 3]) {
        let [a, b, c] = corners.map(|corner| corner - point);
        let (la, lb, lc) = (a.length(), b.length(), c.length());
        let x = la * lb * lc + a.dot(b) * lc + b.dot(c) * la + c.dot(a) * lb;
        let y = a.dot(b.cross(c));
        let (re, im) = (self.re * x - self.im * y, self.re * y + self.im * x);
        let size = re.abs() + im.abs();
        if size > 0.0 {
            let wraps = (self.im >= 0.0) == (y >= 0.0) && (im >= 0.0) != (y >= 0.0);
            self.whole += if wraps { 1.0_f64.copysign(y) } else { 0.0 };
            (self.re, self.im) = (re / size, im / size);
        }
    }

    /// Winding number: twice the angle over the full sphere, 4 pi.
    fn count(&self) -> f64 {
        self.whole + self.im.atan2(self.re) / TAU
    }
}
