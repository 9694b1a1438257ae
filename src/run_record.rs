//! Data of the JSON log `run.json`: what ran, with which settings, what it found, what it wrote.

use std::collections::BTreeMap;

use serde::{Deserialize, Serialize};

use crate::equipment::Equipment;
use crate::finding::Finding;

/// Version of the layout of `run.json`; goes up with every change a reader could notice.
pub const FORMAT_VERSION: u32 = 1;

/// How a run ended.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Outcome {
    #[default]
    Running,
    Done,
    /// Done, but a finding of severity fault is among the findings.
    DoneWithFaults,
    Failed,
}

/// A file that went in or came out.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct FileRecord {
    /// Name relative to the scan's or the run's folder.
    pub file: String,
    pub bytes: u64,
    /// BLAKE3 of the content, 64 hexadecimal digits.
    pub blake3: String,
}

/// One stage of the run.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct StageRecord {
    pub stage: String,
    /// All settings, defaults filled in.
    pub settings: serde_json::Value,
    pub stamp: String,
    /// Whether an earlier result with the same stamp was used again.
    pub cached: bool,
    pub seconds: f64,
    /// Peak resident memory of the process at the stage's end, bytes.
    pub peak_memory_bytes: u64,
    /// Numbers the stage logged.
    pub figures: BTreeMap<String, f64>,
    pub findings: Vec<Finding>,
}

/// A part, as the log tells of it.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct PartRecord {
    pub name: String,
    pub volume_mm3: f64,
    /// Extent in its bed pose, mm.
    pub size_mm: [f64; 3],
    pub triangles: usize,
    /// Grams by filament name.
    pub mass_g: BTreeMap<String, f64>,
    /// Grams to have at hand by filament name: support and purge with it. Older logs do not tell.
    #[serde(default)]
    pub need_g: BTreeMap<String, f64>,
    pub tool_changes: usize,
    pub seconds: f64,
    /// The printer that prints it; empty before the plan is made.
    #[serde(default, skip_serializing_if = "String::is_empty")]
    pub printer: String,
    /// From the beginning of all until it begins, its spools put in, and until it is done, s.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub span_s: Option<[f64; 2]>,
}

/// The whole log of one run.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct RunRecord {
    pub format: u32,
    pub program: String,
    pub version: String,
    pub pipeline: String,
    /// The pipeline as it ran, YAML with all settings: what `rerun` starts from.
    pub pipeline_yaml: String,
    pub printer: String,
    /// Shelf and printer as they were; older logs do not tell.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub equipment: Option<Equipment>,
    pub scan: String,
    /// What the subject agreed to, as the owner wrote it beside the scan.
    #[serde(default, skip_serializing_if = "String::is_empty")]
    pub consent: String,
    pub outcome: Outcome,
    /// Start, RFC 3339 UTC; the one field besides seconds and memory that differs between equal runs.
    pub started: String,
    pub seconds: f64,
    pub inputs: Vec<FileRecord>,
    pub stages: Vec<StageRecord>,
    pub parts: Vec<PartRecord>,
    pub outputs: Vec<FileRecord>,
    /// Why it failed, if it did.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub error: Option<String>,
}

impl RunRecord {
    /// All findings in the order of the stages.
    pub fn findings(&self) -> impl Iterator<Item = &Finding> {
        self.stages.iter().flat_map(|stage| &stage.findings)
    }

    /// Printing time of all parts, s.
    #[must_use]
    pub fn print_seconds(&self) -> f64 {
        self.parts.iter().map(|part| part.seconds).sum()
    }

    /// Tool changes of all parts.
    #[must_use]
    pub fn tool_changes(&self) -> usize {
        self.parts.iter().map(|part| part.tool_changes).sum()
    }

    /// Grams of each filament to have at hand for all parts.
    #[must_use]
    pub fn need_g(&self) -> BTreeMap<&str, f64> {
        let mut need_g = BTreeMap::new();
        for (name, g) in self.parts.iter().flat_map(|part| &part.need_g) {
            *need_g.entry(name.as_str()).or_default() += g;
        }
        need_g
    }

    /// From the beginning until the last part is done, the spools put in, s; `None` before the plan is made.
    #[must_use]
    pub fn plan_seconds(&self) -> Option<f64> {
        self.parts.iter().map(|part| part.span_s.map(|[_, done]| done)).reduce(|a, b| Some(a?.max(b?))).flatten()
    }

    /// What it costs in the owner's currency, filament and hours of the printers; `None` when neither has a price.
    #[must_use]
    pub fn cost(&self) -> Option<f64> {
        let equipment = self.equipment.as_ref()?;
        let need_g = self.need_g();
        let priced = equipment.shelf.iter().filter(|filament| filament.price_per_kg > 0.0);
        let filament = priced.filter_map(|f| need_g.get(f.name.as_str()).map(|g| g / 1000.0 * f.price_per_kg));
        let per_hour = |part: &PartRecord| equipment.named(&part.printer).cost_per_hour;
        let hours = self.parts.iter().map(|part| part.seconds / 3600.0 * per_hour(part)).filter(|cost| *cost > 0.0);
        filament.chain(hours).reduce(|sum, cost| sum + cost)
    }
}
