//! `status` and `forget`: what is where, and away with it.

use std::path::PathBuf;

use crate::daemon::forget::forget as forget_run;
use crate::daemon::ledger::Row;
use crate::daemon::memory::gigabytes;
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
    if !status.inbox_lost.is_empty() {
        text += &format!("the inbox is out of reach: {}\n", status.inbox_lost);
    }
    for waiting in &status.waiting {
        let why =
            if waiting.waits_for.is_empty() { String::new() } else { format!(": waits for {}", waiting.waits_for) };
        text += &format!("  waiting  {:<14} {}{why}\n", waiting.pipeline, waiting.scan);
    }
    for scan in &status.misplaced {
        text += &format!("  misplaced               {scan}: move it into the folder of a pipeline in the inbox\n");
    }
    for late in &status.late {
        let (job, scan, file) = (late.job, &late.scan, &late.file);
        text +=
            &format!("  late     {file} came after {scan} was taken without it: `statuary retry {job}` takes both\n");
    }
    let mut rows = |name: &str, rows: &[Row]| {
        for row in rows {
            text += &format!("  {name:<9} {} {:<14} {}  {} {}\n", row.job, row.pipeline, row.scan, row.time, more(row));
        }
    };
    rows("queued", &status.queued);
    rows("working", &status.working);
    rows("held", &status.held);
    rows("done", &status.done);
    rows("refused", &status.refused);
    rows("cancelled", &status.cancelled);
    text
}

/// What else is to say of a job.
fn more(row: &Row) -> String {
    if row.state.is_settled() || !row.reason.is_empty() {
        return if row.reason.is_empty() { row.out.clone() } else { row.reason.clone() };
    }
    format!("will take about {}", gigabytes(row.memory_bytes))
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
