//! Gives corners at bit-equal positions one vertex, in order of first use.

use std::collections::hash_map::Entry;

use glam::DVec3;
use rustc_hash::FxHashMap;

/// Vertices met so far.
#[derive(Debug, Default)]
pub struct ExactWeld {
    positions: Vec<DVec3>,
    known: FxHashMap<[u64; 3], u32>,
}

impl ExactWeld {
    #[must_use]
    pub fn with_capacity(vertices: usize) -> Self {
        let known = FxHashMap::with_capacity_and_hasher(vertices, rustc_hash::FxBuildHasher);
        Self { positions: Vec::with_capacity(vertices), known }
    }

    /// The vertex at this position; -0 counts as 0.
    pub fn vertex(&mut self, position: DVec3) -> u32 {
        let key = (position + DVec3::ZERO).to_array().map(f64::to_bits);
        match self.known.entry(key) {
            Entry::Occupied(known) => *known.get(),
            Entry::Vacant(free) => {
                let vertex = self.positions.len() as u32;
                self.positions.push(position);
                *free.insert(vertex)
            }
        }
    }

    #[must_use]
    pub fn into_positions(self) -> Vec<DVec3> {
        self.positions
    }
}
