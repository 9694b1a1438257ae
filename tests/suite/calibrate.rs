//! `calibrate`: a finished print's hours against the estimate, and what becomes of the printers' file.

use std::fs;
use std::path::{Path, PathBuf};

use crate::support::{json, small_scan, statuary, stderr, text, workshop};

/// A run in a workshop's outbox.
fn run(workshop: &Path, name: &str) -> PathBuf {
    let out = workshop.join("outbox").join(name);
    let (scan, out_text, place) = (text(&small_scan()), text(&out), text(workshop));
    let output = statuary(&["run", &scan, "--pipeline", "desk-figure", "--workshop", &place, "--out", &out_text]);
    assert!(output.status.success(), "{}", stderr(&output));
    out
}

fn hours(run: &Path) -> f64 {
    let parts = json(&run.join("run.json"))["parts"].clone();
    parts.as_array().unwrap().iter().map(|part| part["seconds"].as_f64().unwrap()).sum::<f64>() / 3600.0
}

#[test]
fn a_printer_that_took_longer_is_estimated_longer_from_then_on() {
    let workshop = workshop();
    let printers = workshop.path().join("printers.yaml");
    let before = fs::read_to_string(&printers).unwrap();
    let first = run(workshop.path(), "first");
    let took = (1.25 * hours(&first)).to_string();
    let told = statuary(&["calibrate", &text(&first), "--hours", &took, "--json"]);
    assert!(told.status.success(), "{}", stderr(&told));
    assert_eq!(fs::read_to_string(&printers).unwrap(), before, "nothing is written unless asked for");
    let found: serde_json::Value = serde_json::from_slice(&told.stdout).unwrap();
    assert!((found["factor"].as_f64().unwrap() - 1.25).abs() < 1e-3, "{found}");

    let wrote = statuary(&["calibrate", &text(&first), "--hours", &took, "--write"]);
    assert!(wrote.status.success(), "{}", stderr(&wrote));
    let after = fs::read_to_string(&printers).unwrap();
    assert_eq!(after.replacen("  time_factor: 1.25\n", "", 1), before, "only the factor is new");
    assert_eq!(fs::read_to_string(workshop.path().join("printers.yaml.before")).unwrap(), before);
    let second = run(workshop.path(), "second");
    assert!((hours(&second) / hours(&first) - 1.25).abs() < 1e-6);

    // The same print again: the factor of the run it is compared with counts, so it stays.
    let same = statuary(&["calibrate", &text(&second), "--hours", &took, "--part", "1", "--json"]);
    let same: serde_json::Value = serde_json::from_slice(&same.stdout).unwrap();
    assert!((same["factor"].as_f64().unwrap() - 1.25).abs() < 1e-3, "{same}");

    let index = fs::read_to_string(workshop.path().join("outbox/index.html")).unwrap();
    let place = |name: &str| index.find(&format!("href=\"{name}/report.html\"")).unwrap();
    assert!(place("second") < place("first"), "the newest first");
    assert!(workshop.path().join("outbox/first/preview.jpg").is_file() && index.contains("first/preview.jpg"));
}

#[test]
fn slips_of_the_pen_are_told() {
    let workshop = workshop();
    let run = run(workshop.path(), "mate");
    let told = |more: &[&str]| {
        let run = text(&run);
        let output = statuary(&[&["calibrate", run.as_str()], more].concat());
        (output.status.success(), stderr(&output) + &String::from_utf8_lossy(&output.stdout))
    };
    for (more, words) in [
        (["--hours", "0"].as_slice(), "no number above 0"),
        (&["--hours", "100000"], "mind the unit"),
        (&["--hours", "5", "--part", "99"], "no part `99`"),
    ] {
        let (success, text) = told(more);
        assert!(!success && text.contains(words), "{more:?}: {text}");
    }
    let hours = hours(&run).to_string();
    let (success, text) = told(&["--hours", &hours, "--grams", "1"]);
    assert!(success && text.contains("less filament than estimated"), "{text}");
}
