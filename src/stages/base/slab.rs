//! The plate as a mesh: a prism with the soles' outlines in its top and cavities in its underside, and its parts.

use std::collections::BTreeMap;

use glam::DVec2;

use super::size::Plan;
use super::soles::place;
use crate::mesh::cut::{CutError, Flat, Plane, halves};
use crate::mesh::{Origin, TriMesh, measure};
use crate::units::snap_between_mm;

/// Numbers of cut faces before joints have theirs: feet from here on, seams from there on.
pub(super) const FOOT: u16 = 40_000;
pub(super) const SEAM: u16 = 50_000;

/// Places tried beside a seam whose cut fails, and their distance, mm.
const SEAM_TRIES: u32 = 8;
const SEAM_STEP_MM: f64 = 0.37;

/// What shows in the top of a plate.
#[derive(Clone, Debug)]
pub(super) struct Print {
    /// Directed edges of the sole's rim, seen from above with the sole to their right.
    pub edges: Vec<[DVec2; 2]>,
    /// Number of the cut face under it; an opening when there is none.
    pub face: Option<u16>,
}

/// A plate with prints of soles in its top.
///
/// # Errors
/// When outlines of soles touch each other.
pub(super) fn plate(plan: &Plan, top_mm: f64, colour: [f32; 3], prints: &[Print]) -> Result<TriMesh, CutError> {
    let mut slab = Slab { mesh: TriMesh::default(), colour };
    let floor_mm = top_mm - plan.height_mm;
    let lower = slab.ring(&plan.outline, floor_mm);
    let upper = slab.ring(&plan.outline, top_mm);
    slab.wall(&lower, &upper);
    slab.underside(plan, floor_mm, &lower)?;
    slab.top(top_mm, &upper, prints)?;
    Ok(slab.mesh)
}

struct Slab {
    mesh: TriMesh,
    colour: [f32; 3],
}

impl Slab {
    fn point(&mut self, p: DVec2, z_mm: f64) -> u32 {
        self.mesh.positions.push(p.extend(z_mm));
        self.mesh.colours.push(self.colour);
        self.mesh.positions.len() as u32 - 1
    }

    fn ring(&mut self, outline: &[DVec2], z_mm: f64) -> Vec<u32> {
        outline.iter().map(|p| self.point(*p, z_mm)).collect()
    }

    fn push(&mut self, triangle: [u32; 3], origin: Origin) {
        self.mesh.triangles.push(triangle);
        self.mesh.origins.push(origin);
    }

    /// Upright faces between two rings, their outside to the right of the rings' direction.
    fn wall(&mut self, lower: &[u32], upper: &[u32]) {
        for i in 0..lower.len() {
            let j = (i + 1) % lower.len();
            self.push([lower[i], lower[j], upper[j]], Origin::Skin);
            self.push([lower[i], upper[j], upper[i]], Origin::Skin);
        }
    }

    /// Fills directed edges in a level plane.
    fn level(&mut self, z_mm: f64, faces_up: bool, edges: &[[u32; 2]], origin: Origin) -> Result<(), CutError> {
        let flat = Flat { joint: 0, plane: Plane::new(2, z_mm), faces_up };
        let points: Vec<DVec2> = self.mesh.positions.iter().map(|p| flat.plane.flatten(*p)).collect();
        for triangle in flat.fill(&points, edges)?.triangles {
            self.push(triangle, origin);
        }
        Ok(())
    }

    /// The floor with its cavities, open from below.
    fn underside(&mut self, plan: &Plan, floor_mm: f64, lower: &[u32]) -> Result<(), CutError> {
        let mut floor: Vec<[u32; 2]> = closed(lower).map(|[a, b]| [b, a]).collect();
        for cavity in &plan.cavities {
            let mouth = self.ring(cavity, floor_mm);
            let roof = self.ring(cavity, floor_mm + plan.cavity_mm);
            floor.extend(closed(&mouth));
            let (mouth, roof): (Vec<u32>, Vec<u32>) =
                (mouth.into_iter().rev().collect(), roof.into_iter().rev().collect());
            self.wall(&mouth, &roof);
            let edges: Vec<[u32; 2]> = closed(&roof).collect();
            self.level(floor_mm + plan.cavity_mm, false, &edges, Origin::Skin)?;
        }
        self.level(floor_mm, false, &floor, Origin::Skin)
    }

    /// The top around the soles, and under each sole its cut face.
    fn top(&mut self, top_mm: f64, upper: &[u32], prints: &[Print]) -> Result<(), CutError> {
        let mut known: BTreeMap<[u64; 2], u32> = BTreeMap::new();
        let mut rims: Vec<Vec<[u32; 2]>> = Vec::with_capacity(prints.len());
        for print in prints {
            let mut at = |p: DVec2| *known.entry(place(p)).or_insert_with(|| self.point(p, top_mm));
            rims.push(print.edges.iter().map(|[a, b]| [at(*a), at(*b)]).collect());
        }
        // Where two soles share an edge, there is no plate between them.
        let mut around: Vec<[u32; 2]> = rims.iter().flatten().copied().collect();
        around.sort_unstable();
        let free = |e: &[u32; 2]| around.binary_search(&[e[1], e[0]]).is_err();
        let edges: Vec<[u32; 2]> = closed(upper).chain(around.iter().filter(|e| free(e)).copied()).collect();
        self.level(top_mm, true, &edges, Origin::Skin)?;
        for (print, rim) in prints.iter().zip(&rims) {
            if let Some(face) = print.face {
                let turned: Vec<[u32; 2]> = rim.iter().map(|[a, b]| [*b, *a]).collect();
                self.level(top_mm, true, &turned, Origin::Cut(face))?;
            }
        }
        Ok(())
    }
}

fn closed(ring: &[u32]) -> impl Iterator<Item = [u32; 2]> + '_ {
    ring.iter().zip(ring.iter().cycle().skip(1)).map(|(a, b)| [*a, *b])
}

/// A part of a plate and its place in the grid of parts.
#[derive(Clone, Debug)]
pub(super) struct Cell {
    pub mesh: TriMesh,
    pub at: [usize; 2],
}

/// Cuts a plate along its seams; each seam's faces bear its number, those across y after those across x.
///
/// # Errors
/// As the cut tells, when it fails at all places tried.
pub(super) fn cells(plate: TriMesh, seams: &[Vec<f64>; 2]) -> Result<Vec<Cell>, CutError> {
    let mut cells = vec![Cell { mesh: plate, at: [0, 0] }];
    for axis in 0..2 {
        let before = if axis == 0 { 0 } else { seams[0].len() as u16 };
        for (i, seam) in seams[axis].iter().enumerate() {
            // Only the last parts along the axis reach beyond this seam. All of them are cut at one place.
            let cut_all = |shift: u32| -> Result<Vec<Cell>, CutError> {
                let plane = Plane::new(axis, snap_between_mm(seam + f64::from(shift) * SEAM_STEP_MM));
                let mut cut = Vec::with_capacity(cells.len() + 1);
                for cell in &cells {
                    if cell.at[axis] != i {
                        cut.push(cell.clone());
                        continue;
                    }
                    let mut beyond = cell.at;
                    beyond[axis] += 1;
                    // Where the outline slants, a part may end before the seam or begin behind it.
                    let (low, high) = measure::bounds(&cell.mesh.positions);
                    if high[axis] < plane.offset_mm || low[axis] > plane.offset_mm {
                        let at = if high[axis] < plane.offset_mm { cell.at } else { beyond };
                        cut.push(Cell { mesh: cell.mesh.clone(), at });
                        continue;
                    }
                    let parted = halves(&cell.mesh, plane, SEAM + before + i as u16)?;
                    cut.push(Cell { mesh: parted.below.mesh, at: cell.at });
                    cut.push(Cell { mesh: parted.above.mesh, at: beyond });
                }
                Ok(cut)
            };
            cells = (1..SEAM_TRIES).fold(cut_all(0), |done, shift| done.or_else(|_| cut_all(shift)))?;
        }
    }
    cells.sort_by_key(|cell| cell.at);
    Ok(cells)
}
