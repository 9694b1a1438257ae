//! What a person types: arguments and dispatch.

mod calibrate;
mod check;
mod demo;
pub mod exit_code;
mod inspect;
mod jobs;
mod message;
mod papers;
mod progress;
mod recut;
mod run;
mod stages;
mod status;
mod swatch;
mod verdict;
mod watch;
mod work;

use std::process::ExitCode;

use clap::{Parser, Subcommand};

use exit_code::Failure;

/// Turns full-colour scans of people into print-ready parts in a few filament colours.
#[derive(Debug, Parser)]
#[command(version, about, propagate_version = true)]
struct Arguments {
    /// Answer in JSON, for scripts
    #[arg(long, global = true)]
    json: bool,
    #[command(subcommand)]
    command: Command,
}

#[derive(Debug, Subcommand)]
enum Command {
    /// Work one scan through one pipeline, now
    Run(run::RunArgs),
    /// Work a run again with changed settings; only what changed and what follows is done anew
    Rerun(run::RerunArgs),
    /// Make the rest of a part whose print failed or was stopped, so that the printed half is kept
    Recut(recut::RecutArgs),
    /// Tell what a scan lacks and where, while the subject still stands there
    Inspect(inspect::InspectArgs),
    /// Take the colours of filaments from a scan of printed chips, made with the scanner and light of the figures
    Swatch(swatch::SwatchArgs),
    /// Learn from a finished print how a printer's hours compare with the estimate
    Calibrate(calibrate::CalibrateArgs),
    /// Watch a workshop: a scan dropped into inbox/PIPELINE becomes a folder in outbox
    Watch(watch::WatchArgs),
    /// Take scans that a daemon offers to a fleet of machines, and work on them here
    Work(work::WorkArgs),
    /// Read pipelines, shelf and printers, and point at what is wrong
    Check(check::CheckArgs),
    /// Make a workshop
    Init(demo::InitArgs),
    /// Make a workshop with the museum's demo scan and work it through
    Demo(demo::DemoArgs),
    /// List the stages, their settings and defaults
    Stages,
    /// Tell what waits, is worked on, done and refused in a workshop
    Status(status::StatusArgs),
    /// Give up a scan that waits or is worked on; it is kept
    Cancel(jobs::CancelArgs),
    /// Put refused or cancelled scans back to be worked on
    Retry(jobs::RetryArgs),
    /// Work on one scan for a daemon, which says what on standard input
    #[command(hide = true)]
    WorkOne,
    /// Remove every trace of a run: results, scan, stage results, log
    Forget(status::ForgetArgs),
    /// Print what a shell needs to complete commands and options
    Completions(papers::CompletionsArgs),
    /// Write manual pages
    Man(papers::ManArgs),
    /// Print the JSON Schema of a pipeline, shelf or printers, for an editor to check and complete
    Schema(papers::SchemaArgs),
}

/// Reads the arguments, does what they ask, and turns the result into an exit code.
#[must_use]
pub fn main() -> ExitCode {
    let arguments = match Arguments::try_parse() {
        Ok(arguments) => arguments,
        Err(error) => {
            let code = if error.use_stderr() { 2 } else { 0 };
            // Nobody is left to tell when the stream is closed.
            let _ = error.print();
            return ExitCode::from(code);
        }
    };
    let json = arguments.json;
    match dispatch(arguments.command, json) {
        Ok(()) => ExitCode::SUCCESS,
        Err(failure) => {
            message::print_failure(&failure, json);
            ExitCode::from(failure.exit_code())
        }
    }
}

fn dispatch(command: Command, json: bool) -> Result<(), Failure> {
    if !matches!(command, Command::Completions(_) | Command::Man(_) | Command::Schema(_)) {
        // Scans and what is made of them are personal data: nobody else is to read them.
        rustix::process::umask(rustix::fs::Mode::from_raw_mode(0o077));
    }
    match command {
        Command::Run(args) => run::run(&args, json),
        Command::Rerun(args) => run::rerun(&args, json),
        Command::Recut(args) => recut::recut(&args, json),
        Command::Inspect(args) => inspect::inspect(&args, json),
        Command::Swatch(args) => swatch::swatch(&args, json),
        Command::Watch(args) => watch::watch(&args, json),
        Command::Work(args) => work::work(args, json),
        Command::Check(args) => check::check(&args, json),
        Command::Init(args) => demo::init(&args, json),
        Command::Demo(args) => demo::demo(&args, json),
        Command::Stages => stages::stages(json),
        Command::Status(args) => status::status(&args, json),
        Command::Cancel(args) => jobs::cancel(&args, json),
        Command::Retry(args) => jobs::retry(&args, json),
        Command::WorkOne => jobs::work_one(json),
        Command::Forget(args) => status::forget(&args, json),
        Command::Calibrate(args) => calibrate::calibrate(&args, json),
        Command::Completions(args) => {
            papers::completions(&args);
            Ok(())
        }
        Command::Man(args) => papers::man(&args),
        Command::Schema(args) => papers::schema(&args),
    }
}
