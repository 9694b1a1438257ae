//! The daemon's side: offers scans, hears what workers say of them, fetches what they made, and keeps the server clean.

use std::collections::{BTreeMap, BTreeSet};
use std::hash::{BuildHasher, Hasher, RandomState};
use std::io;
use std::path::PathBuf;
use std::sync::atomic::{AtomicU64, Ordering};
use std::sync::mpsc::Sender;
use std::sync::{Arc, Mutex, PoisonError};
use std::time::{Duration, Instant};

use futures_util::StreamExt;
use serde::{Deserialize, Serialize};
use tokio::runtime::Handle;
use tokio::sync::mpsc::{UnboundedReceiver, UnboundedSender, unbounded_channel};
use tokio::sync::oneshot;
use tokio::task::AbortHandle;
use tracing::{info, warn};

use crate::daemon::child::Heard;
use crate::daemon::ledger::JobId;
use crate::daemon::memory::gigabytes;
use crate::daemon::worker::{Ending, Message};
use crate::daemon::workshop::Workshop;
use crate::pipeline::files;

use super::errand::{self, Counter, Fetched};
use super::letter::{Says, Sign, Stored, Word};
use super::likeness::Likeness;
use super::link::{Link, Pause};
use super::remote::{Errand, Remote};
use super::{FleetOptions, TAKES_MAX};

/// What the desk hears.
#[derive(Debug)]
pub enum News {
    Offer(Box<Errand>, Sender<Heard>, Arc<AtomicU64>),
    Withdraw(JobId, u64),
    /// An offer lies on the server, or why none could be made.
    Offered(JobId, u64, Result<(), Ending>),
    Word(Word),
    Sign(Sign),
    Fetched(JobId, u64, Fetched),
    Close(oneshot::Sender<()>),
}

/// The fleet at one moment, for whoever asks how things are.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct Outlook {
    pub connected: bool,
    pub open_offers: u64,
    /// Workers that gave a sign of life of late.
    pub workers: u64,
}

/// The way to the fleet.
#[derive(Clone, Debug)]
pub struct Fleet {
    desk: UnboundedSender<News>,
    outlook: Arc<Mutex<Outlook>>,
}

impl Fleet {
    /// Opens the way; a server that is away is waited for.
    ///
    /// # Errors
    /// When credentials or certificates cannot be read, or as the file system tells.
    pub fn start(runtime: &Handle, workshop: &Workshop, options: &FleetOptions) -> io::Result<Self> {
        let home = home(workshop)?;
        let transit = workshop.hidden().join("fleet");
        files::remove(&transit)?;
        files::make_folder(&transit)?;
        let link = runtime.block_on(Link::open(&options.address, "statuary watch"))?;
        info!(server = %options.address, fleet = options.address.fleet(), "offering scans to the fleet");
        let (desk, news) = unbounded_channel();
        let outlook = Arc::new(Mutex::new(Outlook::default()));
        let at_desk = Desk {
            counter: Arc::new(Counter { link: link.clone(), home: home.clone(), transit, workshop: workshop.clone() }),
            likeness: Likeness::own(),
            lease: options.lease,
            tell: desk.clone(),
            open: BTreeMap::new(),
            to_clean: BTreeSet::new(),
            workers: BTreeMap::new(),
            told: BTreeSet::new(),
            outlook: Arc::clone(&outlook),
        };
        runtime.spawn(hear_words(link.clone(), home, desk.clone()));
        runtime.spawn(hear_signs(link, desk.clone()));
        runtime.spawn(at_desk.work(news));
        Ok(Self { desk, outlook })
    }

    /// Offers a scan; what becomes of it is told through `heard`.
    #[must_use]
    pub fn offer(&self, errand: Errand, heard: &Sender<Heard>) -> Remote {
        let (job, token, memory) = (errand.job, errand.token, Arc::new(AtomicU64::new(0)));
        // The desk is there as long as the runtime.
        let _ = self.desk.send(News::Offer(Box::new(errand), heard.clone(), Arc::clone(&memory)));
        Remote { job, token, desk: self.desk.clone(), heard: heard.clone(), memory, ended: false }
    }

    #[must_use]
    pub fn outlook(&self) -> Outlook {
        *self.outlook.lock().unwrap_or_else(PoisonError::into_inner)
    }

    /// Takes all of this workshop off the server. One that is out of reach is cleaned at the next start.
    pub fn close(&self, runtime: &Handle, most: Duration) {
        let (done, wait) = oneshot::channel();
        let _ = self.desk.send(News::Close(done));
        let closed = runtime.block_on(async { tokio::time::timeout(most, wait).await.is_ok_and(|done| done.is_ok()) });
        if !closed {
            warn!("what was offered may still lie on the fleet's server; the next start removes it");
        }
    }
}

/// What tells this workshop from others in a fleet: drawn once, and kept.
fn home(workshop: &Workshop) -> io::Result<String> {
    let path = workshop.hidden().join("fleet-home");
    let known = std::fs::read_to_string(&path).unwrap_or_default().trim().to_owned();
    if known.len() == 32 && known.bytes().all(|b| b.is_ascii_hexdigit()) {
        return Ok(known);
    }
    // Keys of the standard library's hashes are drawn by the system.
    let drawn = || RandomState::new().build_hasher().finish();
    let new = format!("{:016x}{:016x}", drawn(), drawn());
    files::write_whole(&path, new.as_bytes())?;
    Ok(new)
}

async fn hear_words(link: Link, home: String, desk: UnboundedSender<News>) {
    let mut pause = Pause::default();
    while !desk.is_closed() {
        let heard = link.hear(&home, |word| {
            pause = Pause::default();
            let _ = desk.send(News::Word(word));
        });
        if let Err(error) = heard.await {
            tracing::debug!(%error, "words of workers cannot be heard now");
        }
        pause.wait().await;
    }
}

async fn hear_signs(link: Link, desk: UnboundedSender<News>) {
    let mut pause = Pause::default();
    while !desk.is_closed() {
        if let Ok(mut signs) = link.signs().await {
            while let Some(message) = signs.next().await {
                if let Ok(sign) = serde_json::from_slice(&message.payload) {
                    let _ = desk.send(News::Sign(sign));
                }
            }
        }
        pause.wait().await;
    }
}

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Stage {
    Packing,
    Offered,
    Fetching,
    /// What became of it was told.
    Over,
}

/// An open offer.
#[derive(Debug)]
struct Open {
    token: u64,
    heard: Sender<Heard>,
    task: AbortHandle,
    stage: Stage,
    filled: PathBuf,
    memory: Arc<AtomicU64>,
    /// Workers lost with it, the attempt that counts, and whose it is.
    lost: u32,
    attempt: String,
    worker: String,
    last_sign: Instant,
    /// Since when it is not on the server any more.
    missing: Option<Instant>,
}

struct Desk {
    counter: Arc<Counter>,
    likeness: Likeness,
    lease: Duration,
    tell: UnboundedSender<News>,
    open: BTreeMap<JobId, Open>,
    /// Offers that are over and may have left something on the server.
    to_clean: BTreeSet<(JobId, u64)>,
    workers: BTreeMap<String, Instant>,
    told: BTreeSet<String>,
    outlook: Arc<Mutex<Outlook>>,
}

impl Desk {
    async fn work(mut self, mut news: UnboundedReceiver<News>) {
        let mut pause = Pause::default();
        while let Err(error) = self.begin().await {
            self.trouble(&error.to_string());
            pause.wait().await;
        }
        let mut rounds = tokio::time::interval(self.lease / 2);
        rounds.set_missed_tick_behavior(tokio::time::MissedTickBehavior::Delay);
        loop {
            tokio::select! {
                heard = news.recv() => match heard {
                    None => return,
                    Some(News::Close(done)) => {
                        self.close().await;
                        let _ = done.send(());
                        return;
                    }
                    Some(heard) => self.hear(heard).await,
                },
                _ = rounds.tick() => self.look_after().await,
            }
            self.show();
        }
    }

    /// What an earlier daemon offered is void, whatever became of it.
    async fn begin(&self) -> Result<(), super::link::LinkError> {
        let (link, home) = (&self.counter.link, &self.counter.home);
        link.clear(home).await?;
        link.prepare(home, self.lease).await
    }

    async fn close(&mut self) {
        for open in self.open.values() {
            open.task.abort();
        }
        if let Err(error) = self.counter.link.clear(&self.counter.home).await {
            self.trouble(&error.to_string());
        }
        self.counter.link.leave(&self.counter.home).await;
    }

    fn trouble(&mut self, text: &str) {
        if self.counter.link.is_up() && self.told.insert(text.to_owned()) {
            let hint = "was it started with JetStream, and may this user use it?";
            warn!(error = %text, hint, "the fleet cannot be used now; trying again");
        }
    }

    async fn hear(&mut self, news: News) {
        match news {
            News::Offer(errand, heard, memory) => self.offer(*errand, heard, memory),
            News::Withdraw(job, token) => {
                if let Some(open) = self.open.get(&job).filter(|open| open.token == token) {
                    open.task.abort();
                    self.open.remove(&job);
                    self.to_clean.insert((job, token));
                    self.clean().await;
                }
            }
            News::Offered(job, token, made) => {
                let Some(open) = self.current(job, token).filter(|open| open.stage == Stage::Packing) else { return };
                match made {
                    Ok(()) => (open.stage, open.last_sign) = (Stage::Offered, Instant::now()),
                    Err(ending) => open.conclude((job, token), &[Message::Ending(ending)], ""),
                }
            }
            News::Word(word) => self.hear_word(word),
            News::Sign(sign) => self.hear_sign(sign),
            News::Fetched(job, token, fetched) => {
                let Some(open) = self.current(job, token).filter(|open| open.stage == Stage::Fetching) else { return };
                match fetched {
                    Fetched::Here(ending) => open.conclude((job, token), &[Message::Ending(ending)], ""),
                    Fetched::Damaged(what) => {
                        let words = format!("sent a result that is damaged ({what}) from {}", open.worker);
                        open.conclude((job, token), &[], &words);
                    }
                    Fetched::Lost => open.give_back((job, token), "its result was lost on the server"),
                }
            }
            News::Close(_) => {}
        }
    }

    fn current(&mut self, job: JobId, token: u64) -> Option<&mut Open> {
        self.open.get_mut(&job).filter(|open| open.token == token && open.stage != Stage::Over)
    }

    fn offer(&mut self, errand: Errand, heard: Sender<Heard>, memory: Arc<AtomicU64>) {
        let (job, token, filled) = (errand.job, errand.token, errand.filled.clone());
        let (counter, likeness, tell) = (Arc::clone(&self.counter), self.likeness.clone(), self.tell.clone());
        let task = tokio::spawn(async move {
            let made = errand::offer(&counter, &errand, likeness).await;
            let _ = tell.send(News::Offered(errand.job, errand.token, made));
        });
        let open = Open {
            token,
            heard,
            task: task.abort_handle(),
            stage: Stage::Packing,
            filled,
            memory,
            lost: 0,
            attempt: String::new(),
            worker: String::new(),
            last_sign: Instant::now(),
            missing: None,
        };
        if let Some(earlier) = self.open.insert(job, open) {
            earlier.task.abort();
            self.to_clean.insert((job, earlier.token));
        }
    }

    fn hear_sign(&mut self, sign: Sign) {
        let home = self.counter.home.clone();
        for at_work in sign.at_work.iter().filter(|at_work| at_work.home == home) {
            if let Some(open) = self.current(JobId(at_work.job), at_work.token) {
                open.memory.store(at_work.memory_bytes, Ordering::Relaxed);
                open.last_sign = Instant::now();
            }
        }
        self.workers.insert(sign.worker, Instant::now());
    }

    /// Whether a worker is there: signs come every third of a lease, and an offer is not another's before two thirds without.
    fn is_alive(&self, worker: &str) -> bool {
        self.workers.get(worker).is_some_and(|last| last.elapsed() < self.lease.mul_f64(0.6))
    }

    fn hear_word(&mut self, word: Word) {
        let Word { job, token, attempt, worker, says } = word;
        let job = JobId(job);
        let previous_lives = self.open.get(&job).is_some_and(|open| self.is_alive(&open.worker));
        self.tell_of_unfit(job, &worker, &says);
        let (counter, tell) = (Arc::clone(&self.counter), self.tell.clone());
        let Some(open) = self.current(job, token) else { return };
        let is_latest = open.attempt == attempt;
        // A worker can be faster than the news that its offer was made.
        open.last_sign = Instant::now();
        match says {
            Says::Takes => open.taken((job, token), (attempt, worker), previous_lives),
            Says::Works(message) if is_latest => drop(open.heard.send(Heard::Said(job, token, message))),
            Says::Returns if is_latest => {
                info!(%job, %worker, "the worker stops and gives it back");
                (open.attempt, open.worker) = (String::new(), String::new());
                open.memory.store(0, Ordering::Relaxed);
                let _ = open.heard.send(Heard::Taken(job, token, String::new()));
            }
            Says::BrokeOff(fate) if is_latest => open.conclude((job, token), &[], &format!("{fate}, on {worker}")),
            Says::Ends(ending) if is_latest && open.stage != Stage::Fetching => {
                open.conclude((job, token), &[Message::Ending(ending)], "");
            }
            // The first that comes is taken, whoever it is of: all would be the same.
            Says::Delivers { result, ending } if open.stage != Stage::Fetching => {
                open.worker = worker;
                open.fetch(counter, (job, token), (result, ending), tell);
            }
            _ => {}
        }
    }

    fn tell_of_unfit(&mut self, job: JobId, worker: &str, says: &Says) {
        match says {
            Says::TooSmall { needs, most } if self.told.insert(format!("small {job} {worker}")) => {
                let (needs, most) = (gigabytes(*needs), gigabytes(*most));
                warn!(%job, %worker, %needs, %most, "waits for a worker with more memory");
            }
            Says::Differs(there) if self.told.insert(format!("differs {worker}")) => {
                let what = there.difference(&self.likeness).unwrap_or_default();
                let hint = "run the same version there, on the same kind of system";
                warn!(%worker, %what, hint, "it takes nothing, for its results would not be the same");
            }
            _ => {}
        }
    }

    /// Looks whether offers are still there, and takes off what is over.
    async fn look_after(&mut self) {
        let counter = Arc::clone(&self.counter);
        if !counter.link.is_up() {
            return;
        }
        match counter.link.prepare(&counter.home, self.lease).await {
            Ok(()) => self.told.retain(|text| text.starts_with("small ") || text.starts_with("differs ")),
            Err(error) => return self.trouble(&error.to_string()),
        }
        let offered: Vec<(JobId, u64)> =
            self.open.iter().filter(|(_, open)| open.stage == Stage::Offered).map(|(job, o)| (*job, o.token)).collect();
        for (job, token) in offered {
            let there = counter.link.is_offered(&counter.home, (job.0, token)).await;
            let grace = self.lease * 2;
            let Some(open) = self.current(job, token) else { continue };
            match there {
                Ok(false) => {
                    let since = *open.missing.get_or_insert_with(Instant::now);
                    if since.elapsed() > grace && open.last_sign.elapsed() > grace {
                        warn!(%job, "its offer was lost on the server; it is offered anew");
                        open.give_back((job, token), "its offer was lost on the server");
                    }
                }
                Ok(true) => open.missing = None,
                Err(_) => {}
            }
        }
        self.clean().await;
    }

    async fn clean(&mut self) {
        let counter = Arc::clone(&self.counter);
        let is_open = |job: u64, token: u64| self.open.get(&JobId(job)).is_some_and(|open| open.token == token);
        counter.clear_transit(is_open);
        if !counter.link.is_up() {
            return;
        }
        for (job, token) in self.to_clean.clone() {
            match counter.link.withdraw(&counter.home, (job.0, token)).await {
                Ok(()) => drop(self.to_clean.remove(&(job, token))),
                Err(error) => return self.trouble(&error.to_string()),
            }
        }
        if self.open.is_empty()
            && let Err(error) = counter.link.empty(&counter.home).await
        {
            self.trouble(&error.to_string());
        }
    }

    fn show(&mut self) {
        let lease = self.lease;
        self.workers.retain(|_, last| last.elapsed() < lease * 2);
        let outlook = Outlook {
            connected: self.counter.link.is_up(),
            open_offers: self.open.values().filter(|open| open.stage != Stage::Over).count() as u64,
            workers: self.workers.len() as u64,
        };
        *self.outlook.lock().unwrap_or_else(PoisonError::into_inner) = outlook;
    }
}

impl Open {
    /// Tells how it ended; words are of how a process broke off.
    fn conclude(&mut self, (job, token): (JobId, u64), messages: &[Message], words: &str) {
        self.stage = Stage::Over;
        for message in messages {
            let _ = self.heard.send(Heard::Said(job, token, message.clone()));
        }
        let _ = self.heard.send(Heard::Gone(job, token, words.to_owned()));
    }

    fn give_back(&mut self, (job, token): (JobId, u64), why: &str) {
        self.stage = Stage::Over;
        let _ = self.heard.send(Heard::Back(job, token, why.to_owned()));
    }

    fn taken(&mut self, (job, token): (JobId, u64), (attempt, worker): (String, String), previous_lives: bool) {
        if !self.attempt.is_empty() && self.attempt != attempt && !previous_lives {
            self.lost += 1;
            warn!(%job, lost = %self.worker, "its worker gave no sign of life; another takes it");
        }
        if self.lost >= TAKES_MAX {
            let reason = format!("{TAKES_MAX} workers had it, and each was gone before it was done");
            let hint = "work on it by hand with `statuary run`, and look at the logs of the workers".to_owned();
            return self.conclude((job, token), &[Message::Ending(Ending::Refused { reason, hint })], "");
        }
        info!(%job, %worker, "taken by a worker");
        (self.attempt, self.worker) = (attempt, worker.clone());
        let _ = self.heard.send(Heard::Taken(job, token, worker));
    }

    fn fetch(
        &mut self,
        counter: Arc<Counter>,
        (job, token): (JobId, u64),
        (result, ending): (Stored, Ending),
        tell: UnboundedSender<News>,
    ) {
        self.stage = Stage::Fetching;
        let filled = self.filled.clone();
        let task = tokio::spawn(async move {
            let fetched = errand::fetch(&counter, (job, token), (result, ending), filled).await;
            let _ = tell.send(News::Fetched(job, token, fetched));
        });
        self.task = task.abort_handle();
    }
}
