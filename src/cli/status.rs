//! `status` and `forget`: what is where, and away with it.

use std::path::PathBuf;

use crate::daemon::forget::forget as forget_run;
use crate::daemon::ledger::Line;
use crate::daemon::status::{Status, status as look};
use crate::daemon::workshop::Workshop;

use super::exit_code::Failure;

/// Arguments of `status`.
#[derive(Debug, clap::Args)]
pub struct StatusArgs {
    /// Workshop folder
    #[arg(default_value = ".")]
    pub workshop: PathBuf,
}

/// Arguments of `forget`.
#[derive(Debug, clap::Args)]
pub struct ForgetArgs {
    /// Folder of the run
    pub run: PathBuf,
}

/// `statuary status`.
///
/// # Errors
/// When the folder is no workshop.
pub fn status(args: &StatusArgs, json: bool) -> Result<(), Failure> {
    let workshop = Workshop::at(&args.workshop);
    if !workshop.exists() {
        return Err(Failure::Arguments {
            what: format!("`{}` is no workshop", args.workshop.display()),
            hint: "give the folder made by `statuary init`".into(),
        });
    }
    let status = look(&workshop).map_err(Failure::disk(&args.workshop))?;
    if json {
        println!("{}", serde_json::to_string(&status)?);
    } else {
        print!("{}", status_text(&status));
    }
    Ok(())
}

fn status_text(status: &Status) -> String {
    let watched = if status.watched {
        "a daemon watches here"
    } else {
        "no daemon watches here: start one with `statuary watch`"
    };
    let mut text = format!("{watched}\n");
    for waiting in &status.waiting {
        let why =
            if waiting.waits_for.is_empty() { String::new() } else { format!(": waits for {}", waiting.waits_for) };
        text += &format!("  waiting  {:<14} {}{why}\n", waiting.pipeline, waiting.scan);
    }
    for scan in &status.misplaced {
        text += &format!("  misplaced               {scan}: move it into the folder of a pipeline in the inbox\n");
    }
    let mut rows = |name: &str, lines: &[Line]| {
        for line in lines {
            let more = if line.reason.is_empty() { &line.out } else { &line.reason };
            text += &format!("  {name:<8} {:<14} {}  {} {more}\n", line.pipeline, line.scan, line.time);
        }
    };
    rows("working", &status.working);
    rows("done", &status.done);
    rows("refused", &status.refused);
    text
}

/// `statuary forget`.
///
/// # Errors
/// When the folder is no run, or something cannot be removed.
pub fn forget(args: &ForgetArgs) -> Result<(), Failure> {
    forget_run(&args.run).map_err(Failure::disk(&args.run))?;
    println!("forgotten: {}", args.run.display());
    Ok(())
}
