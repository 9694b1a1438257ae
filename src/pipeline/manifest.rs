//! What a stage's result depends on, as lines: hashed they are its stamp, compared they explain why it runs again.

use crate::equipment::{Equipment, Printer};
use crate::run_record::{FileRecord, StageRecord};
use crate::stage::TargetSize;
use crate::stages::{Job, Stage};

/// Goes up when stamps are made in another way; old cache entries are then never met again.
const STAMP_VERSION: u32 = 3;

/// The lines and the stamp of one stage.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Manifest {
    /// Digest of what the stage starts from, see [`Start`].
    pub basis: String,
    pub lines: Vec<String>,
    /// BLAKE3 over the basis and the lines, 64 hexadecimal digits.
    pub stamp: String,
}

/// What a stage starts from: the content, not how it came about. So a stage need not run again when an earlier one did and
/// gave the same.
#[derive(Clone, Copy, Debug)]
pub enum Start<'a> {
    /// The scan's files, and the size that is aimed at.
    Scan(&'a [FileRecord], TargetSize),
    /// The figure, by its digest.
    Figure(&'a str),
    /// The figure and what stages before have told of it: reports hold both.
    FigureAndLog(&'a str, &'a [StageRecord]),
}

impl<'a> Start<'a> {
    /// What a stage of a plan starts from: the scan, or the figure with this digest, and what was told so far.
    #[must_use]
    pub fn of(stage: &Stage, scan: (&'a [FileRecord], TargetSize), figure: &'a str, told: &'a [StageRecord]) -> Self {
        match stage.job() {
            Job::Intake(_) => Self::Scan(scan.0, scan.1),
            Job::Output(output) if output.tells_the_log() => Self::FigureAndLog(figure, told),
            Job::Transform(_) | Job::Output(_) => Self::Figure(figure),
        }
    }

    fn lines(&self) -> Result<Vec<String>, serde_json::Error> {
        match self {
            Self::Scan(inputs, target) => {
                let input = |input: &FileRecord| format!("input {} {}", input.file, input.blake3);
                let target = format!("target {}", serde_json::to_string(target)?);
                Ok(inputs.iter().map(input).chain([target]).collect())
            }
            Self::Figure(digest) => Ok(vec![format!("figure {digest}")]),
            Self::FigureAndLog(digest, stages) => {
                let told = |stage: &StageRecord| {
                    let told = (&stage.stage, &stage.settings, &stage.figures, &stage.findings);
                    serde_json::to_string(&told).map(|told| format!("told {told}"))
                };
                let figure = std::iter::once(Ok(format!("figure {digest}")));
                figure.chain(stages.iter().map(told)).collect()
            }
        }
    }
}

/// The manifest of a stage.
///
/// # Errors
/// When settings cannot be written as JSON.
pub fn manifest(stage: &Stage, equipment: &Equipment, start: Start<'_>) -> Result<Manifest, serde_json::Error> {
    let entry = stage.entry();
    let mut lines = vec![format!("stage {} {}", entry.name, entry.version)];
    lines.extend(setting_lines(stage)?);
    let uses = stage.uses();
    if uses.shelf {
        let filament = |filament| serde_json::to_string(filament).map(|text| format!("filament {text}"));
        lines.extend(equipment.shelf.iter().map(filament).collect::<Result<Vec<_>, _>>()?);
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
    let basis = digest(&format!("statuary stamps {STAMP_VERSION}"), &start.lines()?);
    let stamp = digest(&basis, &lines);
    Ok(Manifest { basis, lines, stamp })
}

fn digest(first: &str, lines: &[String]) -> String {
    let mut hasher = blake3::Hasher::new();
    hasher.update(first.as_bytes());
    for line in lines {
        hasher.update(b"\n").update(line.as_bytes());
    }
    hasher.finalize().to_hex().to_string()
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
