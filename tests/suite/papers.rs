//! What editors, shells and `man` read: JSON Schemas held against a validator of their own, completions, manual pages.

use std::fs;

use crate::support::{folder, oracle, project, statuary, stderr, text};

fn schema(of: &str) -> serde_json::Value {
    let output = statuary(&["schema", of]);
    assert!(output.status.success(), "{}", stderr(&output));
    serde_json::from_slice(&output.stdout).unwrap()
}

/// Faults of YAML texts under a schema, by `jsonschema` (`PyPI`), which also checks the schema itself (JSON Schema 2020-12).
fn faults(schema: &serde_json::Value, texts: &[String]) -> Vec<Vec<String>> {
    let question = serde_json::json!({"schema": schema, "texts": texts}).to_string();
    serde_json::from_value(oracle::ask(&["schema"], &question)["faults"].clone()).unwrap()
}

#[test]
fn shipped_pipelines_shelf_and_printers_keep_to_their_schemas() {
    let read = |path: &str| fs::read_to_string(project(path)).unwrap();
    let mut pipelines: Vec<String> = fs::read_dir(project("pipelines"))
        .unwrap()
        .map(|entry| fs::read_to_string(entry.unwrap().path()).unwrap())
        .collect();
    assert!(pipelines.len() >= 4);
    pipelines.push("stages:\n- intake: {unit: cm, up: +y}\n- colour-reduce: {blends: {}, for_each: part}\n".into());
    for (of, texts) in [
        ("pipeline", pipelines),
        ("filaments", vec![read("demo-data/workshop/filaments.yaml")]),
        ("printers", vec![read("demo-data/workshop/printers.yaml")]),
    ] {
        for faults in faults(&schema(of), &texts) {
            assert!(faults.is_empty(), "{of}: {faults:?}");
        }
    }
}

#[test]
fn schemas_refuse_what_the_program_refuses() {
    let wrong = [
        "stages:\n- intake\n- paint\n",
        "stages:\n- split: {margin: 3}\n",
        "stages:\n- colour-reduce: {for_each: limb}\n",
        "stages:\n- scale: {factor: half}\n",
        "about: none\n",
    ];
    let texts: Vec<String> = wrong.iter().map(|text| (*text).to_owned()).collect();
    let folder = folder();
    for (faults, text_of) in faults(&schema("pipeline"), &texts).into_iter().zip(&texts) {
        assert!(!faults.is_empty(), "{text_of}");
        let file = folder.path().join("wrong.yaml");
        fs::write(&file, text_of).unwrap();
        assert!(!statuary(&["check", &text(&file)]).status.success(), "{text_of}");
    }
    let shelf = "- {name: a, material: PLA, colour: \"#102030\", nozzle_c: [195], bed_c: [20, 60], density_g_per_cm3: 1, left_g: 1}\n";
    assert!(!faults(&schema("filaments"), &[shelf.to_owned()])[0].is_empty());
}

#[test]
fn every_setting_is_explained_in_the_schema() {
    let schema = schema("pipeline");
    let definitions = schema["$defs"].as_object().unwrap();
    assert!(definitions.len() >= 12, "{:?}", definitions.keys());
    let split = &definitions["Split"]["properties"]["glue_gap_mm"];
    assert!(split["description"].as_str().unwrap().contains("glue") && split["default"].is_number(), "{split}");
}

#[test]
fn shells_are_told_of_commands_and_options() {
    for shell in ["bash", "zsh", "fish"] {
        let output = statuary(&["completions", shell]);
        assert!(output.status.success(), "{}", stderr(&output));
        let script = String::from_utf8(output.stdout).unwrap();
        assert!(["calibrate", "rerun", "pipeline"].iter().all(|word| script.contains(word)), "{shell}");
    }
}

#[test]
fn each_command_has_a_manual_page() {
    let folder = folder();
    let output = statuary(&["man", &text(folder.path())]);
    assert!(output.status.success(), "{}", stderr(&output));
    for name in ["statuary.1", "statuary-run.1", "statuary-watch.1", "statuary-calibrate.1"] {
        let page = fs::read_to_string(folder.path().join(name)).unwrap();
        assert!(page.contains(".TH") && page.contains(".SH SYNOPSIS"), "{name}");
    }
}
