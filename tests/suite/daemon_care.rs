//! What a workshop's keeper relies on: signs of life, names and files that tell nobody, and forgetting.

use std::fs;
use std::os::unix::fs::PermissionsExt;
use std::path::{Path, PathBuf};
use std::process::Command;

use super::support::daemon::{ball, count, published, put, quick_workshop, status, stop, until, watch, watch_once};
use super::support::{json, statuary, stderr, text};

fn all_files(folder: &Path) -> Vec<PathBuf> {
    let (mut found, mut waiting) = (Vec::new(), vec![folder.to_path_buf()]);
    while let Some(next) = waiting.pop() {
        for path in fs::read_dir(next).unwrap().map(|entry| entry.unwrap().path()) {
            found.push(path.clone());
            if path.is_dir() {
                waiting.push(path);
            }
        }
    }
    found
}

fn tells(path: &Path, name: &str) -> bool {
    let inside = path.is_file() && fs::read(path).unwrap().windows(name.len()).any(|window| window == name.as_bytes());
    inside || path.to_string_lossy().contains(name)
}

#[test]
fn a_daemon_gives_signs_of_life_and_survives_a_hangup() {
    let workshop = quick_workshop();
    let alive = || statuary(&["status", &text(workshop.path()), "--alive"]).status.code();
    assert_eq!(alive(), Some(6), "nobody watches");
    let child = watch(workshop.path(), &[]);
    until("it is alive", || alive() == Some(0));
    let pid = child.id().to_string();
    assert!(Command::new("kill").args(["-HUP", &pid]).status().unwrap().success());
    put(workshop.path(), "quick", "mate.ply", &ball(6));
    until("it still works", || published(workshop.path(), "mate"));
    let hidden = workshop.path().join(".statuary");
    let health = json(&hidden.join("health.json"));
    assert_eq!(health["process"], child.id());
    assert!(health["disk_free_bytes"].as_u64().unwrap() > 0 && health["jobs"]["held"] == 0, "{health}");
    let metrics = fs::read_to_string(hidden.join("metrics.txt")).unwrap();
    assert!(metrics.contains("statuary_jobs{state=\"done\"}") && metrics.ends_with("# EOF\n"), "{metrics}");
    assert!(!metrics.contains("mate") && !health.to_string().contains("mate"), "a name is told");
    assert_eq!(stop(child), 0);
    assert_eq!(alive(), Some(6));
}

#[test]
fn runs_named_by_number_tell_no_name() {
    let workshop = quick_workshop();
    put(workshop.path(), "tiny", "annika-berg.ply", &ball(12));
    watch_once(workshop.path(), &["--by-number"]);
    let run = workshop.path().join("outbox/job-000001");
    assert!(run.join("report.html").is_file(), "{:?}", all_files(&workshop.path().join("outbox")));
    for path in all_files(&workshop.path().join("outbox")) {
        assert!(!tells(&path, "annika"), "{} tells the name", path.display());
    }
    // Its scan is still found for another run.
    let again = workshop.path().join("again");
    let args = ["rerun", &text(&run), "--out", &text(&again), "--set", "clean.island_distance_mm=3"];
    let output = statuary(&args);
    assert!(output.status.success(), "{}", stderr(&output));
}

#[test]
fn what_was_made_is_for_its_owner_alone() {
    let workshop = quick_workshop();
    put(workshop.path(), "tiny", "mate.ply", &ball(12));
    watch_once(workshop.path(), &[]);
    let made = [workshop.path().join("outbox"), workshop.path().join(".statuary")];
    for path in made.iter().flat_map(|folder| all_files(folder)) {
        let mode = fs::metadata(&path).unwrap().permissions().mode();
        assert_eq!(mode & 0o077, 0, "{} has mode {mode:o}", path.display());
    }
}

#[test]
fn settled_jobs_are_forgotten_after_their_days() {
    let workshop = quick_workshop();
    put(workshop.path(), "quick", "mate.ply", &ball(6));
    put(workshop.path(), "quick", "broken.ply", b"ply\nformat ascii 1.0\nelement vertex x\nend_header\n");
    watch_once(workshop.path(), &[]);
    assert_eq!((count(workshop.path(), "done"), count(workshop.path(), "refused")), (1, 1));
    watch_once(workshop.path(), &["--keep-days", "30"]);
    assert_eq!((count(workshop.path(), "done"), count(workshop.path(), "refused")), (1, 1), "not yet");
    std::thread::sleep(std::time::Duration::from_secs(2));
    watch_once(workshop.path(), &["--keep-days", "0.00001"]);
    assert_eq!((count(workshop.path(), "done"), count(workshop.path(), "refused")), (0, 0));
    for path in all_files(workshop.path()) {
        assert!(!tells(&path, "mate.ply") && !tells(&path, "broken.ply"), "{} is left", path.display());
    }
}

#[test]
fn the_log_is_kept_in_files_and_forgets_too() {
    let workshop = quick_workshop();
    for name in ["annika-berg.ply", "mate.ply"] {
        put(workshop.path(), "quick", name, &ball(6));
    }
    watch_once(workshop.path(), &["--log-days", "3"]);
    let folder = workshop.path().join(".statuary/log");
    let log = || all_files(&folder).iter().map(|path| fs::read_to_string(path).unwrap()).collect::<String>();
    for line in log().lines() {
        let line: serde_json::Value = serde_json::from_str(line).unwrap();
        assert!(line["timestamp"].is_string() && line["level"] == "INFO" && line["message"].is_string(), "{line}");
    }
    assert!(log().contains("annika-berg.ply") && log().contains("mate.ply"), "{}", log());
    let output = statuary(&["forget", &text(&workshop.path().join("outbox/annika-berg"))]);
    assert!(output.status.success(), "{}", stderr(&output));
    assert!(!log().contains("annika") && log().contains("mate.ply"), "{}", log());
}

#[test]
fn forgetting_tells_what_is_left() {
    let workshop = quick_workshop();
    put(workshop.path(), "quick", "mate.ply", &ball(6));
    put(workshop.path(), "quick", "broken.ply", b"ply\nformat ascii 1.0\nelement vertex x\nend_header\n");
    watch_once(workshop.path(), &[]);
    let refused = status(workshop.path())["refused"][0]["job"].as_str().unwrap().to_owned();
    let args = ["forget", &refused, "--workshop", &text(workshop.path())];
    let output = statuary(&args);
    assert!(output.status.success(), "{}", stderr(&output));
    assert_eq!(count(workshop.path(), "refused"), 0);
    // Somebody has put a copy of the scan beside the runs, under another name.
    let copy = workshop.path().join("outbox/copy.bin");
    fs::write(&copy, ball(6)).unwrap();
    let output = statuary(&["forget", &text(&workshop.path().join("outbox/mate"))]);
    assert_eq!(output.status.code(), Some(6), "{}", stderr(&output));
    assert!(stderr(&output).contains("copy.bin"), "{}", stderr(&output));
    assert!(!workshop.path().join("outbox/mate").exists(), "what can be removed is removed");
}

#[test]
fn a_note_of_consent_comes_with_its_scan_into_the_log() {
    let workshop = quick_workshop();
    let inbox = workshop.path().join("inbox/quick");
    fs::write(inbox.join("mate.consent.txt"), "signed 2 March, for the exhibition, until May\n").unwrap();
    put(workshop.path(), "quick", "mate.ply", &ball(6));
    watch_once(workshop.path(), &[]);
    let log = json(&workshop.path().join("outbox/mate/run.json"));
    assert_eq!(log["consent"], "signed 2 March, for the exhibition, until May");
    assert!(!inbox.join("mate.consent.txt").exists(), "it is taken along");
}

#[test]
fn a_dry_watch_tells_and_touches_nothing() {
    let workshop = quick_workshop();
    put(workshop.path(), "tiny", "mate.ply", &ball(6));
    fs::write(workshop.path().join("pipelines/quick.yaml"), "stages: [nonsense]\n").unwrap();
    put(workshop.path(), "quick", "bosun.ply", &ball(6));
    let output = statuary(&["watch", &text(workshop.path()), "--dry"]);
    assert!(output.status.success(), "{}", stderr(&output));
    let told = String::from_utf8(output.stdout).unwrap();
    let line = |scan: &str| told.lines().find(|line| line.contains(scan)).unwrap().to_owned();
    assert!(line("mate.ply").contains("goes through intake, clean, scale, split"), "{told}");
    assert!(line("bosun.ply").contains("stays: ") && line("bosun.ply").contains("nonsense"), "{told}");
    assert!(workshop.path().join("inbox/tiny/mate.ply").is_file() && count(workshop.path(), "done") == 0);
}
