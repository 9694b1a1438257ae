//! Pipelines as text: what is read, what is pointed at and where, what a change on the command line does.

use statuary::pipeline::equipment_files::Workbench;
use statuary::pipeline::library::{SHIPPED, open};
use statuary::pipeline::plan::{Change, apply, explain, plan};
use statuary::pipeline::spec::{read_spec, read_yaml};
use statuary::problem::Problem;
use statuary::stages::TABLE;

fn faults(text: &str) -> Vec<Problem> {
    match read_spec("test", "test.yaml", text) {
        Ok(spec) => plan(&spec, &Workbench::demo().unwrap()).err().unwrap_or_default(),
        Err(problem) => vec![problem],
    }
}

fn place(problem: &Problem) -> (usize, usize) {
    problem.place.map(|place| (place.line, place.column)).unwrap_or_default()
}

#[test]
fn shipped_pipelines_and_equipment_are_without_fault() {
    for (name, _) in SHIPPED {
        let spec = open(name, None).unwrap();
        assert!(!spec.about.is_empty(), "{name} says what it is for");
        plan(&spec, &Workbench::demo().unwrap()).unwrap();
    }
}

#[test]
fn examples_parse_defaults_pass_and_names_are_unique() {
    let mut names: Vec<&str> = TABLE.iter().map(|entry| entry.name).collect();
    names.sort_unstable();
    names.dedup();
    assert_eq!(names.len(), TABLE.len());
    for entry in TABLE {
        let example: String = entry.example.lines().map(|line| format!("      {line}\n")).collect();
        let text = format!("stages:\n  - {}:\n{example}", entry.name);
        let spec = read_spec("example", "example.yaml", &text).unwrap_or_else(|p| panic!("{}: {p}", entry.name));
        assert_eq!(spec.stages[0].check(), [], "example of {}", entry.name);
        assert!(!entry.summary.is_empty());
    }
}

#[test]
fn a_mistyped_setting_is_found_at_its_line_and_column() {
    let found = faults("stages:\n  - intake\n  - clean:\n      hole_maxx_mm: 3\n");
    assert_eq!(place(&found[0]), (4, 7));
    assert!(found[0].what.contains("unknown setting `hole_maxx_mm`"), "{}", found[0]);
}

#[test]
fn a_mistyped_stage_gets_the_nearest_known_one() {
    let found = faults("stages:\n  - intake\n  - colour_reduce: {}\n");
    assert!(found[0].what.contains("did you mean `colour-reduce`?"), "{}", found[0]);
    assert_eq!(place(&found[0]).0, 3);
}

#[test]
fn two_stages_in_one_entry_are_told_apart() {
    let found = faults("stages:\n  - intake: {}\n    clean: {}\n");
    assert!(found[0].what.contains("one stage per `-`"), "{}", found[0]);
}

#[test]
fn a_value_out_of_range_is_found_at_its_place() {
    let found = faults("stages:\n  - intake\n  - clean\n  - scale:\n      height_mm: -5\n");
    assert_eq!(found.len(), 1, "{found:?}");
    assert_eq!(place(&found[0]).0, 5);
    assert!(found[0].setting.ends_with("scale.height_mm"), "{}", found[0].setting);
    assert!(!found[0].hint.is_empty());
}

#[test]
fn a_missing_stage_is_named_before_anything_runs() {
    let found = faults("stages:\n  - intake\n  - clean\n  - split\n");
    assert_eq!(found.len(), 1, "{found:?}");
    assert!(found[0].hint.contains("`- scale`"), "{}", found[0].hint);
    assert_eq!(place(&found[0]).0, 4);
}

#[test]
fn all_faults_are_told_at_once() {
    let text = "printer: Nobody\nstages:\n  - intake\n  - clean\n  - scale: {height_mm: -5}\n  - report\n  - intake\n";
    assert_eq!(faults(text).len(), 3, "{:?}", faults(text));
}

#[test]
fn hostile_yaml_is_refused_without_a_panic() {
    let bomb = "a: &a [x,x,x,x,x,x,x,x,x]\nb: &b [*a,*a,*a,*a,*a,*a,*a,*a]\nc: &c [*b,*b,*b,*b,*b,*b,*b,*b]\nstages: [*c,*c,*c]\n";
    let nested = format!("stages: {}", "[".repeat(20_000));
    let long = "#".repeat(2 << 20);
    for text in [bomb, &nested, &long, "", "stages: 3", "stages: [{}]", "- x", "stages:\n\t- intake", "\u{0}"] {
        assert_ne!(faults(text), [], "{text:.40}");
    }
}

#[test]
fn a_change_is_applied_and_a_wrong_one_explained() {
    let mut spec = open("desk-figure", None).unwrap();
    apply(&mut spec, &[Change::parse("scale.height_mm=123").unwrap()]).unwrap();
    assert!(explain("", &[], &spec.stages).unwrap().contains("height_mm: 123"));
    for (change, word) in
        [("scale.hight_mm=3", "hight_mm"), ("nostage.x=1", "no such stage"), ("scale.height_mm=[", "")]
    {
        let problems = apply(&mut spec, &[Change::parse(change).unwrap()]).unwrap_err();
        assert!(problems[0].to_string().contains(word), "{}", problems[0]);
    }
    for shape in ["scale", "scale.height_mm", "=3", ".x=1"] {
        assert!(Change::parse(shape).is_err(), "{shape}");
    }
}

#[test]
fn what_explain_prints_is_read_back_as_the_same_pipeline() {
    for (name, _) in SHIPPED {
        let spec = open(name, None).unwrap();
        let again = read_spec(name, "again.yaml", &explain(&spec.about, &[], &spec.stages).unwrap()).unwrap();
        assert_eq!(again.stages, spec.stages);
    }
}

#[test]
fn a_shelf_with_faults_tells_each_of_them() {
    let text = "- {name: Gull White, material: PLA, colour: white, nozzle_c: [220, 190], bed_c: [50, 60], density_g_per_cm3: -1, left_g: 5}\n";
    let folder = tempfile::tempdir().unwrap();
    std::fs::write(folder.path().join("filaments.yaml"), text).unwrap();
    let problems = Workbench::open(folder.path()).unwrap_err();
    assert_eq!(problems.len(), 3, "{problems:?}");
    let unknown = read_yaml::<Vec<statuary::equipment::Filament>>("f.yaml", "- {name: x, colr: 3}\n").unwrap_err();
    assert!(unknown.hint.contains("did you mean `colour`?"), "{}", unknown.hint);
}
