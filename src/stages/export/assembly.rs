//! `assembly.json`: where each part's file goes in the figure, how parts meet, and in which order they are glued.

use serde::Serialize;

use super::totals::Written;
use crate::figure::{Figure, Pose};
use crate::stage::StageError;

/// Version of the layout; goes up with every change a reader could notice.
const FORMAT: u32 = 2;

#[derive(Serialize)]
struct Assembly<'a> {
    format: u32,
    parts: Vec<PartEntry<'a>>,
    joints: Vec<JointEntry<'a>>,
    /// Indices into `joints`.
    glue_order: &'a [usize],
}

#[derive(Serialize)]
struct PartEntry<'a> {
    name: &'a str,
    file: String,
    /// Bed coordinates to the assembled figure, those of the file after its build item's transform: row-major 4x4 for column vectors, mm.
    placement: [f64; 16],
    number: usize,
    filaments: &'a [String],
    volume_mm3: f64,
    /// Extent as it lies on the bed.
    size_mm: [f64; 3],
}

#[derive(Serialize)]
struct JointEntry<'a> {
    /// The part below the plane and the part above it, by name.
    a: &'a str,
    b: &'a str,
    /// Plane in the assembled figure: `normal . p = offset_mm`.
    normal: [f64; 3],
    offset_mm: f64,
    area_mm2: f64,
    keys: Vec<KeyEntry<'a>>,
}

#[derive(Serialize)]
struct KeyEntry<'a> {
    /// The part that carries it as a pin; a dowel otherwise.
    #[serde(skip_serializing_if = "Option::is_none")]
    pin_of: Option<&'a str>,
    centre: [f64; 3],
    dowel_mm: f64,
    socket_mm: f64,
    depth_mm: f64,
    /// Thickness to which a flat is filed along the dowel; a round one, or a pin, otherwise.
    #[serde(skip_serializing_if = "Option::is_none")]
    filed_to_mm: Option<f64>,
}

/// The whole file.
pub fn text(figure: &Figure, written: &[Written]) -> Result<Vec<u8>, StageError> {
    let name = |part: usize| figure.parts.get(part).map_or("", |part| part.name.as_str());
    let parts = figure.parts.iter().zip(written).map(|(part, written)| PartEntry {
        name: &part.name,
        file: format!("parts/{}.3mf", part.name),
        placement: part.pose.unwrap_or(Pose::IDENTITY).placement(),
        number: part.number,
        filaments: &written.filaments,
        volume_mm3: written.verified.volume_mm3,
        size_mm: written.verified.size_mm.to_array(),
    });
    let joints = figure.joints.iter().map(|joint| JointEntry {
        a: name(joint.a),
        b: name(joint.b),
        normal: joint.normal.to_array(),
        offset_mm: joint.offset_mm,
        area_mm2: joint.area_mm2,
        keys: joint
            .keys
            .iter()
            .map(|key| KeyEntry {
                pin_of: key.pin_of.map(name),
                centre: key.centre.to_array(),
                dowel_mm: key.dowel_mm,
                socket_mm: key.socket_mm,
                depth_mm: key.depth_mm,
                filed_to_mm: key.filed_to_mm,
            })
            .collect(),
    });
    let assembly =
        Assembly { format: FORMAT, parts: parts.collect(), joints: joints.collect(), glue_order: &figure.glue_order };
    let mut bytes = serde_json::to_vec_pretty(&assembly).map_err(|error| {
        StageError::failed(format!("`assembly.json` cannot be written: {error}"), "this is a fault of the program")
    })?;
    bytes.push(b'\n');
    Ok(bytes)
}
