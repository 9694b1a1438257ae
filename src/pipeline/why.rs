//! Why stages of a run would be worked through or not, told without doing anything.

use std::collections::BTreeMap;

use serde::Serialize;

use crate::run_record::{FileRecord, StageRecord};
use crate::stages::{Job, Stage};

use super::cache::{Cache, Entry};
use super::manifest::{Start, manifest};
use super::plan::Plan;

/// What becomes of a stage.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
pub struct Fate {
    pub stage: &'static str,
    pub runs: Runs,
    /// What has changed since the earlier run; empty where nothing is known of one.
    pub because: Vec<String>,
}

/// Whether a stage runs.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Runs {
    /// Its result is taken from the cache.
    Kept,
    Yes,
    /// Only if a stage before leaves another figure than in the earlier run, or tells something else.
    IfBeforeDiffers,
}

/// The fate of each stage of a plan, against the stages of an earlier run.
///
/// # Errors
/// When settings cannot be written as JSON.
pub fn fates(
    plan: &Plan,
    inputs: &[FileRecord],
    earlier: &[StageRecord],
    cache: &Cache,
) -> Result<Vec<Fate>, serde_json::Error> {
    let mut fates: Vec<Fate> = Vec::new();
    let mut digest = String::new();
    let mut told: Vec<StageRecord> = Vec::new();
    let mut first_to_run = "";
    for (index, stage) in plan.stages.iter().enumerate() {
        let start = Start::of(stage, (inputs, plan.target), &digest, &told);
        let manifest = manifest(stage, &plan.equipment, start)?;
        let before = before(stage, index, earlier).and_then(|record| cache.entry(&record.stamp));
        let changes = before.as_ref().map_or_else(Vec::new, |entry| changes(&entry.lines, &manifest.lines));
        let entry = Some(()).filter(|()| first_to_run.is_empty()).and_then(|()| cache.entry(&manifest.stamp));
        fates.push(match entry {
            Some(entry) => {
                digest = entry.content().unwrap_or(digest);
                told.push(entry.record);
                Fate { stage: stage.name(), runs: Runs::Kept, because: Vec::new() }
            }
            None if first_to_run.is_empty() || !changes.is_empty() => {
                let because = if changes.is_empty() { vec![unknown(before.as_ref())] } else { changes };
                Fate { stage: stage.name(), runs: Runs::Yes, because }
            }
            None => {
                let because = vec![format!("if `{first_to_run}` leaves another figure")];
                Fate { stage: stage.name(), runs: Runs::IfBeforeDiffers, because }
            }
        });
        if let Some(last) = fates.last().filter(|fate| fate.runs == Runs::Yes && !matches!(stage.job(), Job::Output(_)))
        {
            first_to_run = last.stage;
        }
    }
    Ok(fates)
}

fn unknown(before: Option<&Entry>) -> String {
    let why =
        if before.is_some() { "what it starts from is another, or is no longer kept" } else { "nothing of it is kept" };
    why.to_owned()
}

/// The same stage in the earlier run: at its place, or the only one of its name.
fn before<'e>(stage: &Stage, index: usize, earlier: &'e [StageRecord]) -> Option<&'e StageRecord> {
    let named = |record: &&StageRecord| record.stage == stage.name();
    earlier.get(index).filter(named).or_else(|| earlier.iter().find(named))
}

/// What differs between the lines of two manifests, in words.
fn changes(before: &[String], now: &[String]) -> Vec<String> {
    let (old, new) = (keyed(before), keyed(now));
    let mut changes = Vec::new();
    for (key, value) in &new {
        match old.get(key) {
            Some(earlier) if earlier == value => {}
            Some(earlier) if value.len() < 60 && earlier.len() < 60 => {
                changes.push(format!("{key} = {value}, was {earlier}"));
            }
            Some(_) => changes.push(format!("{key} is another")),
            None => changes.push(format!("{key} is new")),
        }
    }
    changes.extend(old.keys().filter(|key| !new.contains_key(*key)).map(|key| format!("{key} is gone")));
    changes
}

/// A manifest's lines by what they are about.
fn keyed(lines: &[String]) -> BTreeMap<String, String> {
    let pair = |line: &String| {
        if let Some((setting, value)) = line.split_once(" = ") {
            return (setting.to_owned(), value.to_owned());
        }
        let (kind, rest) = line.split_once(' ').unwrap_or((line, ""));
        let name = || serde_json::from_str::<serde_json::Value>(rest).ok()?.get("name")?.as_str().map(str::to_owned);
        match kind {
            "stage" => ("version of the stage".to_owned(), rest.to_owned()),
            "filament" => (format!("filament `{}`", name().unwrap_or_default()), rest.to_owned()),
            "printer" => ("the printer".to_owned(), rest.to_owned()),
            "helpers" => ("the list of helpers".to_owned(), rest.to_owned()),
            _ => {
                line.rsplit_once(' ').map_or((line.clone(), String::new()), |(about, last)| (about.into(), last.into()))
            }
        }
    };
    lines.iter().map(pair).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn changes_are_told_by_setting_filament_and_version() {
        let lines = |text: &str| text.lines().map(str::to_owned).collect::<Vec<_>>();
        let long = "x".repeat(80);
        let before = format!(
            "stage split 6\ndowel_mm = 4\nkeys = \"round\"\nfilament {{\"name\":\"Navy\",\"left_g\":1}}\nprinter {long}"
        );
        let now = format!(
            "stage split 7\ndowel_mm = 6\nkeys = \"round\"\nfilament {{\"name\":\"Red\",\"left_g\":1}}\nprinter {long}y"
        );
        let expected = [
            "dowel_mm = 6, was 4",
            "filament `Red` is new",
            "the printer is another",
            "version of the stage = split 7, was split 6",
            "filament `Navy` is gone",
        ];
        assert_eq!(changes(&lines(&before), &lines(&now)), expected);
        assert!(changes(&lines(&before), &lines(&before)).is_empty());
        assert_eq!(changes(&lines("time factor 1"), &lines("time factor 1.2")), ["time factor = 1.2, was 1"]);
    }
}
