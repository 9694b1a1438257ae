//! The daemon: inbox to ledger to runner to ledger. Notices from the system only wake it; the truth is what a look at
//! the inbox shows, so nothing is missed when a notice is.

pub mod forget;
pub mod inbox;
pub mod job;
pub mod ledger;
pub mod shutdown;
pub mod status;
pub mod workshop;

use std::collections::BTreeSet;
use std::io;
use std::sync::Arc;
use std::time::{Duration, Instant};

use notify::{RecommendedWatcher, RecursiveMode, Watcher};
use tokio::sync::Notify;
use tracing::{error, info, warn};

use crate::pipeline::equipment_files::Workbench;
use crate::pipeline::library;
use crate::pipeline::plan::{Plan, plan};
use crate::pipeline::runner::Observer;
use crate::problem::Problem;
use crate::run_record::StageRecord;

use inbox::{Inbox, Patience};
use job::{Ending, Job, Place};
use ledger::Ledger;
use shutdown::Shutdown;
use workshop::Workshop;

/// How the daemon watches.
#[derive(Clone, Copy, Debug)]
pub struct Options {
    pub patience: Patience,
    /// Looks at the inbox at least this often, notices or not.
    pub look_every: Duration,
    /// Ends when the inbox is empty.
    pub once: bool,
    /// Largest size of the stage cache, bytes.
    pub cache_max_bytes: u64,
}

/// Why the daemon ended against its will.
#[derive(Debug, thiserror::Error)]
pub enum DaemonError {
    #[error("another daemon works in this workshop")]
    Locked,
    #[error("scans wait in the inbox because of {} in the configuration", count(.0.len()))]
    Configuration(Vec<Problem>),
    #[error("the workshop cannot be read or written: {0}")]
    Workshop(#[from] io::Error),
}

fn count(faults: usize) -> String {
    if faults == 1 { "1 fault".into() } else { format!("{faults} faults") }
}

struct Daemon {
    workshop: Workshop,
    ledger: Ledger,
    options: Options,
    shutdown: Shutdown,
    /// Configuration faults already told, so that each is told once.
    told: BTreeSet<String>,
}

/// Watches a workshop until asked to stop.
///
/// # Errors
/// When the workshop is taken, lost or cannot be written; a scan that fails is no error.
pub fn watch(workshop: &Workshop, options: Options) -> Result<(), DaemonError> {
    let runtime = tokio::runtime::Builder::new_multi_thread().worker_threads(1).enable_all().build()?;
    runtime.block_on(async {
        // Signals first: whoever sees the lock may send one.
        let shutdown = Shutdown::listen()?;
        let _lock = workshop.lock().map_err(|error| match error.kind() {
            io::ErrorKind::WouldBlock => DaemonError::Locked,
            _ => DaemonError::Workshop(error),
        })?;
        let ledger = Ledger::at(workshop.ledger());
        let mut daemon = Daemon { workshop: workshop.clone(), ledger, options, shutdown, told: BTreeSet::new() };
        daemon.work().await
    })
}

impl Daemon {
    async fn work(&mut self) -> Result<(), DaemonError> {
        let wake = Arc::new(Notify::new());
        let _watcher = self.notices(Arc::clone(&wake));
        info!(workshop = %self.workshop.root().display(), "watching");
        for job in Job::unfinished(&self.workshop)? {
            info!(job = %job.id, scan = %job.scan, "taking up unfinished work");
            self.run_job(job).await?;
        }
        self.workshop.list_runs();
        let _ = sd_notify::notify(&[sd_notify::NotifyState::Ready]);
        let mut inbox = Inbox::default();
        while !self.shutdown.asked() {
            let ready = inbox.ready(&self.workshop.inbox(), self.options.patience, Instant::now())?;
            let mut took = false;
            for drop in ready {
                if self.shutdown.asked() {
                    break;
                }
                if self.plan_for(&drop.pipeline).is_some() {
                    let job = Job::take(&self.workshop, &self.ledger, &drop)?;
                    self.run_job(job).await?;
                    took = true;
                }
            }
            self.tell_of_misplaced()?;
            let waiting = inbox.list(&self.workshop.inbox())?;
            if self.options.once {
                let pipelines: BTreeSet<&String> = waiting.iter().map(|drop| &drop.pipeline).collect();
                let plans = pipelines.into_iter().filter_map(|pipeline| plan_of(&self.workshop, pipeline).err());
                let mut faults: Vec<Problem> = plans.flatten().collect();
                faults.dedup();
                if waiting.is_empty() {
                    break;
                }
                if !faults.is_empty() && !took {
                    return Err(DaemonError::Configuration(faults));
                }
            }
            if !took {
                self.rest(&wake, !waiting.is_empty()).await;
            }
        }
        let _ = sd_notify::notify(&[sd_notify::NotifyState::Stopping]);
        info!("stopped");
        Ok(())
    }

    /// Logs once of each scan that no pipeline will take where it lies.
    fn tell_of_misplaced(&mut self) -> io::Result<()> {
        for path in Inbox::misplaced(&self.workshop.inbox())? {
            let scan = inbox::name_of(&path);
            if self.told.insert(path.display().to_string()) {
                let hint = format!("move it into inbox/PIPELINE: {}", library::list(self.workshop.root()).join(", "));
                warn!(%scan, %hint, "lies in the inbox itself, where no pipeline takes it");
            }
        }
        Ok(())
    }

    /// Sleeps until a notice, a signal or the next look; looks more often while something is on its way.
    async fn rest(&self, wake: &Notify, busy: bool) {
        let pause = if busy { self.options.patience.settle.div_f64(3.0) } else { self.options.look_every };
        let pause = pause.clamp(Duration::from_millis(50), self.options.look_every);
        tokio::select! {
            () = wake.notified() => tokio::time::sleep(Duration::from_millis(50)).await,
            () = tokio::time::sleep(pause) => {}
            () = self.shutdown.wait() => {}
        }
    }

    /// Subscribes to the system's notices; without them the regular look has to do.
    fn notices(&self, wake: Arc<Notify>) -> Option<RecommendedWatcher> {
        let handler = move |_event: notify::Result<notify::Event>| wake.notify_one();
        let watcher = notify::recommended_watcher(handler).and_then(|mut watcher| {
            watcher.watch(&self.workshop.inbox(), RecursiveMode::Recursive)?;
            Ok(watcher)
        });
        watcher.inspect_err(|error| warn!(%error, "no notices from the system; looking regularly instead")).ok()
    }

    /// The plan of a pipeline as its file stands now; faults are logged once and leave the scan in the inbox.
    fn plan_for(&mut self, pipeline: &str) -> Option<Plan> {
        match plan_of(&self.workshop, pipeline) {
            Ok(plan) => {
                self.told.retain(|text| !text.starts_with(&format!("{pipeline}\n")));
                Some(plan)
            }
            Err(problems) => {
                for problem in problems {
                    if self.told.insert(format!("{pipeline}\n{problem}")) {
                        error!(pipeline, hint = %problem.hint, "{problem}: its scans wait in the inbox");
                    }
                }
                None
            }
        }
    }

    async fn run_job(&mut self, job: Job) -> Result<(), DaemonError> {
        let Some(plan) = self.plan_for(&job.pipeline) else { return Ok(()) };
        let (workshop, ledger) = (self.workshop.clone(), Ledger::at(self.workshop.ledger()));
        let cancel = Arc::clone(&self.shutdown.cancel);
        let (id, scan, pipeline) = (job.id.clone(), job.scan.clone(), job.pipeline.clone());
        info!(job = %id, scan = %scan, pipeline = %pipeline, "started");
        let work = move || job.run(Place { workshop: &workshop, ledger: &ledger }, &plan, &mut Told, cancel);
        let ending = tokio::task::spawn_blocking(work).await.map_err(io::Error::other)??;
        match ending {
            Ending::Done { out, record } => {
                let faults = record.findings().filter(|f| f.severity == crate::finding::Severity::Fault).count();
                info!(job = %id, out = %out.display(), parts = record.parts.len(), faults, seconds = record.seconds, "done");
            }
            Ending::Refused { reason, hint } => warn!(job = %id, scan = %scan, %reason, %hint, "refused"),
            Ending::Stopped => info!(job = %id, scan = %scan, "stopped; it goes on at the next start"),
        }
        self.workshop.list_runs();
        let cache = crate::pipeline::cache::Cache::open(&self.workshop.cache());
        cache.shrink(self.options.cache_max_bytes)?;
        Ok(())
    }
}

/// The plan of one of a workshop's pipelines.
///
/// # Errors
/// Every fault of the pipeline, the shelf and the printers.
pub fn plan_of(workshop: &Workshop, pipeline: &str) -> Result<Plan, Vec<Problem>> {
    let spec = library::open(pipeline, Some(workshop.root())).map_err(|problem| vec![problem])?;
    let workbench = Workbench::open(workshop.root())?;
    plan(&spec, &workbench)
}

/// Tells the log how a run goes.
struct Told;

impl Observer for Told {
    fn stage_starts(&mut self, index: usize, total: usize, name: &str) {
        info!(stage = name, "stage {} of {total}", index + 1);
    }
    fn step(&mut self, _: f64, _: &str) {}
    fn stage_ends(&mut self, record: &StageRecord) {
        info!(stage = %record.stage, seconds = record.seconds, findings = record.findings.len(), "stage done");
    }
}
