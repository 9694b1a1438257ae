//! The daemon: inbox to ledger to working processes to outbox. Notices from the system only wake it; the truth is what a
//! look at the inbox and the ledger shows, so nothing is missed when a notice is.

pub mod archive;
pub mod child;
mod crew;
pub mod fleet;
pub mod forget;
mod hands;
pub mod health;
pub mod inbox;
mod intake;
pub mod job;
pub mod ledger;
pub mod log;
pub mod memory;
mod publish;
pub mod reconcile;
mod retention;
mod settle;
pub mod shutdown;
pub mod status;
pub mod wishes;
pub mod worker;
pub mod workshop;

use std::collections::BTreeSet;
use std::io;
use std::sync::Arc;
use std::sync::mpsc::{Receiver, TryRecvError, channel};
use std::time::{Duration, Instant};

use tracing::{info, warn};

use crate::pipeline::equipment_files::Workbench;
use crate::pipeline::library;
use crate::pipeline::plan::{Plan, plan};
use crate::problem::Problem;

use crew::Crew;
use fleet::{Fleet, FleetOptions};
use inbox::Patience;
use intake::{Intake, Look};
use ledger::{Ledger, LedgerError};
use retention::Retention;
use shutdown::Shutdown;
use workshop::Workshop;

/// How often the daemon looks up from what it hears.
const ROUND: Duration = Duration::from_millis(100);
/// Longest pause after a failure of ledger or disk.
const PAUSE_MAX: Duration = Duration::from_mins(1);

/// What runs are named by.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum Naming {
    #[default]
    Scan,
    /// The number of their job: no file tells a person's name.
    Number,
}

/// How the daemon watches.
#[derive(Clone, Copy, Debug)]
pub struct Options {
    pub patience: Patience,
    /// Looks at the inbox at least this often, notices or not.
    pub look_every: Duration,
    /// Does without notices.
    pub poll: bool,
    /// Ends when the inbox is empty.
    pub once: bool,
    /// Largest size of the stage cache, bytes.
    pub cache_max_bytes: u64,
    /// Jobs worked on at the same time.
    pub jobs: usize,
    /// How far working processes stand back for others, 0 to 19.
    pub nice: u8,
    /// Longest that one stage may take.
    pub stage_time: Duration,
    /// Most memory all jobs may take, bytes; what the machine has if not given.
    pub memory_bytes: Option<u64>,
    /// How long a job is held when the disk fails for the first time.
    pub hold_first: Duration,
    /// Settled jobs are forgotten after this long; kept if not given.
    pub keep: Option<Duration>,
    pub naming: Naming,
    /// Working processes log in JSON.
    pub json: bool,
}

/// Why the daemon ended against its will.
#[derive(Debug, thiserror::Error)]
pub enum DaemonError {
    #[error("another daemon works in this workshop")]
    Locked,
    #[error("scans wait because of {} in the configuration", count(.0.len()))]
    Configuration(Vec<Problem>),
    #[error("the workshop cannot be read or written: {0}")]
    Workshop(#[from] io::Error),
    #[error(transparent)]
    Ledger(#[from] LedgerError),
    #[error("the fleet: {0}")]
    Fleet(io::Error),
}

fn count(faults: usize) -> String {
    if faults == 1 { "1 fault".into() } else { format!("{faults} faults") }
}

/// Longest that the end waits for the fleet's server.
const FAREWELL: Duration = Duration::from_secs(5);

/// Watches a workshop until asked to stop; with a fleet, others do the work.
///
/// # Errors
/// When the workshop is taken or its ledger cannot be used; a scan that fails is no error, and a disk that fails later
/// is waited for.
pub fn watch(workshop: &Workshop, options: Options, fleet: Option<&FleetOptions>) -> Result<(), DaemonError> {
    let runtime = tokio::runtime::Builder::new_multi_thread().worker_threads(1).enable_all().build()?;
    // Signals first: whoever sees the lock may send one.
    let shutdown = runtime.block_on(async { Shutdown::listen() })?;
    let _lock = workshop.lock_soon().map_err(|error| match error.kind() {
        io::ErrorKind::WouldBlock => DaemonError::Locked,
        _ => DaemonError::Workshop(error),
    })?;
    let mut ledger = reconcile::open(workshop)?;
    info!(workshop = %workshop.root().display(), "watching");
    reconcile::reconcile(workshop, &mut ledger)?;
    workshop.list_runs();
    let start = |fleet| Fleet::start(runtime.handle(), workshop, fleet).map_err(DaemonError::Fleet);
    let fleet = fleet.map(start).transpose()?;
    let eyes = Intake::new(workshop.clone(), Ledger::open(&workshop.ledger())?, options);
    let (tell, looks) = channel();
    let stop = Arc::clone(&shutdown.cancel);
    let intake = std::thread::spawn(move || eyes.work(&stop, &tell));
    let _ = sd_notify::notify(&[sd_notify::NotifyState::Ready]);
    let crew = Crew::new(workshop.clone(), ledger, options, fleet.clone());
    let retention = Retention::new(options.keep);
    let signs = Signs { began: Instant::now(), last: None, watchdog: sd_notify::watchdog_enabled(), told: false };
    let result = Daemon { workshop, options, shutdown: &shutdown, crew, looks, look: None, retention, signs }.work();
    let _ = sd_notify::notify(&[sd_notify::NotifyState::Stopping]);
    shutdown.ask();
    // The thread only ends when it is asked to; a panic in it is told by the lack of looks.
    let _ = intake.join();
    if let Some(fleet) = fleet {
        fleet.close(runtime.handle(), FAREWELL);
    }
    runtime.shutdown_timeout(FAREWELL);
    info!("stopped");
    result
}

struct Daemon<'a> {
    workshop: &'a Workshop,
    options: Options,
    shutdown: &'a Shutdown,
    crew: Crew,
    looks: Receiver<Look>,
    look: Option<(Look, Instant)>,
    retention: Retention,
    signs: Signs,
}

/// When signs of life were given.
struct Signs {
    began: Instant,
    last: Option<Instant>,
    /// The service manager ends a daemon that does not tell for so long that it goes on.
    watchdog: Option<Duration>,
    /// That they cannot be written is told once.
    told: bool,
}

impl Daemon<'_> {
    fn work(mut self) -> Result<(), DaemonError> {
        let mut pause = ROUND;
        let mut told = BTreeSet::new();
        loop {
            let stopping = self.shutdown.asked();
            let round = self.crew.round(stopping).and_then(|()| self.crew.forget_old(&mut self.retention));
            match round {
                Ok(()) => {
                    (pause, told) = (ROUND, BTreeSet::new());
                }
                Err(error) if self.options.once => return Err(error.into()),
                Err(error) => {
                    if told.insert(error.to_string()) {
                        warn!(%error, "the ledger or the disk fails; trying again");
                    }
                    pause = (pause * 2).min(PAUSE_MAX);
                }
            }
            self.hear_looks()?;
            self.give_signs();
            if stopping && self.crew.is_idle() || self.options.once && self.is_through()? {
                return Ok(());
            }
            self.crew.listen(pause);
        }
    }

    /// Keeps the last look that was told of.
    fn hear_looks(&mut self) -> Result<(), DaemonError> {
        loop {
            match self.looks.try_recv() {
                Ok(look) => self.look = Some((look, Instant::now())),
                Err(TryRecvError::Empty) => return Ok(()),
                Err(TryRecvError::Disconnected) if self.shutdown.asked() => return Ok(()),
                Err(TryRecvError::Disconnected) => {
                    return Err(io::Error::other("nobody looks at the inbox any more").into());
                }
            }
        }
    }

    /// Tells whoever watches over the daemon that it goes on: only this loop does, so that a daemon that hangs does not.
    fn give_signs(&mut self) {
        let every = self.signs.watchdog.map_or(health::EVERY, |most| (most / 3).min(health::EVERY));
        if self.signs.last.is_some_and(|last| last.elapsed() < every) {
            return;
        }
        self.signs.last = Some(Instant::now());
        if self.signs.watchdog.is_some() {
            let _ = sd_notify::notify(&[sd_notify::NotifyState::Watchdog]);
        }
        let written = self.crew.health().and_then(|mut health| {
            health.uptime_seconds = self.signs.began.elapsed().as_secs_f64();
            health.last_look_seconds = self.look.as_ref().map(|(_, since)| since.elapsed().as_secs_f64());
            let lost = self.look.as_ref().and_then(|(look, _)| look.lost.as_ref());
            health.inbox_lost = lost.map(ToString::to_string).unwrap_or_default();
            health.write(self.workshop)
        });
        match written {
            Ok(()) => self.signs.told = false,
            Err(error) if !std::mem::replace(&mut self.signs.told, true) => {
                warn!(%error, "health file and metrics cannot be written");
            }
            Err(_) => {}
        }
    }

    /// With `--once`: whether the inbox is empty and nothing waits for its turn.
    fn is_through(&mut self) -> Result<bool, DaemonError> {
        let Some((look, _)) = &mut self.look else { return Ok(false) };
        if let Some(error) = look.lost.take() {
            return Err(error.into());
        }
        if !self.crew.is_idle() {
            return Ok(false);
        }
        let waiting = !self.crew.is_through()?;
        let mut faults = std::mem::take(&mut look.faults);
        let empty = look.empty;
        if waiting {
            faults.extend(self.faults_of_waiting()?);
        }
        faults.dedup();
        if faults.is_empty() { Ok(empty && !waiting) } else { Err(DaemonError::Configuration(faults)) }
    }

    /// Faults of the pipelines that jobs wait for.
    fn faults_of_waiting(&self) -> Result<Vec<Problem>, DaemonError> {
        let rows = Ledger::open(&self.workshop.ledger())?.in_state(ledger::State::Waiting)?;
        let pipelines: BTreeSet<String> = rows.into_iter().map(|row| row.pipeline).collect();
        let mut faults: Vec<Problem> =
            pipelines.iter().filter_map(|name| plan_of(self.workshop, name).err()).flatten().collect();
        faults.dedup();
        Ok(faults)
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
