//! The files of one part: the coloured object as it lies on the bed, and one solid per filament.
//!
//! Quarter turns are written into the corners. Any other turn would round them, so there the 3MF file keeps corners on the
//! lattice and its build turns them; solids are turned and rounded, for their format knows no transform.

use glam::{DVec3, Vec3};
use rayon::prelude::*;
use rustc_hash::FxHashSet;

use super::inks::Inks;
use crate::figure::{Part, Pose};
use crate::format::threemf::{self, ColouredObject, Transform};
use crate::format::write_stl;
use crate::mesh::solids::{InLevel, Solid, split_in_level, unpinch};
use crate::mesh::{TriMesh, measure};
use crate::stage::StageError;

/// A file's name in the run folder and its bytes.
pub type File = (String, Vec<u8>);

/// What one part is written as.
pub struct PartFiles {
    pub name: String,
    /// What the 3MF file is to say.
    pub object: ColouredObject,
    /// Palette entries in the part, ascending.
    pub filaments: Vec<String>,
    /// Palette entry per triangle, as written.
    pub labels: Vec<u8>,
    pub model: Option<File>,
    pub solids: Vec<File>,
    /// Triangles that took a neighbour's colour because patches touched in a single vertex.
    pub relabelled: usize,
    pub deep_share: f64,
    pub crossing: usize,
}

impl PartFiles {
    /// `banded` tells of each triangle whether its shell goes in level; empty for none.
    pub fn make(part: &Part, banded: &[bool], inks: &Inks, with_solids: bool) -> Result<Self, StageError> {
        let (mesh, turn) = filed(part)?;
        let mut labels = labels(part, inks)?;
        let failed = |what: String| {
            StageError::failed(
                format!("part `{}`: {what}", part.name),
                "this is a fault of the program; keep the scan and report it",
            )
        };
        let relabelled = unpinch(&mesh, &mut labels).map_err(|e| failed(e.to_string()))?;
        let used = by_area(&mesh, &labels, inks.colours.len());
        let up = turn.as_ref().map_or(DVec3::Z, |turn| turn.rotation.transpose() * DVec3::Z);
        let level = InLevel { up, triangles: banded };
        let mut object = object(part, &mesh, &labels, &used, inks);
        object.transform = turn.as_ref().map(transform);
        let (model, solids) = rayon::join(
            || threemf::write(&object).map_err(|e| failed(e.to_string())),
            || {
                with_solids
                    .then(|| split_in_level(&mesh, &labels, &inks.depth_mm, level))
                    .transpose()
                    .map_err(|e| failed(e.to_string()))
            },
        );
        let (model, solids) = (model?, solids?.unwrap_or_default());
        let stl = |solid: &Solid| {
            let positions = match &turn {
                None => solid.positions.iter().map(DVec3::to_array).collect(),
                Some(turn) => turned(&solid.positions, turn),
            };
            let bytes = write_stl::write(&positions, &solid.triangles).map_err(|e| failed(e.to_string()))?;
            Ok((format!("parts/{}/{}.stl", part.name, inks.file_names[solid.label as usize]), bytes))
        };
        let mut filaments = used.clone();
        filaments.sort_unstable();
        Ok(Self {
            name: part.name.clone(),
            filaments: filaments.into_iter().map(|l| inks.names[l as usize].clone()).collect(),
            model: Some((format!("parts/{}.3mf", part.name), model)),
            solids: solids.solids.par_iter().map(stl).collect::<Result<_, StageError>>()?,
            relabelled,
            deep_share: if with_solids { solids.deep_share } else { 1.0 },
            crossing: solids.crossing,
            object,
            labels,
        })
    }
}

/// The part's mesh in the coordinates of its file, and the move from there to the bed where it is still to be made.
fn filed(part: &Part) -> Result<(TriMesh, Option<Pose>), StageError> {
    let Some(pose) = part.pose else {
        let what = format!("part `{}` has no pose on the bed", part.name);
        return Err(StageError::failed(what, "put `orient` before `export`"));
    };
    let mut mesh = (*part.mesh).clone();
    if pose.is_by_quarters() {
        mesh.positions.par_iter_mut().for_each(|p| *p = pose.to_bed(*p) + DVec3::ZERO);
        return Ok((mesh, None));
    }
    // A lattice shift loses nothing, and near the origin numbers are short.
    let (low, _) = measure::bounds(&mesh.positions);
    mesh.positions.par_iter_mut().for_each(|p| *p -= low);
    let up = |p: &DVec3| (pose.rotation * *p).z;
    let lowest = mesh.positions.par_iter().map(up).reduce(|| f64::INFINITY, f64::min);
    let shift = pose.to_bed(low).truncate().extend(-lowest);
    Ok((mesh, Some(Pose { rotation: pose.rotation, shift })))
}

/// The move as a build item of a 3MF file says it: images of the axes, then the shift.
fn transform(turn: &Pose) -> Transform {
    let mut numbers = [0.0; 12];
    numbers[..9].copy_from_slice(&turn.rotation.to_cols_array());
    numbers[9..].copy_from_slice(&turn.shift.to_array());
    numbers
}

/// Corners on the bed in single precision. Readers weld corners that are equal, so one that would fall on another goes to
/// a number beside it.
fn turned(corners: &[DVec3], turn: &Pose) -> Vec<[f64; 3]> {
    let mut taken = FxHashSet::default();
    let place = |corner: &DVec3| {
        let bed = turn.to_bed(*corner).as_vec3() + Vec3::ZERO;
        let beside = (0..3).flat_map(|axis| [f32::next_up, f32::next_down].map(|next| (axis, next)));
        let near = beside.map(|(axis, next)| {
            let mut near = bed;
            near[axis] = next(near[axis]);
            near
        });
        let free = std::iter::once(bed).chain(near).find(|p| taken.insert(p.to_array().map(f32::to_bits)));
        free.unwrap_or(bed).as_dvec3().to_array()
    };
    corners.iter().map(place).collect()
}

/// The part's labels as printed.
fn labels(part: &Part, inks: &Inks) -> Result<Vec<u8>, StageError> {
    let labels = part.printed_labels().filter(|labels| labels.iter().all(|l| usize::from(*l) < inks.colours.len()));
    labels.ok_or_else(|| {
        let what = format!("part `{}` lacks a palette colour on some triangles", part.name);
        StageError::failed(what, "put `colour-reduce` before `export`")
    })
}

/// Labels in use, the one with the most area first, then ascending.
fn by_area(mesh: &TriMesh, labels: &[u8], count: usize) -> Vec<u8> {
    let (mut area, mut triangles) = (vec![0.0; count], vec![0_usize; count]);
    for (t, label) in labels.iter().enumerate() {
        area[*label as usize] += mesh.area_vector(t).length();
        triangles[*label as usize] += 1;
    }
    let mut used: Vec<u8> = (0..count).filter(|l| triangles[*l] > 0).map(|l| l as u8).collect();
    let of = |i: &usize| area[used[*i] as usize];
    if let Some(largest) = (0..used.len()).rev().max_by(|a, b| of(a).total_cmp(&of(b))) {
        used[..=largest].rotate_right(1);
    }
    used
}

fn object(part: &Part, mesh: &TriMesh, labels: &[u8], used: &[u8], inks: &Inks) -> ColouredObject {
    let mut place = [0_u8; 256];
    for (i, label) in used.iter().enumerate() {
        place[*label as usize] = i as u8;
    }
    ColouredObject {
        name: part.name.clone(),
        positions: mesh.positions.iter().map(DVec3::to_array).collect(),
        triangles: mesh.triangles.clone(),
        colours: used.iter().map(|l| inks.colours[*l as usize]).collect(),
        colour_of: labels.iter().map(|l| place[*l as usize]).collect(),
        transform: None,
    }
}
