//! The daemon's side of a working process: starts it, hears it, stops it, and tells what became of it.

use std::io::{self, BufRead, BufReader, Write};
use std::process::{Child, ChildStdin, Command, Stdio};
use std::sync::mpsc::Sender;

use super::ledger::JobId;
use super::log::OF_CHILD;
use super::worker::{Message, Order, STOP};

/// Hidden subcommand of the working process.
pub const COMMAND: &str = "work-one";
/// Longest line of a working process that is kept, bytes.
const LINE_MAX: usize = 64 << 10;

/// What a working process says.
#[derive(Debug)]
pub enum Heard {
    Said(JobId, u64, Message),
    /// Its output ended; with its last words on standard error.
    Gone(JobId, u64, String),
    /// Another machine has it, by name; an empty one when it waits for another.
    Taken(JobId, u64, String),
    /// It was lost on the way, and is to wait for its turn again.
    Back(JobId, u64, String),
}

impl Heard {
    /// The claim it is about.
    #[must_use]
    pub fn claim(&self) -> (JobId, u64) {
        match self {
            Self::Said(job, token, _)
            | Self::Gone(job, token, _)
            | Self::Taken(job, token, _)
            | Self::Back(job, token, _) => (*job, *token),
        }
    }
}

/// A working process.
#[derive(Debug)]
pub struct Worker {
    process: Child,
    /// Open as long as the process is to live.
    orders: ChildStdin,
}

impl Worker {
    /// Starts a process on an order; what it says comes through `tell`.
    ///
    /// # Errors
    /// As the system tells.
    pub fn start(order: &Order, (job, token): (JobId, u64), json: bool, tell: &Sender<Heard>) -> io::Result<Self> {
        let mut command = program()?;
        command.arg(COMMAND);
        if json {
            command.arg("--json");
        }
        let pipes = command.stdin(Stdio::piped()).stdout(Stdio::piped()).stderr(Stdio::piped());
        let mut process = pipes.spawn()?;
        let missing = || io::Error::other("a pipe of the working process is missing");
        let mut orders = process.stdin.take().ok_or_else(missing)?;
        let out = process.stdout.take().ok_or_else(missing)?;
        let errors = process.stderr.take().ok_or_else(missing)?;
        let mut line = serde_json::to_string(order).map_err(io::Error::other)?;
        line.push('\n');
        if let Err(error) = orders.write_all(line.as_bytes()) {
            let _ = process.kill();
            let _ = process.wait();
            return Err(error);
        }
        let words = std::thread::spawn(move || pass_on(errors, job));
        let tell = tell.clone();
        std::thread::spawn(move || {
            for line in BufReader::new(out).lines().map_while(Result::ok) {
                if let Ok(message) = serde_json::from_str(&line) {
                    let _ = tell.send(Heard::Said(job, token, message));
                }
            }
            let _ = tell.send(Heard::Gone(job, token, words.join().unwrap_or_default()));
        });
        Ok(Self { process, orders })
    }

    /// Asks it to stop after the step in hand.
    pub fn stop(&mut self) {
        // A process that is gone needs no asking.
        let _ = self.orders.write_all(format!("{STOP}\n").as_bytes());
    }

    /// Ends it at once.
    pub fn kill(&mut self) {
        let _ = self.process.kill();
    }

    /// Number of the process.
    #[must_use]
    pub fn id(&self) -> u32 {
        self.process.id()
    }

    /// What it takes up now, bytes; 0 when the system does not tell.
    #[must_use]
    pub fn resident_bytes(&self) -> u64 {
        super::memory::resident_bytes(self.process.id())
    }

    /// How it ended, in words. Its output has ended before, so that this does not wait long.
    pub fn fate(&mut self, last_words: &str) -> String {
        use std::os::unix::process::ExitStatusExt;
        let said = if last_words.is_empty() { String::new() } else { format!(": {last_words}") };
        match self.process.wait() {
            Ok(status) => match (status.signal(), status.code()) {
                (Some(9), _) => "was ended from outside by signal 9, as the system does when memory runs out".into(),
                (Some(6), _) if last_words.contains("memory allocation") => format!("ran out of memory{said}"),
                (Some(signal), _) => format!("was ended by signal {signal}{said}"),
                (None, code) => format!("ended with code {}{said}", code.unwrap_or(-1)),
            },
            Err(error) => format!("is gone: {error}"),
        }
    }
}

impl Drop for Worker {
    fn drop(&mut self) {
        self.kill();
        let _ = self.process.wait();
    }
}

/// This program, also when its file has been replaced since.
fn program() -> io::Result<Command> {
    let own = std::path::Path::new("/proc/self/exe");
    Ok(if own.exists() { Command::new(own) } else { Command::new(std::env::current_exe()?) })
}

/// Passes log lines through to our own; returns the last that is no part of a panic's trailer.
fn pass_on(errors: impl io::Read, job: JobId) -> String {
    let mut last = String::new();
    let mut reader = BufReader::new(errors);
    let mut line = Vec::new();
    loop {
        line.clear();
        match io::Read::by_ref(&mut reader).take(LINE_MAX as u64).read_until(b'\n', &mut line) {
            Ok(0) | Err(_) => return last,
            Ok(_) => {}
        }
        let _ = io::stderr().lock().write_all(&line);
        let text = String::from_utf8_lossy(&line);
        let text = text.trim();
        tracing::info!(target: OF_CHILD, %job, "{text}");
        if !text.is_empty() && !text.starts_with("note:") {
            text.clone_into(&mut last);
        }
    }
}

use std::io::Read as _;
