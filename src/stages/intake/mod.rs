//! The fixed first stage: scan bytes to a figure of one part, in millimetres, upright, with colours at its vertices.

mod auto;
mod body;
mod paint;
mod sampler;
mod stand;
mod unit;
mod up;
mod welded;

use std::sync::Arc;

use serde::{Deserialize, Serialize};

use self::body::Body;
use self::paint::{Painted, paint};
use self::stand::Stand;
pub use self::unit::Unit;
use self::unit::UnitGuess;
pub use self::up::Axis;
use self::up::UpGuess;
use self::welded::Welded;
use crate::figure::{Fact, Figure, Part, ScanInfo};
use crate::finding::{Finding, Severity};
use crate::format::{self, RawMesh, ReadOptions, ScanFiles};
use crate::mesh::TriMesh;
use crate::mesh::refine::Limits;
use crate::problem::Problem;
use crate::stage::{Settings, StageContext, StageError, TargetSize};

/// Below this confidence a guess is worth a warning.
const SURE: f64 = 0.7;
/// Largest coordinate that makes sense once lengths are in mm.
const COORDINATE_MAX_MM: f64 = 1e7;

/// What to do when a picture or material file the scan names is not there.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize, schemars::JsonSchema)]
#[serde(rename_all = "lowercase")]
pub enum MissingPicture {
    #[default]
    Refuse,
    Ignore,
}

/// Settings of the stage `intake`.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, schemars::JsonSchema)]
#[serde(default, deny_unknown_fields)]
pub struct Intake {
    /// Unit of the file's lengths; none when it is to be found out.
    #[serde(with = "auto")]
    #[schemars(schema_with = "auto::schema::<Unit>")]
    pub unit: Option<Unit>,
    /// Direction of the file's axes that is up; none when it is to be found out.
    #[serde(with = "auto")]
    #[schemars(schema_with = "auto::schema::<Axis>")]
    pub up: Option<Axis>,
    /// Finest colour detail taken over from pictures, measured on the printed figure.
    pub colour_detail_mm: f64,
    /// Drop vertices at NaN or infinity with their faces instead of refusing the scan.
    pub drop_non_finite: bool,
    pub missing_picture: MissingPicture,
    /// Most triangles a scan may have, and may be refined to.
    pub triangles_max: usize,
}

impl Default for Intake {
    fn default() -> Self {
        Self {
            unit: None,
            up: None,
            colour_detail_mm: 0.8,
            drop_non_finite: false,
            missing_picture: MissingPicture::Refuse,
            triangles_max: 8_000_000,
        }
    }
}

impl Settings for Intake {
    const NAME: &'static str = "intake";
    const VERSION: u32 = 2;
    const SUMMARY: &'static str = "reads the scan: format, unit, up axis, colours from pictures";
    const EXAMPLE: &'static str = "unit: m\nup: +y\ncolour_detail_mm: 0.6\n";
}

impl Intake {
    /// Faults of the settings themselves.
    #[must_use]
    pub fn check(&self) -> Vec<Problem> {
        let mut problems = Vec::new();
        if !(0.05..=50.0).contains(&self.colour_detail_mm) {
            let what = format!("{} mm makes no sense", self.colour_detail_mm);
            problems.push(Problem::new("colour_detail_mm", what, "give 0.05 to 50; one line of a nozzle is 0.4"));
        }
        if !(1000..=50_000_000).contains(&self.triangles_max) {
            let what = format!("{} triangles make no sense", self.triangles_max);
            problems.push(Problem::new("triangles_max", what, "give 1000 to 50000000"));
        }
        problems
    }

    /// Facts that hold afterwards.
    #[must_use]
    pub fn gives(&self) -> &'static [Fact] {
        &[Fact::Read]
    }

    /// Reads a scan.
    ///
    /// # Errors
    /// When the files are damaged, hold no mesh, or are too large; the error says where and what to do.
    pub fn read(&self, files: &ScanFiles, ctx: &mut StageContext<'_>) -> Result<Figure, StageError> {
        ctx.progress(0.0, "reading the scan");
        let options = ReadOptions {
            drop_non_finite: self.drop_non_finite,
            ignore_missing_picture: self.missing_picture == MissingPicture::Ignore,
        };
        let raw = format::read(files, options).map_err(|e| StageError::scan(e.to_string(), e.hint))?;
        self.check_size(&raw, ctx)?;
        note_reading(&raw, ctx);
        ctx.checkpoint()?;
        ctx.progress(0.4, "finding unit and up axis");
        let mut welded = Welded::of(&raw);
        if welded.triangles.is_empty() {
            let hint = "export the scan as a mesh with triangles";
            return Err(StageError::scan("all triangles of the scan are without area", hint));
        }
        ctx.figure("vertices_welded", (raw.positions.len() - welded.positions.len()) as f64);
        let body = Body::of(&welded.positions, &welded.triangles);
        ctx.figure("stray_share", body.stray_share);
        let stand = self.stand(&body, &raw, ctx)?;
        stand.apply(&mut welded.positions);
        ctx.checkpoint()?;
        ctx.progress(0.6, "colouring the surface");
        let mesh = self.colour(&raw, welded, stand.height_mm, ctx);
        let scan = ScanInfo {
            name: stem(&files.main).to_owned(),
            triangles: raw.triangles.len(),
            has_colour: raw.has_colour(),
            unit: stand.unit.unit.name().to_owned(),
            unit_confidence: stand.unit.confidence,
            up: stand.up.axis.name().to_owned(),
            up_confidence: stand.up.confidence,
            height_mm: stand.height_mm,
        };
        Ok(figure_of(scan, mesh))
    }

    fn check_size(&self, raw: &RawMesh, ctx: &mut StageContext<'_>) -> Result<(), StageError> {
        ctx.figure("triangles_read", raw.triangles.len() as f64);
        ctx.figure("vertices_read", raw.positions.len() as f64);
        if raw.triangles.len() <= self.triangles_max {
            return Ok(());
        }
        let what =
            format!("the scan has {} triangles, at most {} are worked on", raw.triangles.len(), self.triangles_max);
        Err(StageError::scan(what, "reduce it in the scanner's program, or raise `intake.triangles_max`"))
    }

    /// Decides unit, up axis and place.
    fn stand(&self, body: &Body, raw: &RawMesh, ctx: &mut StageContext<'_>) -> Result<Stand, StageError> {
        let up = match self.up {
            Some(axis) => UpGuess { axis, confidence: 1.0, shape_says: None },
            None => up::guess(body, raw.up_hint),
        };
        let height = (body.high - body.low)[up.axis.index()];
        let unit = match self.unit {
            Some(unit) => UnitGuess { unit, confidence: 1.0 },
            None => unit::guess(height, raw.unit_hint_mm),
        };
        let stand = Stand::new(body, unit, up);
        let reach = body.floor.abs().max(body.ceiling.abs()).max_element() * unit.unit.mm();
        if reach > COORDINATE_MAX_MM {
            let what =
                format!("the scan reaches {reach:.0} mm from its origin, at most {COORDINATE_MAX_MM:.0} make sense");
            return Err(StageError::scan(
                what,
                "give the unit with `--set intake.unit=mm`, or move the scan to its origin",
            ));
        }
        note_guesses(&stand, ctx);
        Ok(stand)
    }

    /// Makes vertex colours, refining where a picture needs it.
    fn colour(&self, raw: &RawMesh, welded: Welded, height_mm: f64, ctx: &mut StageContext<'_>) -> TriMesh {
        let factor = match ctx.target {
            TargetSize::HeightMm(target_mm) if height_mm > 0.0 => target_mm / height_mm,
            TargetSize::Factor(factor) => factor,
            TargetSize::HeightMm(_) | TargetSize::Unknown => 1.0,
        };
        let factor = if factor.is_finite() && factor > 0.0 { factor } else { 1.0 };
        let limits = Limits { edge_max: self.colour_detail_mm / factor, triangles_max: self.triangles_max };
        let Painted { mesh, refined, is_capped } = paint(raw, welded, limits);
        ctx.figure("triangles_for_colour", refined as f64);
        ctx.figure("triangles", mesh.triangles.len() as f64);
        ctx.figure("vertices", mesh.positions.len() as f64);
        if is_capped {
            let what = format!("the pictures show more than {} triangles can carry", self.triangles_max);
            let hint = "raise `intake.colour_detail_mm`, or give the figure's size with `scale`";
            ctx.finding(Finding::new(Severity::Warning, what).hint(hint));
        }
        mesh
    }
}

fn stem(name: &str) -> &str {
    let base = name.rsplit('/').next().unwrap_or(name);
    base.rsplit_once('.').map_or(base, |(stem, _)| stem)
}

fn note_reading(raw: &RawMesh, ctx: &mut StageContext<'_>) {
    for note in &raw.notes {
        ctx.finding(Finding::new(Severity::Note, note.as_str()));
    }
    if !raw.has_colour() {
        let hint = "export it as PLY with vertex colours, or as OBJ or GLB with its pictures";
        ctx.finding(Finding::new(Severity::Warning, "the scan has no colour").hint(hint));
    }
}

fn note_guesses(stand: &Stand, ctx: &mut StageContext<'_>) {
    let (unit, up) = (stand.unit, stand.up);
    ctx.figure("scan_height_mm", stand.height_mm);
    ctx.figure("unit_confidence", unit.confidence);
    ctx.figure("up_confidence", up.confidence);
    if unit.confidence < SURE {
        let height_mm = stand.height_mm;
        let what = format!(
            "lengths are taken for {}, which makes the subject {height_mm:.0} mm tall; a standing person would not be",
            unit.unit.name()
        );
        let hint = "for a bust, a statue or a seated person give the unit, such as `--set intake.unit=cm`";
        ctx.finding(Finding::new(Severity::Warning, what).hint(hint));
    }
    if let Some(axis) = up.shape_says {
        let what =
            format!("up is {} by the file format, but the shape seems to stand along {}", up.axis.name(), axis.name());
        let hint = format!("if the pictures show it lying, give `--set intake.up={}`", axis.name());
        ctx.finding(Finding::new(Severity::Warning, what).hint(hint));
    } else if up.confidence < SURE {
        let what = format!("up is taken for {}, which is not certain", up.axis.name());
        let hint = "if the pictures show it lying or upside down, give the axis, such as `--set intake.up=+z`";
        ctx.finding(Finding::new(Severity::Warning, what).hint(hint));
    }
}

fn figure_of(scan: ScanInfo, mesh: TriMesh) -> Figure {
    let mesh = Arc::new(mesh);
    let part = Part {
        number: 1,
        name: "01-figure".to_owned(),
        mesh: Arc::clone(&mesh),
        labels: None,
        pose: None,
        estimate: None,
    };
    Figure { scan, scan_mesh: Arc::clone(&mesh), whole: mesh, scale: 1.0, parts: vec![part], ..Figure::default() }
}
