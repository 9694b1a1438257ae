//! What a recut starts from: a published run, one of its parts as it lies on the bed, and the filaments of its colours.

use std::io;
use std::path::Path;

use glam::{DMat3, DVec3};
use rayon::prelude::*;
use serde::Deserialize;

use super::RecutError;
use crate::equipment::{Equipment, Filament};
use crate::format::threemf::{self, ColouredObject};
use crate::mesh::inspect::inspect;
use crate::mesh::intersect::first_self_intersections;
use crate::mesh::{Origin, TriMesh, measure};
use crate::pipeline::run_folder::{self, LOG};
use crate::pipeline::spec::read_spec;
use crate::problem::nearest;
use crate::run_record::{Outcome, RunRecord};
use crate::stages::Stage;

/// Files that say where parts sit in the figure: that of a run, and that of an earlier recut.
const PLANS: [&str; 2] = ["assembly.json", super::FILE];
/// Coordinates on the bed are multiples of this, mm: the lattice, and the cut planes half-way between.
pub const STEP_MM: f64 = 1.0 / 32768.0;

/// Where parts sit in the figure, as far as it matters here.
#[derive(Debug, Deserialize)]
struct Assembly {
    parts: Vec<PartEntry>,
    #[serde(default)]
    joints: Vec<JointEntry>,
}

/// A part of the run.
#[derive(Clone, Debug, Deserialize)]
pub struct PartEntry {
    pub name: String,
    pub file: String,
    /// Bed coordinates to the assembled figure: row-major 4x4 for column vectors, mm.
    pub placement: [f64; 16],
    pub number: usize,
    filaments: Vec<String>,
}

#[derive(Debug, Deserialize)]
struct JointEntry {
    a: String,
    b: String,
    normal: DVec3,
    offset_mm: f64,
}

/// A part of a published run.
#[derive(Clone, Debug)]
pub struct Source {
    pub record: RunRecord,
    /// Shelf and printer of the run.
    pub equipment: Equipment,
    pub stages: Vec<Stage>,
    pub part: PartEntry,
    /// BLAKE3 of the part's file.
    pub digest: String,
    /// As it lies on the bed; faces of the run's joints are known as such.
    pub mesh: TriMesh,
    /// Entry of `palette` per triangle.
    pub labels: Vec<u8>,
    pub palette: Vec<Filament>,
    /// Joint number that is not in use in `mesh`.
    pub free_joint: u16,
}

impl Source {
    /// Reads a run and one of its parts.
    ///
    /// # Errors
    /// When there is no such run or part, the run did not end well, or a file is not what the run wrote.
    pub fn read(run: &Path, part: &str) -> Result<Self, RecutError> {
        let record = finished_log(run)?;
        let equipment = record.equipment.clone().ok_or_else(|| {
            let what = format!("`{}` does not tell its shelf and printer: an earlier version made it", run.display());
            RecutError::order(what, "make it anew with `statuary rerun`; what is unchanged is not done again")
        })?;
        let log = run.join(LOG).display().to_string();
        let stages = read_spec(&record.pipeline, &log, &record.pipeline_yaml).map_err(RecutError::Settings)?.stages;
        let assembly = read_assembly(run, &record)?;
        let entry = find(&assembly.parts, part)?.clone();
        let bytes = output(run, &record, &entry.file)?;
        let object = threemf::read_placed(&bytes).map_err(|error| changed(run, &entry.file, &error.to_string()))?;
        let palette = palette(&object, &entry, &equipment.shelf)
            .ok_or_else(|| changed(run, &entry.file, "it has a colour that is on no filament of the run's shelf"))?;
        let mut mesh = on_lattice(&object).ok_or_else(|| {
            changed(run, &entry.file, "turned onto the bed and rounded, its surface runs through itself")
        })?;
        let free_joint = mark_joints(&mut mesh, &entry, &assembly.joints);
        let (labels, digest) = (object.colour_of, blake3::hash(&bytes).to_hex().to_string());
        Ok(Self { record, equipment, stages, part: entry, digest, mesh, labels, palette, free_joint })
    }

    /// Height of the part on the bed, mm.
    #[must_use]
    pub fn height_mm(&self) -> f64 {
        measure::bounds(&self.mesh.positions).1.z
    }

    /// Layer height the run was made with, mm.
    #[must_use]
    pub fn layer_mm(&self) -> f64 {
        let of = |stage: &Stage| if let Stage::Estimate(own) = stage { Some(own.layer_mm) } else { None };
        self.stages.iter().find_map(of).filter(|mm| *mm > 0.0).unwrap_or(self.equipment.printer.layer_mm)
    }
}

/// The log of a run that ended well.
fn finished_log(run: &Path) -> Result<RunRecord, RecutError> {
    let shown = run.display();
    let record = run_folder::read_log(run).map_err(|error| match error.kind() {
        io::ErrorKind::NotFound if run.is_dir() => {
            let what = format!("`{shown}` holds no {LOG}: the run was stopped or failed before it was done");
            RecutError::order(what, "give the folder of a run that was published; a run that stopped left no parts")
        }
        _ => RecutError::order(format!("`{shown}` is no run folder: {error}"), "give the folder that holds run.json"),
    })?;
    match record.outcome {
        Outcome::Done | Outcome::DoneWithFaults => Ok(record),
        Outcome::Running | Outcome::Failed => {
            let why = record.error.map_or_else(String::new, |error| format!(": {error}"));
            let what = format!("the run in `{shown}` did not end well{why}");
            Err(RecutError::order(what, "run it again; its parts are not complete"))
        }
    }
}

fn changed(run: &Path, file: &str, what: &str) -> RecutError {
    let hint = "put back the file as the run wrote it, or make the run anew with `statuary rerun`";
    RecutError::File { file: run.join(file).display().to_string(), what: what.to_owned(), hint: hint.to_owned() }
}

fn output(run: &Path, record: &RunRecord, file: &str) -> Result<Vec<u8>, RecutError> {
    run_folder::read_output(run, record, file).map_err(|error| changed(run, file, &error.to_string()))
}

fn read_assembly(run: &Path, record: &RunRecord) -> Result<Assembly, RecutError> {
    let written = |plan: &&str| record.outputs.iter().any(|output| output.file == **plan);
    let plan = PLANS.into_iter().find(written).ok_or_else(|| {
        let what = format!("the run in `{}` wrote no parts", run.display());
        RecutError::order(what, "run a pipeline that ends with `export`")
    })?;
    let text = output(run, record, plan)?;
    serde_json::from_slice(&text).map_err(|error| changed(run, plan, &error.to_string()))
}

/// The part a text stands for: its name, its number, or what only one name holds.
fn find<'a>(parts: &'a [PartEntry], wanted: &str) -> Result<&'a PartEntry, RecutError> {
    if let Some(part) = parts.iter().find(|part| part.name == wanted) {
        return Ok(part);
    }
    if let Ok(number) = wanted.parse::<usize>()
        && let Some(part) = parts.iter().find(|part| part.number == number)
    {
        return Ok(part);
    }
    let is_text = !wanted.is_empty() && wanted.parse::<usize>().is_err();
    let met: Vec<&PartEntry> = parts.iter().filter(|part| is_text && part.name.contains(wanted)).collect();
    let names = |parts: &[&PartEntry]| parts.iter().map(|part| part.name.as_str()).collect::<Vec<_>>().join(", ");
    match met.as_slice() {
        [one] => Ok(one),
        [] => {
            let all: Vec<&PartEntry> = parts.iter().collect();
            let near = nearest(wanted, parts.iter().map(|part| part.name.as_str()));
            let guess = near.map_or_else(String::new, |near| format!("did you mean `{near}`? "));
            let what = format!("the run has no part `{wanted}`");
            Err(RecutError::order(what, format!("{guess}parts: {}", names(&all))))
        }
        several => {
            let what = format!("`{wanted}` may be {} parts: {}", several.len(), names(several));
            Err(RecutError::order(what, "give the whole name, or the number"))
        }
    }
}

/// The filament of each colour: one of the part's own; of the shelf, if those do not tell.
fn palette(object: &ColouredObject, part: &PartEntry, shelf: &[Filament]) -> Option<Vec<Filament>> {
    let own = |filament: &&Filament| part.filaments.contains(&filament.name);
    let of = |colour: &[u8; 3]| {
        let mut alike = shelf.iter().filter(|filament| filament.srgb() == Some(*colour));
        let first = alike.clone().next();
        alike.find(own).or(first).cloned()
    };
    object.colours.iter().map(of).collect()
}

/// A length on the bed as an exact multiple of half a lattice step, mm.
pub fn snap_to_step_mm(length_mm: f64) -> f64 {
    (length_mm / STEP_MM).round() * STEP_MM
}

/// The object with its corners where parts on the bed have theirs; `None` when a turn that is no quarter turn makes its
/// surface cross itself.
fn on_lattice(object: &ColouredObject) -> Option<TriMesh> {
    let snap = |p: &[f64; 3]| DVec3::from_array(p.map(snap_to_step_mm));
    let positions: Vec<DVec3> = object.positions.par_iter().map(snap).collect();
    let same = positions.par_iter().zip(&object.positions).all(|(p, q)| p.to_array() == *q);
    let mesh = TriMesh::from_shape(positions, object.triangles.clone());
    (same || (inspect(&mesh).is_closed() && first_self_intersections(&mesh, 1).is_empty())).then_some(mesh)
}

/// Marks the triangles that lie in a joint of the part as cut faces; gives the first number that is free.
fn mark_joints(mesh: &mut TriMesh, part: &PartEntry, joints: &[JointEntry]) -> u16 {
    let m = part.placement;
    let to_bed = DMat3::from_cols_array(&[m[0], m[1], m[2], m[4], m[5], m[6], m[8], m[9], m[10]]);
    let shift = DVec3::new(m[3], m[7], m[11]);
    let own = |(_, joint): &(usize, &JointEntry)| joint.a == part.name || joint.b == part.name;
    let plane = |(i, joint): (usize, &JointEntry)| {
        let normal = to_bed * joint.normal;
        let axis = (0..3).find(|axis| (normal[*axis].abs() - 1.0).abs() < 1e-9)?;
        let offset_mm = (joint.offset_mm - joint.normal.dot(shift)) * normal[axis].signum();
        Some((i as u16, axis, snap_to_step_mm(offset_mm)))
    };
    let planes: Vec<(u16, usize, f64)> = joints.iter().enumerate().filter(own).filter_map(plane).collect();
    for t in 0..mesh.triangles.len() {
        let corners = mesh.corners(t);
        let lies_in =
            |(_, axis, at): &&(u16, usize, f64)| corners.iter().all(|p| (p[*axis] - at).abs() < 0.5 * STEP_MM);
        if let Some((joint, ..)) = planes.iter().find(lies_in) {
            mesh.origins[t] = Origin::Cut(*joint);
        }
    }
    joints.len() as u16
}
