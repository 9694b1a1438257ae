//! The working process: one run of one scan, told about on standard output, ended with the daemon that started it.

use std::io::{self, BufRead, Write};
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};

use serde::{Deserialize, Serialize};

use crate::finding::Severity;
use crate::pipeline::cache::Cache;
use crate::pipeline::run_folder::RunFolder;
use crate::pipeline::runner::{self, Observer, RunError, Source, Surroundings};
use crate::pipeline::scan_files::{consent, read_scan_files};
use crate::run_record::StageRecord;
use crate::stage::StageError;

use super::job::now;
use super::plan_of;
use super::workshop::Workshop;

/// What is to be done: the first line on standard input.
#[derive(Clone, Debug, Serialize, Deserialize)]
pub struct Order {
    pub workshop: PathBuf,
    pub pipeline: String,
    /// Mesh file, or a folder with one.
    pub scan: PathBuf,
    /// Folder that is filled; the daemon publishes it.
    pub filled: PathBuf,
    /// How much further back in the queue for the processor, 0 to 19.
    pub nice: u8,
    /// Most memory it may take, bytes.
    pub memory_bytes: u64,
    /// What the scan is called in all that is made of it; its own name if not given.
    #[serde(default)]
    pub name: Option<String>,
    /// Where stage results are kept; in the workshop if not given.
    #[serde(default)]
    pub cache: Option<PathBuf>,
}

/// A later line on standard input: stop after the step in hand.
pub const STOP: &str = "stop";

/// A line on standard output.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Message {
    Starts { index: usize, total: usize, stage: String },
    Ends { stage: String, seconds: f64, findings: usize, cached: bool },
    Ending(Ending),
}

/// How a run ended by its own account.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Ending {
    /// The folder is filled; `digest` is the BLAKE3 of its log.
    Done {
        digest: String,
        parts: usize,
        faults: usize,
        seconds: f64,
    },
    Refused {
        reason: String,
        hint: String,
    },
    /// Something could not be written.
    Trouble {
        reason: String,
    },
    Stopped,
}

/// Does the order on standard input.
///
/// # Errors
/// When the order cannot be read or nobody listens.
pub fn work(cancel: &Arc<AtomicBool>) -> io::Result<()> {
    let mut line = String::new();
    io::stdin().lock().read_line(&mut line)?;
    let order: Order = serde_json::from_str(&line).map_err(io::Error::other)?;
    follow_parent(Arc::clone(cancel));
    settle_down(&order);
    let ending = run(&order, Arc::clone(cancel)).unwrap_or_else(|error| told(&error));
    say(&Message::Ending(ending))
}

/// Ends this process as soon as the daemon is gone; nobody would publish what it makes.
fn follow_parent(cancel: Arc<AtomicBool>) {
    std::thread::spawn(move || {
        for line in io::stdin().lock().lines().map_while(Result::ok) {
            if line == STOP {
                cancel.store(true, Ordering::Relaxed);
            }
        }
        std::process::exit(1);
    });
}

/// Gives way to others in processor and memory. What the system does not grant is done without.
fn settle_down(order: &Order) {
    use rustix::process::{Resource, Rlimit, getrlimit, nice, setrlimit};
    let _ = nice(i32::from(order.nice));
    if order.memory_bytes > 0 {
        let hard = getrlimit(Resource::Data).maximum;
        let limit =
            Rlimit { current: Some(hard.map_or(order.memory_bytes, |h| h.min(order.memory_bytes))), maximum: hard };
        let _ = setrlimit(Resource::Data, limit);
    }
    // When memory runs out, this process is to go, not the daemon.
    let _ = std::fs::write("/proc/self/oom_score_adj", "500");
}

fn run(order: &Order, cancel: Arc<AtomicBool>) -> Result<Ending, RunError> {
    let workshop = Workshop::at(&order.workshop);
    // The daemon has checked it; when it was changed in this very moment, the daemon looks again.
    let Ok(plan) = plan_of(&workshop, &order.pipeline) else { return Ok(Ending::Stopped) };
    let files = read_scan_files(&order.scan)?;
    let (files, hidden) = match &order.name {
        Some(name) => (files.renamed(name), Some(name.as_str())),
        None => (files, None),
    };
    let mut source = Source::of(Arc::new(files));
    source.hide_names(hidden);
    source.consent = consent(&order.scan);
    let mut cache = Cache::open(&order.cache.clone().unwrap_or_else(|| workshop.cache()));
    let mut folder = RunFolder::fill(&order.filled)?;
    let mut around =
        Surroundings { cache: Some(&mut cache), earlier: None, observer: &mut Teller, cancel, started: now() };
    let record = runner::run(&plan, &source, &mut folder, &mut around)?;
    let digest = folder.finish(&record)?;
    let faults = record.findings().filter(|finding| finding.severity == Severity::Fault).count();
    Ok(Ending::Done { digest, parts: record.parts.len(), faults, seconds: record.seconds })
}

fn told(error: &RunError) -> Ending {
    match error {
        RunError::Stage { source: StageError::Cancelled, .. } => Ending::Stopped,
        RunError::Write(_) | RunError::Stage { source: StageError::Write { .. }, .. } => {
            Ending::Trouble { reason: error.to_string() }
        }
        RunError::ScanFiles(refused) => Ending::Refused { reason: error.to_string(), hint: refused.hint.clone() },
        RunError::Stage { source, .. } => Ending::Refused { reason: error.to_string(), hint: source.hint().to_owned() },
        RunError::Json(_) | RunError::Yaml(_) => Ending::Refused { reason: error.to_string(), hint: String::new() },
    }
}

fn say(message: &Message) -> io::Result<()> {
    let text = serde_json::to_string(message).map_err(io::Error::other)?;
    let mut out = io::stdout().lock();
    out.write_all(format!("{text}\n").as_bytes())?;
    out.flush()
}

/// Tells the daemon how the run goes.
struct Teller;

impl Observer for Teller {
    fn stage_starts(&mut self, index: usize, total: usize, name: &str) {
        let _ = say(&Message::Starts { index, total, stage: name.to_owned() });
    }
    fn step(&mut self, _: f64, _: &str) {}
    fn stage_ends(&mut self, record: &StageRecord) {
        let (stage, findings) = (record.stage.clone(), record.findings.len());
        let _ = say(&Message::Ends { stage, seconds: record.seconds, findings, cached: record.cached });
    }
}

/// Whether a path is the folder of a run being filled.
#[must_use]
pub fn is_filled_name(path: &Path) -> bool {
    let name = super::inbox::name_of(path);
    name.strip_prefix("run-").is_some_and(|token| !token.is_empty() && token.bytes().all(|b| b.is_ascii_digit()))
}
