//! `status` and `forget`: what is where, and away with it.

use std::path::PathBuf;

use crate::daemon::forget::{forget as forget_run, forget_job};
use crate::daemon::health::ailment;
use crate::daemon::ledger::{JobId, Ledger, Row};
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
    /// Only tell whether a daemon watches and gives signs of life; exit code 6 if not
    #[arg(long)]
    pub alive: bool,
}

/// Arguments of `forget`.
#[derive(Debug, clap::Args)]
pub struct ForgetArgs {
    /// Folder of the run, or a settled job as `statuary status` names it
    #[arg(value_name = "RUN|JOB")]
    pub run: PathBuf,
    /// Workshop of the job
    #[arg(long, default_value = ".")]
    pub workshop: PathBuf,
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
    if args.alive {
        return match ailment(&workshop) {
            None => {
                println!("a daemon watches here");
                Ok(())
            }
            Some(what) => Err(Failure::Disk { path: args.workshop.clone(), source: std::io::Error::other(what) }),
        };
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
    let at = row.machine().map_or(String::new(), |machine| format!(", at {machine}"));
    format!("will take about {}{at}", gigabytes(row.memory_bytes))
}

/// `statuary forget`: tells what it looked through, and fails when something is left.
///
/// # Errors
/// When the folder is no run, something cannot be removed, or a trace is found afterwards.
pub fn forget(args: &ForgetArgs, json: bool) -> Result<(), Failure> {
    let name = args.run.to_string_lossy();
    let job = name.parse::<JobId>().ok().filter(|_| !args.run.exists());
    let proof = match job {
        Some(job) => {
            let workshop = Workshop::at(&args.workshop);
            let ledger = Ledger::open(&workshop.ledger()).map_err(std::io::Error::from);
            ledger.and_then(|mut ledger| forget_job(&workshop, &mut ledger, job))
        }
        None => forget_run(&args.run),
    };
    let proof = proof.map_err(Failure::disk(&args.run))?;
    if json {
        println!("{}", serde_json::json!({"forgotten": name, "files_looked_through": proof.files, "left": proof.left}));
    } else {
        println!("forgotten: {name}; {} other files looked through, {} hold a trace", proof.files, proof.left.len());
    }
    match proof.left.first() {
        None => Ok(()),
        Some(path) => {
            let source = std::io::Error::other("still tells of the scan: look at it and remove it by hand");
            Err(Failure::Disk { path: path.clone(), source })
        }
    }
}
