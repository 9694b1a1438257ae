//! Reads a part's files back and looks for every fault that would spoil a print. One fault stops the run.

use std::io::Cursor;

use glam::DVec3;
use rayon::prelude::*;

use super::part_files::{File, PartFiles};
use crate::equipment::Printer;
use crate::format::threemf::ColouredObject;
use crate::format::threemf_check;
use crate::mesh::TriMesh;
use crate::mesh::inspect::{Faults, inspect};
use crate::mesh::intersect::first_self_intersections;
use crate::mesh::measure::bounds;
use crate::stage::StageError;

/// Solids may differ from their part by rounding to single precision only, relative.
const VOLUME_TOLERANCE: f64 = 1e-6;
/// Turned corners may be off by this, mm: readers keep a transform in single precision.
const TURNED_MM: f64 = 1e-3;
const HINT: &str = "this is a fault of the program; keep the scan and report it";

/// What was read of a sound part.
pub struct Verified {
    pub volume_mm3: f64,
    pub size_mm: DVec3,
    pub triangles: usize,
    /// Triangles without area; they bound nothing.
    pub flat_triangles: usize,
    /// Difference between the solids' volumes and the part's, relative.
    pub solids_error: f64,
}

/// Checks everything that was stored for a part.
pub fn part(files: &PartFiles, printer: &Printer) -> Result<Verified, StageError> {
    let failed = |what: String, hint: &str| Err(StageError::failed(format!("part `{}`: {what}", files.name), hint));
    let Some((name, bytes)) = &files.model else { return failed("was not written".to_owned(), HINT) };
    let checked = threemf_check::check(bytes);
    if let Some(fault) = checked.faults.first() {
        return failed(format!("`{name}` breaks a rule of its format: {fault}"), HINT);
    }
    if checked.object.as_ref() != Some(&files.object) {
        return failed(format!("`{name}` reads back as another object"), HINT);
    }
    let mesh = mesh_of(&files.object);
    let faults = inspect(&mesh);
    if !faults.is_closed() || faults.volume_mm3 <= 0.0 {
        return failed(format!("is no closed solid: {}", in_words(&faults)), HINT);
    }
    let crossing = first_self_intersections(&mesh, 1);
    if let Some([a, _]) = crossing.first() {
        let [x, y, z] = mesh.corners(*a as usize)[0].to_array();
        return failed(format!("its surface runs through itself near ({x:.1}, {y:.1}, {z:.1}) mm"), HINT);
    }
    let placed: Vec<DVec3> = files.object.placed().into_iter().map(DVec3::from).collect();
    let (low, high) = bounds(&placed);
    if let Some((what, hint)) = bed_fault(low, high, &files.object, printer) {
        return failed(what, hint);
    }
    let solids_error = match solids(&files.solids, faults.volume_mm3) {
        Ok(error) => error,
        Err(what) => return failed(what, HINT),
    };
    let Faults { triangles, degenerate, volume_mm3, .. } = faults;
    Ok(Verified { volume_mm3, size_mm: high - low, triangles, flat_triangles: degenerate, solids_error })
}

fn mesh_of(object: &ColouredObject) -> TriMesh {
    TriMesh::from_shape(object.positions.iter().map(|p| DVec3::from(*p)).collect(), object.triangles.clone())
}

fn in_words(faults: &Faults) -> String {
    format!(
        "{} open, {} crowded and {} flipped edges, {} pinched vertices, {:.1} mm3",
        faults.open_edges, faults.crowded_edges, faults.flipped_edges, faults.pinched_vertices, faults.volume_mm3
    )
}

/// What keeps a part from being printed as it lies.
fn bed_fault(low: DVec3, high: DVec3, object: &ColouredObject, printer: &Printer) -> Option<(String, &'static str)> {
    let room = DVec3::from(printer.volume_mm);
    let off_mm = if object.transform.is_some() { TURNED_MM } else { 0.0 };
    if low.z.abs() > off_mm {
        return Some((format!("lies {} mm above the bed instead of on it", low.z), HINT));
    }
    if low.min_element() < -off_mm || (high - room).max_element() > off_mm {
        let what = format!("reaches from {low:.1} to {high:.1} mm, outside the build volume of {room:.1} mm");
        return Some((what, "raise the margins of `split` and `orient`, or choose a larger printer"));
    }
    if object.colours.len() > printer.tools {
        let (found, tools) = (object.colours.len(), printer.tools);
        let what = format!("has {found} filaments, and printer `{}` holds {tools}", printer.name);
        return Some((what, "lower `colours_max` of `colour-reduce`"));
    }
    None
}

/// Checks that solids are closed and fill the part; gives the relative error of their volumes' sum.
fn solids(files: &[File], part_mm3: f64) -> Result<f64, String> {
    if files.is_empty() {
        return Ok(0.0);
    }
    let volumes = files.par_iter().map(solid_mm3).collect::<Result<Vec<f64>, String>>()?;
    let error = volumes.iter().sum::<f64>() / part_mm3 - 1.0;
    if error.abs() > VOLUME_TOLERANCE {
        return Err(format!("its solids fill {:.6} of its volume", 1.0 + error));
    }
    Ok(error)
}

fn solid_mm3((name, bytes): &File) -> Result<f64, String> {
    let read = stl_io::read_stl(&mut Cursor::new(bytes)).map_err(|e| format!("`{name}` cannot be read: {e}"))?;
    let positions = read.vertices.iter().map(|v| DVec3::from(v.0.map(f64::from))).collect();
    let triangles = read.faces.iter().map(|face| face.vertices.map(|v| v as u32)).collect();
    let faults = inspect(&TriMesh::from_shape(positions, triangles));
    if faults.open_edges + faults.crowded_edges + faults.flipped_edges > 0 || faults.volume_mm3 <= 0.0 {
        return Err(format!("`{name}` is no closed solid: {}", in_words(&faults)));
    }
    Ok(faults.volume_mm3)
}
