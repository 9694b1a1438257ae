//! Running again: exactly the changed stage and those after it work; what was published stays as it was.

use std::path::Path;

use super::support::{digests, folder, json, small_scan, statuary, stderr, text};

fn run(out: &Path, more: &[&str]) {
    let (scan, out) = (text(&small_scan()), text(out));
    let mut args = vec!["run", &scan, "--pipeline", "desk-figure", "--out", &out, "--json"];
    args.extend(more);
    let output = statuary(&args);
    assert!(output.status.success(), "{}", stderr(&output));
}

fn fresh(run: &Path) -> Vec<String> {
    let record = json(&run.join("run.json"));
    let stages = record["stages"].as_array().unwrap();
    stages.iter().filter(|s| s["cached"] == false).map(|s| s["stage"].as_str().unwrap().to_owned()).collect()
}

#[test]
fn only_the_changed_stage_and_later_ones_run_again() {
    let folder = folder();
    let first = folder.path().join("first");
    run(&first, &[]);
    let before = digests(&first, &[]);
    let second = folder.path().join("second");
    let (from, to) = (text(&first), text(&second));
    let output = statuary(&["rerun", &from, "--out", &to, "--set", "colour-reduce.colours=3"]);
    assert!(output.status.success(), "{}", stderr(&output));
    assert_eq!(fresh(&second), ["colour-reduce", "orient", "fewer-changes", "estimate", "export", "report"]);
    assert_eq!(digests(&first, &[]), before, "the earlier run is left as it was");

    let third = folder.path().join("third");
    let output = statuary(&["rerun", &text(&second), "--out", &text(&third)]);
    assert!(output.status.success(), "{}", stderr(&output));
    assert!(fresh(&third).is_empty(), "nothing changed, nothing is done anew: {:?}", fresh(&third));
    assert_eq!(json(&second.join("run.json"))["parts"], json(&third.join("run.json"))["parts"]);
    let varying = ["run.json", ".origin", ".stages"];
    assert_eq!(digests(&second, &varying), digests(&third, &varying));

    let direct = folder.path().join("direct");
    run(&direct, &["--set", "colour-reduce.colours=3"]);
    assert_eq!(digests(&direct, &varying), digests(&third, &varying), "a rerun gives what a run gives");
}

#[test]
fn what_is_kept_of_the_uncut_figure_changes_nothing() {
    let folder = folder();
    let at = |share: f64| format!("split.cuts=[{{axis: z, share: {share}}}]");
    let [first, again, direct] = ["first", "again", "direct"].map(|name| folder.path().join(name));
    run(&first, &["--set", &at(0.5)]);
    let kept = || std::fs::read_dir(first.join(".stages/kept")).unwrap().count();
    assert_eq!(kept(), 3, "the body's places for `split`, pictures of the scan and of the figure for `report`");
    let output = statuary(&["rerun", &text(&first), "--out", &text(&again), "--set", &at(0.6)]);
    assert!(output.status.success(), "{}", stderr(&output));
    run(&direct, &["--set", &at(0.6)]);
    let varying = ["run.json", ".origin", ".stages"];
    assert_eq!(digests(&direct, &varying), digests(&again, &varying));
}

/// `split` leaves a figure that fits the printer as it is, whatever clearance its keys would have.
#[test]
fn what_follows_a_stage_that_gave_the_same_does_not_run() {
    let folder = folder();
    let [first, again] = ["first", "again"].map(|name| folder.path().join(name));
    run(&first, &[]);
    let set = ["--set", "split.clearance_mm=0.35"];
    let output = statuary(&[&["rerun", &text(&first), "--out", &text(&again)], &set[..]].concat());
    assert!(output.status.success(), "{}", stderr(&output));
    assert_eq!(fresh(&again), ["split", "report"], "the report tells the settings");
    let varying = ["run.json", ".origin", ".stages", "report.html"];
    assert_eq!(digests(&first, &varying), digests(&again, &varying));
    // Asked beforehand, it is said why.
    let output = statuary(&[&["rerun", &text(&first), "--explain"], &set[..]].concat());
    let told = String::from_utf8(output.stdout).unwrap();
    assert!(told.contains("clearance_mm = 0.35, was 0.15"), "{told}");
    let line = |stage: &str| told.lines().find(|line| line.trim_start().starts_with(stage)).unwrap().to_owned();
    assert!(line("clean").contains("kept") && line("orient").contains("if `split` leaves another figure"), "{told}");
    assert!(!folder.path().join("first-2").exists(), "nothing is done");
}

#[test]
fn only_the_page_is_made_anew_for_another_title() {
    let folder = folder();
    let [first, again, direct] = ["first", "again", "direct"].map(|name| folder.path().join(name));
    run(&first, &[]);
    let set = ["--set", "report.title=The stoker"];
    let output = statuary(&[&["rerun", &text(&first), "--out", &text(&again)], &set[..]].concat());
    assert!(output.status.success(), "{}", stderr(&output));
    assert_eq!(fresh(&again), ["report"]);
    run(&direct, &set);
    let varying = ["run.json", ".origin", ".stages"];
    assert_eq!(digests(&direct, &varying), digests(&again, &varying), "pictures kept are pictures made");
}

#[test]
fn a_damaged_cache_is_worked_around() {
    let folder = folder();
    let first = folder.path().join("first");
    run(&first, &[]);
    for damaged in [".stages/meshes", ".stages/kept"] {
        for entry in std::fs::read_dir(first.join(damaged)).unwrap() {
            let path = entry.unwrap().path();
            let half = std::fs::read(&path).unwrap();
            std::fs::write(&path, &half[..half.len() / 2]).unwrap();
        }
    }
    let second = folder.path().join("second");
    let output = statuary(&["rerun", &text(&first), "--out", &text(&second)]);
    assert!(output.status.success(), "{}", stderr(&output));
    let varying = ["run.json", ".origin", ".stages"];
    assert_eq!(digests(&first, &varying), digests(&second, &varying));
}

#[test]
fn an_existing_folder_is_not_touched() {
    let folder = folder();
    std::fs::write(folder.path().join("mine.txt"), "keep").unwrap();
    let output = statuary(&["run", &text(&small_scan()), "-p", "desk-figure", "-o", &text(folder.path())]);
    assert_eq!(output.status.code(), Some(6));
    assert!(stderr(&output).contains("is there already"), "{}", stderr(&output));
    assert_eq!(std::fs::read_to_string(folder.path().join("mine.txt")).unwrap(), "keep");
}
