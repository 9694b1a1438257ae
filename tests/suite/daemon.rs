//! The watched workshop as its owner meets it: drops in pieces, several at once, broken ones, kills and restarts.

use std::fs;
use std::io::{BufRead, BufReader, Write};

use super::support::daemon::{published, quick_workshop, status, stop, until, watch};
use super::support::{json, small_scan, statuary, stderr, text, workshop};

#[test]
fn a_drop_that_arrives_in_pieces_is_taken_whole() {
    let workshop = quick_workshop();
    let child = watch(workshop.path(), &[]);
    let bytes = fs::read(small_scan()).unwrap();
    let mut file = fs::File::create(workshop.path().join("inbox/quick/slow.ply")).unwrap();
    for piece in bytes.chunks(bytes.len() / 5) {
        file.write_all(piece).unwrap();
        file.flush().unwrap();
        assert!(!published(workshop.path(), "slow"));
        std::thread::sleep(std::time::Duration::from_millis(120));
    }
    drop(file);
    until("the scan is published", || published(workshop.path(), "slow"));
    let record = json(&workshop.path().join("outbox/slow/run.json"));
    assert_eq!(record["inputs"][0]["bytes"], bytes.len());
    assert_eq!(stop(child), 0);
    assert_eq!(fs::read_dir(workshop.path().join("inbox/quick")).unwrap().count(), 0);
}

#[test]
fn several_drops_and_a_second_of_the_same_name_all_come_out() {
    let workshop = quick_workshop();
    for name in ["mate.ply", "cook.ply"] {
        fs::copy(small_scan(), workshop.path().join("inbox/quick").join(name)).unwrap();
    }
    fs::create_dir(workshop.path().join("inbox/quick/mate")).unwrap();
    fs::copy(small_scan(), workshop.path().join("inbox/quick/mate/any.ply")).unwrap();
    let output = watch(workshop.path(), &["--once"]).wait_with_output().unwrap();
    assert!(output.status.success(), "{}", stderr(&output));
    for name in ["mate", "mate-2", "cook"] {
        assert!(published(workshop.path(), name), "{name}\n{}", stderr(&output));
    }
    assert_eq!(status(workshop.path())["done"].as_array().unwrap().len(), 3);
}

#[test]
fn a_broken_scan_is_refused_with_its_reason_and_the_next_one_still_comes_out() {
    let workshop = quick_workshop();
    let inbox = workshop.path().join("inbox/quick");
    let bytes = fs::read(small_scan()).unwrap();
    fs::write(inbox.join("cut-off.ply"), &bytes[..bytes.len() / 2]).unwrap();
    fs::copy(small_scan(), inbox.join("good.ply")).unwrap();
    let output = watch(workshop.path(), &["--once"]).wait_with_output().unwrap();
    assert!(output.status.success(), "{}", stderr(&output));
    assert!(published(workshop.path(), "good"));
    let refused = &status(workshop.path())["refused"][0];
    assert_eq!(refused["scan"], "cut-off.ply");
    let kept = workshop.path().join(".statuary/refused").join(refused["job"].as_str().unwrap());
    assert!(kept.join("scan/cut-off.ply").is_file(), "the scan is kept");
    assert!(fs::read_to_string(kept.join("reason.txt")).unwrap().contains("hint:"));
}

#[test]
fn a_fault_in_the_pipeline_leaves_the_scan_in_the_inbox() {
    let workshop = quick_workshop();
    fs::write(workshop.path().join("pipelines/quick.yaml"), "stages:\n  - intake\n  - claen\n").unwrap();
    fs::copy(small_scan(), workshop.path().join("inbox/quick/a.ply")).unwrap();
    let output = watch(workshop.path(), &["--once"]).wait_with_output().unwrap();
    assert_eq!(output.status.code(), Some(3));
    assert!(stderr(&output).contains("did you mean `clean`?"), "{}", stderr(&output));
    assert!(workshop.path().join("inbox/quick/a.ply").is_file());
}

#[test]
fn a_scan_in_the_inbox_itself_is_told_of_and_stays() {
    let workshop = quick_workshop();
    fs::copy(small_scan(), workshop.path().join("inbox/stray.ply")).unwrap();
    let watched = statuary(&["watch", workshop.path().to_str().unwrap(), "--once"]);
    assert!(watched.status.success(), "{}", stderr(&watched));
    let log = format!("{}{}", stderr(&watched), String::from_utf8_lossy(&watched.stdout));
    assert!(log.contains("stray.ply") && log.contains("inbox/PIPELINE"), "{log}");
    let status = statuary(&["status", workshop.path().to_str().unwrap()]);
    let text = String::from_utf8_lossy(&status.stdout);
    assert!(text.contains("misplaced") && text.contains("stray.ply"), "{text}");
    assert!(workshop.path().join("inbox/stray.ply").is_file());
}

#[test]
fn a_kill_in_the_middle_loses_nothing() {
    let workshop = workshop();
    fs::copy(small_scan(), workshop.path().join("inbox/desk-figure/a.ply")).unwrap();
    let mut child = watch(workshop.path(), &[]);
    let mut log = BufReader::new(child.stderr.take().unwrap()).lines();
    assert!(log.any(|line| line.unwrap().contains("stage 2 of")), "the run starts");
    child.kill().unwrap();
    child.wait().unwrap();
    assert!(!published(workshop.path(), "a"), "nothing half-done is visible");
    assert_eq!(status(workshop.path())["working"][0]["scan"], "a.ply");
    let output = watch(workshop.path(), &["--once"]).wait_with_output().unwrap();
    assert!(output.status.success(), "{}", stderr(&output));
    assert!(published(workshop.path(), "a"), "{}", stderr(&output));
    assert!(stderr(&output).contains("taking up unfinished work"));
    assert_eq!(status(workshop.path())["working"].as_array().unwrap().len(), 0);
    assert!(!published(workshop.path(), "a-2"), "it is done once");
}

#[test]
fn a_second_daemon_is_turned_away() {
    let workshop = quick_workshop();
    let child = watch(workshop.path(), &[]);
    until("the first has the lock", || status(workshop.path())["watched"] == true);
    let second = watch(workshop.path(), &["--once"]).wait_with_output().unwrap();
    assert_eq!(second.status.code(), Some(2));
    assert!(stderr(&second).contains("another daemon"), "{}", stderr(&second));
    assert_eq!(stop(child), 0);
}

#[test]
fn forgetting_a_run_leaves_no_trace_of_the_scan() {
    let workshop = quick_workshop();
    fs::copy(small_scan(), workshop.path().join("inbox/quick/mate.ply")).unwrap();
    assert!(watch(workshop.path(), &["--once"]).wait_with_output().unwrap().status.success());
    let output = statuary(&["forget", &text(&workshop.path().join("outbox/mate"))]);
    assert!(output.status.success(), "{}", stderr(&output));
    let mut waiting = vec![workshop.path().to_path_buf()];
    while let Some(folder) = waiting.pop() {
        for entry in fs::read_dir(folder).unwrap().map(|entry| entry.unwrap().path()) {
            assert!(!entry.to_string_lossy().contains("mate"), "{} is left", entry.display());
            if entry.is_dir() {
                waiting.push(entry);
            } else {
                let words = fs::read(&entry).unwrap();
                assert!(!words.windows(8).any(|w| w == b"mate.ply"), "{} still names the scan", entry.display());
            }
        }
    }
}
