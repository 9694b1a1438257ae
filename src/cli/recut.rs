//! `recut`: the rest of a part whose print failed or was stopped, so that the good half is kept.

use std::path::{Path, PathBuf};

use crate::daemon::job::now;
use crate::pipeline::recut::{Done, Order, RecutError, plain, prepare};
use crate::pipeline::run_folder::RunFolder;
use crate::pipeline::runner::{RunError, Surroundings};
use crate::pipeline::scan_files::ScanFilesError;

use super::exit_code::Failure;
use super::message::warnings_text;
use super::progress::Shown;
use super::run::listen_for_signals;
use crate::run_record::Outcome;

/// Arguments of `recut`.
#[derive(Debug, clap::Args)]
pub struct RecutArgs {
    /// Folder of the run the part is from
    pub run: PathBuf,
    /// The part: its name, its number, or a piece of the name that no other part has
    pub part: String,
    /// Height that printed well, measured from the bed; rounded down to a whole layer
    #[arg(long, value_name = "MM", allow_negative_numbers = true)]
    pub printed_to_mm: f64,
    /// Diameters of dowels to hold the halves, such as `6,4`: sockets in the rest, a template to drill the printed half
    #[arg(long = "dowels", value_name = "MM", value_delimiter = ',')]
    pub dowels_mm: Vec<f64>,
    /// Folder the results appear in; RUN-recut-PART-HEIGHTmm beside the run if not given
    #[arg(long, short)]
    pub out: Option<PathBuf>,
}

/// `statuary recut`.
///
/// # Errors
/// As the exit codes tell.
pub fn recut(args: &RecutArgs, json: bool) -> Result<(), Failure> {
    let order = Order {
        run: args.run.clone(),
        part: args.part.clone(),
        printed_to_mm: args.printed_to_mm,
        dowels_mm: args.dowels_mm.clone(),
    };
    let job = prepare(order).map_err(failure)?;
    let out = args.out.clone().unwrap_or_else(|| job.folder());
    let mut folder = RunFolder::begin(&out).map_err(|error| match error.kind() {
        std::io::ErrorKind::AlreadyExists => Failure::Taken(out.clone()),
        _ => Failure::disk(&out)(error),
    })?;
    let mut shown = Shown::new(json);
    let mut around =
        Surroundings { cache: None, earlier: None, observer: &mut shown, cancel: listen_for_signals(), started: now() };
    let done = job.carry_out(&mut folder, &mut around)?;
    drop(shown);
    let out = folder.publish(&done.log).map_err(Failure::disk(&out))?;
    print!("{}", if json { summary_json(&done, &out)? } else { summary_text(&done, &out) });
    if done.log.outcome == Outcome::DoneWithFaults { Err(Failure::PrintCheck) } else { Ok(()) }
}

fn failure(error: RecutError) -> Failure {
    match error {
        RecutError::Order { what, hint } => Failure::Arguments { what, hint },
        RecutError::Settings(problem) => Failure::Configuration(vec![problem]),
        RecutError::File { file, what, hint } => RunError::ScanFiles(ScanFilesError { file, what, hint }).into(),
        RecutError::Run(error) => error.into(),
    }
}

fn summary_json(done: &Done, out: &Path) -> Result<String, serde_json::Error> {
    let findings: Vec<_> = done.log.findings().collect();
    let object = serde_json::json!({
        "run": out, "report": out.join("report.html"), "outcome": done.log.outcome, "recut": done.recut,
        "findings": findings, "advice": done.advice,
    });
    serde_json::to_string(&object).map(|text| text + "\n")
}

fn summary_text(done: &Done, out: &Path) -> String {
    let recut = &done.recut;
    let mut text = warnings_text(&done.log);
    text += &format!(
        "{}: {} layers of {} mm are kept, up to {} mm; to be printed on {}:\n",
        recut.source.part,
        recut.layers,
        plain(recut.layer_mm, 3),
        plain(recut.height_mm, 2),
        recut.printer
    );
    for piece in &recut.parts {
        let [x, y, z] = piece.size_mm;
        text += &format!(
            "  {}: {x:.1} x {y:.1} x {z:.1} mm, fits the bed; {} layers, {:.0} g, about {:.1} h, {} tool changes; {} dowels\n",
            piece.file,
            piece.layers,
            piece.grams,
            piece.hours,
            piece.tool_changes,
            piece.dowels.len()
        );
    }
    for (i, advice) in done.advice.iter().enumerate() {
        text += &format!("  {}. {advice}\n", i + 1);
    }
    text + &format!("open {}\n", out.join("report.html").display())
}
