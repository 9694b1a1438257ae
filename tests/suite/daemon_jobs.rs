//! Jobs that are given up, break off, take too much or too long, and are put back; disks that fail.

use std::fs;
use std::path::Path;
use std::process::{Command, Stdio};
use std::time::Instant;

use super::support::daemon::{
    ball, count, published, put, quick_workshop, says, status, stop, until, watch_args, watch_logged, watch_once,
    worker_of,
};
use super::support::{json, small_scan, statuary, stderr, text};

/// How far a process stands back for others (field 19 of its line, proc(5)).
fn nice_of(process: &str) -> i64 {
    let line = fs::read_to_string(format!("/proc/{process}/stat")).unwrap();
    let (_, fields) = line.rsplit_once(')').unwrap();
    fields.split_whitespace().nth(16).unwrap().parse().unwrap()
}

fn job(workshop: &Path, state: &str) -> String {
    status(workshop)[state][0]["job"].as_str().unwrap().to_owned()
}

fn ask(what: &str, job: &str, workshop: &Path) -> String {
    let output = statuary(&[what, job, "--workshop", &text(workshop)]);
    assert!(output.status.success(), "{}", stderr(&output));
    String::from_utf8(output.stdout).unwrap()
}

#[test]
fn a_job_at_work_is_cancelled_within_a_second_and_can_be_put_back() {
    let workshop = quick_workshop();
    let log = workshop.path().join("log");
    fs::copy(small_scan(), workshop.path().join("inbox/desk-figure/a.ply")).unwrap();
    let daemon = watch_logged(workshop.path(), &log, &[]);
    until("the run is under way", || says(&log, "stage 2 of"));
    assert_eq!(nice_of(&worker_of(daemon.id()).unwrap()), (nice_of("self") + 10).min(19));
    let id = job(workshop.path(), "working");
    let asked = Instant::now();
    assert_eq!(ask("cancel", &id, workshop.path()).trim(), format!("{id}: cancelled"));
    assert!(asked.elapsed().as_secs_f64() < 1.0, "{:?}", asked.elapsed());
    assert!(workshop.path().join(".statuary/refused").join(&id).join("scan/a.ply").is_file());
    let again = statuary(&["cancel", &id, "--workshop", &text(workshop.path())]);
    assert_eq!(again.status.code(), Some(2));
    put(workshop.path(), "quick", "b.ply", &ball(6));
    until("the next one comes out", || published(workshop.path(), "b"));
    assert_eq!(stop(daemon), 0);
    assert!(!published(workshop.path(), "a"));
    assert_eq!(ask("retry", &id, workshop.path()).trim(), format!("{id}: waiting"));
    assert_eq!(ask("cancel", &id, workshop.path()).trim(), format!("{id}: cancelled"), "without a daemon too");
    ask("retry", &id, workshop.path());
    watch_once(workshop.path(), &[]);
    assert!(published(workshop.path(), "a"));
}

#[test]
fn a_working_process_that_breaks_off_is_tried_once_more_then_the_scan_is_refused() {
    let workshop = quick_workshop();
    let log = workshop.path().join("log");
    fs::copy(small_scan(), workshop.path().join("inbox/desk-figure/a.ply")).unwrap();
    let daemon = watch_logged(workshop.path(), &log, &[]);
    for told in ["tried once more", "refused"] {
        let worker = || worker_of(daemon.id());
        until("somebody works", || worker().is_some());
        assert!(Command::new("kill").args(["-9", &worker().unwrap()]).status().unwrap().success());
        until(told, || says(&log, told));
    }
    let refused = &status(workshop.path())["refused"][0];
    assert!(refused["reason"].as_str().unwrap().contains("signal 9"), "{refused}");
    let output = statuary(&["retry", "--all-refused", "--workshop", &text(workshop.path())]);
    assert!(output.status.success(), "{}", stderr(&output));
    until("it comes out in the end", || published(workshop.path(), "a"));
    assert_eq!(stop(daemon), 0);
}

#[test]
fn a_scan_that_cannot_fit_into_memory_is_refused_with_numbers() {
    let workshop = quick_workshop();
    put(workshop.path(), "quick", "a.ply", &ball(6));
    let log = watch_once(workshop.path(), &["--memory-gb", "0.1"]);
    assert!(log.contains("would take about 0.5 GB of memory, and 0.1 GB may be taken"), "{log}");
    let refused = &status(workshop.path())["refused"][0];
    assert!(refused["memory_bytes"].as_u64().unwrap() > 100_000_000);
    assert!(refused["hint"].as_str().unwrap().contains("--memory-gb"));
    ask("retry", &job(workshop.path(), "refused"), workshop.path());
    let text = statuary(&["status", &text(workshop.path())]);
    assert!(String::from_utf8_lossy(&text.stdout).contains("will take about 0.5 GB"));
    watch_once(workshop.path(), &[]);
    assert!(published(workshop.path(), "a"));
}

#[test]
fn two_jobs_wait_for_each_other_when_memory_is_short_and_run_together_when_not() {
    for (memory, together) in [("0.8", false), ("4", true)] {
        let workshop = quick_workshop();
        for name in ["a.ply", "b.ply"] {
            fs::copy(small_scan(), workshop.path().join("inbox/tiny").join(name)).unwrap();
        }
        let log = watch_once(workshop.path(), &["--jobs", "2", "--memory-gb", memory]);
        let place = |what: &str| log.find(what).unwrap_or_else(|| panic!("{what}: {log}"));
        let second_start = log.rfind(" started ").unwrap();
        assert_eq!(second_start < place("INFO done job="), together, "{log}");
        assert_eq!(log.contains("waits for memory"), !together, "{log}");
        assert_eq!(count(workshop.path(), "done"), 2);
    }
}

#[test]
fn a_stage_that_takes_too_long_is_ended() {
    let workshop = quick_workshop();
    fs::copy(small_scan(), workshop.path().join("inbox/desk-figure/a.ply")).unwrap();
    let log = watch_once(workshop.path(), &["--stage-minutes", "0.001"]);
    assert!(log.contains("took longer than 0.001 minutes") && log.contains("--stage-minutes"), "{log}");
    assert_eq!(count(workshop.path(), "refused"), 1);
}

#[test]
fn the_intake_goes_on_while_a_job_runs() {
    let workshop = quick_workshop();
    let log = workshop.path().join("log");
    fs::copy(small_scan(), workshop.path().join("inbox/desk-figure/a.ply")).unwrap();
    let daemon = watch_logged(workshop.path(), &log, &[]);
    until("the run is under way", || says(&log, "stage 1 of"));
    put(workshop.path(), "quick", "b.ply", &ball(6));
    until("the next one is taken", || says(&log, "scan=b.ply"));
    assert!(!published(workshop.path(), "a"));
    until("both come out", || published(workshop.path(), "a") && published(workshop.path(), "b"));
    let text = fs::read_to_string(&log).unwrap();
    assert!(text.find("taken job=job-000002") < text.find("INFO done job=job-000001"), "{text}");
    assert_eq!(stop(daemon), 0);
}

#[test]
fn a_full_disk_holds_a_scan_and_in_the_end_refuses_it_whole() {
    let workshop = quick_workshop();
    fs::copy(small_scan(), workshop.path().join("inbox/tiny/a.ply")).unwrap();
    // No file may grow beyond 300 kB; writing more fails as on a full disk.
    let shell = "trap '' XFSZ; ulimit -f 600; exec \"$0\" \"$@\"";
    let path = text(workshop.path());
    let args = watch_args(&path, &["--hold-secs", "0.05", "--look-secs", "1"]);
    let mut daemon = Command::new("sh");
    daemon.args(["-c", shell, env!("CARGO_BIN_EXE_statuary")]).args(args).stdin(Stdio::null()).stderr(Stdio::null());
    let child = daemon.spawn().unwrap();
    until("it is given up", || count(workshop.path(), "refused") == 1);
    assert_eq!(stop(child), 0);
    let refused = &status(workshop.path())["refused"][0];
    let reason = refused["reason"].as_str().unwrap();
    assert!(reason.contains("cannot write") && reason.contains("5 times before"), "{reason}");
    assert_eq!(
        fs::read_dir(workshop.path().join("outbox")).unwrap().filter(|e| e.as_ref().unwrap().path().is_dir()).count(),
        0
    );
    ask("retry", &job(workshop.path(), "refused"), workshop.path());
    watch_once(workshop.path(), &[]);
    assert!(published(workshop.path(), "a"), "with room again it comes out");
}

#[test]
fn an_outbox_out_of_reach_holds_what_is_ready_until_it_is_back() {
    let workshop = quick_workshop();
    let (log, outbox) = (workshop.path().join("log"), workshop.path().join("outbox"));
    let daemon = watch_logged(workshop.path(), &log, &["--hold-secs", "0.5"]);
    until("it watches", || says(&log, "watching"));
    fs::remove_dir_all(&outbox).unwrap();
    fs::write(&outbox, "no folder").unwrap();
    put(workshop.path(), "quick", "a.ply", &ball(6));
    until("the job is held", || says(&log, "held; tried again then"));
    fs::remove_file(&outbox).unwrap();
    fs::create_dir(&outbox).unwrap();
    until("it comes out", || published(workshop.path(), "a"));
    assert_eq!(stop(daemon), 0);
    assert!(!published(workshop.path(), "a-2"));
    assert_eq!(json(&outbox.join("a/run.json"))["scan"], "a.ply");
}
