//! Every pair of states, claims and tokens, leases on a given clock, older and newer ledgers.

use std::fs;
use std::time::Duration;

use super::*;

fn ledger() -> (tempfile::TempDir, Ledger) {
    let folder = tempfile::tempdir().unwrap();
    let ledger = Ledger::open(&folder.path().join("ledger.db")).unwrap();
    (folder, ledger)
}

/// A job brought into a state by the shortest way.
fn job_in(ledger: &mut Ledger, state: State) -> JobId {
    let job = ledger.arrive("quick", "a.ply", &[]).unwrap();
    if state == State::Arriving {
        return job;
    }
    ledger.arrived(job, 7, &[]).unwrap();
    let claim = match state {
        State::Waiting => return job,
        State::Cancelled => return ledger.cancel(job).map(|()| job).unwrap(),
        _ => ledger.claim(job, "here").unwrap(),
    };
    match state {
        State::Held => ledger.hold(claim, "disk full").unwrap(),
        State::Done => ledger.done(claim, "").unwrap(),
        State::Refused => ledger.refuse(job, Some(claim.1), ("torn", "mend it")).unwrap(),
        _ => {}
    }
    job
}

#[test]
fn every_pair_of_states_is_allowed_or_refused_as_the_table_says() {
    let table = fs::read_to_string(concat!(env!("CARGO_MANIFEST_DIR"), "/DEVELOPERS.md")).unwrap();
    let (_folder, mut ledger) = ledger();
    for from in State::ALL {
        let line = table.lines().find(|line| line.starts_with(&format!("| {} |", from.name()))).unwrap();
        let ways = line.split('|').nth(3).unwrap();
        for to in State::ALL {
            let job = job_in(&mut ledger, from);
            assert_eq!(ledger.row(job).unwrap().unwrap().state, from);
            let written = ways.split(',').any(|way| way.trim() == to.name());
            assert_eq!(from.may_become(to), written, "{from:?} -> {to:?} in the table");
            let took = ledger.step((job, None), to, "test", |_| Ok(()));
            assert_eq!(took.is_ok(), written, "{from:?} -> {to:?}: {took:?}");
            let expected = if written { to } else { from };
            assert_eq!(ledger.row(job).unwrap().unwrap().state, expected);
            let last = ledger.events(job).unwrap().pop().unwrap();
            assert_eq!(last.to, expected.name());
        }
    }
}

#[test]
fn only_the_last_token_publishes() {
    let (_folder, mut ledger) = ledger();
    let job = job_in(&mut ledger, State::Waiting);
    let first = ledger.claim(job, "one").unwrap();
    assert!(matches!(ledger.claim(job, "two"), Err(LedgerError::Step { .. })));
    ledger.release(job, "its owner is gone").unwrap();
    assert!(matches!(ledger.publishing(first, "a", ""), Err(LedgerError::Lost(_))));
    let second = ledger.claim(job, "two").unwrap();
    assert_eq!(second.1, first.1 + 1);
    assert!(matches!(ledger.beat(first, false), Err(LedgerError::Lost(_))));
    assert!(matches!(ledger.publishing(first, "a", ""), Err(LedgerError::Lost(_))));
    assert!(matches!(ledger.done(first, ""), Err(LedgerError::Lost(_))));
    ledger.publishing(second, "a", "digest").unwrap();
    ledger.done(second, "").unwrap();
    let row = ledger.row(job).unwrap().unwrap();
    assert_eq!((row.state, row.out.as_str()), (State::Done, "a"));
}

#[test]
fn starts_are_counted_before_the_run_and_forgiven_by_progress() {
    let (_folder, mut ledger) = ledger();
    let job = job_in(&mut ledger, State::Waiting);
    for starts in 1..=3 {
        ledger.claim(job, "one").unwrap();
        assert_eq!(ledger.row(job).unwrap().unwrap().starts, starts);
        ledger.release(job, "killed").unwrap();
    }
    let claim = ledger.claim(job, "one").unwrap();
    ledger.beat(claim, true).unwrap();
    assert_eq!(ledger.row(job).unwrap().unwrap().starts, 1);
    ledger.give_back(claim, "stopped").unwrap();
    assert_eq!(ledger.row(job).unwrap().unwrap().starts, 0);
}

#[test]
fn a_lease_ends_by_the_observers_own_clock_only() {
    let (_folder, mut ledger) = ledger();
    let job = job_in(&mut ledger, State::Waiting);
    let claim = ledger.claim(job, "one").unwrap();
    let mut watch = LeaseWatch::default();
    let mut look = |ledger: &Ledger, secs: u64| {
        watch.expired(&ledger.in_state(State::Working).unwrap(), Duration::from_secs(secs))
    };
    // What the wall clock of the ledger says does not matter: it is put a year back and a year on.
    assert!(look(&ledger, 1000).is_empty());
    for year in ["1999", "2099"] {
        ledger.db.execute("UPDATE job SET time = ?1", [format!("{year}-01-01T00:00:00Z")]).unwrap();
        assert!(look(&ledger, 1089).is_empty());
    }
    ledger.beat(claim, false).unwrap();
    assert!(look(&ledger, 1095).is_empty(), "a sign of life starts it anew");
    assert!(look(&ledger, 1185).is_empty());
    assert_eq!(look(&ledger, 1186), vec![job]);
    ledger.release(job, "its owner is gone").unwrap();
    ledger.claim(job, "two").unwrap();
    assert!(look(&ledger, 1190).is_empty(), "another claim is another lease");
}

#[test]
fn numbers_are_not_given_twice() {
    let (_folder, mut ledger) = ledger();
    job_in(&mut ledger, State::Done);
    let last = job_in(&mut ledger, State::Done);
    ledger.forget(last).unwrap();
    assert!(ledger.events(last).unwrap().is_empty());
    let next = job_in(&mut ledger, State::Done);
    assert!(next > last);
    ledger.skip_numbers().unwrap();
    assert_eq!(job_in(&mut ledger, State::Waiting), JobId(1001));
}

#[test]
fn an_older_ledger_is_taken_over_once_and_forgotten_as_well() {
    let folder = tempfile::tempdir().unwrap();
    let line = |job: &str, state: &str, out: &str| {
        format!(
            "{{\"time\":\"2026-01-02T03:04:05Z\",\"job\":\"{job}\",\"state\":\"{state}\",\"pipeline\":\"quick\",\
             \"scan\":\"mate.ply\",\"out\":\"{out}\"}}\n"
        )
    };
    let text = [
        line("job-000004", "working", ""),
        line("job-000004", "done", "mate"),
        line("job-000007", "working", ""),
        "{\"cut o".into(),
    ];
    fs::write(folder.path().join("ledger.jsonl"), text.concat()).unwrap();
    for _ in 0..2 {
        let ledger = Ledger::open(&folder.path().join("ledger.db")).unwrap();
        let rows = ledger.rows().unwrap();
        let facts: Vec<_> = rows.iter().map(|row| (row.job.0, row.state, row.out.as_str())).collect();
        assert_eq!(facts, [(4, State::Done, "mate"), (7, State::Waiting, "")]);
        assert!(!folder.path().join("ledger.jsonl").exists());
    }
    let kept = folder.path().join("ledger.jsonl.old");
    assert_eq!(fs::read_to_string(&kept).unwrap().matches("job-000004").count(), 2);
    let mut ledger = Ledger::open(&folder.path().join("ledger.db")).unwrap();
    assert_eq!(ledger.arrive("quick", "b.ply", &[]).unwrap(), JobId(8));
    ledger.forget(JobId(4)).unwrap();
    let left = fs::read_to_string(&kept).unwrap();
    assert!(!left.contains("job-000004") && left.contains("job-000007"));
}

#[test]
fn a_newer_ledger_is_refused_and_a_damaged_one_told() {
    let (folder, ledger) = ledger();
    ledger.db.pragma_update(None, "user_version", 99).unwrap();
    drop(ledger);
    let path = folder.path().join("ledger.db");
    assert!(matches!(Ledger::open(&path), Err(LedgerError::Newer { found: 99, .. })));
    fs::write(folder.path().join("other.db"), b"no ledger at all, but long enough to be looked at".repeat(40)).unwrap();
    assert!(matches!(Ledger::open(&folder.path().join("other.db")), Err(LedgerError::Damaged(_))));
}
