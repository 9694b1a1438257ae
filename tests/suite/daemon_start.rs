//! What a start finds after a kill at any point or a hand in the folders, and what it makes of it: one test for each row
//! of the table in `DEVELOPERS.md`.

use std::fs;
use std::path::{Path, PathBuf};

use statuary::daemon::ledger::{JobId, Ledger, State};

use super::support::daemon::{ball, published, put, quick_workshop, status, watch, watch_once};
use super::support::{statuary, stderr, text};

fn ledger(workshop: &Path) -> Ledger {
    Ledger::open(&workshop.join(".statuary/ledger.db")).unwrap()
}

/// A job that waits, as a daemon would have left it.
fn waiting(workshop: &Path, name: &str) -> JobId {
    let mut ledger = ledger(workshop);
    let job = ledger.arrive("quick", name, &[PathBuf::from(name)]).unwrap();
    let folder = work(workshop, job);
    fs::create_dir_all(folder.join("scan")).unwrap();
    fs::write(folder.join("scan").join(name), ball(6)).unwrap();
    note(&folder, name, "");
    ledger.arrived(job, 1, &[]).unwrap();
    job
}

fn note(folder: &Path, name: &str, out: &str) {
    let note = serde_json::json!({"pipeline": "quick", "scan": name, "members": [name], "out": out});
    fs::write(folder.join("job.json"), note.to_string()).unwrap();
}

fn work(workshop: &Path, job: JobId) -> PathBuf {
    workshop.join(".statuary/work").join(job.to_string())
}

fn state(workshop: &Path, job: JobId) -> State {
    ledger(workshop).row(job).unwrap().unwrap().state
}

fn runs(workshop: &Path) -> Vec<String> {
    let entries = fs::read_dir(workshop.join("outbox")).unwrap().map(|entry| entry.unwrap());
    let mut names: Vec<String> = entries.map(|entry| entry.file_name().to_string_lossy().into_owned()).collect();
    names.retain(|name| name != "index.html");
    names.sort();
    names
}

#[test]
fn arriving_none_or_some_moved() {
    let workshop = quick_workshop();
    let folder = workshop.path();
    put(folder, "quick", "a.ply", &ball(6));
    let none = ledger(folder).arrive("quick", "a.ply", &["a.ply".into()]).unwrap();
    let members = ["b.obj".into(), "b.mtl".into()];
    let some = ledger(folder).arrive("quick", "b.obj", &members).unwrap();
    fs::create_dir_all(work(folder, some).join("scan")).unwrap();
    fs::write(
        work(folder, some).join("scan/b.obj"),
        "mtllib b.mtl\nv 0 0 0\nv 1 0 0\nv 0 1 0\nv 0 0 1\nf 1 3 2\nf 1 2 4\nf 2 3 4\nf 3 1 4\n",
    )
    .unwrap();
    put(folder, "quick", "b.mtl", b"newmtl plain\nKd 1 0 0\n");
    watch_once(folder, &[]);
    assert_eq!((state(folder, none), state(folder, some)), (State::Done, State::Done));
    assert_eq!(runs(folder), ["a", "b"]);
    assert!(folder.join(format!(".statuary/scans/{some}/scan/b.mtl")).is_file());
    assert_eq!(fs::read_dir(folder.join("inbox/quick")).unwrap().count(), 0);
}

#[test]
fn arriving_copied_but_not_removed() {
    let workshop = quick_workshop();
    let folder = workshop.path();
    let job = ledger(folder).arrive("quick", "a.ply", &["a.ply".into()]).unwrap();
    fs::create_dir_all(work(folder, job).join("scan")).unwrap();
    for place in [work(folder, job).join("scan/a.ply"), folder.join("inbox/quick/a.ply")] {
        fs::write(place, ball(6)).unwrap();
    }
    fs::write(work(folder, job).join("scan/.a.ply.moving-17"), "half").unwrap();
    watch_once(folder, &[]);
    assert_eq!(runs(folder), ["a"], "it is not taken a second time");
    assert!(!folder.join(format!(".statuary/scans/{job}/scan/.a.ply.moving-17")).exists());
}

#[test]
fn arriving_and_gone() {
    let workshop = quick_workshop();
    let job = ledger(workshop.path()).arrive("quick", "a.ply", &["a.ply".into()]).unwrap();
    watch_once(workshop.path(), &[]);
    assert_eq!(state(workshop.path(), job), State::Cancelled);
}

#[test]
fn working_and_published() {
    let workshop = quick_workshop();
    let folder = workshop.path();
    let job = waiting(folder, "a.ply");
    let claim = ledger(folder).claim(job, "daemon 17").unwrap();
    fs::create_dir(folder.join("outbox/a")).unwrap();
    fs::write(folder.join("outbox/a/run.json"), "the log").unwrap();
    ledger(folder).publishing(claim, "a", blake3::hash(b"the log").to_hex().as_str()).unwrap();
    watch_once(folder, &[]);
    assert_eq!(state(folder, job), State::Done);
    assert_eq!(runs(folder), ["a"], "it is not made again");
    assert!(folder.join(format!(".statuary/scans/{job}/scan/a.ply")).is_file());
}

#[test]
fn working_and_another_has_the_name() {
    let workshop = quick_workshop();
    let folder = workshop.path();
    let job = waiting(folder, "a.ply");
    let claim = ledger(folder).claim(job, "daemon 17").unwrap();
    fs::create_dir_all(work(folder, job).join("run-1")).unwrap();
    fs::write(work(folder, job).join("run-1/half"), "half").unwrap();
    fs::create_dir(folder.join("outbox/a")).unwrap();
    fs::write(folder.join("outbox/a/run.json"), "another's log").unwrap();
    ledger(folder).publishing(claim, "a", blake3::hash(b"the log").to_hex().as_str()).unwrap();
    watch_once(folder, &[]);
    assert_eq!(state(folder, job), State::Done);
    assert_eq!(runs(folder), ["a", "a-2"]);
    assert!(!folder.join(format!(".statuary/scans/{job}/run-1")).exists());
}

#[test]
fn held() {
    let workshop = quick_workshop();
    let job = waiting(workshop.path(), "a.ply");
    let claim = ledger(workshop.path()).claim(job, "daemon 17").unwrap();
    ledger(workshop.path()).hold(claim, "disk full").unwrap();
    watch_once(workshop.path(), &[]);
    assert_eq!(state(workshop.path(), job), State::Done);
}

#[test]
fn waiting_with_its_folder_elsewhere_or_nowhere() {
    let workshop = quick_workshop();
    let folder = workshop.path();
    let (elsewhere, nowhere) = (waiting(folder, "a.ply"), waiting(folder, "b.ply"));
    fs::create_dir_all(folder.join(".statuary/refused")).unwrap();
    fs::rename(work(folder, elsewhere), folder.join(".statuary/refused").join(elsewhere.to_string())).unwrap();
    fs::remove_dir_all(work(folder, nowhere)).unwrap();
    watch_once(folder, &[]);
    assert_eq!((state(folder, elsewhere), state(folder, nowhere)), (State::Done, State::Refused));
}

#[test]
fn settled_and_still_at_work() {
    let workshop = quick_workshop();
    let folder = workshop.path();
    let jobs = ["a.ply", "b.ply", "c.ply"].map(|name| waiting(folder, name));
    let claim = ledger(folder).claim(jobs[0], "daemon 17").unwrap();
    ledger(folder).done(claim, "").unwrap();
    ledger(folder).refuse(jobs[1], None, ("torn", "mend it")).unwrap();
    ledger(folder).cancel(jobs[2]).unwrap();
    watch_once(folder, &[]);
    let places = ["scans", "refused", "refused"];
    for (job, place) in jobs.iter().zip(places) {
        assert!(folder.join(".statuary").join(place).join(job.to_string()).join("scan").is_dir(), "{job}");
        assert!(!work(folder, *job).exists());
    }
    let reason = fs::read_to_string(folder.join(format!(".statuary/refused/{}/reason.txt", jobs[1]))).unwrap();
    assert_eq!(reason, "b.ply\ntorn\nhint: mend it\n");
}

#[test]
fn folders_without_a_row() {
    let workshop = quick_workshop();
    let folder = workshop.path();
    let place = |place: &str, job: &str| {
        let folder = folder.join(".statuary").join(place).join(job);
        fs::create_dir_all(folder.join("scan")).unwrap();
        fs::write(folder.join("scan/a.ply"), ball(6)).unwrap();
        folder
    };
    note(&place("work", "job-000003"), "a.ply", "");
    note(&place("scans", "job-000004"), "a.ply", "earlier");
    let refused = place("refused", "job-000005");
    note(&refused, "a.ply", "");
    fs::write(refused.join("reason.txt"), "a.ply\ntorn\nhint: mend it\n").unwrap();
    place("work", "job-000006");
    let foreign = place("work", "my own notes");
    let empty = folder.join(".statuary/work/job-000007");
    fs::create_dir_all(empty.join("scan")).unwrap();
    watch_once(folder, &[]);
    let states = [3, 4, 5, 6].map(|number| state(folder, JobId(number)));
    assert_eq!(states, [State::Done, State::Done, State::Refused, State::Refused]);
    let rows = ledger(folder).rows().unwrap();
    assert_eq!((rows[1].out.as_str(), rows[2].reason.as_str()), ("earlier", "torn"));
    assert!(rows[3].reason.contains("note is missing"));
    assert!(foreign.is_dir() && !empty.exists());
    assert_eq!(runs(folder), ["a"]);
}

#[test]
fn leftovers_in_the_outbox() {
    let workshop = quick_workshop();
    let outbox = workshop.path().join("outbox");
    let ours = [".job-000012-3.unfinished", ".mate.unfinished-4194999"];
    let own = format!(".mate.unfinished-{}", std::process::id());
    let foreign = [".job-12.unfinished", ".job-a-3.unfinished", "job-000012-3.unfinished", ".unfinished", &own];
    for name in ours.iter().chain(&foreign) {
        fs::create_dir(outbox.join(name)).unwrap();
    }
    watch_once(workshop.path(), &[]);
    let mut expected = foreign.map(str::to_owned);
    expected.sort();
    assert_eq!(runs(workshop.path()), expected, "what is another's, or still at work, stays");
}

#[test]
fn no_ledger_and_a_damaged_one() {
    for damage in ["gone", "damaged"] {
        let workshop = quick_workshop();
        let folder = workshop.path();
        put(folder, "quick", "a.ply", &ball(6));
        put(folder, "quick", "b.ply", b"ply\nno scan at all\n");
        watch_once(folder, &[]);
        waiting(folder, "c.ply");
        let db = folder.join(".statuary/ledger.db");
        for tail in ["-wal", "-shm"] {
            let _ = fs::remove_file(folder.join(format!(".statuary/ledger.db{tail}")));
        }
        if damage == "gone" {
            fs::remove_file(&db).unwrap();
        } else {
            let bytes = fs::read(&db).unwrap();
            fs::write(&db, b"these are other bytes".repeat(bytes.len() / 20)).unwrap();
        }
        let log = watch_once(folder, &[]);
        assert!(log.contains("made anew from the folders"), "{log}");
        let names = |state: &str| {
            let status = status(folder);
            let rows = status[state].as_array().unwrap();
            rows.iter().map(|row| row["scan"].as_str().unwrap().to_owned()).collect::<Vec<_>>()
        };
        assert_eq!(names("done"), ["a.ply", "c.ply"]);
        assert_eq!(names("refused"), ["b.ply"]);
        assert_eq!(status(folder)["done"][0]["out"], "a");
        let aside = folder.join(".statuary/ledger.db.damaged.txt");
        assert_eq!(aside.is_file(), damage == "damaged");
        put(folder, "quick", "d.ply", &ball(6));
        watch_once(folder, &[]);
        assert_eq!(state(folder, JobId(1001)), State::Done, "numbers of forgotten jobs are not given again");
    }
}

#[test]
fn an_older_ledger() {
    let workshop = quick_workshop();
    let folder = workshop.path();
    fs::remove_file(folder.join(".statuary/ledger.db")).ok();
    let scan = folder.join(".statuary/work/job-000002/scan");
    fs::create_dir_all(&scan).unwrap();
    fs::write(scan.join("a.ply"), ball(6)).unwrap();
    let whole = folder.join("inbox/quick/a.ply");
    let note = serde_json::json!({"id": "job-000002", "pipeline": "quick", "scan": "a.ply", "members": [whole], "out": "",
        "attempts": 1});
    fs::write(scan.parent().unwrap().join("job.json"), note.to_string()).unwrap();
    let line = "{\"time\":\"2026-01-02T03:04:05Z\",\"job\":\"job-000002\",\"state\":\"working\",\"pipeline\":\"quick\",\
                \"scan\":\"a.ply\"}\n";
    fs::write(folder.join(".statuary/ledger.jsonl"), line).unwrap();
    watch_once(folder, &[]);
    assert!(published(folder, "a"));
    assert_eq!(state(folder, JobId(2)), State::Done);
    assert!(folder.join(".statuary/ledger.jsonl.old").is_file());
}

#[test]
fn a_newer_ledger() {
    let workshop = quick_workshop();
    drop(ledger(workshop.path()));
    let db = workshop.path().join(".statuary/ledger.db");
    let mut bytes = fs::read(&db).unwrap();
    // `user_version` lies at 60 to 63 in the header of the file, as the format's published description says.
    bytes[60..64].copy_from_slice(&99_u32.to_be_bytes());
    fs::write(&db, bytes).unwrap();
    let output = watch(workshop.path(), &["--once"]).wait_with_output().unwrap();
    assert_eq!(output.status.code(), Some(6));
    assert!(stderr(&output).contains("newer version"), "{}", stderr(&output));
    let looked = statuary(&["status", &text(workshop.path())]);
    assert!(stderr(&looked).contains("newer version"), "{}", stderr(&looked));
}
