//! A watched workshop for tests: quick pipelines, small scans, the daemon as a process.

use std::fmt::Write as _;
use std::fs;
use std::path::Path;
use std::process::{Child, Command, Stdio};
use std::time::{Duration, Instant};

use super::{command, statuary, stderr, text, workshop};

/// A pipeline that is quick because it stops after reading.
pub const QUICK: &str = "about: reads only\nstages:\n  - intake\n  - report: {pictures: false}\n";

/// A whole way to print files, without pictures.
pub const TINY: &str = "about: to print files\nstages:\n  - intake\n  - clean\n  - scale: {height_mm: 60}\n  - split\n  \
- colour-reduce\n  - orient\n  - estimate\n  - export: {solids: false}\n  - report: {pictures: false, turning: false}\n";

/// A workshop with the pipelines `quick` and `tiny`.
pub fn quick_workshop() -> tempfile::TempDir {
    let workshop = workshop();
    for (name, pipeline) in [("quick", QUICK), ("tiny", TINY)] {
        fs::write(workshop.path().join(format!("pipelines/{name}.yaml")), pipeline).unwrap();
        fs::create_dir(workshop.path().join("inbox").join(name)).unwrap();
    }
    workshop
}

/// A ball of two colours as PLY; `rings` makes it finer.
pub fn ball(rings: usize) -> Vec<u8> {
    let round = 2 * rings;
    let (mut corners, mut faces) = (String::new(), String::new());
    for ring in 0..=rings {
        for at in 0..round {
            let (t, p) = (ring as f64 / rings as f64, at as f64 / rings as f64);
            let ([sin, cos], red) =
                ([(t * std::f64::consts::PI).sin(), (t * std::f64::consts::PI).cos()], (p * 90.0) as u8);
            let angle = p * std::f64::consts::PI;
            let (x, y, z) = (0.1 * sin * angle.cos(), 0.1 * sin * angle.sin(), 0.1 + 0.1 * cos);
            writeln!(corners, "{x:.6} {y:.6} {z:.6} {} 60 90", if red > 90 { 200 } else { 30 }).unwrap();
            let (a, b) = (ring * round + at, ring * round + (at + 1) % round);
            if ring < rings {
                writeln!(faces, "3 {a} {} {b}\n3 {b} {} {}", a + round, a + round, b + round).unwrap();
            }
        }
    }
    let colours = "property uchar red\nproperty uchar green\nproperty uchar blue\n";
    let header = format!(
        "ply\nformat ascii 1.0\nelement vertex {}\nproperty float x\nproperty float y\nproperty float z\n{colours}\
         element face {}\nproperty list uchar int vertex_indices\nend_header\n",
        (rings + 1) * round,
        2 * rings * round
    );
    (header + &corners + &faces).into_bytes()
}

/// Puts a file into the inbox whole.
pub fn put(workshop: &Path, pipeline: &str, name: &str, bytes: &[u8]) {
    let inbox = workshop.join("inbox").join(pipeline);
    fs::write(inbox.join(".coming"), bytes).unwrap();
    fs::rename(inbox.join(".coming"), inbox.join(name)).unwrap();
}

pub fn watch_args<'a>(path: &'a str, more: &[&'a str]) -> Vec<&'a str> {
    let mut args = vec!["watch", path, "--settle-secs", "0.3", "--missing-secs", "0.6", "--incomplete-secs", "0.6"];
    args.extend(more);
    args
}

pub fn watch(workshop: &Path, more: &[&str]) -> Child {
    command(&watch_args(&text(workshop), more)).stderr(Stdio::piped()).spawn().unwrap()
}

/// Watches until the inbox is empty; returns the log.
pub fn watch_once(workshop: &Path, more: &[&str]) -> String {
    let mut args = vec!["--once"];
    args.extend(more);
    let output = watch(workshop, &args).wait_with_output().unwrap();
    assert!(output.status.success(), "{}", stderr(&output));
    stderr(&output)
}

/// Watches with the log in a file.
pub fn watch_logged(workshop: &Path, log: &Path, more: &[&str]) -> Child {
    let log = fs::File::options().create(true).append(true).open(log).unwrap();
    command(&watch_args(&text(workshop), more)).stderr(log).spawn().unwrap()
}

/// Waits for a fact and says which one did not come.
pub fn until(what: &str, fact: impl Fn() -> bool) {
    let start = Instant::now();
    while !fact() {
        assert!(start.elapsed() < Duration::from_mins(2), "waited in vain until {what}");
        std::thread::sleep(Duration::from_millis(30));
    }
}

pub fn stop(mut child: Child) -> i32 {
    let pid = child.id().to_string();
    assert!(Command::new("kill").args(["-TERM", &pid]).status().unwrap().success());
    child.wait().unwrap().code().unwrap_or(-1)
}

pub fn status(workshop: &Path) -> serde_json::Value {
    let output = statuary(&["status", &text(workshop), "--json"]);
    assert!(output.status.success(), "{}", stderr(&output));
    serde_json::from_slice(&output.stdout).unwrap()
}

/// How many jobs are in a state.
pub fn count(workshop: &Path, state: &str) -> usize {
    status(workshop)[state].as_array().unwrap().len()
}

pub fn published(workshop: &Path, name: &str) -> bool {
    workshop.join("outbox").join(name).join("run.json").is_file()
}

/// Whether a log says something.
pub fn says(log: &Path, what: &str) -> bool {
    fs::read_to_string(log).is_ok_and(|text| text.contains(what))
}

/// The working process of a daemon, or of a fleet's worker.
pub fn worker_of(daemon: u32) -> Option<String> {
    let children = fs::read_dir(format!("/proc/{daemon}/task")).ok()?.filter_map(Result::ok);
    let children = children.filter_map(|task| fs::read_to_string(task.path().join("children")).ok());
    children.flat_map(|text| text.split_whitespace().map(str::to_owned).collect::<Vec<_>>()).next()
}
