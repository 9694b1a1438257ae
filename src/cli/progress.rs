//! How a run is shown: a bar with the time left on a terminal, one plain line a stage elsewhere.

use std::io::IsTerminal;
use std::time::{Duration, Instant};

use indicatif::{ProgressBar, ProgressStyle};

use crate::pipeline::runner::Observer;
use crate::run_record::StageRecord;
use crate::stages::report::words;

/// Seconds that stages take with a scan of a million triangles: how a run's time divides, whatever the machine.
const USUAL_SECS: [(&str, f64); 12] = [
    ("intake", 1.5),
    ("clean", 5.0),
    ("scale", 0.5),
    ("split", 3.5),
    ("base", 1.0),
    ("colour-reduce", 6.0),
    ("orient", 1.0),
    ("fewer-changes", 2.0),
    ("blend", 6.0),
    ("estimate", 6.0),
    ("export", 8.0),
    ("report", 4.0),
];
/// Share of a run from which it tells how long the rest takes.
const TELLING: f64 = 0.08;

/// How far a run is.
#[derive(Debug, Default)]
struct Pace {
    /// Stages to come and their usual times, the one at work first.
    left: Vec<(String, f64)>,
    all: f64,
}

impl Pace {
    fn of(stages: &[&str]) -> Self {
        let usual = |name: &str| USUAL_SECS.iter().find(|(known, _)| *known == name).map_or(1.0, |(_, secs)| *secs);
        let left: Vec<(String, f64)> = stages.iter().map(|name| ((*name).to_owned(), usual(name))).collect();
        let all = left.iter().map(|(_, secs)| secs).sum();
        Self { left, all }
    }

    /// Share of the run that is done, with so much of the stage at work.
    fn done(&self, of_stage: f64) -> f64 {
        let left: f64 = self.left.iter().map(|(_, secs)| secs).sum();
        let now = self.left.first().map_or(0.0, |(_, secs)| secs * of_stage.clamp(0.0, 1.0));
        if self.all > 0.0 { 1.0 - (left - now) / self.all } else { 0.0 }
    }

    fn ends(&mut self, stage: &str) {
        if self.left.first().is_some_and(|(name, _)| name == stage) {
            self.left.remove(0);
        }
    }
}

/// What is left of a run that took so long for a share of it, in words; empty while too little is known.
fn time_left(done: f64, elapsed: Duration) -> String {
    if done < TELLING {
        return String::new();
    }
    format!(", about {} left", words::duration((elapsed.as_secs_f64() * (1.0 - done) / done).ceil()))
}

/// Shows progress on standard error.
pub struct Shown {
    bar: Option<ProgressBar>,
    quiet: bool,
    pace: Pace,
    began: Instant,
}

impl std::fmt::Debug for Shown {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_struct("Shown").field("quiet", &self.quiet).finish_non_exhaustive()
    }
}

impl Shown {
    #[must_use]
    pub fn new(quiet: bool) -> Self {
        let bar = (!quiet && std::io::stderr().is_terminal()).then(|| {
            let style = ProgressStyle::with_template("{prefix:>16} {bar:32.cyan/dim} {msg}");
            ProgressBar::new(1000).with_style(style.unwrap_or_else(|_| ProgressStyle::default_bar()))
        });
        Self { bar, quiet, pace: Pace::default(), began: Instant::now() }
    }

    fn show(&self, of_stage: f64, what: &str) {
        if let Some(bar) = &self.bar {
            let done = self.pace.done(of_stage);
            bar.set_position((done.clamp(0.0, 1.0) * 1000.0) as u64);
            bar.set_message(format!("{what}{}", time_left(done, self.began.elapsed())));
        }
    }
}

impl Drop for Shown {
    fn drop(&mut self) {
        if let Some(bar) = &self.bar {
            bar.finish_and_clear();
        }
    }
}

impl Observer for Shown {
    fn run_starts(&mut self, stages: &[&str]) {
        self.pace = Pace::of(stages);
        self.began = Instant::now();
    }

    fn stage_starts(&mut self, _: usize, _: usize, name: &str) {
        if let Some(bar) = &self.bar {
            bar.set_prefix(name.to_owned());
        }
        self.show(0.0, name);
    }

    fn step(&mut self, done: f64, what: &str) {
        self.show(done, what);
    }

    fn stage_ends(&mut self, record: &StageRecord) {
        self.pace.ends(&record.stage);
        let how = if record.cached { "unchanged".to_owned() } else { format!("{:.1} s", record.seconds) };
        let count = record.findings.len();
        let findings = match count {
            0 => String::new(),
            1 => ", 1 finding".into(),
            _ => format!(", {count} findings"),
        };
        let line = format!("{:>16} {how}{findings}", record.stage);
        match &self.bar {
            Some(bar) => bar.println(line),
            None if !self.quiet => eprintln!("{line}"),
            None => {}
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_rest_takes_as_long_as_its_stages_usually_do() {
        let mut pace = Pace::of(&["clean", "estimate", "export", "unheard-of"]);
        assert!((pace.done(0.5) - 2.5 / 20.0).abs() < 1e-12);
        pace.ends("split");
        pace.ends("clean");
        assert!((pace.done(0.0) - 0.25).abs() < 1e-12);
        assert_eq!(time_left(0.25, Duration::from_secs(10)), ", about 30\u{202f}s left");
        for name in ["estimate", "export", "unheard-of"] {
            pace.ends(name);
        }
        assert!((pace.done(0.0) - 1.0).abs() < 1e-12);
        assert_eq!(time_left(0.01, Duration::from_secs(3)), "");
        assert!(Pace::default().done(1.0).abs() < 1e-12);
    }

    #[test]
    fn every_stage_has_its_usual_time() {
        for entry in crate::stages::TABLE {
            assert!(USUAL_SECS.iter().any(|(name, _)| *name == entry.name), "{}", entry.name);
        }
    }
}
