//! A worker: takes what it has room for, as many at a time as it was told, until it is asked to stop.

use std::collections::{BTreeMap, BTreeSet};
use std::path::PathBuf;
use std::sync::atomic::{AtomicU64, Ordering};
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};
use std::time::Duration;

use async_nats::jetstream::{AckKind, Message};
use tokio::sync::watch;
use tokio::task::JoinSet;
use tracing::{debug, info, warn};

use crate::daemon::DaemonError;
use crate::daemon::memory::{Room, gigabytes, resident_bytes};
use crate::daemon::shutdown::Shutdown;

use super::address::Address;
use super::attempt::{Taken, attempt};
use super::letter::{Offer, Says, Sign, SignOfJob, Word};
use super::likeness::Likeness;
use super::link::{Link, LinkError, Pause, fetch, next};
use super::place::Place;

/// How long an offer is left to others when this worker cannot take it at all, and when it has no room just now.
const LEFT_TO_OTHERS: Duration = Duration::from_secs(20);
const NO_ROOM: Duration = Duration::from_secs(3);
/// Longest time between two signs of life.
const SIGN_EVERY: Duration = Duration::from_secs(20);

/// How a worker works.
#[derive(Clone, Debug)]
pub struct HandOptions {
    pub address: Address,
    /// What it is called; the machine's name and its process if not given.
    pub name: Option<String>,
    /// Scans worked on at the same time.
    pub jobs: usize,
    /// Most memory they may take together, bytes; what the machine has if not given.
    pub memory_bytes: Option<u64>,
    /// How far working processes stand back for others, 0 to 19.
    pub nice: u8,
    /// Longest that one stage may take; what the daemon says if not given.
    pub stage_time: Option<Duration>,
    /// Where stage results are kept; nowhere if not given, for they hold scans.
    pub cache: Option<PathBuf>,
    pub cache_max_bytes: u64,
    /// Where the private folder is made.
    pub folder: PathBuf,
    /// Working processes log in JSON.
    pub json: bool,
}

/// One offer in hand.
#[derive(Clone, Debug, Default)]
pub struct InHand {
    pub home: String,
    pub job: u64,
    pub token: u64,
    /// What it is expected to take, bytes.
    pub memory_bytes: u64,
    pub process: Option<u32>,
}

impl InHand {
    fn resident_bytes(&self) -> u64 {
        self.process.map_or(0, resident_bytes)
    }
}

/// What all attempts of a worker share.
#[derive(Debug)]
pub struct Bench {
    pub link: Link,
    pub options: HandOptions,
    pub name: String,
    pub place: Place,
    pub stop: watch::Receiver<bool>,
    likeness: Likeness,
    in_hand: Mutex<BTreeMap<String, InHand>>,
    told: Mutex<BTreeSet<String>>,
    /// As the queue has it, ms.
    lease_ms: AtomicU64,
}

/// Works for a fleet until asked to stop.
///
/// # Errors
/// When credentials or certificates cannot be read, or no private folder can be made.
pub fn work(options: HandOptions) -> Result<(), DaemonError> {
    let runtime = tokio::runtime::Builder::new_multi_thread().worker_threads(2).enable_all().build()?;
    let result = runtime.block_on(serve(options));
    runtime.shutdown_timeout(Duration::from_secs(2));
    result
}

async fn serve(options: HandOptions) -> Result<(), DaemonError> {
    let shutdown = Shutdown::listen()?;
    let (ask, stop) = watch::channel(false);
    tokio::spawn(async move {
        while !shutdown.asked() {
            tokio::time::sleep(Duration::from_millis(50)).await;
        }
        // Nobody is left to ask when the receivers are gone.
        let _ = ask.send(true);
    });
    let name = options.name.clone().unwrap_or_else(machine_name);
    let place = Place::make(&options.folder).map_err(DaemonError::Fleet)?;
    let link = Link::open(&options.address, &format!("statuary work {name}")).await.map_err(DaemonError::Fleet)?;
    info!(server = %options.address, fleet = options.address.fleet(), worker = %name, "working for the fleet");
    let bench = Arc::new(Bench {
        link,
        name,
        place,
        stop,
        likeness: Likeness::own(),
        in_hand: Mutex::default(),
        told: Mutex::default(),
        lease_ms: AtomicU64::new(SIGN_EVERY.as_millis() as u64 * 3),
        options,
    });
    let signs = tokio::spawn(give_signs(Arc::clone(&bench)));
    let _ = sd_notify::notify(&[sd_notify::NotifyState::Ready]);
    take_offers(&bench).await;
    let _ = sd_notify::notify(&[sd_notify::NotifyState::Stopping]);
    signs.abort();
    info!("stopped");
    Ok(())
}

async fn take_offers(bench: &Arc<Bench>) {
    let mut at_work = JoinSet::new();
    let mut pause = Pause::default();
    let mut stop = bench.stop.clone();
    while !*stop.borrow() {
        while at_work.try_join_next().is_some() {}
        if at_work.len() >= bench.options.jobs {
            tokio::select! {
                _ = at_work.join_next() => {}
                _ = stop.changed() => {}
            }
            continue;
        }
        let next = tokio::select! {
            next = bench.next() => next,
            _ = stop.changed() => break,
        };
        match next {
            Ok(Some(taken)) => {
                at_work.spawn(attempt(Arc::clone(bench), taken));
            }
            Ok(None) => pause = Pause::default(),
            Err(error) => {
                if matches!(error, LinkError::Gone) {
                    pause = Pause::default();
                    if bench.is_new("no queue") {
                        info!("no daemon has offered anything to this fleet yet; waiting for one");
                    }
                } else {
                    debug!(%error, "no offers can be taken now");
                }
                tokio::select! {
                    () = pause.wait() => {}
                    _ = stop.changed() => {}
                }
            }
        }
    }
    // Each gives its offer back and ends.
    while at_work.join_next().await.is_some() {}
}

async fn give_signs(bench: Arc<Bench>) {
    loop {
        bench.link.give_sign(&bench.sign()).await;
        tokio::time::sleep(SIGN_EVERY.min(bench.lease() / 3)).await;
    }
}

impl Bench {
    pub fn in_hand(&self) -> MutexGuard<'_, BTreeMap<String, InHand>> {
        self.in_hand.lock().unwrap_or_else(PoisonError::into_inner)
    }

    /// Whether something is to be told for the first time.
    fn is_new(&self, what: &str) -> bool {
        self.told.lock().unwrap_or_else(PoisonError::into_inner).insert(what.to_owned())
    }

    fn lease(&self) -> Duration {
        Duration::from_millis(self.lease_ms.load(Ordering::Relaxed))
    }

    fn sign(&self) -> Sign {
        let of_job = |in_hand: &InHand| SignOfJob {
            home: in_hand.home.clone(),
            job: in_hand.job,
            token: in_hand.token,
            memory_bytes: in_hand.resident_bytes(),
        };
        Sign { worker: self.name.clone(), at_work: self.in_hand().values().map(of_job).collect() }
    }

    /// The next offer that this worker can take; `None` when there was none for a while.
    async fn next(&self) -> Result<Option<Taken>, LinkError> {
        let queue = self.link.queue_of_offers().await?;
        let lease = queue.cached_info().config.ack_wait;
        self.lease_ms.store(lease.as_millis() as u64, Ordering::Relaxed);
        let mut batch = fetch(&queue, 1).await?;
        let Some(message) = next(&mut batch).await? else { return Ok(None) };
        let offer: Offer = match serde_json::from_slice(&message.payload) {
            Ok(offer) => offer,
            Err(error) => {
                if self.is_new("unknown") {
                    warn!(%error, "an offer is of another version of this program; it is left to others");
                }
                leave(&message, LEFT_TO_OTHERS).await;
                return Ok(None);
            }
        };
        let attempt = self.link.unique();
        if !offer.is_well_formed() {
            warn!("an offer with names that this program does not give; it is dropped");
            let _ = message.ack_with(AckKind::Term).await;
            return Ok(None);
        }
        if let Some((why, wait)) = self.objection(&offer) {
            if let Some(says) = why {
                self.say_unfit(&offer, attempt, says).await;
            }
            leave(&message, wait).await;
            return Ok(None);
        }
        let in_hand = InHand {
            home: offer.home.clone(),
            job: offer.job,
            token: offer.token,
            memory_bytes: offer.memory_bytes,
            process: None,
        };
        self.in_hand().insert(attempt.clone(), in_hand);
        Ok(Some(Taken { message, offer, attempt, lease }))
    }

    /// Why an offer is not taken now, what is to be said of it, and how long it is left to others.
    fn objection(&self, offer: &Offer) -> Option<(Option<Says>, Duration)> {
        if let Some(what) = offer.likeness.difference(&self.likeness) {
            if self.is_new(&format!("differs {}", offer.home)) {
                let hint = "run the daemon's version here, on the same kind of system";
                warn!(%what, hint, "offers are left to others, for the results would not be the same");
            }
            return Some((Some(Says::Differs(self.likeness.clone())), LEFT_TO_OTHERS));
        }
        let room = Room::of_machine(self.options.memory_bytes);
        if offer.memory_bytes > room.most {
            let (needs, most) = (offer.memory_bytes, room.most);
            if self.is_new(&format!("small {} {}", offer.home, offer.job)) {
                let (needs, most) = (gigabytes(needs), gigabytes(most));
                info!(job = offer.job, %needs, %most, "too large for this worker; left to others");
            }
            return Some((Some(Says::TooSmall { needs, most }), LEFT_TO_OTHERS));
        }
        let at_work: Vec<(u64, u64)> = self.in_hand().values().map(|i| (i.memory_bytes, i.resident_bytes())).collect();
        (!room.has_place_for(offer.memory_bytes, &at_work)).then_some((None, NO_ROOM))
    }

    async fn say_unfit(&self, offer: &Offer, attempt: String, says: Says) {
        let id = format!("unfit-{}-{}-{}-{}", self.name, offer.home, offer.job, offer.token);
        let word = Word { job: offer.job, token: offer.token, attempt, worker: self.name.clone(), says };
        if self.is_new(&id)
            && let Err(error) = self.link.say(&offer.home, &id, &word).await
        {
            debug!(%error, "the daemon could not be told");
        }
    }
}

async fn leave(message: &Message, wait: Duration) {
    // Not told, the offer comes back when its lease is over.
    let _ = message.ack_with(AckKind::Nak(Some(wait))).await;
}

/// The machine's name and the process, as letters, digits and dashes.
fn machine_name() -> String {
    let system = rustix::system::uname();
    let name = system.nodename().to_string_lossy().into_owned();
    let plain: String = name.chars().map(|c| if c.is_ascii_alphanumeric() { c } else { '-' }).take(40).collect();
    format!("{plain}-{}", std::process::id())
}
