//! `cancel` and `retry`: what people want of jobs; and the hidden command that works on one.

use std::path::{Path, PathBuf};
use std::time::{Duration, Instant};

use crate::daemon::ledger::{JobId, Ledger, State};
use crate::daemon::log;
use crate::daemon::wishes::{self, CANCEL, RETRY};
use crate::daemon::worker;
use crate::daemon::workshop::Workshop;

use super::exit_code::Failure;
use super::run::listen_for_signals;

/// How long to wait for a daemon to answer.
const ANSWER: Duration = Duration::from_secs(10);

/// Arguments of `cancel`.
#[derive(Debug, clap::Args)]
pub struct CancelArgs {
    /// Job as `statuary status` names it, such as job-000012
    #[arg(required = true, value_name = "JOB")]
    pub jobs: Vec<JobId>,
    /// Workshop folder
    #[arg(long, default_value = ".")]
    pub workshop: PathBuf,
}

/// Arguments of `retry`.
#[derive(Debug, clap::Args)]
pub struct RetryArgs {
    /// Job as `statuary status` names it, such as job-000012
    #[arg(required_unless_present = "all_refused", value_name = "JOB")]
    pub jobs: Vec<JobId>,
    /// Every refused scan
    #[arg(long)]
    pub all_refused: bool,
    /// Workshop folder
    #[arg(long, default_value = ".")]
    pub workshop: PathBuf,
}

/// `statuary cancel`.
///
/// # Errors
/// When a job is settled or there is none, or the workshop cannot be written.
pub fn cancel(args: &CancelArgs, json: bool) -> Result<(), Failure> {
    let (workshop, ledger) = open(&args.workshop)?;
    ask((&workshop, ledger), &args.jobs, CANCEL, json)
}

/// `statuary retry`.
///
/// # Errors
/// When a job is on its way or there is none, or the workshop cannot be written.
pub fn retry(args: &RetryArgs, json: bool) -> Result<(), Failure> {
    let (workshop, ledger) = open(&args.workshop)?;
    let mut jobs = args.jobs.clone();
    if args.all_refused {
        let refused = ledger.in_state(State::Refused).map_err(ledger_failure)?;
        jobs.extend(refused.into_iter().map(|row| row.job));
    }
    jobs.sort_unstable();
    jobs.dedup();
    ask((&workshop, ledger), &jobs, RETRY, json)
}

fn ledger_failure(error: crate::daemon::ledger::LedgerError) -> Failure {
    Failure::Daemon(error.into())
}

fn open(path: &Path) -> Result<(Workshop, Ledger), Failure> {
    let workshop = Workshop::at(path);
    if !workshop.exists() {
        return Err(Failure::Arguments {
            what: format!("`{}` is no workshop", path.display()),
            hint: "give the folder made by `statuary init` with --workshop".into(),
        });
    }
    let ledger = Ledger::open(&workshop.ledger()).map_err(ledger_failure)?;
    Ok((workshop, ledger))
}

/// Asks, and waits until whoever watches has answered.
fn ask((workshop, mut ledger): (&Workshop, Ledger), jobs: &[JobId], wish: &str, json: bool) -> Result<(), Failure> {
    for job in jobs {
        let row = ledger.row(*job).map_err(ledger_failure)?;
        let objection = match row {
            None => Some(format!("there is no {job}")),
            Some(row) => wishes::objection(workshop, &row, wish),
        };
        if let Some(what) = objection {
            return Err(Failure::Arguments { what, hint: "`statuary status` lists the jobs".into() });
        }
    }
    let watched = wishes::ask(workshop, &mut ledger, jobs, wish).map_err(Failure::disk(workshop.root()))?;
    let start = Instant::now();
    let mut left = jobs.to_vec();
    while watched && start.elapsed() < ANSWER && !left.is_empty() {
        let wished = ledger.wished().map_err(ledger_failure)?;
        left.retain(|job| wished.iter().any(|row| row.job == *job));
        std::thread::sleep(Duration::from_millis(20));
    }
    let mut answers = Vec::new();
    for job in jobs {
        let state = ledger.row(*job).map_err(ledger_failure)?.map_or("gone", |row| row.state.name());
        answers.push(serde_json::json!({"job": job, "state": state}));
        if !json {
            println!("{job}: {state}");
        }
    }
    if json {
        println!("{}", serde_json::to_string(&answers)?);
    }
    Ok(())
}

/// The hidden command of the working process.
///
/// # Errors
/// When the order cannot be read, or nobody listens.
pub fn work_one(json: bool) -> Result<(), Failure> {
    log::start(json);
    let cancel = listen_for_signals();
    worker::work(&cancel).map_err(Failure::disk("standard input"))
}
