//! What a stage's result depends on, as lines: hashed they are its stamp, compared they explain why it runs again.

use crate::equipment::{Equipment, Printer};
use crate::run_record::FileRecord;
use crate::stage::TargetSize;
use crate::stages::{Job, Stage};

/// Goes up when stamps are made in another way; old cache entries are then never met again.
const STAMP_VERSION: u32 = 2;

/// The lines and the stamp of one stage.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Manifest {
    pub lines: Vec<String>,
    /// BLAKE3 over the stamp before and the lines, 64 hexadecimal digits.
    pub stamp: String,
}

/// The manifests of all stages, each chained to the one before.
///
/// # Errors
/// When settings cannot be written as JSON.
pub fn manifests(
    stages: &[Stage],
    equipment: &Equipment,
    target: TargetSize,
    inputs: &[FileRecord],
) -> Result<Vec<Manifest>, serde_json::Error> {
    let mut before = format!("statuary stamps {STAMP_VERSION}");
    let mut all = Vec::with_capacity(stages.len());
    for stage in stages {
        let entry = stage.entry();
        let mut lines = vec![format!("stage {} {}", entry.name, entry.version)];
        lines.extend(setting_lines(stage)?);
        if let Job::Intake(_) = stage.job() {
            lines.extend(inputs.iter().map(|input| format!("input {} {}", input.file, input.blake3)));
            lines.push(format!("target {}", serde_json::to_string(&target)?));
        }
        let uses = stage.uses();
        if uses.shelf {
            lines.push(format!("shelf {}", serde_json::to_string(&equipment.shelf)?));
        }
        if uses.printer {
            // What decides hours and cost alone makes no other parts.
            let printer = Printer { time_factor: 1.0, cost_per_hour: 0.0, ..equipment.printer.clone() };
            lines.push(format!("printer {}", serde_json::to_string(&printer)?));
        }
        if uses.plan {
            lines.push(format!("time factor {}", equipment.printer.time_factor));
            lines.push(format!("cost per hour {}", equipment.printer.cost_per_hour));
            lines.push(format!("helpers {}", serde_json::to_string(&equipment.helpers)?));
        }
        let mut hasher = blake3::Hasher::new();
        hasher.update(before.as_bytes());
        for line in &lines {
            hasher.update(b"\n").update(line.as_bytes());
        }
        before = hasher.finalize().to_hex().to_string();
        all.push(Manifest { lines, stamp: before.clone() });
    }
    Ok(all)
}

fn setting_lines(stage: &Stage) -> Result<Vec<String>, serde_json::Error> {
    let settings = settings_json(stage)?;
    let Some(map) = settings.as_object() else { return Ok(Vec::new()) };
    Ok(map.iter().map(|(key, value)| format!("{key} = {value}")).collect())
}

/// All settings of a stage as JSON, keys sorted, defaults filled in.
///
/// # Errors
/// When a setting cannot be written as JSON.
pub fn settings_json(stage: &Stage) -> Result<serde_json::Value, serde_json::Error> {
    let yaml = stage.to_value().map_err(serde::ser::Error::custom)?;
    serde_json::to_value(yaml)
}
