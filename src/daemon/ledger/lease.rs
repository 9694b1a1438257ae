//! Who has a job tells so by counting up. An observer who sees a count stand still for longer than a lease by a clock
//! of its own takes the owner for gone; no clock of another machine and no wall clock has a say.

use std::collections::BTreeMap;
use std::time::Duration;

use super::{JobId, Row};

/// How long a claim holds without a sign of life; its owner gives one every third of this.
pub const LEASE: Duration = Duration::from_mins(1);

/// What one observer has seen of others' claims.
#[derive(Debug, Default)]
pub struct LeaseWatch {
    seen: BTreeMap<JobId, ((u64, u64), Duration)>,
}

impl LeaseWatch {
    /// The jobs whose owners gave no sign for one and a half leases; `now` is time on a clock that only goes forward.
    pub fn expired(&mut self, working: &[Row], now: Duration) -> Vec<JobId> {
        self.seen.retain(|job, _| working.iter().any(|row| row.job == *job));
        let mut expired = Vec::new();
        for row in working {
            let sign = (row.token, row.beat);
            let entry = self.seen.entry(row.job).or_insert((sign, now));
            if entry.0 != sign {
                *entry = (sign, now);
            }
            if now.saturating_sub(entry.1) > LEASE.mul_f64(1.5) {
                expired.push(row.job);
            }
        }
        expired
    }
}
