//! Signs of life of the daemon: a health file for whoever watches over it, and its numbers as metrics in the `OpenMetrics`
//! text format 1.0. Both are files in the workshop: no port is opened. Neither names a scan.

use std::collections::BTreeMap;
use std::fmt::Write as _;
use std::io;
use std::path::PathBuf;
use std::time::{Duration, SystemTime};

use serde::{Deserialize, Serialize};

use crate::pipeline::cache::Cache;
use crate::pipeline::files;

use super::fleet::Outlook;
use super::job::now;
use super::ledger::{Ledger, State};
use super::workshop::Workshop;

/// How often both are written, and how old the health file may be before the daemon counts as hung.
pub const EVERY: Duration = Duration::from_secs(10);
pub const FRESH: Duration = Duration::from_mins(1);

/// A job at work.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct AtWork {
    pub job: String,
    pub stage: String,
    /// Time in this stage, s.
    pub stage_seconds: f64,
    /// Memory its process takes now, bytes.
    pub memory_bytes: u64,
}

/// The daemon at one moment.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct Health {
    pub time: String,
    pub version: String,
    pub process: u32,
    /// Since the daemon began, s.
    pub uptime_seconds: f64,
    /// Since the inbox was looked at, s; none before the first look.
    pub last_look_seconds: Option<f64>,
    /// Why the inbox cannot be read; empty when it can.
    pub inbox_lost: String,
    /// Jobs by state.
    pub jobs: BTreeMap<String, u64>,
    pub at_work: Vec<AtWork>,
    pub cache_bytes: u64,
    /// Free on the workshop's disk, bytes.
    pub disk_free_bytes: u64,
    /// Since the daemon began: jobs settled, and the time their runs took, s.
    pub settled: u64,
    pub run_seconds: f64,
    /// The fleet that works instead of this machine, if one does.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub fleet: Option<Outlook>,
}

impl Health {
    /// What ledger, cache and disk tell; the daemon adds what it alone knows.
    ///
    /// # Errors
    /// As the ledger or the file system tells.
    pub fn of(workshop: &Workshop, ledger: &Ledger) -> io::Result<Self> {
        let mut jobs: BTreeMap<String, u64> = State::ALL.iter().map(|state| (state.name().to_owned(), 0)).collect();
        for (state, count) in ledger.counts()? {
            jobs.insert(state, count);
        }
        let disk = rustix::fs::statvfs(workshop.root())?;
        Ok(Self {
            time: now(),
            version: env!("CARGO_PKG_VERSION").to_owned(),
            process: std::process::id(),
            jobs,
            cache_bytes: Cache::open(&workshop.cache()).size_bytes()?,
            disk_free_bytes: disk.f_bavail.saturating_mul(disk.f_frsize),
            ..Self::default()
        })
    }

    /// Writes the health file and the metrics.
    ///
    /// # Errors
    /// As the file system tells.
    pub fn write(&self, workshop: &Workshop) -> io::Result<()> {
        let text = serde_json::to_vec_pretty(self).map_err(io::Error::other)?;
        files::write_whole(&file(workshop), &text)?;
        files::write_whole(&metrics_file(workshop), self.metrics().as_bytes())
    }

    /// In the `OpenMetrics` text format.
    #[must_use]
    pub fn metrics(&self) -> String {
        let mut text = String::new();
        let mut family = |name: &str, kind: &str, help: &str, samples: &[(String, f64)]| {
            let _ = writeln!(text, "# TYPE {name} {kind}\n# HELP {name} {help}");
            for (labels, value) in samples {
                let total = if kind == "counter" { "_total" } else { "" };
                let _ = writeln!(text, "{name}{total}{labels} {value}");
            }
        };
        let one = |value: f64| vec![(String::new(), value)];
        let states = self.jobs.iter().map(|(state, count)| (format!("{{state=\"{state}\"}}"), *count as f64));
        family("statuary_jobs", "gauge", "Jobs in the ledger by state.", &states.collect::<Vec<_>>());
        family("statuary_settled_jobs", "counter", "Jobs settled since the daemon began.", &one(self.settled as f64));
        family("statuary_run_seconds", "counter", "Time of the runs of these jobs.", &one(self.run_seconds));
        family("statuary_uptime_seconds", "gauge", "Time since the daemon began.", &one(self.uptime_seconds));
        let look: Vec<_> = self.last_look_seconds.iter().map(|s| (String::new(), *s)).collect();
        family("statuary_last_look_seconds", "gauge", "Time since the inbox was looked at.", &look);
        let lost = f64::from(u8::from(!self.inbox_lost.is_empty()));
        family("statuary_inbox_lost", "gauge", "1 while the inbox cannot be read.", &one(lost));
        let memory: u64 = self.at_work.iter().map(|job| job.memory_bytes).sum();
        family("statuary_work_memory_bytes", "gauge", "Memory of all jobs at work.", &one(memory as f64));
        family("statuary_cache_bytes", "gauge", "Size of the stage cache.", &one(self.cache_bytes as f64));
        family(
            "statuary_disk_free_bytes",
            "gauge",
            "Free on the disk of the workshop.",
            &one(self.disk_free_bytes as f64),
        );
        if let Some(fleet) = self.fleet {
            let up = f64::from(u8::from(fleet.connected));
            family("statuary_fleet_connected", "gauge", "1 while the fleet's server is there.", &one(up));
            let offers = one(fleet.open_offers as f64);
            family("statuary_fleet_open_offers", "gauge", "Scans offered to the fleet and not back yet.", &offers);
            let workers = one(fleet.workers as f64);
            family("statuary_fleet_workers", "gauge", "Workers that gave a sign of life of late.", &workers);
        }
        text + "# EOF\n"
    }
}

#[must_use]
pub fn file(workshop: &Workshop) -> PathBuf {
    workshop.hidden().join("health.json")
}

#[must_use]
pub fn metrics_file(workshop: &Workshop) -> PathBuf {
    workshop.hidden().join("metrics.txt")
}

/// Why nobody seems to look after a workshop, if so: no daemon holds it, or it has given no sign of life for a minute.
#[must_use]
pub fn ailment(workshop: &Workshop) -> Option<String> {
    if workshop.lock().is_ok() {
        return Some("no daemon watches here".to_owned());
    }
    let written = std::fs::metadata(file(workshop)).and_then(|meta| meta.modified());
    match written.map(|written| SystemTime::now().duration_since(written).unwrap_or_default()) {
        Ok(age) if age <= FRESH => None,
        Ok(age) => Some(format!("the daemon gave its last sign of life {} s ago", age.as_secs())),
        Err(error) => Some(format!("the daemon gave no sign of life yet ({error})")),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn metrics_follow_the_open_format() {
        let jobs = [("done".to_owned(), 3), ("waiting".to_owned(), 0)].into();
        let health = Health { jobs, settled: 3, run_seconds: 61.5, ..Health::default() };
        let text = health.metrics();
        assert!(text.starts_with("# TYPE statuary_jobs gauge\n# HELP statuary_jobs "), "{text}");
        assert!(
            text.contains("\nstatuary_jobs{state=\"done\"} 3\n") && text.contains("\nstatuary_settled_jobs_total 3\n")
        );
        assert!(text.ends_with("\n# EOF\n") && !text.contains("\n\n"));
        // Before the first look there is nothing to tell of it, but the family is named.
        assert!(!text.contains("\nstatuary_last_look_seconds "), "{text}");
    }
}
