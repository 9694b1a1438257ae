//! The figure that turns in the browser: parts made coarser to one budget, packed into the page, drawn by its script.
//!
//! ```text
//! Figure -classes-> a class per triangle -coarse-> Shown -pack-> bytes -> base64 in the page -decode.js, draw.js, view.js-> canvas
//! ```
//!
//! The page is whole without: the script hides the pictures it makes needless, and shows them again when it cannot go on.

pub mod classes;
mod coarse;
mod pack;

use base64::Engine;
use base64::engine::general_purpose::STANDARD;
use glam::DVec3;
use rayon::prelude::*;
use serde::{Deserialize, Serialize};

use self::coarse::Shown;
use self::pack::Packed;
use super::{explode, words};
use crate::colour::spaces::{bytes_of_linear, format_hex, linear_of_oklab};
use crate::figure::Figure;
use crate::finding::Severity;
use crate::mesh::tree::TriTree;
use crate::run_record::{RunRecord, StageRecord};

/// Triangles of all parts together.
const BUDGET: usize = 320_000;
/// Bytes of all parts together, before base64.
const BYTES_MAX: usize = 6_000_000;
/// Marks of thin walls.
const MARKS_MAX: usize = 3000;

/// What the page needs for the view.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct View {
    /// JSON for the script, without characters that mean something in HTML.
    pub data: String,
    pub parts: Vec<PartLine>,
    /// Whether parts have filaments.
    pub printed: bool,
    /// What the marks at places of findings mean; none when no finding has a place.
    pub found: Vec<Key>,
    pub triangles: usize,
    /// Triangles of the parts as they are printed.
    pub triangles_printed: usize,
    /// Size of the packed parts, before base64.
    pub bytes: usize,
}

impl View {
    /// Whether it is small enough for a page; a figure of loose triangles may not be.
    #[must_use]
    pub fn fits(&self) -> bool {
        self.bytes <= BYTES_MAX
    }
}

/// A line of the list of parts.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct PartLine {
    pub name: String,
    /// Its colour when parts are told apart, `#RRGGBB`.
    pub colour: String,
    /// What was found on it, such as `2 warnings`; may be empty.
    pub found: String,
}

/// A colour of the view and what it stands for.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Key {
    pub colour: String,
    pub meaning: String,
}

/// Colours of what was found: closed surface, thin walls, parts with a finding.
const FILL: &str = "#D9791A";
const THIN: &str = "#B3163C";
const NAMED: &str = "#9A8BC0";
/// Of places that findings name.
const SPOT: &str = "#0B6FA4";

/// Places of thin walls, and places that findings name, mm.
type Marks = [Vec<DVec3>; 2];

/// What the script reads.
#[derive(Debug, Serialize)]
struct Data {
    /// Colours of the classes, sRGB.
    shades: Vec<[u8; 3]>,
    found: [&'static str; 4],
    parts: Vec<PartData>,
}

#[derive(Debug, Serialize)]
struct PartData {
    name: String,
    colour: String,
    /// Whether a finding names it, and not the only part.
    named: bool,
    /// Where it goes when the figure is taken apart, mm.
    apart: DVec3,
    low: DVec3,
    step: f64,
    vertices: usize,
    triangles: usize,
    marks: Marks,
    bytes: String,
}

/// The view of a figure; `None` when there is nothing to see.
#[must_use]
pub fn of(figure: &Figure, run: &RunRecord) -> Option<View> {
    let (low, high) = figure.bounds();
    let size_mm = (high - low).max_element();
    if !(size_mm > 0.0 && size_mm.is_finite()) {
        return None;
    }
    let mut shades = classes::shades(figure);
    shades.truncate(classes::NO_SHADE);
    let classes = (0..figure.parts.len()).into_par_iter().map(|part| classes::of(figure, part)).collect();
    let meshes: Vec<_> = figure.parts.iter().map(|part| part.mesh.as_ref()).collect();
    let shown = coarse::coarsen(&meshes, classes, BUDGET, size_mm);
    let packed: Vec<Packed> = shown.par_iter().map(pack::pack).collect();
    let triangles_printed = meshes.iter().map(|mesh| mesh.triangles.len()).sum();
    let triangles = packed.iter().map(|part| part.triangles).sum();
    let bytes: usize = packed.iter().map(|part| part.bytes.len()).sum();
    if triangles == 0 {
        return None;
    }
    let parts = lines(figure, run);
    let marks = marks(figure, run, &shown);
    let found = found(&shown, &marks, &parts);
    let printed = !figure.palette.is_empty() && figure.parts.iter().any(|part| part.labels.is_some());
    let data = Data { shades, found: [FILL, THIN, NAMED, SPOT], parts: part_data(figure, &parts, packed, marks) };
    // These four could end the script's element or start another; in JSON they stand in texts only.
    let escape = |data: String| ['<', '>', '&', '\''].iter().fold(data, |data, c| data.replace(*c, &escaped(*c)));
    Some(View {
        data: escape(serde_json::to_string(&data).ok()?),
        parts,
        printed,
        found,
        triangles,
        triangles_printed,
        bytes,
    })
}

fn escaped(c: char) -> String {
    format!("\\u{:04x}", u32::from(c))
}

fn part_data(figure: &Figure, lines: &[PartLine], packed: Vec<Packed>, marks: Vec<Marks>) -> Vec<PartData> {
    let shifts = explode::shifts(figure);
    let several = lines.len() > 1;
    let part = |(((packed, line), marks), apart): (((Packed, &PartLine), Marks), DVec3)| PartData {
        name: line.name.clone(),
        colour: line.colour.clone(),
        named: several && !line.found.is_empty(),
        apart,
        low: packed.low,
        step: packed.step_mm,
        vertices: packed.vertices,
        triangles: packed.triangles,
        marks,
        bytes: STANDARD.encode(packed.bytes),
    };
    packed.into_iter().zip(lines).zip(marks).zip(shifts).map(part).collect()
}

fn lines(figure: &Figure, run: &RunRecord) -> Vec<PartLine> {
    let found = |name: &str, severity| {
        run.findings().filter(|f| f.severity == severity && f.part.as_deref() == Some(name)).count()
    };
    let line = |(index, part): (usize, &crate::figure::Part)| {
        let kinds = [(Severity::Fault, "fault", "faults"), (Severity::Warning, "warning", "warnings")];
        let kinds = kinds.into_iter().chain([(Severity::Note, "note", "notes")]);
        let counted = kinds.map(|(severity, one, many)| (found(&part.name, severity), one, many));
        let told = counted.filter(|(n, ..)| *n > 0).map(|(n, one, many)| words::counted(n, one, many));
        PartLine {
            name: if part.name.is_empty() { part.number.to_string() } else { part.name.clone() },
            colour: part_colour(index),
            found: told.collect::<Vec<_>>().join(", "),
        }
    };
    figure.parts.iter().enumerate().map(line).collect()
}

/// A colour for the part with this index, `#RRGGBB`: hues a golden angle apart, so that no two near ones are alike.
fn part_colour(index: usize) -> String {
    const GOLDEN_ANGLE_DEG: f64 = 137.508;
    const LIGHT: [f64; 3] = [0.7, 0.58, 0.8];
    const CHROMA: f64 = 0.11;
    let hue = (40.0 + GOLDEN_ANGLE_DEG * index as f64).to_radians();
    let linear = linear_of_oklab([LIGHT[index % 3], CHROMA * hue.cos(), CHROMA * hue.sin()]);
    format_hex(bytes_of_linear(linear.map(|x| x.clamp(0.0, 1.0))))
}

/// Places of thin walls, and those that findings name, by the part they are nearest to, mm.
fn marks(figure: &Figure, run: &RunRecord, shown: &[Shown]) -> Vec<Marks> {
    let step = figure.thin_at.len().div_ceil(MARKS_MAX).max(1);
    let thin: Vec<DVec3> = figure.thin_at.iter().copied().step_by(step).collect();
    let spots = spots(figure, run);
    let mut marks = vec![[const { Vec::new() }; 2]; shown.len()];
    if thin.is_empty() && spots.is_empty() {
        return marks;
    }
    let tree = |part: &Shown| TriTree::new(&part.positions, &part.triangles);
    let trees: Vec<TriTree> = shown.par_iter().map(tree).collect();
    let nearest = |point: &DVec3| {
        let near = |tree: &TriTree| tree.nearest(*point, f64::INFINITY).map(|near| (near.distance, near.point));
        let near = trees.iter().enumerate().filter_map(|(part, tree)| Some((part, near(tree)?)));
        near.min_by(|a, b| a.1.0.total_cmp(&b.1.0)).map(|(part, (_, point))| (part, point))
    };
    for (kind, points) in [thin, spots].into_iter().enumerate() {
        let near: Vec<Option<(usize, DVec3)>> = points.par_iter().map(nearest).collect();
        for (point, (part, on_surface)) in points.into_iter().zip(near).filter_map(|(point, near)| Some((point, near?)))
        {
            // The middle of a hole or a cut lies inside: what is to be seen is where the surface is.
            marks[part][kind].push(if kind == 0 { point } else { on_surface });
        }
    }
    marks
}

/// Points that findings of faults and warnings name, in the figure as it is now; those of stages before `scale` are brought to
/// size.
fn spots(figure: &Figure, run: &RunRecord) -> Vec<DVec3> {
    let scaled_at = run.stages.iter().position(|stage| stage.stage == "scale").unwrap_or(0);
    let brought = |index: usize, p: DVec3| match figure.to_size {
        Some(to_size) if index < scaled_at => to_size.place(p),
        _ => p,
    };
    let of_stage = |(index, stage): (usize, &StageRecord)| -> Vec<DVec3> {
        let told = stage.findings.iter().filter(|finding| finding.severity > Severity::Note);
        told.flat_map(|finding| &finding.spots_mm).map(|spot| brought(index, DVec3::from(*spot))).collect()
    };
    let mut spots: Vec<DVec3> = run.stages.iter().enumerate().flat_map(of_stage).filter(|p| p.is_finite()).collect();
    spots.truncate(MARKS_MAX);
    spots
}

fn found(shown: &[Shown], marks: &[Marks], parts: &[PartLine]) -> Vec<Key> {
    let key = |colour: &str, meaning: &str| Key { colour: colour.to_owned(), meaning: meaning.to_owned() };
    let closed = shown.iter().flat_map(|part| &part.classes).any(|class| classes::is_fill(*class));
    let mut keys = Vec::new();
    if closed {
        keys.push(key(FILL, "closed without a scan"));
    }
    let marked = |kind: usize| marks.iter().any(|marks| !marks[kind].is_empty());
    if marked(0) {
        keys.push(key(THIN, "walls too thin to print"));
    }
    if marked(1) {
        keys.push(key(SPOT, "places that a warning or fault is about"));
    }
    if parts.len() > 1 && parts.iter().any(|part| !part.found.is_empty()) {
        keys.push(key(NAMED, "parts that a finding names"));
    }
    keys
}

#[cfg(test)]
mod tests {
    use std::sync::Arc;

    use super::*;
    use crate::figure::Part;
    use crate::figure::ToSize;
    use crate::finding::Finding;
    use crate::mesh::{Origin, TriMesh};
    use crate::run_record::StageRecord;

    /// Boxes of 10 mm, one on the other, with names that mean something in HTML.
    fn figure() -> Figure {
        let part = |i: usize| {
            let low = DVec3::Z * 10.0 * i as f64;
            let corner = |k: u32| low + 10.0 * DVec3::new((k & 1).into(), (k >> 1 & 1).into(), (k >> 2).into());
            let sides = [[0, 2, 3, 1], [4, 5, 7, 6], [0, 1, 5, 4], [2, 6, 7, 3], [0, 4, 6, 2], [1, 3, 7, 5]];
            let triangles = sides.iter().flat_map(|[a, b, c, d]| [[*a, *b, *c], [*a, *c, *d]]).collect();
            let mut mesh = TriMesh::from_shape((0..8).map(corner).collect(), triangles);
            mesh.origins[3] = if i == 0 { Origin::Skin } else { Origin::Fill };
            let name = format!("{:02}-</script>&'", i + 1);
            Part { number: i + 1, name, mesh: Arc::new(mesh), labels: None, pose: None, estimate: None }
        };
        Figure { parts: (0..2).map(part).collect(), ..Figure::default() }
    }

    fn read(view: &View) -> serde_json::Value {
        serde_json::from_str(&view.data).unwrap()
    }

    #[test]
    fn the_data_are_plain_json_that_cannot_end_their_element() {
        let view = of(&figure(), &RunRecord::default()).unwrap();
        assert!(!view.data.contains(['<', '>', '&', '\'']));
        let data = read(&view);
        assert_eq!(data["parts"][1]["name"], "02-</script>&'");
        assert_eq!(data["parts"][0]["triangles"], 12);
        let bytes = STANDARD.decode(data["parts"][0]["bytes"].as_str().unwrap()).unwrap();
        assert!(view.fits() && 2 * bytes.len() <= view.bytes + 8, "{} of {}", bytes.len(), view.bytes);
        assert_eq!((view.triangles, view.printed, view.parts.len()), (24, false, 2));
        assert_ne!(view.parts[0].colour, view.parts[1].colour);
    }

    #[test]
    fn what_was_found_is_told_where_it_is() {
        let closed = of(&figure(), &RunRecord::default()).unwrap();
        assert_eq!(closed.found.iter().map(|key| key.colour.as_str()).collect::<Vec<_>>(), [FILL]);
        let thin_at = vec![DVec3::new(5.0, 0.1, 3.0), DVec3::new(5.0, 5.0, 19.9), DVec3::new(5.0, 5.0, 25.0)];
        let figure = Figure { thin_at, ..figure() };
        let on = |severity| Finding::new(severity, "x").on(&figure.parts[0].name);
        let findings = vec![on(Severity::Note), on(Severity::Warning), on(Severity::Warning)];
        let stages = vec![StageRecord { findings, ..StageRecord::default() }];
        let view = of(&figure, &RunRecord { stages, ..RunRecord::default() }).unwrap();
        let marks = |part: usize| read(&view)["parts"][part]["marks"][0].as_array().unwrap().len();
        assert_eq!((marks(0), marks(1)), (1, 2));
        assert_eq!(view.parts[0].found.replace('\u{a0}', " "), "2 warnings, 1 note");
        assert_eq!((read(&view)["parts"][0]["named"].clone(), view.parts[1].found.as_str()), (true.into(), ""));
        assert_eq!(view.found.len(), 3);
    }

    /// Twice the size and 3 mm over the floor: what `clean` found at (2, 2, 7) is now at (4, 4, 8), on the lower cube's side at
    /// x = 0 or y = 0 there; what came later stays where it is.
    #[test]
    fn places_are_brought_to_size_and_put_on_the_surface() {
        let to_size = Some(ToSize { from: DVec3::Z * 3.0, factor: 2.0 });
        let figure = Figure { to_size, ..figure() };
        let stage = |name: &str, severity, spot: [f64; 3]| StageRecord {
            stage: name.to_owned(),
            findings: vec![Finding::new(severity, "x").spots([spot])],
            ..StageRecord::default()
        };
        let stages = vec![
            stage("clean", Severity::Warning, [2.0, 2.0, 7.0]),
            stage("scale", Severity::Note, [5.0, 5.0, 0.0]),
            stage("split", Severity::Warning, [5.0, 5.0, 19.0]),
        ];
        let view = of(&figure, &RunRecord { stages, ..RunRecord::default() }).unwrap();
        let spots = |part: usize| read(&view)["parts"][part]["marks"][1].clone();
        let expected = [serde_json::json!([[4.0, 4.0, 10.0]]), serde_json::json!([[5.0, 5.0, 20.0]])];
        assert_eq!([spots(0), spots(1)], expected, "the lower top at z = 10 is nearest, 2 mm off");
        assert!(view.found.iter().any(|key| key.colour == SPOT));
    }

    #[test]
    fn nothing_to_see_is_no_view() {
        assert_eq!(of(&Figure::default(), &RunRecord::default()), None);
        let mut bare = figure();
        bare.parts.iter_mut().for_each(|part| part.mesh = Arc::default());
        assert_eq!(of(&bare, &RunRecord::default()), None);
    }
}
