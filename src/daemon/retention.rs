//! Forgets settled jobs after so many days. A clock that jumped forgets nothing: only days the daemon itself saw pass count as
//! proof that the clock can be trusted.

use std::io;
use std::time::{Duration, Instant, SystemTime};

use jiff::Timestamp;
use tracing::{info, warn};

use super::forget::forget_job;
use super::ledger::Ledger;
use super::workshop::Workshop;

/// How often it is looked after.
const EVERY: Duration = Duration::from_mins(10);
/// How far the clock may be from where it should be by the time that has passed, s.
const OFF_MAX: f64 = 300.0;

/// Looks after what is kept too long.
#[derive(Debug)]
pub struct Retention {
    /// None keeps everything.
    keep: Option<Duration>,
    began: (Instant, SystemTime),
    last: Option<Instant>,
    told: bool,
}

impl Retention {
    #[must_use]
    pub fn new(keep: Option<Duration>) -> Self {
        Self { keep, began: (Instant::now(), SystemTime::now()), last: None, told: false }
    }

    /// Forgets what is due, at most every ten minutes.
    ///
    /// # Errors
    /// As the ledger or the file system tells.
    pub fn look_after(&mut self, workshop: &Workshop, ledger: &mut Ledger) -> io::Result<()> {
        let Some(keep) = self.keep.filter(|_| self.last.is_none_or(|last| last.elapsed() >= EVERY)) else {
            return Ok(());
        };
        self.last = Some(Instant::now());
        let off = off_seconds(self.began.0.elapsed(), SystemTime::now().duration_since(self.began.1).ok());
        if off > OFF_MAX {
            if !std::mem::replace(&mut self.told, true) {
                warn!(
                    seconds = off,
                    "the clock has jumped; nothing is forgotten by its age until the daemon is started anew"
                );
            }
            return Ok(());
        }
        let now = Timestamp::now();
        for row in ledger.rows()?.into_iter().filter(|row| row.state.is_settled()) {
            if row.time.parse::<Timestamp>().is_ok_and(|time| is_due(time, now, keep)) {
                let proof = forget_job(workshop, ledger, row.job)?;
                info!(job = %row.job, left = proof.left.len(), "forgotten after the days it was to be kept");
            }
        }
        Ok(())
    }
}

fn is_due(settled: Timestamp, now: Timestamp, keep: Duration) -> bool {
    now.duration_since(settled).as_secs_f64() > keep.as_secs_f64()
}

/// How far the clock is from where it should be, s; without end where it went back behind the beginning.
fn off_seconds(passed: Duration, by_clock: Option<Duration>) -> f64 {
    by_clock.map_or(f64::INFINITY, |by_clock| (by_clock.as_secs_f64() - passed.as_secs_f64()).abs())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn days_are_counted_from_when_a_job_was_settled() {
        let at = |text: &str| text.parse::<Timestamp>().unwrap();
        let keep = Duration::from_hours(24 * 30);
        assert!(!is_due(at("2026-11-01T12:00:00Z"), at("2026-12-01T11:59:59Z"), keep));
        assert!(is_due(at("2026-11-01T12:00:00Z"), at("2026-12-01T12:00:01Z"), keep));
        assert!(!is_due(at("2026-12-01T12:00:00Z"), at("2026-11-01T12:00:00Z"), keep), "settled in the future");
    }

    #[test]
    fn a_clock_that_jumped_is_noticed() {
        let minutes = Duration::from_mins;
        assert!(off_seconds(minutes(10), Some(minutes(11))) <= OFF_MAX);
        assert!(off_seconds(minutes(10), Some(minutes(60 * 24 * 365))) > OFF_MAX);
        assert!(off_seconds(minutes(10), None) > OFF_MAX, "before it began");
    }
}
