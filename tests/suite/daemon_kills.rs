//! A stream of drops while the daemon is killed at random times and the outbox goes away now and then: every scan ends
//! exactly once, nothing half-made is ever to be seen, and the results are those of an undisturbed run.

use std::collections::BTreeMap;
use std::fs;
use std::path::Path;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::time::{Duration, Instant};

use super::support::daemon::{ball, count, put, quick_workshop, status, watch_logged, watch_once};
use super::support::digests;

/// Numbers that look random and are the same every time (xorshift, Marsaglia 2003).
struct Dice(u64);

impl Dice {
    fn below(&mut self, end: u64) -> u64 {
        self.0 ^= self.0 << 13;
        self.0 ^= self.0 >> 7;
        self.0 ^= self.0 << 17;
        self.0 % end
    }
}

/// Looks at the outbox all the time; returns how often, and every run folder it met without all that its log names.
fn look_all_the_time(outbox: &Path, stop: &AtomicBool) -> (usize, Vec<String>) {
    let (mut looks, mut partial) = (0, Vec::new());
    while !stop.load(Ordering::Relaxed) {
        looks += 1;
        for path in fs::read_dir(outbox).into_iter().flatten().filter_map(Result::ok).map(|entry| entry.path()) {
            let name = path.file_name().unwrap().to_string_lossy().into_owned();
            if name.starts_with('.') || !path.is_dir() {
                continue;
            }
            let log = fs::read(path.join("run.json")).ok();
            let record = log.and_then(|text| serde_json::from_slice::<serde_json::Value>(&text).ok());
            let whole = record.is_some_and(|record| {
                let outputs = record["outputs"].as_array().cloned().unwrap_or_default();
                outputs.iter().all(|o| path.join(o["file"].as_str().unwrap_or("?")).is_file())
            });
            // The outbox itself may have gone away between two questions.
            if !whole && path.is_dir() {
                partial.push(name);
            }
        }
        std::thread::sleep(Duration::from_millis(5));
    }
    (looks, partial)
}

fn scan(at: usize) -> (String, Vec<u8>) {
    (format!("s{at:02}.ply"), if at % 10 == 7 { b"ply\nno scan\n".to_vec() } else { ball(6 + at % 20) })
}

/// What came of each scan.
fn results(workshop: &Path, drops: usize) -> BTreeMap<String, Vec<(String, String)>> {
    let found = (0..drops).map(|at| scan(at).0.replace(".ply", ""));
    found
        .filter(|name| workshop.join("outbox").join(name).is_dir())
        .map(|name| (name.clone(), digests(&workshop.join("outbox").join(&name), &["run.json"])))
        .collect()
}

fn disturbed(kills: usize, drops: usize, seed: u64) {
    let (calm, workshop) = (quick_workshop(), quick_workshop());
    for at in 0..drops {
        let (name, bytes) = scan(at);
        put(calm.path(), "tiny", &name, &bytes);
    }
    watch_once(calm.path(), &[]);

    let folder = workshop.path();
    let (outbox, away) = (folder.join("outbox"), folder.join("away"));
    let (log, stop) = (folder.join("log"), Arc::new(AtomicBool::new(false)));
    let watcher = std::thread::spawn({
        let (outbox, stop) = (outbox.clone(), Arc::clone(&stop));
        move || look_all_the_time(&outbox, &stop)
    });
    let (mut dice, mut dropped, clock) = (Dice(seed), 0, Instant::now());
    for kill in 0..kills {
        while dropped < drops && dropped * kills <= kill * drops {
            let (name, bytes) = scan(dropped);
            put(folder, "tiny", &name, &bytes);
            dropped += 1;
        }
        // Now and then the outbox is no folder for a while.
        let failing = dice.below(5) == 0;
        if failing {
            fs::rename(&outbox, &away).unwrap();
            fs::write(&outbox, "no folder").unwrap();
        }
        let mut daemon = watch_logged(folder, &log, &["--hold-secs", "0.2", "--jobs", "2"]);
        std::thread::sleep(Duration::from_millis(100 + dice.below(1200)));
        daemon.kill().unwrap();
        daemon.wait().unwrap();
        if failing {
            fs::remove_file(&outbox).unwrap();
            fs::rename(&away, &outbox).unwrap();
        }
    }
    for at in dropped..drops {
        let (name, bytes) = scan(at);
        put(folder, "tiny", &name, &bytes);
    }
    let published_before = count(folder, "done");
    watch_once(folder, &[]);
    stop.store(true, Ordering::Relaxed);
    let (looks, partial) = watcher.join().unwrap();
    println!(
        "{kills} kills, {drops} drops, {published_before} done before the last start, {looks} looks, {:.0} s",
        clock.elapsed().as_secs_f64()
    );
    assert!(partial.is_empty(), "seen half-made: {partial:?}");

    let status = status(folder);
    let mut ends: BTreeMap<String, usize> = BTreeMap::new();
    for state in ["done", "refused"] {
        for row in status[state].as_array().unwrap() {
            *ends.entry(row["scan"].as_str().unwrap().to_owned()).or_default() += 1;
        }
    }
    let expected: BTreeMap<String, usize> = (0..drops).map(|at| (scan(at).0, 1)).collect();
    assert_eq!(ends, expected, "every scan ends once: {status}");
    for state in ["queued", "working", "held", "cancelled"] {
        assert_eq!(status[state].as_array().unwrap().len(), 0, "{state}: {status}");
    }
    assert_eq!(count(calm.path(), "done"), status["done"].as_array().unwrap().len(), "{}", status["refused"]);
    let runs = fs::read_dir(&outbox).unwrap().filter(|entry| entry.as_ref().unwrap().path().is_dir()).count();
    assert_eq!(runs, status["done"].as_array().unwrap().len(), "no run is there twice");
    assert_eq!(results(folder, drops), results(calm.path(), drops));
}

#[test]
fn ten_kills_change_nothing() {
    disturbed(10, 6, 0x5EED_0001);
}

#[test]
#[ignore = "takes minutes; run it with `cargo test --release --test suite -- --ignored kills`"]
fn two_hundred_kills_change_nothing() {
    disturbed(200, 50, 0x5EED_0002);
}
