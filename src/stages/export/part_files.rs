//! The files of one part: the coloured object as it lies on the bed, and one solid per filament.

use glam::DVec3;
use rayon::prelude::*;

use super::inks::Inks;
use crate::figure::Part;
use crate::format::threemf::{self, ColouredObject};
use crate::format::write_stl;
use crate::mesh::TriMesh;
use crate::mesh::solids::{Solid, split_by_label, unpinch};
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
    pub fn make(part: &Part, inks: &Inks, with_solids: bool) -> Result<Self, StageError> {
        let mesh = posed(part)?;
        let mut labels = labels(part, inks)?;
        let failed = |what: String| {
            StageError::failed(
                format!("part `{}`: {what}", part.name),
                "this is a fault of the program; keep the scan and report it",
            )
        };
        let relabelled = unpinch(&mesh, &mut labels).map_err(|e| failed(e.to_string()))?;
        let used = by_area(&mesh, &labels, inks.colours.len());
        let object = object(part, &mesh, &labels, &used, inks);
        let (model, solids) = rayon::join(
            || threemf::write(&object).map_err(|e| failed(e.to_string())),
            || {
                with_solids
                    .then(|| split_by_label(&mesh, &labels, &inks.depth_mm))
                    .transpose()
                    .map_err(|e| failed(e.to_string()))
            },
        );
        let (model, solids) = (model?, solids?.unwrap_or_default());
        let stl = |solid: &Solid| {
            let positions: Vec<[f64; 3]> = solid.positions.iter().map(DVec3::to_array).collect();
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

/// The part's mesh in bed coordinates.
fn posed(part: &Part) -> Result<TriMesh, StageError> {
    let Some(pose) = part.pose else {
        let what = format!("part `{}` has no pose on the bed", part.name);
        return Err(StageError::failed(what, "put `orient` before `export`"));
    };
    let mut mesh = (*part.mesh).clone();
    mesh.positions.par_iter_mut().for_each(|p| *p = pose.to_bed(*p) + DVec3::ZERO);
    Ok(mesh)
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
    }
}
