//! The log: on standard error, and on demand also in the workshop as JSON lines, a file a day.

use std::fs::{self, File};
use std::io::{self, IsTerminal, Seek, Write};
use std::path::Path;

use tracing::Metadata;
use tracing::level_filters::LevelFilter;
use tracing_appender::rolling::{RollingFileAppender, Rotation};
use tracing_subscriber::filter::{FilterExt, filter_fn};
use tracing_subscriber::layer::SubscriberExt;
use tracing_subscriber::registry::LookupSpan;
use tracing_subscriber::util::SubscriberInitExt;
use tracing_subscriber::{EnvFilter, Layer, fmt};

use crate::pipeline::files;

/// Target of lines a working process wrote: standard error has them as they came.
pub const OF_CHILD: &str = "working-process";

/// Files of the log, and how many days they are kept.
#[derive(Clone, Copy, Debug)]
pub struct LogFiles<'a> {
    pub folder: &'a Path,
    pub days: usize,
}

/// Starts the log on standard error: for people, or as JSON lines. A second start in one process keeps the first log.
pub fn start(json: bool) {
    let _ = tracing_subscriber::registry().with(shown(json)).try_init();
}

/// Starts it in files as well.
///
/// # Errors
/// When the files cannot be made.
pub fn start_with_files(json: bool, files: LogFiles<'_>) -> io::Result<()> {
    let kept = kept(files)?;
    let _ = tracing_subscriber::registry().with(shown(json)).with(kept).try_init();
    Ok(())
}

fn shown<S>(json: bool) -> impl Layer<S>
where
    S: tracing::Subscriber + for<'a> LookupSpan<'a>,
{
    let wanted = EnvFilter::try_from_default_env().unwrap_or_else(|_| EnvFilter::new("statuary=info"));
    let wanted = wanted.and(filter_fn(|event| event.target() != OF_CHILD));
    let shown = fmt::layer().with_writer(io::stderr).with_target(false).with_ansi(io::stderr().is_terminal());
    let shown = if json { shown.json().flatten_event(true).boxed() } else { shown.boxed() };
    shown.with_filter(wanted)
}

fn kept<S>(files: LogFiles<'_>) -> io::Result<impl Layer<S>>
where
    S: tracing::Subscriber + for<'a> LookupSpan<'a>,
{
    files::make_folder(files.folder)?;
    let daily = RollingFileAppender::builder().rotation(Rotation::DAILY).max_log_files(files.days);
    let daily = daily.filename_prefix("log").filename_suffix("jsonl").build(files.folder).map_err(io::Error::other)?;
    let ours = |event: &Metadata<'_>| event.target() == OF_CHILD || event.target().starts_with(env!("CARGO_PKG_NAME"));
    let layer = fmt::layer().json().flatten_event(true).with_target(false).with_ansi(false).with_writer(daily);
    Ok(layer.with_filter(filter_fn(ours).and(LevelFilter::INFO)))
}

/// Takes the lines that a test finds out of all files of a log, while a daemon may go on writing at their ends.
///
/// # Errors
/// As the file system tells.
pub fn strike_out(folder: &Path, tells: impl Fn(&[u8]) -> bool) -> io::Result<()> {
    if !folder.is_dir() {
        return Ok(());
    }
    for entry in fs::read_dir(folder)? {
        let path = entry?.path();
        let bytes = fs::read(&path)?;
        let kept: Vec<&[u8]> = bytes.split_inclusive(|byte| *byte == b'\n').filter(|line| !tells(line)).collect();
        let kept = kept.concat();
        if kept.len() < bytes.len() {
            // In place, for the daemon has the file open to append to it.
            let mut file = File::options().write(true).open(&path)?;
            file.set_len(0)?;
            file.rewind()?;
            file.write_all(&kept)?;
            file.sync_all()?;
        }
    }
    Ok(())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn lines_that_tell_are_struck_out_and_the_log_goes_on() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("log.2026-05-04.jsonl");
        fs::write(&path, "one\ntells of mate\nthree\n").unwrap();
        let mut daemon = File::options().append(true).open(&path).unwrap();
        strike_out(folder.path(), |line| line.windows(4).any(|w| w == b"mate")).unwrap();
        daemon.write_all(b"four\n").unwrap();
        assert_eq!(fs::read_to_string(&path).unwrap(), "one\nthree\nfour\n");
        strike_out(&folder.path().join("none"), |_| true).unwrap();
    }
}
