//! The drilling template: A4 sheets at full size with the outline of the cut face and the holes, as seen from above.

use askama::Template as _;
use glam::DVec2;

use super::dowels::Dowel;

/// Room for a drawing on one sheet of A4, mm.
const SHEET_MM: DVec2 = DVec2::new(180.0, 225.0);
/// Kept free around the outline, mm.
const RIM_MM: f64 = 4.0;
/// Air at the ends of a dowel, mm: as in the report's dowel list.
const DOWEL_AIR_MM: f64 = 1.0;

/// The cut face of one piece.
#[derive(Clone, Debug)]
pub struct Face<'a> {
    pub name: &'a str,
    /// On the bed, seen from above, mm.
    pub outlines: Vec<Vec<DVec2>>,
    pub dowels: &'a [Dowel],
}

#[derive(Debug, askama::Template)]
#[template(path = "template.html", config = "src/pipeline/recut/askama.toml")]
struct Page<'a> {
    part: &'a str,
    height: String,
    sheets: Vec<Sheet<'a>>,
    /// Centimetre marks of the bar.
    bar: [f64; 4],
}

/// One sheet; lengths are millimetres, y grows downwards as drawings have it.
#[derive(Debug)]
struct Sheet<'a> {
    piece: &'a str,
    number: usize,
    of: usize,
    across: usize,
    down: usize,
    left: f64,
    top: f64,
    width: f64,
    height: f64,
    outline: String,
    holes: Vec<Hole>,
    rows: Vec<Row>,
}

#[derive(Clone, Debug)]
struct Hole {
    name: String,
    x: f64,
    y: f64,
    radius: f64,
    arm: f64,
    arm2: f64,
    label_x: f64,
    label_y: f64,
}

#[derive(Clone, Debug)]
struct Row {
    name: String,
    dowel: f64,
    length: f64,
    drill: f64,
    depth: f64,
    at: String,
}

/// The page; `None` when no face has a dowel.
///
/// # Errors
/// When the page cannot be filled in: a fault of the program.
pub fn page(part: &str, height_mm: f64, faces: &[Face<'_>]) -> Result<Option<String>, askama::Error> {
    let sheets: Vec<Sheet<'_>> = faces.iter().filter(|face| !face.dowels.is_empty()).flat_map(sheets).collect();
    if sheets.is_empty() {
        return Ok(None);
    }
    Page { part, height: super::plain(height_mm, 2), sheets, bar: [11.0, 21.0, 31.0, 41.0] }.render().map(Some)
}

/// A face on as many sheets as it needs.
fn sheets<'a>(face: &Face<'a>) -> Vec<Sheet<'a>> {
    let drawn = |p: DVec2| DVec2::new(p.x, -p.y);
    let start = (DVec2::INFINITY, DVec2::NEG_INFINITY);
    let corners = face.outlines.iter().flatten().map(|p| drawn(*p));
    let (low, high) = corners.fold(start, |(low, high), p| (low.min(p), high.max(p)));
    let (low, high) = ((low - RIM_MM).floor(), (high + RIM_MM).ceil());
    let count = ((high - low) / SHEET_MM).ceil().max(DVec2::ONE);
    let size = ((high - low) / count).ceil();
    let (across, down) = (count.x as usize, count.y as usize);
    let outline = path(&face.outlines, drawn);
    let holes: Vec<Hole> =
        face.dowels.iter().enumerate().map(|(i, dowel)| hole(i, dowel, drawn(dowel.centre))).collect();
    let rows: Vec<Row> = face.dowels.iter().enumerate().map(|(i, dowel)| row(i, dowel)).collect();
    let sheet = |i: usize| {
        let corner = low + size * DVec2::new((i % across) as f64, (i / across) as f64);
        Sheet {
            piece: face.name,
            number: i + 1,
            of: across * down,
            across,
            down,
            left: corner.x,
            top: corner.y,
            width: size.x,
            height: size.y,
            outline: outline.clone(),
            holes: holes.clone(),
            rows: rows.clone(),
        }
    };
    (0..across * down).map(sheet).collect()
}

/// Outlines as a path, to a hundredth of a millimetre.
fn path(outlines: &[Vec<DVec2>], drawn: impl Fn(DVec2) -> DVec2) -> String {
    let mut text = String::new();
    for outline in outlines {
        let points: Vec<String> = outline.iter().map(|p| drawn(*p)).map(|p| format!("{:.2} {:.2}", p.x, p.y)).collect();
        text += &format!("M{}Z", points.join("L"));
    }
    text
}

fn letter(index: usize) -> String {
    char::from_digit(10 + index as u32 % 26, 36).unwrap_or('x').to_ascii_uppercase().to_string()
}

fn hundredths(mm: f64) -> f64 {
    (100.0 * mm).round() / 100.0
}

fn hole(index: usize, dowel: &Dowel, at: DVec2) -> Hole {
    let radius = hundredths(0.5 * dowel.hole_mm);
    let (x, y, arm) = (hundredths(at.x), hundredths(at.y), radius + 3.0);
    Hole {
        name: letter(index),
        x,
        y,
        radius,
        arm,
        arm2: 2.0 * arm,
        label_x: hundredths(x + 0.8 * radius + 0.8),
        label_y: hundredths(y - 0.8 * radius - 0.8),
    }
}

fn row(index: usize, dowel: &Dowel) -> Row {
    Row {
        name: letter(index),
        dowel: hundredths(dowel.dowel_mm),
        length: hundredths(2.0 * dowel.depth_mm - DOWEL_AIR_MM),
        drill: hundredths(dowel.hole_mm),
        depth: hundredths(dowel.depth_mm),
        at: format!("{:.1} mm, {:.1} mm", dowel.centre.x, dowel.centre.y),
    }
}
