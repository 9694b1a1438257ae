//! Report: one self-contained page that tells a practitioner what the run made of the scan and what to do next.
//!
//! Sections appear as far as the run has got; the page needs no network and no script: the one it has only adds a view.

mod blends;
mod chart;
mod choices;
mod explode;
mod filaments;
mod gluing;
mod hidden;
mod layers;
mod needs;
mod page;
mod pictures;
mod plan;
mod regions;
mod slicing;
mod tables;
mod trade;
mod view;
pub mod words;

use askama::Template;
use serde::{Deserialize, Serialize};

use self::page::Page;
use self::pictures::Pictures;
use crate::figure::{Fact, Figure};
use crate::finding::{Finding, Severity};
use crate::problem::Problem;
use crate::run_record::RunRecord;
use crate::stage::{Output, Settings, StageContext, StageError, Uses};

/// File the page is written to.
pub const FILE: &str = "report.html";

/// File of a picture of the figure, for lists of runs.
pub const PREVIEW: &str = "preview.jpg";

/// Heights a picture may have, pixels.
const HEIGHT_PX: std::ops::RangeInclusive<usize> = 200..=2400;

/// What becomes of heads in pictures.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize, schemars::JsonSchema)]
#[serde(rename_all = "lowercase")]
pub enum Heads {
    #[default]
    Shown,
    Hidden,
}

/// Settings of the stage.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, schemars::JsonSchema)]
#[serde(default, deny_unknown_fields)]
pub struct Report {
    /// Heading of the page; the scan's name when left out.
    pub title: Option<String>,
    /// Whether the page has pictures.
    pub pictures: bool,
    /// Whether the figure can be turned in the browser; only beside pictures, which stand in for it on paper.
    pub turning: bool,
    /// `hidden` makes heads unrecognisable in all pictures; the figure cannot be turned then.
    pub heads: Heads,
    /// Height of the large pictures.
    pub picture_height_px: usize,
    /// Whether the page says when the run began and how long each stage took; without, equal runs give equal pages.
    pub times: bool,
}

impl Default for Report {
    fn default() -> Self {
        Self { title: None, pictures: true, turning: true, heads: Heads::Shown, picture_height_px: 900, times: false }
    }
}

impl Settings for Report {
    const NAME: &'static str = "report";
    const VERSION: u32 = 5;
    const SUMMARY: &'static str =
        "writes report.html: verdict, pictures, findings, filaments, parts, loading and gluing";
    const EXAMPLE: &'static str = "title: The stoker of the harbour ferry\npicture_height_px: 1200";
}

impl Report {
    /// All pictures, those an earlier report made of the same figure and findings where there are any.
    fn pictures(
        &self,
        figure: &Figure,
        so_far: &RunRecord,
        ctx: &mut StageContext<'_>,
    ) -> Result<Pictures, StageError> {
        let turning = self.turning && self.heads == Heads::Shown;
        let shown = (self.pictures, turning, self.heads, self.picture_height_px);
        let name = format!("report {} {shown:?}", Self::VERSION);
        if let Some(made) = ctx.recall(&name) {
            return Ok(made);
        }
        ctx.progress(0.0, "drawing pictures");
        let mut pictures = if self.pictures {
            pictures::all(self, figure, ctx)
                .map_err(|error| StageError::failed(error.to_string(), "set `pictures: false`"))?
        } else {
            Pictures::default()
        };
        ctx.checkpoint()?;
        if self.pictures && turning {
            ctx.progress(0.6, "making the figure turn");
            pictures.turning = view::of(figure, so_far);
            ctx.checkpoint()?;
        }
        ctx.remember(&name, &pictures);
        Ok(pictures)
    }
}

/// Leaves the view out that is too large to be loaded, and logs the size of one that is not.
fn tell_of_view(pictures: &mut Pictures, ctx: &mut StageContext<'_>) {
    if pictures.turning.as_ref().is_some_and(|view| !view.fits()) {
        let what = "the figure is of too many loose triangles to be turned in the report";
        ctx.finding(Finding::new(Severity::Note, what).hint("put `clean` before `report`"));
        pictures.turning = None;
    }
    if let Some(view) = &pictures.turning {
        ctx.figure("view_triangles", view.triangles as f64);
        ctx.figure("view_bytes", view.data.len() as f64);
    }
}

impl Output for Report {
    fn tells_the_log(&self) -> bool {
        true
    }

    fn needs(&self) -> &'static [Fact] {
        &[Fact::Read]
    }

    fn uses(&self) -> Uses {
        Uses { shelf: false, printer: true, plan: true }
    }

    fn check(&self) -> Vec<Problem> {
        if HEIGHT_PX.contains(&self.picture_height_px) {
            return Vec::new();
        }
        let what = format!("{} pixels, expected {} to {}", self.picture_height_px, HEIGHT_PX.start(), HEIGHT_PX.end());
        vec![Problem::new("picture_height_px", what, "leave it out for 900")]
    }

    fn write(&self, figure: &Figure, so_far: &RunRecord, ctx: &mut StageContext<'_>) -> Result<(), StageError> {
        let mut pictures = self.pictures(figure, so_far, ctx)?;
        tell_of_view(&mut pictures, ctx);
        ctx.progress(0.8, "writing the page");
        let page = Page::new(self, figure, so_far, ctx.equipment, &pictures);
        let html = page.render().map_err(|error| {
            StageError::failed(
                format!("cannot fill in the page: {error}"),
                "run it again; if it stays, report the fault",
            )
        })?;
        ctx.figure("page_bytes", html.len() as f64);
        if let Some(preview) = pictures.preview() {
            ctx.put(PREVIEW, &preview)?;
        }
        ctx.put(FILE, html.as_bytes())
    }
}
