//! Where the surface around a large hole would be without the scanner's noise, so that a patch curves on as the surface
//! does and not as the noise at its rim.

use glam::DVec3;
use rustc_hash::{FxHashMap, FxHashSet};

use super::rim::{Around, Rim};
use crate::mesh::TriMesh;
use crate::mesh::low_pass::low_pass;
use crate::mesh::topology::{Edges, corners_and_rings};

/// Edges of a large rim, rings around it that are smoothed, and how often.
const LARGE: usize = 40;
const RINGS: usize = 6;
const PAIRS: usize = 30;

/// Noise beside a rim, as a share of its edges, from which it would bend the patch.
const NOISY: f64 = 0.15;

/// Smoothed places around noisy rims.
#[derive(Debug, Default)]
pub struct Calm {
    places: FxHashMap<u32, DVec3>,
    /// First vertex of each noisy rim.
    noisy: FxHashSet<u32>,
}

impl Calm {
    pub fn of(mesh: &TriMesh, rims: &[Rim], around: &Around) -> Self {
        let large: Vec<&Rim> = rims.iter().filter(|rim| rim.len() >= LARGE).collect();
        if large.is_empty() {
            return Self::default();
        }
        let on_rim: FxHashSet<u32> = large.iter().flat_map(|rim| rim.vertices()).collect();
        let has_corner = |t: &u32| mesh.triangles[*t as usize].iter().any(|v| on_rim.contains(v));
        let at_rim = (0..mesh.triangles.len() as u32).filter(has_corner);
        let marked = corners_and_rings(&mesh.triangles, mesh.positions.len(), at_rim, RINGS - 1);
        let vertices: Vec<u32> = (0..mesh.positions.len() as u32).filter(|v| marked[*v as usize]).collect();
        let edges = Edges::of(&mesh.triangles, mesh.positions.len());
        let smooth = low_pass(mesh, &edges, &vertices, PAIRS);
        let mut calm = Self { places: vertices.into_iter().zip(smooth).collect(), noisy: FxHashSet::default() };
        let noisy = large.iter().filter(|rim| calm.noise(mesh, rim, around) > NOISY);
        calm.noisy = noisy.filter_map(|rim| rim.vertices().next()).collect();
        calm
    }

    /// How far, along the normal, the vertices beside a rim are moved by smoothing: root mean square over the mean edge.
    fn noise(&self, mesh: &TriMesh, rim: &Rim, around: &Around) -> f64 {
        let (mut squares, mut lengths, mut count) = (0.0, 0.0, 0.0);
        let beside = around
            .outer_neighbours(rim, |v| self.places.get(&v).map_or(DVec3::ZERO, |p| *p - mesh.positions[v as usize]));
        for ((v, half), moves) in rim.steps().iter().zip(&beside) {
            let normal = mesh.area_vector(*half as usize / 3).normalize_or_zero();
            let edge = mesh.triangles[*half as usize / 3].into_iter().find(|u| u != v);
            lengths += edge.map_or(0.0, |u| mesh.positions[u as usize].distance(mesh.positions[*v as usize]));
            squares += moves.iter().map(|way| way.dot(normal).powi(2)).sum::<f64>() / moves.len().max(1) as f64;
            count += 1.0;
        }
        (squares * count).sqrt() / lengths
    }

    /// Places to curve on from: smoothed around a noisy rim, else as they are.
    pub fn places<'a>(&'a self, mesh: &'a TriMesh, rim: &Rim) -> impl Fn(u32) -> DVec3 + Copy + 'a {
        let is_noisy = rim.vertices().next().is_some_and(|v| self.noisy.contains(&v));
        move |v| {
            let smooth = self.places.get(&v).filter(|_| is_noisy);
            smooth.copied().unwrap_or(mesh.positions[v as usize])
        }
    }
}
