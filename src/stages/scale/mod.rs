//! `scale`: brings the figure to its printed size and onto the lattice, where it stays exact for good; says what
//! became too thin to print.

mod lattice;
mod thin;

use std::sync::Arc;

use glam::DVec3;
use rayon::prelude::*;
use serde::{Deserialize, Serialize};

use crate::figure::{Fact, Figure, Part, ToSize};
use crate::mesh::tree::TriTree;
use crate::mesh::walls::{first_percentile_mm, share_below, walls};
use crate::mesh::{TriMesh, measure};
use crate::problem::Problem;
use crate::stage::{Settings, StageContext, StageError, TargetSize, Transform, Uses};

/// The size to print in: a height or a factor, not both.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, schemars::JsonSchema)]
#[serde(default, deny_unknown_fields)]
pub struct Scale {
    /// Height of the printed figure, mm.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub height_mm: Option<f64>,
    /// Printed size over the subject's size.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub factor: Option<f64>,
    /// Thinnest wall that prints, mm; 0 takes two lines of the printer.
    pub wall_min_mm: f64,
    /// Points on the surface where the wall's thickness is measured.
    pub thin_samples: usize,
    /// Whether thinner walls are thickened to `wall_min_mm`: fingers, ears, brims.
    pub thicken: bool,
    /// Gaps that stay at least this wide when walls are thickened, mm; 0 takes one line of the printer.
    pub gap_min_mm: f64,
}

impl Default for Scale {
    fn default() -> Self {
        Self { height_mm: None, factor: None, wall_min_mm: 0.0, thin_samples: 20_000, thicken: false, gap_min_mm: 0.0 }
    }
}

impl Settings for Scale {
    const NAME: &'static str = "scale";
    const VERSION: u32 = 4;
    const SUMMARY: &'static str =
        "brings the figure to its printed size, says what became too thin, and thickens it if asked";
    const EXAMPLE: &'static str = "{height_mm: 180, thicken: true}";
    const EITHER: &'static [&'static str] = &["height_mm", "factor"];
}

impl Scale {
    /// The size asked for, for stages that run before.
    #[must_use]
    pub fn target(&self) -> TargetSize {
        match (self.height_mm, self.factor) {
            (Some(height), _) => TargetSize::HeightMm(height),
            (None, Some(factor)) => TargetSize::Factor(factor),
            (None, None) => TargetSize::Unknown,
        }
    }
}

/// Largest figure that keeps single-precision file formats exact enough, mm.
const HEIGHT_MAX_MM: f64 = 10_000.0;

impl Transform for Scale {
    fn needs(&self) -> &'static [Fact] {
        &[Fact::Solid]
    }

    fn gives(&self) -> &'static [Fact] {
        &[Fact::Sized]
    }

    fn spoils(&self) -> &'static [Fact] {
        &[Fact::FitsBed, Fact::Posed, Fact::Estimated]
    }

    fn uses(&self) -> Uses {
        Uses { printer: true, ..Uses::default() }
    }

    fn check(&self) -> Vec<Problem> {
        let mut problems = Vec::new();
        match (self.height_mm, self.factor) {
            (Some(_), Some(_)) => problems.push(Problem::new(
                "factor",
                "both `height_mm` and `factor` are given, expected one",
                "leave one of the two out",
            )),
            (None, None) => problems.push(Problem::new(
                "height_mm",
                "neither `height_mm` nor `factor` is given, expected one",
                "write `height_mm: 180` for a figure of 18 cm, or `factor: 1` for life size",
            )),
            _ => {}
        }
        let within = [
            ("height_mm", self.height_mm, 1.0, HEIGHT_MAX_MM),
            ("factor", self.factor, 1e-4, 1e4),
            ("wall_min_mm", Some(self.wall_min_mm), 0.0, 100.0),
            ("thin_samples", Some(self.thin_samples as f64), 0.0, 1e7),
            ("gap_min_mm", Some(self.gap_min_mm), 0.0, 100.0),
        ];
        for (name, value, low, high) in within {
            if let Some(value) = value.filter(|value| !(low..=high).contains(value)) {
                let what = format!("{value} is out of range, expected {low} to {high}");
                problems.push(Problem::new(name, what, "lengths are in millimetres"));
            }
        }
        problems
    }

    fn run(&self, figure: &Figure, ctx: &mut StageContext<'_>) -> Result<Figure, StageError> {
        let frame = self.frame(figure)?;
        let mut scaled = figure.clone();
        for part in &mut scaled.parts {
            ctx.checkpoint()?;
            ctx.progress(0.1, "to size");
            let (mut placed, mut slivers) = lattice::place(&part.mesh, |p| frame.place(p));
            ctx.checkpoint()?;
            if self.thicken {
                ctx.progress(0.2, "thickening walls");
                thin::thicken(&mut placed, self.limits(ctx), self.thin_samples, ctx);
                let (rounded, more) = lattice::place(&placed, |p| p);
                (placed, slivers) = (rounded, slivers + more);
                ctx.checkpoint()?;
            }
            ctx.progress(0.3, "checking");
            let sound = lattice::mend(placed)
                .map_err(|faults| StageError::failed(format!("part {}: {faults}", part.name), HINT_UNSOUND))?;
            relabel(part, &sound.mesh, frame);
            ctx.figure("vertices_moved", sound.moved as f64);
            ctx.figure("slivers_removed", (slivers + sound.slivers) as f64);
            part.mesh = Arc::new(sound.mesh);
            (part.pose, part.estimate) = (None, None);
        }
        let before = if figure.scale > 0.0 { figure.scale } else { 1.0 };
        scaled.scale = before * frame.factor;
        scaled.to_size = Some(figure.to_size.map_or(frame, |earlier| earlier.then(frame)));
        scaled.whole = whole(&scaled.parts);
        ctx.checkpoint()?;
        ctx.progress(0.8, "walls");
        self.tell(&mut scaled, ctx);
        Ok(scaled)
    }
}

const HINT_UNSOUND: &str = "let `clean` rebuild the figure before `scale`, or print it larger";

impl Scale {
    /// Middle of the figure's floor to the origin, its height to the one asked for.
    fn frame(&self, figure: &Figure) -> Result<ToSize, StageError> {
        if !figure.joints.is_empty() {
            let what = "the figure is cut into parts already, joints and keys would change their clearance";
            return Err(StageError::failed(what, "put `scale` before `split`"));
        }
        let (low, high) = figure.bounds();
        let height_mm = high.z - low.z;
        if !(height_mm > 0.0 && height_mm.is_finite()) {
            return Err(StageError::failed("the figure has no height", "check the scan with `inspect`"));
        }
        let factor = match (self.height_mm, self.factor) {
            (Some(wanted_mm), _) => wanted_mm / height_mm,
            (None, Some(factor)) => factor / if figure.scale > 0.0 { figure.scale } else { 1.0 },
            (None, None) => {
                return Err(StageError::failed("no size is asked for", "give `scale` a `height_mm` or a `factor`"));
            }
        };
        if factor * height_mm > HEIGHT_MAX_MM {
            let what = format!("the figure would be {:.0} mm high, expected at most 10 m", factor * height_mm);
            return Err(StageError::failed(what, "check the unit of the scan and the `factor`"));
        }
        let middle = 0.5 * (low + high);
        Ok(ToSize { from: DVec3::new(middle.x, middle.y, low.z), factor })
    }

    /// Least wall and least gap, mm: as set, or by the printer's line.
    fn limits(&self, ctx: &StageContext<'_>) -> thin::Limits {
        let line_mm = ctx.equipment.printer.line_mm();
        let or = |set: f64, usual: f64| if set > 0.0 { set } else { usual };
        thin::Limits { wall_mm: or(self.wall_min_mm, 2.0 * line_mm), gap_mm: or(self.gap_min_mm, line_mm) }
    }

    fn tell(&self, figure: &mut Figure, ctx: &mut StageContext<'_>) {
        let (low, high) = figure.bounds();
        ctx.figure("height_mm", high.z - low.z);
        ctx.figure("scale", figure.scale);
        ctx.figure("volume_mm3", figure.parts.iter().map(|part| measure::volume_mm3(&part.mesh)).sum());
        let limit_mm = self.limits(ctx).wall_mm;
        let walls = walls(&figure.whole, self.thin_samples);
        ctx.figure("thin_share", share_below(&walls, limit_mm));
        if let Some(wall_p01_mm) = first_percentile_mm(&walls) {
            ctx.figure("wall_p01_mm", wall_p01_mm);
        }
        if let Some(finding) = thin::finding(&walls, limit_mm, (low, high), self.thicken) {
            ctx.finding(finding);
        }
        figure.thin_at = walls.iter().filter(|wall| wall.thickness_mm < limit_mm).map(|wall| wall.at).collect();
    }
}

/// Keeps the labels right when slivers were removed: each triangle asks the nearest one before.
fn relabel(part: &mut Part, mesh: &TriMesh, frame: ToSize) {
    let Some(labels) = part.labels.clone().filter(|_| part.mesh.triangles != mesh.triangles) else { return };
    let tree = TriTree::new(&part.mesh.positions, &part.mesh.triangles);
    let label = |t: usize| {
        let middle = mesh.corners(t).into_iter().sum::<DVec3>() / 3.0 / frame.factor + frame.from;
        let nearest = tree.nearest(middle, f64::INFINITY);
        nearest.and_then(|n| labels.get(n.triangle as usize).copied()).unwrap_or(0)
    };
    part.labels = Some(Arc::new((0..mesh.triangles.len()).into_par_iter().map(label).collect()));
}

/// One mesh of all parts; shared with the part when there is only one.
fn whole(parts: &[Part]) -> Arc<TriMesh> {
    if let [only] = parts {
        return Arc::clone(&only.mesh);
    }
    let mut all = TriMesh::default();
    for part in parts {
        all.append(&part.mesh);
    }
    Arc::new(all)
}
