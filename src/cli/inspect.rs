//! `inspect`: what a scan lacks and where, within seconds.

use std::path::PathBuf;

use crate::pipeline::files::write_whole;
use crate::pipeline::inspect::{InspectError, Wanted, inspect as look};
use crate::survey::{Grain, Survey, Verdict};

use super::exit_code::Failure;
use super::run::parse_changes;

/// Arguments of `inspect`.
#[derive(Debug, clap::Args)]
pub struct InspectArgs {
    /// Mesh file (.ply .stl .obj .glb .gltf), or a folder with one
    pub scan: PathBuf,
    /// Write a picture of the figure from front, back and top, with what is missing marked (PNG)
    #[arg(long, value_name = "FILE")]
    pub picture: Option<PathBuf>,
    /// Write the closed solid that `clean` would make, unsmoothed, in the colours of the scan (PLY)
    #[arg(long, value_name = "FILE")]
    pub solid: Option<PathBuf>,
    /// End with exit code 8 when the verdict is worse than this
    #[arg(long, value_name = "VERDICT")]
    pub at_least: Option<Least>,
    /// Change one setting of `intake` or `clean`, such as `intake.unit=cm` (may be repeated)
    #[arg(long = "set", value_name = "STAGE.SETTING=VALUE")]
    pub changes: Vec<String>,
}

/// The least verdict that is accepted.
#[derive(Clone, Copy, Debug, PartialEq, Eq, clap::ValueEnum)]
pub enum Least {
    Usable,
    Good,
}

/// `statuary inspect`.
///
/// # Errors
/// When the scan cannot be read, or is worse than asked for.
pub fn inspect(args: &InspectArgs, json: bool) -> Result<(), Failure> {
    let changes = parse_changes(&args.changes)?;
    let wanted = Wanted { picture: args.picture.is_some(), solid: args.solid.is_some() };
    let inspection = look(&args.scan, &changes, wanted).map_err(failure)?;
    for file in [(&args.picture, &inspection.picture), (&args.solid, &inspection.solid)] {
        if let (Some(path), Some(bytes)) = file {
            write_whole(path, bytes).map_err(Failure::disk(path))?;
        }
    }
    let survey = &inspection.survey;
    if json {
        println!("{}", serde_json::to_string(survey)?);
    } else {
        print!("{}", text(survey));
    }
    let least = match args.at_least {
        None => Verdict::Again,
        Some(Least::Usable) => Verdict::Usable,
        Some(Least::Good) => Verdict::Good,
    };
    if survey.verdict < least { Err(Failure::Below(survey.verdict.words())) } else { Ok(()) }
}

fn failure(error: InspectError) -> Failure {
    match error {
        InspectError::Settings(problems) => Failure::Configuration(problems),
        InspectError::Run(error) => Failure::Run(error),
        InspectError::Picture(what) => Failure::Arguments { what, hint: "leave `--picture` out".into() },
    }
}

/// The survey for people.
fn text(survey: &Survey) -> String {
    let mut text = format!("{}: {}\n", survey.scan, survey.verdict.words());
    for fault in &survey.faults {
        let mark = if fault.verdict == Verdict::Again { "!!" } else { " !" };
        text += &format!(" {mark} {}\n      {}\n", fault.what, fault.hint);
    }
    let sure = |confidence: f64| format!("{:.0} % sure", 100.0 * confidence);
    text += &format!(
        "\n  size      {:.0} mm tall; unit {} ({}), up {} ({}), front {} ({})\n",
        survey.height_mm,
        survey.unit.what,
        sure(survey.unit.confidence),
        survey.up.what,
        sure(survey.up.confidence),
        survey.front.what,
        sure(survey.front.confidence)
    );
    let colour = if survey.has_colour { "with colours" } else { "without colours" };
    text += &format!("  surface   {} triangles, {colour}\n", survey.triangles);
    let grain = |grain: Grain| format!("noise {:.2} mm, points {:.1} mm apart", grain.noise_mm, grain.spacing_mm);
    text += &format!("  body      {}\n", grain(survey.body));
    if survey.face.spacing_mm > 0.0 {
        text += &format!("  face      {}\n", grain(survey.face));
    }
    text += &format!(
        "  missing   {:.2} % of the surface, soles not counted; scanned twice {:.2} %; {} loose pieces\n",
        100.0 * survey.missing_share,
        100.0 * survey.double_share,
        survey.islands
    );
    for zone in &survey.missing {
        text +=
            &format!("    {:<20} {:>7.1} cm2, {:.1} % of it\n", zone.zone, zone.area_mm2 / 100.0, 100.0 * zone.share);
    }
    for (i, opening) in survey.openings.iter().enumerate().take(5) {
        let title = if i == 0 { "largest" } else { "" };
        let [x, y, z] = opening.middle_mm;
        text += &format!(
            "  {title:<9} opening of {:.1} cm2: {}, {z:.0} mm up, {:.0} mm {}, {:.0} mm {}\n",
            opening.area_mm2 / 100.0,
            opening.zone,
            x.abs(),
            if x < 0.0 { "right" } else { "left" },
            y.abs(),
            if y < 0.0 { "to the front" } else { "to the back" },
        );
    }
    let how = if survey.wrapped { "lays the surface anew" } else { "mends it" };
    let counts: Vec<String> =
        survey.changes.iter().map(|(name, count)| format!("{} {count:.0}", name.replace('_', " "))).collect();
    text += &format!("  clean     {how}: {}\n", counts.join(", "));
    text
}
