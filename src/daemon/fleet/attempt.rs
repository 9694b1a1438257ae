//! One offer in a worker's hands: fetched, worked on by a working process, brought back. Whatever ends it first counts: the
//! work, somebody who does not want it any more, time, or a worker that is asked to stop.

use std::convert::Infallible;
use std::path::{Path, PathBuf};
use std::sync::atomic::{AtomicU64, Ordering};
use std::sync::{Arc, Mutex, PoisonError};
use std::time::{Duration, Instant};

use async_nats::jetstream::{AckKind, Message};
use tracing::{debug, info, warn};

use crate::daemon::child::{Heard, Worker};
use crate::daemon::ledger::JobId;
use crate::daemon::memory::Room;
use crate::daemon::worker::{Ending, Message as Told, Order};
use crate::pipeline::cache::Cache;
use crate::pipeline::files;

use super::hand::Bench;
use super::letter::{Offer, Says, Word, result_name};
use super::link::{LinkError, Pause};
use super::listing::{Packing, Sealed, sealed};
use super::parcel::{self, Unpacked};

/// How often a worker looks whether its work is still wanted.
const WANTED_EVERY: Duration = Duration::from_secs(1);
/// Longest that a worker that is asked to stop waits for the server.
const FAREWELL: Duration = Duration::from_secs(2);

/// An offer that was taken.
#[derive(Debug)]
pub struct Taken {
    pub message: Message,
    pub offer: Offer,
    /// No two takings have the same.
    pub attempt: String,
    pub lease: Duration,
}

/// How an attempt ended.
#[derive(Debug)]
enum End {
    /// The daemon was told all.
    Told,
    /// Nobody wants it any more.
    Void,
    /// This worker is asked to stop.
    Stopping,
    /// A stage took too long.
    Overdue(String),
}

/// One attempt as it goes.
struct Course {
    bench: Arc<Bench>,
    taken: Taken,
    folder: PathBuf,
    /// Counts what was said, so that each word is told from the others.
    words: AtomicU64,
    /// The stage in hand and since when.
    stage: Arc<Mutex<(String, Instant)>>,
}

/// Works on an offer to its end.
pub async fn attempt(bench: Arc<Bench>, taken: Taken) {
    let folder = bench.place.path().join(&taken.attempt);
    let stage = Arc::new(Mutex::new((String::new(), Instant::now())));
    let course = Course { bench, taken, folder, words: AtomicU64::new(0), stage };
    let end = tokio::select! {
        end = course.work() => end,
        end = course.keep_lease() => match end {},
        end = course.until_unwanted() => end,
        end = course.until_overdue() => end,
        end = course.until_stopped() => end,
    };
    course.finish(end).await;
    course.bench.in_hand().remove(&course.taken.attempt);
    if let Err(error) = files::remove(&course.folder) {
        warn!(folder = %course.folder.display(), %error, "the folder of a job could not be removed");
    }
}

impl Course {
    fn job(&self) -> JobId {
        JobId(self.taken.offer.job)
    }

    /// Tells the daemon, however long the server is away.
    async fn say(&self, says: Says) {
        let offer = &self.taken.offer;
        let id = format!("{}-{}", self.taken.attempt, self.words.fetch_add(1, Ordering::Relaxed));
        let (attempt, worker) = (self.taken.attempt.clone(), self.bench.name.clone());
        let word = Word { job: offer.job, token: offer.token, attempt, worker, says };
        let mut pause = Pause::default();
        while let Err(error) = self.bench.link.say(&offer.home, &id, &word).await {
            debug!(job = %self.job(), %error, "the daemon cannot be told now");
            pause.wait().await;
        }
    }

    async fn work(&self) -> End {
        match self.bench.link.is_there(&self.taken.offer.home, &self.taken.offer.parcel.name).await {
            Ok(true) => {}
            Ok(false) => return End::Void,
            // The lease brings it back when it cannot be told.
            Err(error) => debug!(%error, "whether it is wanted cannot be told now"),
        }
        self.say(Says::Takes).await;
        info!(job = %self.job(), "taken");
        let unpacked = match self.fetch().await {
            Ok(unpacked) => unpacked,
            Err(end) => return self.end(end).await,
        };
        let filled = self.folder.join("filled");
        let ending = match self.run(&unpacked, &filled).await {
            Ok(ending) => ending,
            Err(fate) => {
                self.say(Says::BrokeOff(fate)).await;
                return End::Told;
            }
        };
        match ending {
            Ending::Done { .. } => self.deliver(filled, ending).await,
            Ending::Stopped => {
                let reason = format!("{} cannot read the pipeline or its equipment", self.bench.name);
                self.end(Some(Ending::Trouble { reason })).await
            }
            other => self.end(Some(other)).await,
        }
    }

    async fn end(&self, ending: Option<Ending>) -> End {
        let Some(ending) = ending else { return End::Void };
        self.say(Says::Ends(ending)).await;
        End::Told
    }

    /// Brings the parcel and unpacks it.
    ///
    /// # Errors
    /// How it ends instead; `None` when it is not wanted any more.
    async fn fetch(&self) -> Result<Unpacked, Option<Ending>> {
        let (offer, worker) = (&self.taken.offer, &self.bench.name);
        let trouble = |what: &str, error: &dyn std::fmt::Display| {
            Some(Ending::Trouble { reason: format!("{what} on {worker}: {error}") })
        };
        files::make_folder(&self.folder).map_err(|error| trouble("no folder can be made", &error))?;
        let path = self.folder.join("parcel");
        let mut pause = Pause::default();
        while let Err(error) = self.bench.link.get(&offer.home, &offer.parcel, &path).await {
            match error {
                LinkError::Gone => return Err(None),
                LinkError::Disk(error) => return Err(trouble("the scan cannot be written", &error)),
                LinkError::Server(error) => debug!(%error, "the parcel cannot be fetched now"),
            }
            pause.wait().await;
        }
        let (told, into) = (offer.parcel.clone(), self.folder.join("scan"));
        let unpack = move || {
            let told = Sealed { blake3: told.blake3, bytes: told.bytes };
            if sealed(&path).map_err(|error| error.to_string())? != told {
                return Err("its digest is another than was told".to_owned());
            }
            let unpacked = parcel::unpack(&path, &into).map_err(|error| error.to_string())?;
            files::remove(&path).map_err(|error| error.to_string())?;
            Ok(unpacked)
        };
        let unpacked = tokio::task::spawn_blocking(unpack).await.unwrap_or_else(|error| Err(error.to_string()));
        unpacked.map_err(|what| trouble("the parcel cannot be unpacked", &what))
    }

    /// Runs the working process to its end.
    ///
    /// # Errors
    /// How it broke off, in words.
    async fn run(&self, unpacked: &Unpacked, filled: &Path) -> Result<Ending, String> {
        let options = &self.bench.options;
        let order = Order {
            workshop: unpacked.workshop.clone(),
            pipeline: unpacked.about.pipeline.clone(),
            scan: unpacked.mesh.clone(),
            filled: filled.to_path_buf(),
            nice: options.nice,
            memory_bytes: Room::of_machine(options.memory_bytes).most,
            name: unpacked.about.name.clone(),
            cache: options.cache.clone(),
        };
        let (tell, hear) = std::sync::mpsc::channel();
        let claim = (self.job(), self.taken.offer.token);
        let started = Worker::start(&order, claim, options.json, &tell);
        drop(tell);
        let mut process = started.map_err(|error| format!("could not be started: {error}"))?;
        if let Some(in_hand) = self.bench.in_hand().get_mut(&self.taken.attempt) {
            in_hand.process = Some(process.id());
        }
        let (pass, mut passed) = tokio::sync::mpsc::unbounded_channel();
        let stage = Arc::clone(&self.stage);
        // Stages are timed as they begin, also while nobody can be told.
        std::thread::spawn(move || {
            for heard in hear {
                if let Heard::Said(_, _, Told::Starts { stage: name, .. }) = &heard {
                    *stage.lock().unwrap_or_else(PoisonError::into_inner) = (name.clone(), Instant::now());
                }
                if pass.send(heard).is_err() {
                    return;
                }
            }
        });
        let (mut ending, mut last_words) = (None, String::new());
        while let Some(heard) = passed.recv().await {
            match heard {
                Heard::Said(_, _, Told::Ending(told)) => ending = Some(told),
                Heard::Said(_, _, message) => {
                    if let Told::Starts { index, total, stage } = &message {
                        info!(job = %self.job(), %stage, "stage {} of {total}", index + 1);
                    }
                    self.say(Says::Works(message)).await;
                }
                Heard::Gone(_, _, words) => last_words = words,
                _ => {}
            }
        }
        // What follows is carrying, which no stage's time counts.
        *self.stage.lock().unwrap_or_else(PoisonError::into_inner) = (String::new(), Instant::now());
        ending.ok_or_else(|| process.fate(&last_words))
    }

    /// Packs the filled folder, brings it to the server, and tells of it.
    async fn deliver(&self, filled: PathBuf, ending: Ending) -> End {
        let path = self.folder.join("result");
        let packed = path.clone();
        let pack = move || {
            let mut packing = Packing::begin(&packed)?;
            packing.add_folder(&filled)?;
            packing.seal(&())
        };
        let packed = tokio::task::spawn_blocking(pack).await.unwrap_or_else(|error| Err(std::io::Error::other(error)));
        let sealed = match packed {
            Ok(sealed) => sealed,
            Err(error) if error.kind() == std::io::ErrorKind::FileTooLarge => {
                let reason = format!("what was made is too large to be sent: {error}");
                let hint = "work on it where it lies: `statuary run`".to_owned();
                return self.end(Some(Ending::Refused { reason, hint })).await;
            }
            Err(error) => {
                let reason = format!("the result cannot be packed on {}: {error}", self.bench.name);
                return self.end(Some(Ending::Trouble { reason })).await;
            }
        };
        let offer = &self.taken.offer;
        let name = result_name(offer.job, offer.token, &self.taken.attempt);
        let mut pause = Pause::default();
        let result = loop {
            match self.bench.link.put(&offer.home, &path, (&name, &sealed)).await {
                Ok(stored) => break stored,
                Err(LinkError::Disk(error)) => {
                    let reason = format!("the result cannot be read on {}: {error}", self.bench.name);
                    return self.end(Some(Ending::Trouble { reason })).await;
                }
                Err(error) => debug!(%error, "the result cannot be sent now"),
            }
            pause.wait().await;
        };
        self.say(Says::Delivers { result, ending }).await;
        info!(job = %self.job(), bytes = sealed.bytes, "delivered");
        End::Told
    }

    /// Tells the server that the offer is still being worked on.
    async fn keep_lease(&self) -> Infallible {
        loop {
            tokio::time::sleep(self.taken.lease / 3).await;
            if self.bench.link.is_up() {
                // The next one comes before the lease is over.
                let _ =
                    tokio::time::timeout(self.taken.lease / 3, self.taken.message.ack_with(AckKind::Progress)).await;
            }
        }
    }

    async fn until_unwanted(&self) -> End {
        loop {
            tokio::time::sleep(WANTED_EVERY).await;
            let there = self.bench.link.is_there(&self.taken.offer.home, &self.taken.offer.parcel.name).await;
            // A server that is away says nothing about it.
            if let Ok(false) = there {
                return End::Void;
            }
        }
    }

    async fn until_overdue(&self) -> End {
        let told = Duration::try_from_secs_f64(self.taken.offer.stage_seconds).unwrap_or(Duration::MAX);
        let most = self.bench.options.stage_time.unwrap_or(told);
        loop {
            tokio::time::sleep(Duration::from_millis(500)).await;
            let (stage, since) = self.stage.lock().unwrap_or_else(PoisonError::into_inner).clone();
            if !stage.is_empty() && since.elapsed() > most {
                let minutes = most.as_secs_f64() / 60.0;
                return End::Overdue(format!("`{stage}` took longer than {minutes} minutes on {}", self.bench.name));
            }
        }
    }

    async fn until_stopped(&self) -> End {
        let mut stop = self.bench.stop.clone();
        // Whoever asks is there as long as the worker.
        let _ = stop.wait_for(|asked| *asked).await;
        End::Stopping
    }

    async fn finish(&self, end: End) {
        let message = &self.taken.message;
        match end {
            End::Told => self.acknowledge().await,
            End::Void => {
                info!(job = %self.job(), "not wanted any more");
                let name = result_name(self.taken.offer.job, self.taken.offer.token, &self.taken.attempt);
                let removed = self.bench.link.remove(&self.taken.offer.home, &name);
                let _ = tokio::time::timeout(FAREWELL, removed).await;
                let _ = message.ack_with(AckKind::Term).await;
            }
            End::Stopping => {
                info!(job = %self.job(), "given back");
                let _ = tokio::time::timeout(FAREWELL, self.say(Says::Returns)).await;
                let given_back = message.double_ack_with(AckKind::Nak(None));
                let _ = tokio::time::timeout(FAREWELL, given_back).await;
            }
            End::Overdue(reason) => {
                let hint = "give more time with --stage-minutes, or a scan with fewer triangles".to_owned();
                warn!(job = %self.job(), %reason, "ended");
                self.say(Says::Ends(Ending::Refused { reason, hint })).await;
                self.acknowledge().await;
            }
        }
        if let Some(cache) = &self.bench.options.cache
            && let Err(error) = Cache::open(cache).shrink(self.bench.options.cache_max_bytes)
        {
            warn!(%error, "the cache cannot be made smaller");
        }
    }

    /// Takes the offer off the queue. Not heard, it comes to another, who finds that nobody wants it any more.
    async fn acknowledge(&self) {
        for _ in 0..3 {
            match self.taken.message.double_ack().await {
                Ok(()) => return,
                Err(error) => debug!(%error, "the offer cannot be taken off the queue now"),
            }
        }
    }
}
