//! Stage `clean`: whatever the scanner exported becomes one closed, oriented 2-manifold without self-intersections, as
//! true to the scan as its state allows, standing flat on z = 0.

mod coarsen;
mod gather;
mod join;
mod notes;
mod patch;
mod size;
mod smooth;
mod solidify;
mod stand;
mod steps;

use std::sync::Arc;

use serde::{Deserialize, Serialize};

use crate::figure::{Fact, Figure, Part};
use crate::mesh::TriMesh;
use crate::mesh::measure::{area_mm2, volume_mm3};
use crate::problem::Problem;
use crate::stage::{Settings, StageContext, StageError, Transform};

/// When the surface is wrapped anew instead of mended.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize, schemars::JsonSchema)]
#[serde(rename_all = "lowercase")]
pub enum WrapWhen {
    /// Only when mending does not give a solid.
    #[default]
    Auto,
    Always,
    Never,
}

/// Settings of `clean`. Lengths are those of the scan unless said otherwise.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, schemars::JsonSchema)]
#[serde(default, deny_unknown_fields)]
pub struct Clean {
    /// Rim vertices nearer than this are one; 0 derives it from the precision of the scan.
    pub weld_mm: f64,
    /// Pieces of at least this share of the body's area are worth keeping.
    pub island_area_share: f64,
    /// Pieces whose longest side is below this are dropped too, for a scan of adult size; 0 goes by area alone.
    pub island_size_mm: f64,
    /// Pieces worth keeping are joined to the body if they are no farther from it than this, for a scan of adult size.
    pub island_distance_mm: f64,
    /// Whether large holes are filled so that the surface curves on, rather than by films.
    pub curved_holes: bool,
    /// Whether films of long triangles between arm and trunk or between the legs are taken out and closed anew.
    pub membranes_removed: bool,
    /// Whether single vertices thrown far out of the surface are pulled back, and spikes of several cut out.
    pub spikes_pulled: bool,
    /// Rounds of smoothing and cutting out where the surface crosses itself.
    pub crossing_rounds: usize,
    /// Share of the scanned surface that may be given up to that.
    pub lost_area_max_share: f64,
    /// Whether the surface is wrapped anew: `auto`, `always` or `never`.
    pub wrap: WrapWhen,
    /// Fineness of the wrap at figure size; 0 chooses it by the height of the figure.
    pub wrap_voxel_mm: f64,
    /// How much of the scanner's noise is smoothed away where the surface is rough, 0 to 1; 0 leaves every vertex alone.
    pub denoise: f64,
    /// Farthest a vertex may move for that, for a scan of adult size.
    pub denoise_max_mm: f64,
    /// Flat area to stand on, at figure size; 0 chooses it by the height of the figure.
    pub base_min_mm2: f64,
    /// Share of the height that may be cut off below to get it.
    pub base_cut_max_share: f64,
    /// Edges shorter than this, at figure size, are joined where neither shape nor colour shows it; 0 keeps all.
    pub edge_target_mm: f64,
}

impl Default for Clean {
    fn default() -> Self {
        Self {
            weld_mm: 0.0,
            island_area_share: 0.003,
            island_size_mm: 0.0,
            island_distance_mm: 3.0,
            curved_holes: true,
            membranes_removed: true,
            spikes_pulled: true,
            crossing_rounds: 10,
            lost_area_max_share: 0.005,
            wrap: WrapWhen::Auto,
            wrap_voxel_mm: 0.0,
            denoise: 0.5,
            denoise_max_mm: 0.4,
            base_min_mm2: 0.0,
            base_cut_max_share: 0.03,
            edge_target_mm: 0.0,
        }
    }
}

impl Settings for Clean {
    const NAME: &'static str = "clean";
    const VERSION: u32 = 7;
    const SUMMARY: &'static str = "close, orient and untangle the scan into one solid that stands flat";
    const EXAMPLE: &'static str = "{island_distance_mm: 5, base_cut_max_share: 0.02}";
}

impl Transform for Clean {
    fn needs(&self) -> &'static [Fact] {
        &[Fact::Read]
    }

    fn gives(&self) -> &'static [Fact] {
        &[Fact::Solid]
    }

    fn spoils(&self) -> &'static [Fact] {
        &[Fact::Sized, Fact::FitsBed, Fact::FewColours, Fact::Posed, Fact::Estimated]
    }

    fn check(&self) -> Vec<Problem> {
        let lengths = [
            ("weld_mm", self.weld_mm),
            ("island_size_mm", self.island_size_mm),
            ("island_distance_mm", self.island_distance_mm),
            ("wrap_voxel_mm", self.wrap_voxel_mm),
            ("denoise_max_mm", self.denoise_max_mm),
            ("base_min_mm2", self.base_min_mm2),
            ("edge_target_mm", self.edge_target_mm),
        ];
        let shares = [
            ("island_area_share", self.island_area_share, 1.0),
            ("lost_area_max_share", self.lost_area_max_share, 1.0),
            ("denoise", self.denoise, 1.0),
            ("base_cut_max_share", self.base_cut_max_share, 0.5),
        ];
        let bad_length = lengths.iter().filter(|(_, value)| !(value.is_finite() && *value >= 0.0));
        let bad_share = shares.iter().filter(|(_, value, most)| !(0.0..=*most).contains(value));
        let mut problems: Vec<Problem> = bad_length
            .map(|(name, value)| Problem::new(*name, format!("{value} is not a length or area"), "give 0 or more"))
            .collect();
        problems.extend(bad_share.map(|(name, value, most)| {
            Problem::new(*name, format!("{value} is not a share"), format!("give a number from 0 to {most}"))
        }));
        if self.crossing_rounds > 50 {
            let what = format!("{} rounds take too long", self.crossing_rounds);
            problems.push(Problem::new("crossing_rounds", what, "give 0 to 50; 10 is usual"));
        }
        problems
    }

    fn run(&self, figure: &Figure, ctx: &mut StageContext<'_>) -> Result<Figure, StageError> {
        let scan = figure.scan_mesh.as_ref();
        ctx.figure("triangles_before", scan.triangles.len() as f64);
        let gathered = gather::gather(self, scan, ctx)?;
        let joined = join::pick_pieces(self, gathered, ctx)?;
        let solid = solidify::solidify(self, joined, ctx)?;
        let solid = coarsen::coarsen(self, solid, ctx)?;
        log_result(&solid, ctx);
        let solid = Arc::new(solid);
        let part = Part {
            number: 1,
            name: "01-whole".to_owned(),
            mesh: Arc::clone(&solid),
            labels: None,
            pose: None,
            estimate: None,
        };
        let scan_mesh = Arc::clone(&figure.scan_mesh);
        Ok(Figure {
            scan: figure.scan.clone(),
            scan_mesh,
            whole: solid,
            scale: 1.0,
            parts: vec![part],
            ..Figure::default()
        })
    }
}

fn log_result(solid: &TriMesh, ctx: &mut StageContext<'_>) {
    ctx.figure("triangles", solid.triangles.len() as f64);
    ctx.figure("area_mm2", area_mm2(solid));
    ctx.figure("volume_mm3", volume_mm3(solid));
}
