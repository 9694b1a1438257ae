//! The jobs being worked on: started in turn as memory allows, heard, ended, and settled. Nothing here waits for a run.

use std::collections::{BTreeMap, BTreeSet};
use std::io;
use std::sync::mpsc::{Receiver, Sender, channel};
use std::time::{Duration, Instant};

use tracing::{error, info, warn};

use crate::pipeline::cache::Cache;
use crate::pipeline::files;

use super::child::{Heard, Worker};
use super::fleet::{Errand, Fleet, OFFERS_MAX};
use super::hands::Hands;
use super::health::{AtWork, Health};
use super::job::{JobFolder, Marks};
use super::ledger::{JobId, LEASE, LeaseWatch, Ledger, LedgerError, Row, State};
use super::memory::{Room, gigabytes};
use super::publish::{Made, is_published, publish};
use super::reconcile::OWNER;
use super::retention::Retention;
use super::settle::{put_away, refuse};
use super::wishes::{self, CANCEL};
use super::worker::{Ending, Message, Order};
use super::workshop::Workshop;
use super::{Naming, Options, plan_of};

/// Times a working process may break off before its scan is given up.
const CRASHES_MAX: u32 = 2;
/// Starts in a row that got no further before a scan is given up: the daemon itself was ended each time.
const STARTS_MAX: u32 = 8;
/// Times a job is held before it is given up, and the longest it is held.
const HOLDS_MAX: u32 = 5;
const HOLD_MAX: Duration = Duration::from_hours(1);

/// One job at work.
#[derive(Debug)]
struct Running {
    row: Row,
    token: u64,
    hands: Hands,
    /// The scan's files when the work began: a writer may still have them open.
    marks: Marks,
    stage: (String, Instant),
    since: Instant,
    ending: Option<Ending>,
    /// Last words, once its output has ended.
    gone: Option<String>,
    /// Why it is given back, when it was lost on the way.
    back: Option<String>,
    /// Why it was killed by us.
    overdue: Option<String>,
    cancelled: bool,
}

/// Everybody at work.
#[derive(Debug)]
pub struct Crew {
    workshop: Workshop,
    ledger: Ledger,
    options: Options,
    /// Who works instead of this machine.
    fleet: Option<Fleet>,
    owner: String,
    running: BTreeMap<JobId, Running>,
    heard: (Sender<Heard>, Receiver<Heard>),
    held_since: BTreeMap<JobId, (u32, Instant)>,
    leases: LeaseWatch,
    began: Instant,
    last_beat: Instant,
    told: BTreeSet<String>,
    /// Jobs settled, and the time their runs took, s.
    settled: (u64, f64),
}

impl Crew {
    #[must_use]
    pub fn new(workshop: Workshop, ledger: Ledger, options: Options, fleet: Option<Fleet>) -> Self {
        let now = Instant::now();
        Self {
            workshop,
            ledger,
            options,
            fleet,
            owner: format!("{OWNER}{}", std::process::id()),
            running: BTreeMap::new(),
            heard: channel(),
            held_since: BTreeMap::new(),
            leases: LeaseWatch::default(),
            began: now,
            last_beat: now,
            told: BTreeSet::new(),
            settled: (0, 0.0),
        }
    }

    /// The jobs and the disk at this moment.
    ///
    /// # Errors
    /// As the ledger or the file system tells.
    pub fn health(&self) -> io::Result<Health> {
        let at_work = |(job, running): (&JobId, &Running)| AtWork {
            job: job.to_string(),
            stage: running.stage.0.clone(),
            stage_seconds: running.stage.1.elapsed().as_secs_f64(),
            memory_bytes: running.hands.resident_bytes(),
        };
        let at_work = self.running.iter().map(at_work).collect();
        let (settled, run_seconds) = self.settled;
        let fleet = self.fleet.as_ref().map(Fleet::outlook);
        Ok(Health { at_work, settled, run_seconds, fleet, ..Health::of(&self.workshop, &self.ledger)? })
    }

    /// Forgets what is kept too long.
    ///
    /// # Errors
    /// As the ledger or the file system tells.
    pub fn forget_old(&mut self, retention: &mut Retention) -> io::Result<()> {
        retention.look_after(&self.workshop, &mut self.ledger)
    }

    #[must_use]
    pub fn is_idle(&self) -> bool {
        self.running.is_empty()
    }

    /// Whether a job waits or is at work; those held are left to the next start.
    ///
    /// # Errors
    /// As the ledger tells.
    pub fn is_through(&self) -> io::Result<bool> {
        let open = [State::Arriving, State::Waiting, State::Working];
        for state in open {
            if !self.ledger.in_state(state)?.is_empty() {
                return Ok(false);
            }
        }
        Ok(self.is_idle())
    }

    /// Waits a moment for news of the running jobs.
    pub fn listen(&mut self, most: Duration) {
        let mut next = self.heard.1.recv_timeout(most).ok();
        while let Some(heard) = next {
            self.hear(heard);
            next = self.heard.1.try_recv().ok();
        }
    }

    fn hear(&mut self, heard: Heard) {
        let (job, token) = heard.claim();
        let ours = |running: &&mut Running| running.token == token && running.gone.is_none();
        let Some(running) = self.running.get_mut(&job).filter(ours) else { return };
        match heard {
            Heard::Said(_, _, Message::Starts { index, total, stage }) => {
                info!(%job, stage = %stage, "stage {} of {total}", index + 1);
                running.stage = (stage, Instant::now());
            }
            Heard::Said(_, _, Message::Ends { stage, seconds, findings, cached }) => {
                info!(%job, stage = %stage, seconds, findings, cached, "stage done");
                if !cached && let Err(error) = self.ledger.beat((job, token), true) {
                    warn!(%job, %error, "cannot tell that the work goes on");
                }
            }
            Heard::Said(_, _, Message::Ending(ending)) => running.ending = Some(ending),
            Heard::Gone(_, _, words) => running.gone = Some(words),
            Heard::Back(_, _, why) => (running.back, running.gone) = (Some(why), Some(String::new())),
            Heard::Taken(_, _, machine) => {
                // A start counts from when somebody begins; what lies on the queue has not begun.
                let starts = if machine.is_empty() { -1 } else { 1 };
                let owner = Row::owner_at(&self.owner, &machine);
                if let Err(error) = self.ledger.hand((job, token), &owner, starts) {
                    warn!(%job, %error, "cannot write down who has it");
                }
            }
        }
    }

    /// One round: settles what ended, does what was asked, looks after leases and time, starts what may start.
    ///
    /// # Errors
    /// As the ledger or the disk tells; the next round goes on where this one stopped.
    pub fn round(&mut self, stopping: bool) -> io::Result<()> {
        self.settle_ended()?;
        self.fulfil_wishes()?;
        self.look_after_leases()?;
        self.end_overdue();
        if stopping {
            self.running.values_mut().for_each(|running| running.hands.stop());
            return Ok(());
        }
        self.release_held()?;
        self.start_waiting()
    }

    fn settle_ended(&mut self) -> io::Result<()> {
        let ended: Vec<JobId> = self.running.iter().filter(|(_, r)| r.gone.is_some()).map(|(job, _)| *job).collect();
        for job in ended {
            let Some(mut running) = self.running.remove(&job) else { continue };
            match self.settle(&mut running) {
                Err(error) if is_lost(&error) => warn!(%job, %error, "what it made is not used"),
                Err(error) => {
                    self.running.insert(job, running);
                    return Err(error);
                }
                Ok(()) => {
                    self.settled.0 += 1;
                    self.settled.1 += running.since.elapsed().as_secs_f64();
                }
            }
            files::remove(&JobFolder::at_work(&self.workshop, job).filled(running.token))?;
            self.workshop.list_runs();
            Cache::open(&self.workshop.cache()).shrink(self.options.cache_max_bytes)?;
        }
        Ok(())
    }

    fn settle(&mut self, running: &mut Running) -> io::Result<()> {
        let (job, claim) = (running.row.job, (running.row.job, running.token));
        let folder = JobFolder::at_work(&self.workshop, job);
        if let Some(why) = running.back.as_ref().filter(|_| !running.cancelled) {
            return Ok(self.ledger.give_back(claim, why)?);
        }
        if running.cancelled {
            self.ledger.cancel(job)?;
            info!(%job, scan = %running.row.scan, "cancelled");
            return put_away(&self.workshop, &self.ledger, job);
        }
        let changed = folder.marks().is_ok_and(|marks| marks != running.marks);
        if changed && running.overdue.is_none() {
            info!(%job, scan = %running.row.scan, "the scan was written to while it was worked on; starting anew");
            return Ok(self.ledger.give_back(claim, "the scan was written to meanwhile")?);
        }
        if let Some(reason) = running.overdue.clone() {
            return self.refuse(
                running,
                &reason,
                "give more time with --stage-minutes, or a scan with fewer triangles",
            );
        }
        match running.ending.clone() {
            Some(Ending::Done { digest, parts, faults, seconds }) => {
                let filled = folder.filled(running.token);
                let by_number = self.options.naming == Naming::Number;
                // A round that failed after the folder had appeared is gone through again.
                if let Some(row) = self.ledger.row(job)?.filter(|row| is_published(&self.workshop, row)) {
                    info!(%job, out = %row.out, "done");
                    self.ledger.done(claim, "")?;
                    return put_away(&self.workshop, &self.ledger, job);
                }
                match publish(
                    &self.workshop,
                    &mut self.ledger,
                    (&running.row, running.token),
                    &Made { filled, digest, by_number },
                ) {
                    Ok(out) => {
                        self.ledger.done(claim, "")?;
                        info!(%job, out = %out.display(), parts, faults, seconds, "done");
                        put_away(&self.workshop, &self.ledger, job)
                    }
                    Err(error) if is_of_ledger(&error) => Err(error),
                    Err(error) => self.hold(running, &format!("cannot be published: {error}")),
                }
            }
            Some(Ending::Refused { reason, hint }) => self.refuse(running, &reason, &hint),
            Some(Ending::Trouble { reason }) => self.hold(running, &reason),
            Some(Ending::Stopped) => {
                info!(%job, scan = %running.row.scan, "stopped; it goes on at the next start");
                Ok(self.ledger.give_back(claim, "stopped")?)
            }
            None => self.broke_off(running),
        }
    }

    fn broke_off(&mut self, running: &mut Running) -> io::Result<()> {
        let words = running.gone.clone().unwrap_or_default();
        let fate = running.hands.fate(&words);
        let stage = match running.stage.0.as_str() {
            "" => String::new(),
            stage => format!(" in `{stage}`"),
        };
        let reason = format!("the working process {fate}{stage}");
        let job = running.row.job;
        if running.row.crashes + 1 >= CRASHES_MAX {
            let reason = format!("{reason}; so it did before");
            return self.refuse(running, &reason, "run it by hand with `statuary run` and see where it stops");
        }
        warn!(%job, scan = %running.row.scan, %reason, "tried once more");
        Ok(self.ledger.broke_off((job, running.token), &reason)?)
    }

    fn refuse(&mut self, running: &Running, reason: &str, hint: &str) -> io::Result<()> {
        let job = running.row.job;
        refuse(&self.workshop, &mut self.ledger, (job, Some(running.token)), (reason, hint))?;
        warn!(%job, scan = %running.row.scan, %reason, %hint, "refused");
        Ok(())
    }

    fn hold(&mut self, running: &Running, reason: &str) -> io::Result<()> {
        let job = running.row.job;
        if running.row.holds >= HOLDS_MAX {
            let reason = format!("{reason}; so it was {HOLDS_MAX} times before");
            return self.refuse(running, &reason, "mend it, then put the scan back with `statuary retry`");
        }
        self.ledger.hold((job, running.token), reason)?;
        let minutes = hold_time(self.options.hold_first, running.row.holds + 1).as_secs_f64() / 60.0;
        warn!(%job, scan = %running.row.scan, %reason, minutes, "held; tried again then");
        Ok(())
    }

    fn fulfil_wishes(&mut self) -> io::Result<()> {
        for row in self.ledger.wished()? {
            match self.running.get_mut(&row.job) {
                Some(running) if row.wish == CANCEL => {
                    running.cancelled = true;
                    running.hands.kill();
                }
                _ => wishes::fulfil(&self.workshop, &mut self.ledger, &row)?,
            }
        }
        Ok(())
    }

    /// Gives signs of life for our jobs, and takes back those of owners who gave none.
    fn look_after_leases(&mut self) -> io::Result<()> {
        if self.last_beat.elapsed() < LEASE / 3 {
            return Ok(());
        }
        self.last_beat = Instant::now();
        for (job, running) in &mut self.running {
            match self.ledger.beat((*job, running.token), false) {
                Err(LedgerError::Lost(_)) => running.hands.kill(),
                other => other?,
            }
        }
        let working = self.ledger.in_state(State::Working)?;
        let others: Vec<Row> = working.into_iter().filter(|row| !self.running.contains_key(&row.job)).collect();
        for job in self.leases.expired(&others, self.began.elapsed()) {
            warn!(%job, "its worker gave no sign of life");
            self.ledger.release(job, "its worker gave no sign of life")?;
        }
        Ok(())
    }

    fn end_overdue(&mut self) {
        for running in self.running.values_mut() {
            let (stage, since) = &running.stage;
            // Another machine does so itself, by its own clock.
            if !running.hands.are_away() && running.overdue.is_none() && since.elapsed() > self.options.stage_time {
                let minutes = self.options.stage_time.as_secs_f64() / 60.0;
                running.overdue = Some(format!("`{stage}` took longer than {minutes} minutes"));
                running.hands.kill();
            }
        }
    }

    fn release_held(&mut self) -> io::Result<()> {
        let held = self.ledger.in_state(State::Held)?;
        self.held_since.retain(|job, _| held.iter().any(|row| row.job == *job));
        for row in held {
            let since = self.held_since.entry(row.job).or_insert_with(|| (row.holds, Instant::now()));
            if since.0 != row.holds {
                *since = (row.holds, Instant::now());
            }
            if since.1.elapsed() >= hold_time(self.options.hold_first, row.holds) {
                self.ledger.release(row.job, "tried again")?;
            }
        }
        Ok(())
    }

    /// First come, first served: who has no room lets nobody pass.
    fn start_waiting(&mut self) -> io::Result<()> {
        let most = if self.fleet.is_some() { OFFERS_MAX } else { self.options.jobs };
        if self.running.len() >= most {
            return Ok(());
        }
        for row in self.ledger.in_state(State::Waiting)? {
            if self.running.len() >= most {
                break;
            }
            if row.wish.is_empty() && plan_of(&self.workshop, &row.pipeline).is_ok() && !self.start_or_refuse(&row)? {
                break;
            }
        }
        Ok(())
    }

    /// Starts a job or gives it up; false when it has to wait for room.
    fn start_or_refuse(&mut self, row: &Row) -> io::Result<bool> {
        let room = Room::of_machine(self.options.memory_bytes);
        if row.starts >= STARTS_MAX {
            let reason =
                format!("it was started {STARTS_MAX} times, and each time all broke off before a stage was done");
            let hint = "run it by hand with `statuary run` and see where it stops";
            warn!(job = %row.job, scan = %row.scan, %reason, "refused");
            refuse(&self.workshop, &mut self.ledger, (row.job, None), (&reason, hint))?;
            return Ok(true);
        }
        if self.fleet.is_some() {
            // Whoever takes it has the room.
            self.offer(row)?;
            return Ok(true);
        }
        if row.memory_bytes > room.most {
            let (needs, most) = (gigabytes(row.memory_bytes), gigabytes(room.most));
            let reason = format!("it would take about {needs} of memory, and {most} may be taken here");
            let hint = "export it with fewer triangles, or allow more with `watch --memory-gb`";
            warn!(job = %row.job, scan = %row.scan, %reason, %hint, "refused");
            refuse(&self.workshop, &mut self.ledger, (row.job, None), (&reason, hint))?;
            return Ok(true);
        }
        let at_work: Vec<(u64, u64)> =
            self.running.values().map(|r| (r.row.memory_bytes, r.hands.resident_bytes())).collect();
        if !room.has_place_for(row.memory_bytes, &at_work) {
            if self.told.insert(format!("room {}", row.job)) {
                let (needs, left) = (gigabytes(row.memory_bytes), gigabytes(room.left(&at_work)));
                info!(job = %row.job, scan = %row.scan, %needs, %left, "waits for memory");
            }
            return Ok(false);
        }
        self.start(row, room.most)?;
        Ok(true)
    }

    fn start(&mut self, row: &Row, memory_bytes: u64) -> io::Result<()> {
        let folder = JobFolder::at_work(&self.workshop, row.job);
        let marks = folder.marks()?;
        let (job, token) = self.ledger.claim(row.job, &self.owner)?;
        let order = Order {
            workshop: std::path::absolute(self.workshop.root())?,
            pipeline: row.pipeline.clone(),
            scan: std::path::absolute(folder.scan_path(&row.scan))?,
            filled: std::path::absolute(folder.filled(token))?,
            nice: self.options.nice,
            memory_bytes,
            name: (self.options.naming == Naming::Number).then(|| row.job.to_string()),
            cache: None,
        };
        match Worker::start(&order, (job, token), self.options.json, &self.heard.0) {
            Ok(worker) => {
                info!(%job, scan = %row.scan, pipeline = %row.pipeline, "started");
                self.run(row, token, marks, Hands::Here(worker));
                Ok(())
            }
            Err(error) => {
                error!(%job, %error, "no working process could be started");
                Ok(self.ledger.hold((job, token), &format!("no working process could be started: {error}"))?)
            }
        }
    }

    /// Lets the fleet have a job.
    fn offer(&mut self, row: &Row) -> io::Result<()> {
        let Some(fleet) = self.fleet.clone() else { return Ok(()) };
        let folder = JobFolder::at_work(&self.workshop, row.job);
        let marks = folder.marks()?;
        let (job, token) = self.ledger.claim(row.job, &self.owner)?;
        self.ledger.hand((job, token), &self.owner, -1)?;
        let errand = Errand {
            job,
            token,
            scan: folder.scan_path(&row.scan),
            pipeline: row.pipeline.clone(),
            name: (self.options.naming == Naming::Number).then(|| row.job.to_string()),
            memory_bytes: row.memory_bytes,
            stage_time: self.options.stage_time,
            filled: folder.filled(token),
        };
        let remote = fleet.offer(errand, &self.heard.0);
        info!(%job, scan = %row.scan, pipeline = %row.pipeline, "offered to the fleet");
        self.run(row, token, marks, Hands::Away(remote));
        Ok(())
    }

    fn run(&mut self, row: &Row, token: u64, marks: Marks, hands: Hands) {
        let running = Running {
            row: row.clone(),
            token,
            hands,
            marks,
            stage: (String::new(), Instant::now()),
            since: Instant::now(),
            ending: None,
            gone: None,
            back: None,
            overdue: None,
            cancelled: false,
        };
        self.running.insert(row.job, running);
    }
}

/// How long a job is held the first, second and later time.
fn hold_time(first: Duration, holds: u32) -> Duration {
    first.saturating_mul(1 << holds.saturating_sub(1).min(16)).min(HOLD_MAX.max(first))
}

fn ledger_error(error: &io::Error) -> Option<&LedgerError> {
    error.get_ref().and_then(|inner| inner.downcast_ref())
}

fn is_of_ledger(error: &io::Error) -> bool {
    ledger_error(error).is_some()
}

fn is_lost(error: &io::Error) -> bool {
    matches!(ledger_error(error), Some(LedgerError::Lost(_) | LedgerError::Step { .. }))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_job_is_held_twice_as_long_each_time_up_to_an_hour() {
        let minutes: Vec<u64> = (1..9).map(|n| hold_time(Duration::from_mins(1), n).as_secs() / 60).collect();
        assert_eq!(minutes, [1, 2, 4, 8, 16, 32, 60, 60]);
    }
}
