//! What may lie in an inbox, and how: archives, late and oddly named pictures, many at once, files still written to, an
//! inbox that goes away, file systems without notices.

use std::fs;
use std::io::{Seek, Write};

use super::support::daemon::{
    ball, count, published, put, quick_workshop, says, status, stop, until, watch_logged, watch_once,
};
use super::support::{json, small_scan, statuary, stderr, text};

const CUBE: &str = "mtllib Cube.MTL\nv 0 0 0\nv 1 0 0\nv 1 1 0\nv 0 1 0\nv 0 0 1\nv 1 0 1\nv 1 1 1\nv 0 1 1\nvt 0 0\nvt 1 0\n\
vt 1 1\nvt 0 1\nusemtl skin\nf 4/1 3/2 2/3 1/4\nf 5/1 6/2 7/3 8/4\nf 1/1 2/2 6/3 5/4\nf 2/1 3/2 7/3 6/4\nf 3/1 4/2 8/3 7/4\n\
f 4/1 1/2 5/3 8/4\n";
const MATERIAL: &str = "newmtl skin\nKd 1 1 1\nmap_Kd tex\\Skin.PNG\n";

fn picture() -> Vec<u8> {
    let mut bytes = std::io::Cursor::new(Vec::new());
    let picture = image::RgbImage::from_fn(8, 8, |x, _| image::Rgb([if x < 4 { 200 } else { 20 }, 60, 90]));
    picture.write_to(&mut bytes, image::ImageFormat::Png).unwrap();
    bytes.into_inner()
}

fn zip(entries: &[(&str, &[u8])]) -> Vec<u8> {
    let mut writer = zip::ZipWriter::new(std::io::Cursor::new(Vec::new()));
    for (name, bytes) in entries {
        writer.start_file(*name, zip::write::SimpleFileOptions::default()).unwrap();
        writer.write_all(bytes).unwrap();
    }
    writer.finish().unwrap().into_inner()
}

fn inputs(run: &std::path::Path) -> Vec<String> {
    let record = json(&run.join("run.json"));
    let inputs = record["inputs"].as_array().unwrap();
    inputs.iter().map(|input| input["file"].as_str().unwrap().to_owned()).collect()
}

#[test]
fn an_archive_of_one_export_is_taken_like_a_folder() {
    let workshop = quick_workshop();
    let packed = [
        ("export/cube.obj", CUBE.as_bytes()),
        ("export/cube.mtl", MATERIAL.as_bytes()),
        ("export/tex/skin.png", &picture()),
    ];
    put(workshop.path(), "quick", "Cook.zip", &zip(&packed));
    let archive = zip(&[("a.ply", &ball(6))]);
    put(workshop.path(), "quick", "cut.zip", &archive[..archive.len() - 8]);
    put(workshop.path(), "quick", "two.zip", &zip(&[("a.ply", &ball(6)), ("b.ply", &ball(6))]));
    let evil = zip(&[("xx/xx/evil.ply", &ball(6))]);
    let evil: Vec<u8> = {
        let mut bytes = evil;
        for at in 0..bytes.len() - 6 {
            if bytes[at..].starts_with(b"xx/xx/") {
                bytes[at..at + 6].copy_from_slice(b"../../");
            }
        }
        bytes
    };
    put(workshop.path(), "quick", "evil.zip", &evil);
    let log = watch_once(workshop.path(), &[]);
    assert!(published(workshop.path(), "Cook"), "{log}");
    assert_eq!(inputs(&workshop.path().join("outbox/Cook")).len(), 3);
    let status = status(workshop.path());
    let reason = |scan: &str| {
        let refused = status["refused"].as_array().unwrap().iter().find(|row| row["scan"] == scan).unwrap();
        refused["reason"].as_str().unwrap().to_owned()
    };
    assert!(reason("cut.zip").contains("cut off"));
    assert!(reason("two.zip").contains("2 meshes"));
    assert!(reason("evil.zip").contains("leads out of its folder"));
    assert!(!workshop.path().join("evil.ply").exists() && !workshop.path().join(".statuary/evil.ply").exists());
    let rerun = statuary(&["rerun", &text(&workshop.path().join("outbox/Cook"))]);
    assert!(rerun.status.success(), "{}", stderr(&rerun));
}

#[test]
fn names_are_found_in_any_case_and_with_backslashes() {
    let workshop = quick_workshop();
    fs::create_dir(workshop.path().join("inbox/quick/tex")).unwrap();
    fs::write(workshop.path().join("inbox/quick/tex/skin.png"), picture()).unwrap();
    put(workshop.path(), "quick", "cube.mtl", MATERIAL.as_bytes());
    put(workshop.path(), "quick", "cube.obj", CUBE.as_bytes());
    let log = watch_once(workshop.path(), &[]);
    assert!(log.contains("missing=[]"), "{log}");
    assert_eq!(inputs(&workshop.path().join("outbox/cube")).len(), 3);
}

#[test]
fn a_picture_that_comes_too_late_is_told_of_and_taken_by_retry() {
    let workshop = quick_workshop();
    put(workshop.path(), "quick", "cube.mtl", MATERIAL.as_bytes());
    put(workshop.path(), "quick", "cube.obj", CUBE.as_bytes());
    watch_once(workshop.path(), &[]);
    let before = status(workshop.path());
    let state = if before["done"].as_array().unwrap().is_empty() { "refused" } else { "done" };
    let row = &before[state][0];
    assert_eq!(row["missing"], serde_json::json!(["tex/Skin.PNG"]));
    assert_eq!(before["late"], serde_json::json!([]));
    fs::create_dir_all(workshop.path().join("inbox/quick/tex")).unwrap();
    put(workshop.path(), "quick", "tex/Skin.PNG", &picture());
    assert_eq!(status(workshop.path())["late"][0]["file"], "tex/Skin.PNG");
    let log = watch_once(workshop.path(), &[]);
    assert!(log.contains("came after its scan was taken without it"), "{log}");
    let id = row["job"].as_str().unwrap();
    let retried = statuary(&["retry", id, "--workshop", &text(workshop.path())]);
    assert!(retried.status.success(), "{}", stderr(&retried));
    watch_once(workshop.path(), &[]);
    let after = status(workshop.path());
    assert_eq!(after["late"], serde_json::json!([]));
    let out = after["done"][0]["out"].as_str().unwrap();
    assert_eq!(inputs(&workshop.path().join("outbox").join(out)).len(), 3);
}

#[test]
fn two_hundred_small_files_at_once_all_come_out() {
    let workshop = quick_workshop();
    for at in 0..200 {
        fs::write(workshop.path().join(format!("inbox/quick/s{at:03}.ply")), ball(3)).unwrap();
    }
    watch_once(workshop.path(), &["--jobs", "2"]);
    assert_eq!(count(workshop.path(), "done"), 200);
    for at in 0..200 {
        assert!(published(workshop.path(), &format!("s{at:03}")), "{at}");
    }
}

#[test]
fn a_scan_written_to_while_it_is_worked_on_is_done_anew() {
    let workshop = quick_workshop();
    let log = workshop.path().join("log");
    let place = workshop.path().join("inbox/desk-figure/a.ply");
    let mut writer = fs::File::create(&place).unwrap();
    writer.write_all(&fs::read(small_scan()).unwrap()).unwrap();
    let daemon = watch_logged(workshop.path(), &log, &[]);
    until("the run is under way", || says(&log, "stage 2 of"));
    let other = ball(12);
    writer.set_len(0).unwrap();
    writer.rewind().unwrap();
    writer.write_all(&other).unwrap();
    drop(writer);
    until("it comes out", || published(workshop.path(), "a"));
    assert_eq!(stop(daemon), 0);
    assert!(says(&log, "starting anew"));
    assert_eq!(json(&workshop.path().join("outbox/a/run.json"))["inputs"][0]["bytes"], other.len());
    assert_eq!(count(workshop.path(), "done"), 1);
}

#[test]
fn an_inbox_that_goes_away_is_waited_for() {
    for more in [&[][..], &["--poll"]] {
        let workshop = quick_workshop();
        let (log, inbox) = (workshop.path().join("log"), workshop.path().join("inbox"));
        let away = workshop.path().join("away");
        let args: Vec<&str> = ["--look-secs", "0.5"].iter().chain(more).copied().collect();
        let daemon = watch_logged(workshop.path(), &log, &args);
        until("it watches", || says(&log, "watching"));
        std::thread::sleep(std::time::Duration::from_millis(300));
        fs::rename(&inbox, &away).unwrap();
        until("it says so", || says(&log, "out of reach"));
        assert_ne!(status(workshop.path())["inbox_lost"], "");
        fs::write(away.join("quick/a.ply"), ball(6)).unwrap();
        fs::rename(&away, &inbox).unwrap();
        until("it goes on", || published(workshop.path(), "a"));
        assert!(says(&log, "the inbox is back"));
        put(workshop.path(), "quick", "b.ply", &ball(6));
        until("it sees what comes later", || published(workshop.path(), "b"));
        assert_eq!(stop(daemon), 0);
    }
}

#[test]
fn without_notices_the_inbox_is_looked_at_every_few_seconds() {
    let workshop = quick_workshop();
    let log = workshop.path().join("log");
    let daemon = watch_logged(workshop.path(), &log, &["--poll", "--look-secs", "3600"]);
    until("it says so", || says(&log, "gives no reliable notice"));
    std::thread::sleep(std::time::Duration::from_millis(2500));
    put(workshop.path(), "quick", "a.ply", &ball(6));
    until("it comes out", || published(workshop.path(), "a"));
    assert_eq!(stop(daemon), 0);
}
