//! `recut.json`: what was cut, and where each piece sits in the figure.

use serde::Serialize;

use super::dowels::Dowel;
use super::pieces::Cut;
use super::source::Source;
use crate::figure::Figure;
use crate::stages::export::PartWritten;

/// Version of the layout; goes up with every change a reader could notice.
const FORMAT: u32 = 1;

/// The whole file.
#[derive(Clone, Debug, Serialize)]
pub struct RecutRecord {
    pub format: u32,
    pub source: SourceEntry,
    pub printer: String,
    pub layer_mm: f64,
    /// Height that was measured on the printed half, from the bed, mm.
    pub measured_mm: f64,
    /// Height to plane it to: the last whole layer, mm.
    pub height_mm: f64,
    pub layers: usize,
    /// Height of the plane in the part's own coordinates, mm.
    pub plane_mm: f64,
    /// Volume of the half that is kept, before holes are drilled, mm3.
    pub kept_mm3: f64,
    /// Pieces lower than a layer, which are left out.
    pub crumbs: usize,
    pub crumbs_mm3: f64,
    pub parts: Vec<PieceEntry>,
    /// File of the drilling template, when there are dowels.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub template: Option<String>,
}

/// The part that was cut.
#[derive(Clone, Debug, Serialize)]
pub struct SourceEntry {
    pub part: String,
    pub number: usize,
    pub file: String,
    pub blake3: String,
}

/// A piece to print.
#[derive(Clone, Debug, Serialize)]
pub struct PieceEntry {
    pub name: String,
    pub file: String,
    /// File coordinates to the assembled figure: row-major 4x4 for column vectors, mm.
    pub placement: [f64; 16],
    pub number: usize,
    pub filaments: Vec<String>,
    pub volume_mm3: f64,
    /// Extent as it lies on the bed.
    pub size_mm: [f64; 3],
    pub face_mm2: f64,
    /// Middle of the cut face on the bed, the same for the piece and the printed half, mm.
    pub face_at_mm: [f64; 2],
    pub layers: usize,
    /// Filament with support and purge, g.
    pub grams: f64,
    pub hours: f64,
    pub tool_changes: usize,
    pub dowels: Vec<DowelEntry>,
}

/// A socket in the piece; the hole in the printed half is its like, straight below.
#[derive(Clone, Debug, Serialize)]
pub struct DowelEntry {
    pub centre_mm: [f64; 2],
    pub dowel_mm: f64,
    pub hole_mm: f64,
    pub depth_mm: f64,
}

/// What a piece is besides its files.
#[derive(Clone, Debug)]
pub struct Piece {
    pub face_mm2: f64,
    pub face_at_mm: [f64; 2],
    pub dowels: Vec<Dowel>,
}

/// Everything told about one recut.
#[must_use]
pub fn record(
    source: &Source,
    (measured_mm, height_mm, layers): (f64, f64, usize),
    cut: &Cut,
    figure: &Figure,
    written: &[PartWritten],
    pieces: &[Piece],
) -> RecutRecord {
    let placement = raised(source.part.placement, cut.plane_mm);
    let piece = |(part, (written, piece)): (&crate::figure::Part, (&PartWritten, &Piece))| {
        let estimate = part.estimate.clone().unwrap_or_default();
        PieceEntry {
            name: part.name.clone(),
            file: format!("parts/{}.3mf", part.name),
            placement,
            number: part.number,
            filaments: written.filaments.clone(),
            volume_mm3: written.volume_mm3,
            size_mm: written.size_mm,
            face_mm2: piece.face_mm2,
            face_at_mm: piece.face_at_mm,
            layers: estimate.layers,
            grams: estimate.mass_g + estimate.support_g + estimate.purge_g,
            hours: estimate.seconds / 3600.0,
            tool_changes: estimate.tool_changes,
            dowels: piece.dowels.iter().map(dowel_entry).collect(),
        }
    };
    RecutRecord {
        format: FORMAT,
        source: SourceEntry {
            part: source.part.name.clone(),
            number: source.part.number,
            file: source.part.file.clone(),
            blake3: source.digest.clone(),
        },
        printer: source.equipment.printer.name.clone(),
        layer_mm: source.layer_mm(),
        measured_mm,
        height_mm,
        layers,
        plane_mm: cut.plane_mm,
        kept_mm3: cut.below_mm3,
        crumbs: cut.crumbs.0,
        crumbs_mm3: cut.crumbs.1,
        parts: figure.parts.iter().zip(written.iter().zip(pieces)).map(piece).collect(),
        template: None,
    }
}

fn dowel_entry(dowel: &Dowel) -> DowelEntry {
    let (dowel_mm, hole_mm, depth_mm) = (dowel.dowel_mm, dowel.hole_mm, dowel.depth_mm);
    DowelEntry { centre_mm: dowel.centre.to_array(), dowel_mm, hole_mm, depth_mm }
}

/// The placement of something that was lowered by `by_mm` on the bed.
fn raised(mut placement: [f64; 16], by_mm: f64) -> [f64; 16] {
    for row in 0..3 {
        placement[4 * row + 3] += by_mm * placement[4 * row + 2];
    }
    placement
}
