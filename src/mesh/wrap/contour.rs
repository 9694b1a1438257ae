//! The surface between inside and outside corners: a vertex on every edge that changes sides, triangles cell by cell.

use glam::{DVec3, IVec3};
use rayon::prelude::*;

use super::cells::{Loop, corner_offset, loops};
use super::field::{is_clear, is_inside};
use super::grid::{EdgeSet, Grid, HALO, SLOTS, edge_slot, offset_of};
use super::hits::{Hit, Hits};
use crate::mesh::tree::TriTree;
use crate::units::snap_mm;

/// Vertices keep this far from the ends of their edges, in voxels: within the proved span even when rounded.
const MARGIN: f64 = 1.0 / 64.0;

/// A closed surface on the grid.
#[derive(Debug, Default)]
pub(super) struct Contour {
    pub(super) positions: Vec<DVec3>,
    /// The scan triangle a vertex lies on; none in holes.
    pub(super) on: Vec<Option<u32>>,
    pub(super) triangles: Vec<[u32; 3]>,
}

/// What a contour is drawn from.
#[derive(Clone, Copy)]
pub(super) struct Source<'a> {
    /// Filled by `fill`.
    pub(super) grid: &'a Grid,
    pub(super) hits: &'a Hits,
    /// Over the scan's triangles.
    pub(super) tree: &'a TriTree,
    /// What `fill` returned.
    pub(super) sign: f32,
}

/// Draws the contour.
pub(super) fn contour(source: Source<'_>) -> Contour {
    let grid = source.grid;
    let halos: Vec<Vec<f32>> = (0..grid.blocks.len()).into_par_iter().map(|block| grid.halo(block)).collect();
    let cuts = EdgeSet::number(halos.par_iter().map(|halo| cut_edges(halo)).collect());
    let vertices = halos.par_iter().zip(&cuts).enumerate().flat_map_iter(|(block, (halo, cuts))| {
        cuts.edges().map(move |(axis, slot)| {
            let place = |end: i32| halo_place(offset_of(slot) + IVec3::AXES[axis] * end);
            let edge = CutEdge { block, axis, slot, ends: [halo[place(0)], halo[place(1)]] };
            source.vertex(&edge)
        })
    });
    let (positions, on): (Vec<DVec3>, Vec<Option<u32>>) = vertices.collect::<Vec<_>>().into_iter().unzip();
    let drawing = Drawing { grid, cuts: &cuts, positions: &positions };
    let triangles = halos.par_iter().enumerate().flat_map_iter(|(block, halo)| drawing.block(block, halo)).collect();
    Contour { positions, on, triangles }
}

/// An edge whose ends are on different sides, and their winding numbers.
struct CutEdge {
    block: usize,
    axis: usize,
    slot: usize,
    ends: [f32; 2],
}

impl Source<'_> {
    /// A point on the edge, exactly on the grid line and on the lattice, and the scan triangle it lies on.
    fn vertex(&self, edge: &CutEdge) -> (DVec3, Option<u32>) {
        let hits = self.hits.on(edge.block, edge_slot(edge.axis, edge.slot));
        let low = self.grid.blocks[edge.block].low + offset_of(edge.slot);
        let mut position = self.grid.position(low);
        let hit = self.entering(edge.ends, hits);
        let t = hit.map_or_else(|| self.in_hole(position, edge), |hit| f64::from(hit.t));
        position[edge.axis] = snap_mm(position[edge.axis] + self.grid.voxel * t.clamp(MARGIN, 1.0 - MARGIN));
        (position, hit.map(|hit| hit.triangle))
    }

    /// The hit where the winding number, followed from the outside end, comes to be inside; else the outermost.
    fn entering<'h>(&self, [low, high]: [f32; 2], hits: &'h [Hit]) -> Option<&'h Hit> {
        let upward = !is_inside(low);
        let mut winding = if upward { low } else { high };
        let mut enters = |hit: &&Hit| {
            winding += if upward { hit.jump } else { -hit.jump } * self.sign;
            is_inside(winding)
        };
        if upward {
            hits.iter().find(&mut enters).or(hits.first())
        } else {
            hits.iter().rev().find(&mut enters).or(hits.last())
        }
    }

    /// Place of the surface on an edge that hits nothing. In a large hole the winding number changes evenly; in one
    /// smaller than the voxel it jumps, and the distances to the scan around tell more.
    fn in_hole(&self, low: DVec3, edge: &CutEdge) -> f64 {
        let even = f64::from((0.5 - edge.ends[0]) / (edge.ends[1] - edge.ends[0]));
        if !edge.ends.into_iter().all(is_clear) {
            return even;
        }
        let high = low + DVec3::AXES[edge.axis] * self.grid.voxel;
        let distance = |point: DVec3| self.tree.nearest(point, 2.0 * self.grid.voxel).map(|near| near.distance);
        match (distance(low), distance(high)) {
            (Some(from_low), Some(from_high)) if from_low + from_high > 0.0 => from_low / (from_low + from_high),
            _ => even,
        }
    }
}

fn halo_place(local: IVec3) -> usize {
    local.x as usize + HALO * (local.y as usize + HALO * local.z as usize)
}

/// The edges of a block whose ends are known and on different sides.
fn cut_edges(halo: &[f32]) -> [u64; 24] {
    let mut bits = [0; 24];
    for slot in 0..SLOTS {
        let here = halo[halo_place(offset_of(slot))];
        for axis in 0..3 {
            let there = halo[halo_place(offset_of(slot) + IVec3::AXES[axis])];
            if !here.is_nan() && !there.is_nan() && is_inside(here) != is_inside(there) {
                let place = edge_slot(axis, slot);
                bits[place >> 6] |= 1 << (place & 63);
            }
        }
    }
    bits
}

struct Drawing<'a> {
    grid: &'a Grid,
    cuts: &'a [EdgeSet],
    positions: &'a [DVec3],
}

impl Drawing<'_> {
    fn block(&self, block: usize, halo: &[f32]) -> Vec<[u32; 3]> {
        let mut triangles = Vec::new();
        for slot in 0..SLOTS {
            let low = offset_of(slot);
            let corners = [0, 1, 2, 3, 4, 5, 6, 7].map(|corner| halo[halo_place(low + corner_offset(corner))]);
            if corners.iter().any(|w| w.is_nan()) {
                continue;
            }
            let inside = (0..8).fold(0, |bits, corner| bits | u8::from(is_inside(corners[corner])) << corner);
            for way in loops(inside) {
                self.fill(way, block, low, &mut triangles);
            }
        }
        triangles
    }

    /// Fills a loop by the sound fan whose spokes are shortest.
    fn fill(&self, way: &Loop, block: usize, low: IVec3, triangles: &mut Vec<[u32; 3]>) {
        let numbers = way.edges.iter().map(|edge| {
            let corner = self.grid.corner(block, low + corner_offset(edge.corner))?;
            self.cuts[corner.block].number_of(edge_slot(edge.axis, corner.slot))
        });
        // Every edge of a loop is cut, so none is missing.
        let Some(numbers) = numbers.collect::<Option<Vec<u32>>>() else { return };
        let count = numbers.len();
        let at = |apex: usize, i: usize| numbers[(apex + i) % count];
        let spokes = |apex: usize| {
            let place = |i: usize| self.positions[at(apex, i) as usize];
            (2..count - 1).map(|i| place(0).distance_squared(place(i))).sum::<f64>()
        };
        let best = way.fans.iter().copied().min_by(|a, b| spokes(*a).total_cmp(&spokes(*b))).unwrap_or(0);
        triangles.extend((1..count - 1).map(|i| [at(best, 0), at(best, i), at(best, i + 1)]));
    }
}

#[cfg(test)]
mod tests {
    use std::collections::HashSet;

    use super::*;
    use crate::mesh::TriMesh;
    use crate::mesh::intersect::self_intersections;
    use crate::mesh::wrap::grid::Key;

    const WIDE: i32 = 24;

    /// Draws a field that is given at every corner of a cube of three blocks and outside at its rim.
    fn drawn(field: impl Fn(usize) -> f32) -> TriMesh {
        let mut grid = Grid::over(DVec3::ZERO, DVec3::splat(20.0), 0.7);
        let places = (0..WIDE * WIDE * WIDE).map(|i| IVec3::new(i % WIDE, i / WIDE % WIDE, i / WIDE / WIDE));
        let mut keys: Vec<Key> = places.map(Key::corner).collect();
        keys.sort_unstable();
        grid.add_blocks(&keys);
        for (i, key) in keys.iter().enumerate() {
            let at = key.at();
            let rim = at.min_element() == 0 || at.max_element() == WIDE - 1;
            let block = grid.block_at(key.block()).unwrap();
            grid.blocks[block].winding[key.edge_slot()] = if rim { 0.0 } else { field(i) };
        }
        let hits = Hits::find(&TriMesh::default(), &mut grid);
        let drawn = contour(Source { grid: &grid, hits: &hits, tree: &TriTree::default(), sign: 1.0 });
        TriMesh::from_shape(drawn.positions, drawn.triangles)
    }

    /// Every side of a triangle is a side of one other triangle, the other way round.
    fn is_closed(mesh: &TriMesh) -> bool {
        let sides = || mesh.triangles.iter().flat_map(|[a, b, c]| [(*a, *b), (*b, *c), (*c, *a)]);
        let seen: HashSet<(u32, u32)> = sides().collect();
        seen.len() == 3 * mesh.triangles.len() && sides().all(|(a, b)| seen.contains(&(b, a)))
    }

    fn noise(i: usize) -> f32 {
        let mixed = (i as u64 + 1).wrapping_mul(0x9E37_79B9_7F4A_7C15);
        let mixed = (mixed ^ (mixed >> 29)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
        ((mixed ^ (mixed >> 32)) >> 40) as f32 / (1 << 24) as f32
    }

    #[test]
    fn a_random_field_gives_a_closed_surface_without_intersections() {
        for share in [0.1, 0.3, 0.5, 0.7, 0.9] {
            let mesh = drawn(|i| noise(i) + share - 0.5);
            assert!(mesh.triangles.len() > 5000);
            assert!(is_closed(&mesh));
            assert_eq!(self_intersections(&mesh), Vec::<[u32; 2]>::new());
        }
    }

    #[test]
    fn so_does_one_whose_crossings_lie_at_the_ends_of_their_edges() {
        let (near, far) = (1e-6, 10.0);
        for share in [0.3, 0.5, 0.7] {
            let size = |i: usize| if noise(i + 1_000_000) < 0.5 { near } else { far };
            let mesh = drawn(|i| 0.5 + if noise(i) < share { size(i) } else { -size(i) });
            assert!(is_closed(&mesh));
            assert_eq!(self_intersections(&mesh), Vec::<[u32; 2]>::new());
        }
    }
}
