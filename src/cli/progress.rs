//! How a run is shown: a bar on a terminal, one plain line a stage elsewhere.

use std::io::IsTerminal;

use indicatif::{ProgressBar, ProgressStyle};

use crate::pipeline::runner::Observer;
use crate::run_record::StageRecord;

/// Shows progress on standard error.
pub struct Shown {
    bar: Option<ProgressBar>,
    quiet: bool,
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
        Self { bar, quiet }
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
    fn stage_starts(&mut self, _: usize, _: usize, name: &str) {
        if let Some(bar) = &self.bar {
            bar.set_prefix(name.to_owned());
            bar.set_message("");
            bar.set_position(0);
        }
    }

    fn step(&mut self, done: f64, what: &str) {
        if let Some(bar) = &self.bar {
            bar.set_position((done.clamp(0.0, 1.0) * 1000.0) as u64);
            bar.set_message(what.to_owned());
        }
    }

    fn stage_ends(&mut self, record: &StageRecord) {
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
