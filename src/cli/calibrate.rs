//! `calibrate`: what a printer's hours are against the estimate, learnt from a finished print.

use std::path::PathBuf;

use crate::daemon::workshop::Workshop;
use crate::pipeline::calibrate::{Calibration, Printed, compare, write};
use crate::pipeline::run_folder::read_log;

use super::exit_code::Failure;

/// Arguments of `calibrate`.
#[derive(Debug, clap::Args)]
pub struct CalibrateArgs {
    /// Folder of the run that was printed
    pub run: PathBuf,
    /// Hours it printed, without pauses of your own
    #[arg(long, value_name = "H")]
    pub hours: f64,
    /// Filament that went through the nozzle, supports and purge with it
    #[arg(long, value_name = "G")]
    pub grams: Option<f64>,
    /// Part that was printed, by name or number (may be repeated); all parts when left out
    #[arg(long = "part", value_name = "PART")]
    pub parts: Vec<String>,
    /// Write the factor to the workshop's printers; a copy of them as they were is kept beside
    #[arg(long)]
    pub write: bool,
    /// The workshop; the one around the run when left out
    #[arg(long, value_name = "FOLDER")]
    pub workshop: Option<PathBuf>,
}

/// `statuary calibrate`.
///
/// # Errors
/// When the folder is no run, the numbers are none of a print, or the printers cannot be written.
pub fn calibrate(args: &CalibrateArgs, json: bool) -> Result<(), Failure> {
    let wrong = |what: String, hint: &str| Failure::Arguments { what, hint: hint.into() };
    for (name, value) in [("--hours", Some(args.hours)), ("--grams", args.grams)] {
        if value.is_some_and(|value| !(value.is_finite() && value > 0.0)) {
            return Err(wrong(format!("`{name}` is no number above 0"), "give what the print took"));
        }
    }
    let record = read_log(&args.run).map_err(|error| {
        wrong(format!("`{}` is no run folder: {error}", args.run.display()), "give the folder that holds run.json")
    })?;
    let printed = Printed { parts: args.parts.clone(), hours: args.hours, grams: args.grams };
    let faulty = |problem| Failure::Configuration(vec![problem]);
    let found = compare(&record, &printed).map_err(faulty)?;
    let workshop = || {
        let around = Workshop::around(&args.run).map(|workshop| workshop.root().to_path_buf());
        args.workshop.clone().or(around).ok_or_else(|| {
            wrong(
                "the run lies in no workshop".into(),
                "name the one whose printers are meant with `--workshop FOLDER`",
            )
        })
    };
    let kept = if args.write { Some(write(&found, &workshop()?).map_err(faulty)?) } else { None };
    if json {
        let mut object = serde_json::to_value(&found)?;
        object["kept"] = serde_json::json!(kept);
        println!("{}", serde_json::to_string(&object)?);
        return Ok(());
    }
    print!("{}", text(&found));
    match kept {
        Some(kept) => println!("written; the printers as they were are in {}", kept.display()),
        None => println!("nothing was written; `--write` puts the factor into the workshop's printers"),
    }
    Ok(())
}

fn text(found: &Calibration) -> String {
    let mut text = format!(
        "{}: {:.1} h printed, {:.1} h estimated: `time_factor` {} becomes {}\n",
        found.printer, found.hours, found.hours_estimated, found.factor_before, found.factor
    );
    if let Some(grams) = found.grams {
        text += &format!("{grams:.0} g of filament, {:.0} g estimated\n", found.grams_estimated);
    }
    for warning in &found.warnings {
        text += &format!("warning: {warning}\n");
    }
    text
}
