//! Cuts a part across at a height and lays what is above on the bed, face down.

use glam::{DVec2, DVec3};

use super::source::{STEP_MM, snap_to_step_mm};
use crate::mesh::cut::{self, CutError, NO_SOURCE, Pieces, Plane};
use crate::mesh::measure::{bounds, centroid, volume_mm3};
use crate::mesh::{TriMesh, hull};

/// Half lattice steps the plane is moved by when a corner lies on it or the section touches itself.
const NUDGES: [i32; 17] = [0, 1, -1, 2, -2, 3, -3, 4, -4, 6, -6, 8, -8, 12, -12, 16, -16];

/// A part cut across.
#[derive(Clone, Debug)]
pub struct Cut {
    /// Height of the plane, mm: the wanted one within some hundredths of a micrometre.
    pub plane_mm: f64,
    /// What is to be printed again, the largest first.
    pub rest: Vec<Rest>,
    /// Volume of what lies below, mm3.
    pub below_mm3: f64,
    /// Number and volume of pieces that are lower than a layer and so cannot be printed.
    pub crumbs: (usize, f64),
}

/// A piece above the cut, its cut face at z = 0.
#[derive(Clone, Debug)]
pub struct Rest {
    pub mesh: TriMesh,
    /// For each triangle the one of the part it lies on; `NO_SOURCE` for faces made anew.
    pub source: Vec<u32>,
    pub joint: u16,
    pub area_mm2: f64,
}

/// Cuts at `height_mm` above the bed; faces of the cut get the number `joint`.
///
/// # Errors
/// When no plane within some lattice steps gives sound pieces; see [`CutError`].
pub fn cut(mesh: &TriMesh, height_mm: f64, layer_mm: f64, joint: u16) -> Result<Cut, CutError> {
    let mut last = CutError::Misses;
    for nudge in NUDGES {
        let plane = Plane::new(2, snap_to_step_mm(height_mm) + f64::from(nudge) * STEP_MM);
        let made = cut::section(mesh, plane)
            .and_then(|section| cut::pieces(mesh, &section, &vec![true; section.regions.len()], joint));
        match made {
            Ok(made) if made.pieces.iter().all(|piece| cut::rim_crossings(&piece.mesh, plane, 1) == 0) => {
                return Ok(sorted(made, plane.offset_mm, layer_mm, joint));
            }
            Ok(_) => last = CutError::Touches,
            Err(error) => last = error,
        }
    }
    Err(last)
}

fn sorted(made: Pieces, plane_mm: f64, layer_mm: f64, joint: u16) -> Cut {
    let mut cut = Cut { plane_mm, rest: Vec::new(), below_mm3: 0.0, crumbs: (0, 0.0) };
    let mut above = Vec::new();
    for (i, mut piece) in made.pieces.into_iter().enumerate() {
        let volume = volume_mm3(&piece.mesh);
        let (low, high) = bounds(&piece.mesh.positions);
        if low.z < plane_mm {
            cut.below_mm3 += volume;
        } else if high.z - plane_mm < layer_mm {
            cut.crumbs = (cut.crumbs.0 + 1, cut.crumbs.1 + volume);
        } else {
            piece.mesh.positions.iter_mut().for_each(|p| p.z -= plane_mm);
            let area_mm2 = made.seams.iter().filter(|seam| seam.above == i).map(|seam| seam.area_mm2).sum();
            above.push((volume, Rest { mesh: piece.mesh, source: piece.source, joint, area_mm2 }));
        }
    }
    above.sort_by(|a, b| b.0.total_cmp(&a.0));
    cut.rest = above.into_iter().map(|(_, rest)| rest).collect();
    cut
}

impl Rest {
    /// Outlines of the cut face seen from above, material to the left.
    #[must_use]
    pub fn outlines(&self) -> Vec<Vec<DVec2>> {
        let flat = cut::flats(&self.mesh).into_iter().find(|flat| flat.joint == self.joint);
        flat.map(|flat| flat.outlines(&self.mesh)).unwrap_or_default()
    }

    /// How far the centre of mass lies inside the hull of the cut face, mm; negative beside it.
    #[must_use]
    pub fn inside_foot_mm(&self, outlines: &[Vec<DVec2>]) -> Option<f64> {
        let centre: DVec3 = centroid(&self.mesh)?;
        let corners: Vec<DVec2> = outlines.iter().flatten().copied().collect();
        hull::depth_inside(&hull::convex_hull(corners), centre.truncate()).map(|(depth, _)| depth)
    }

    /// Labels of the piece, given those of its part; faces made anew take the core's when they are printed.
    #[must_use]
    pub fn labels(&self, part: &[u8]) -> Vec<u8> {
        self.source.iter().map(|t| if *t == NO_SOURCE { 0 } else { part[*t as usize] }).collect()
    }
}
