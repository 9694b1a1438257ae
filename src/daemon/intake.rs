//! Looks at the inbox and takes what is ready, on a thread of its own, so that no run and no large file keeps it.

use std::collections::BTreeSet;
use std::io;
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::mpsc::{Receiver, Sender, channel};
use std::time::{Duration, Instant};

use notify::{RecommendedWatcher, RecursiveMode, Watcher};
use tracing::{error, info, warn};

use crate::pipeline::library;
use crate::problem::Problem;

use super::inbox::{self, Drop, Inbox};
use super::ledger::{Ledger, State};
use super::settle::{settle_in, take};
use super::workshop::Workshop;
use super::{Options, plan_of, wishes};

/// How often an inbox without notices is looked at: at first, and when nothing comes.
const POLL: (Duration, Duration) = (Duration::from_secs(2), Duration::from_secs(10));

/// What one look at the inbox showed.
#[derive(Debug, Default)]
pub struct Look {
    /// Nothing is left there that will ever be taken.
    pub empty: bool,
    /// Why scans stay there.
    pub faults: Vec<Problem>,
    pub lost: Option<io::Error>,
}

/// The eyes on the inbox.
pub struct Intake {
    workshop: Workshop,
    ledger: Ledger,
    options: Options,
    inbox: Inbox,
    /// What was told already, so that each is told once.
    told: BTreeSet<String>,
    watcher: Option<RecommendedWatcher>,
    wake: (Sender<()>, Receiver<()>),
    /// Which folder the watcher watches: another one may come in its place.
    watched: Option<(u64, u64)>,
    pause: Duration,
}

impl std::fmt::Debug for Intake {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_struct("Intake").field("workshop", &self.workshop).finish_non_exhaustive()
    }
}

impl Intake {
    #[must_use]
    pub fn new(workshop: Workshop, ledger: Ledger, options: Options) -> Self {
        let (inbox, told) = (Inbox::default(), BTreeSet::new());
        Self { workshop, ledger, options, inbox, told, watcher: None, wake: channel(), watched: None, pause: POLL.0 }
    }

    /// Looks until asked to stop; each look is told through `tell`.
    pub fn work(mut self, stop: &Arc<AtomicBool>, tell: &Sender<Look>) {
        while !stop.load(Ordering::Relaxed) {
            let (look, busy) = self.look();
            if tell.send(look).is_err() {
                return;
            }
            let end = Instant::now() + self.pause(busy);
            while !stop.load(Ordering::Relaxed) && Instant::now() < end {
                let left = end.saturating_duration_since(Instant::now()).min(Duration::from_millis(200));
                if self.wake.1.recv_timeout(left).is_ok() {
                    // What comes in a burst is one look.
                    std::thread::sleep(Duration::from_millis(50));
                    while self.wake.1.try_recv().is_ok() {}
                    break;
                }
            }
        }
    }

    /// One look; and whether something is on its way.
    fn look(&mut self) -> (Look, bool) {
        match self.try_look() {
            Ok(found) => {
                if self.told.remove("lost") {
                    info!("the inbox is back");
                }
                found
            }
            Err(error) => {
                if self.told.insert("lost".into()) {
                    warn!(%error, "the inbox is out of reach; waiting for it");
                }
                self.watched = None;
                (Look { lost: Some(error), ..Look::default() }, false)
            }
        }
    }

    fn try_look(&mut self) -> io::Result<(Look, bool)> {
        self.keep_watching()?;
        let arriving = self.ledger.in_state(State::Arriving)?;
        for row in &arriving {
            if let Err(error) = settle_in(&self.workshop, &mut self.ledger, row) {
                self.tell(format!("arriving {} {error}", row.job), || {
                    warn!(job = %row.job, scan = %row.scan, %error, "cannot be taken yet");
                });
            }
        }
        let begun: BTreeSet<PathBuf> = arriving
            .iter()
            .flat_map(|row| row.members.iter().map(|m| self.workshop.inbox().join(&row.pipeline).join(m)))
            .collect();
        let now = Instant::now();
        let (ready, coming) = self.inbox.ready(&self.workshop.inbox(), self.options.patience, now)?;
        let mut look = Look { empty: coming.is_empty() && arriving.is_empty(), ..Look::default() };
        for drop in ready.iter().filter(|drop| !begun.contains(&drop.head)) {
            look.empty = false;
            match self.faults(&drop.pipeline) {
                faults if faults.is_empty() => self.take(drop)?,
                faults => look.faults.extend(faults),
            }
        }
        look.faults.dedup();
        self.tell_of_misplaced()?;
        self.tell_of_late()?;
        let busy = !coming.is_empty() || !ready.is_empty() || !begun.is_empty();
        Ok((look, busy))
    }

    fn take(&mut self, drop: &Drop) -> io::Result<()> {
        let scan = inbox::name_of(&drop.head);
        match take(&self.workshop, &mut self.ledger, drop) {
            Ok(job) => info!(%job, %scan, pipeline = %drop.pipeline, missing = ?drop.missing, "taken"),
            Err(error) if self.workshop.inbox().is_dir() => {
                warn!(%scan, %error, "cannot be taken yet");
            }
            Err(error) => return Err(error),
        }
        Ok(())
    }

    fn tell(&mut self, what: String, say: impl FnOnce()) {
        if self.told.insert(what) {
            say();
        }
    }

    /// Faults of a pipeline as its file stands now; logged once, while the scan stays in the inbox.
    fn faults(&mut self, pipeline: &str) -> Vec<Problem> {
        match plan_of(&self.workshop, pipeline) {
            Ok(_) => {
                self.told.retain(|text| !text.starts_with(&format!("{pipeline}\n")));
                Vec::new()
            }
            Err(problems) => {
                for problem in &problems {
                    self.tell(format!("{pipeline}\n{problem}"), || {
                        error!(pipeline, hint = %problem.hint, "{problem}: its scans wait in the inbox");
                    });
                }
                problems
            }
        }
    }

    /// Logs once of each scan that no pipeline will take where it lies.
    fn tell_of_misplaced(&mut self) -> io::Result<()> {
        for path in Inbox::misplaced(&self.workshop.inbox())? {
            let scan = inbox::name_of(&path);
            let pipelines = library::list(self.workshop.root()).join(", ");
            self.tell(path.display().to_string(), || {
                let hint = format!("move it into inbox/PIPELINE: {pipelines}");
                warn!(%scan, %hint, "lies in the inbox itself, where no pipeline takes it");
            });
        }
        Ok(())
    }

    /// Logs once of each file that came after its scan was taken without it.
    fn tell_of_late(&mut self) -> io::Result<()> {
        for row in self.ledger.lacking()? {
            for (name, _) in wishes::late(&self.workshop, &row) {
                let job = row.job;
                self.tell(format!("late {job} {name}"), || {
                    let hint = format!("`statuary retry {job}` works on both, once the job is settled");
                    warn!(%job, scan = %row.scan, file = %name, %hint, "came after its scan was taken without it");
                });
            }
        }
        Ok(())
    }

    /// Subscribes to the system's notices, anew when the inbox is another folder than before.
    fn keep_watching(&mut self) -> io::Result<()> {
        let inbox = self.workshop.inbox();
        let meta = std::fs::metadata(&inbox)?;
        let own = {
            use std::os::unix::fs::MetadataExt;
            (meta.dev(), meta.ino())
        };
        if self.watched == Some(own) {
            return Ok(());
        }
        self.watched = Some(own);
        self.watcher = None;
        if self.options.poll || is_far(&inbox) {
            info!("looking at the inbox every few seconds, for its file system gives no reliable notice");
            return Ok(());
        }
        let wake = self.wake.0.clone();
        let handler = move |_event: notify::Result<notify::Event>| {
            // The receiver lives as long as the watcher.
            let _ = wake.send(());
        };
        let watcher = notify::recommended_watcher(handler).and_then(|mut watcher| {
            watcher.watch(&inbox, RecursiveMode::Recursive)?;
            Ok(watcher)
        });
        self.watcher = watcher
            .inspect_err(|error| warn!(%error, "no notices from the system; looking every few seconds instead"))
            .ok();
        Ok(())
    }

    /// Until the next look: short while something is on its way, growing while an inbox without notices is still.
    fn pause(&mut self, busy: bool) -> Duration {
        let most = self.options.look_every;
        if busy {
            self.pause = POLL.0;
            return self.options.patience.settle.div_f64(3.0).clamp(Duration::from_millis(50), most);
        }
        if self.watcher.is_some() {
            return most;
        }
        let pause = self.pause.min(most);
        self.pause = self.pause.mul_f64(1.5).min(POLL.1);
        pause
    }
}

/// Whether a path lies on a file system that others write to without this system's notice.
fn is_far(path: &Path) -> bool {
    // Magic numbers as the manual page of statfs(2) and the kernel's headers list them: NFS, SMB, CIFS, SMB2, FUSE, 9P,
    // Ceph, AFS.
    const FAR: [u32; 8] =
        [0x6969, 0x517B, 0xFF53_4D42, 0xFE53_4D42, 0x6573_5546, 0x0102_1997, 0x00C3_6400, 0x5346_414F];
    rustix::fs::statfs(path).is_ok_and(|found| FAR.contains(&(found.f_type as u32)))
}
