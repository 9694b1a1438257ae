//! Walks a plan: the only place where settings and figure meet.

use std::collections::BTreeMap;
use std::path::Path;
use std::sync::Arc;
use std::sync::atomic::AtomicBool;
use std::time::Instant;

use crate::figure::{Figure, Part};
use crate::finding::Severity;
use crate::format::ScanFiles;
use crate::mesh::measure;
use crate::run_record::{FORMAT_VERSION, FileRecord, Outcome, PartRecord, RunRecord, StageRecord};
use crate::stage::{Keep, Notes, StageContext, StageError};
use crate::stages::{Job, Stage};

use super::cache::{Cache, Entry};
use super::manifest::{Manifest, manifests, settings_json};
use super::plan::{Plan, explain};
use super::run_folder::RunFolder;
use super::scan_files::ScanFilesError;

/// Who is told how a run goes.
pub trait Observer: Send {
    /// The stages that will be worked through, those left out that an earlier run did.
    fn run_starts(&mut self, _stages: &[&str]) {}
    /// `index` counts from 0.
    fn stage_starts(&mut self, index: usize, total: usize, name: &str);
    /// `done` from 0 to 1.
    fn step(&mut self, done: f64, what: &str);
    fn stage_ends(&mut self, record: &StageRecord);
}

/// An observer that says nothing.
#[derive(Debug)]
pub struct Silent;

impl Observer for Silent {
    fn stage_starts(&mut self, _: usize, _: usize, _: &str) {}
    fn step(&mut self, _: f64, _: &str) {}
    fn stage_ends(&mut self, _: &StageRecord) {}
}

/// The scan of a run: its bytes are read only when the first stage has to run.
pub struct Source<'a> {
    /// File name for the log.
    pub name: String,
    pub inputs: Vec<FileRecord>,
    pub read: Box<dyn Fn() -> Result<Arc<ScanFiles>, ScanFilesError> + 'a>,
}

impl std::fmt::Debug for Source<'_> {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_struct("Source").field("name", &self.name).finish_non_exhaustive()
    }
}

impl Source<'_> {
    /// A scan that is in memory already.
    #[must_use]
    pub fn of(files: Arc<ScanFiles>) -> Self {
        let record = |(name, bytes): (&String, &Vec<u8>)| FileRecord {
            file: name.clone(),
            bytes: bytes.len() as u64,
            blake3: blake3::hash(bytes).to_hex().to_string(),
        };
        let inputs = files.files.iter().map(record).collect();
        Self { name: files.main.clone(), inputs, read: Box::new(move || Ok(Arc::clone(&files))) }
    }
}

impl std::fmt::Debug for Surroundings<'_> {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_struct("Surroundings").field("earlier", &self.earlier).finish_non_exhaustive()
    }
}

/// Why a run ended without a result.
#[derive(Debug, thiserror::Error)]
pub enum RunError {
    #[error(transparent)]
    ScanFiles(#[from] ScanFilesError),
    #[error("{stage}: {source}")]
    Stage { stage: String, source: StageError },
    #[error("cannot write: {0}")]
    Write(#[from] std::io::Error),
    #[error("settings cannot be written as JSON: {0}")]
    Json(#[from] serde_json::Error),
    #[error("settings cannot be written as YAML: {0}")]
    Yaml(#[from] serde_yaml::Error),
}

/// Everything a run needs besides its plan and scan.
pub struct Surroundings<'a> {
    pub cache: Option<&'a mut Cache>,
    /// Run folder whose files may be used again.
    pub earlier: Option<&'a Path>,
    pub observer: &'a mut dyn Observer,
    pub cancel: Arc<AtomicBool>,
    /// Start of the run, RFC 3339, for the log.
    pub started: String,
}

/// Runs a plan on a scan into a folder. The record is complete but for publishing.
///
/// # Errors
/// When the scan is refused, a stage fails, or nothing can be written.
pub fn run(
    plan: &Plan,
    source: &Source<'_>,
    folder: &mut RunFolder,
    around: &mut Surroundings<'_>,
) -> Result<RunRecord, RunError> {
    let clock = Instant::now();
    let manifests = manifests(&plan.stages, &plan.equipment, plan.target, &source.inputs)?;
    let (known, figure) = last_known(&plan.stages, &manifests, around);
    let record = blank_record(plan, source, around)?;
    let names: Vec<&str> = plan.stages.iter().skip(known.len()).map(Stage::name).collect();
    around.observer.run_starts(&names);
    let mut walk = Walk { plan, source, folder, around, figure, record };
    for (index, (stage, manifest)) in plan.stages.iter().zip(&manifests).enumerate() {
        walk.around.observer.stage_starts(index, plan.stages.len(), stage.name());
        walk.step(stage, manifest, known.get(index))?;
    }
    let mut record = walk.record;
    record.parts = walk.figure.iter().flat_map(part_records).collect();
    let faulty = record.findings().any(|finding| finding.severity == Severity::Fault);
    record.outcome = if faulty { Outcome::DoneWithFaults } else { Outcome::Done };
    record.outputs.sort_by(|a, b| a.file.cmp(&b.file));
    record.seconds = clock.elapsed().as_secs_f64();
    Ok(record)
}

fn blank_record(plan: &Plan, source: &Source<'_>, around: &Surroundings<'_>) -> Result<RunRecord, RunError> {
    let names: Vec<String> = plan.equipment.printers().map(|printer| printer.name.clone()).collect();
    Ok(RunRecord {
        format: FORMAT_VERSION,
        program: env!("CARGO_PKG_NAME").into(),
        version: env!("CARGO_PKG_VERSION").into(),
        pipeline: plan.name.clone(),
        pipeline_yaml: explain("", &names, &plan.stages)?,
        printer: names.join(" and "),
        equipment: Some(plan.equipment.clone()),
        scan: source.name.clone(),
        started: around.started.clone(),
        inputs: source.inputs.clone(),
        ..RunRecord::default()
    })
}

/// A run under way.
struct Walk<'w, 's, 'a> {
    plan: &'w Plan,
    source: &'w Source<'s>,
    folder: &'w mut RunFolder,
    around: &'w mut Surroundings<'a>,
    figure: Option<Figure>,
    record: RunRecord,
}

impl Walk<'_, '_, '_> {
    fn step(&mut self, stage: &Stage, manifest: &Manifest, known: Option<&Entry>) -> Result<(), RunError> {
        let used = known.cloned().or_else(|| written_before(stage, manifest, self.folder, self.around));
        let (stage_record, files) = if let Some(entry) = used {
            (StageRecord { cached: true, seconds: 0.0, ..entry.record }, entry.files)
        } else {
            self.work(stage, manifest)?
        };
        self.record.outputs.extend(files);
        self.around.observer.stage_ends(&stage_record);
        self.record.stages.push(stage_record);
        Ok(())
    }

    /// Runs a stage and keeps its result.
    fn work(&mut self, stage: &Stage, manifest: &Manifest) -> Result<(StageRecord, Vec<FileRecord>), RunError> {
        let clock = Instant::now();
        let (mut findings, figures) = self.act(stage)?;
        for finding in &mut findings {
            finding.stage = stage.name().into();
        }
        let record = StageRecord {
            stage: stage.name().into(),
            settings: settings_json(stage)?,
            stamp: manifest.stamp.clone(),
            cached: false,
            seconds: clock.elapsed().as_secs_f64(),
            peak_memory_bytes: peak_memory_bytes(),
            figures: figures.into_iter().collect::<BTreeMap<_, _>>(),
            findings,
        };
        let files = self.folder.take_written();
        if let Some(cache) = self.around.cache.as_deref_mut() {
            let keep = self.figure.as_ref().filter(|_| !matches!(stage.job(), Job::Output(_)));
            cache.store(&record, files.clone(), keep)?;
        }
        Ok((record, files))
    }

    fn act(&mut self, stage: &Stage) -> Result<Notes, RunError> {
        let failed = |source| RunError::Stage { stage: stage.name().into(), source };
        let missing = || failed(StageError::failed("there is no figure yet", "put `- intake` first"));
        let Walk { plan, source, folder, around, figure, record } = self;
        let observer = &mut *around.observer;
        let mut progress = |done: f64, what: &str| observer.step(done, what);
        let cancel = Arc::clone(&around.cancel);
        let keep = around.cache.as_deref_mut().map(|cache| cache as &mut dyn Keep);
        let mut ctx =
            StageContext::new(&plan.equipment, plan.target, &mut **folder, cancel, &mut progress).keeping(keep);
        ctx.checkpoint().map_err(failed)?;
        match stage.job() {
            Job::Intake(intake) => {
                let files = (source.read)()?;
                *figure = Some(intake.read(&files, &mut ctx).map_err(failed)?);
            }
            Job::Transform(transform) => {
                let before = figure.take().ok_or_else(missing)?;
                *figure = Some(transform.run(&before, &mut ctx).map_err(failed)?);
            }
            Job::Output(output) => {
                output.write(figure.as_ref().ok_or_else(missing)?, record, &mut ctx).map_err(failed)?;
            }
        }
        Ok(ctx.into_notes())
    }
}

/// Entries of the leading stages that need not run, and the figure the last of them left.
fn last_known(stages: &[Stage], manifests: &[Manifest], around: &mut Surroundings<'_>) -> (Vec<Entry>, Option<Figure>) {
    let Some(cache) = around.cache.as_deref_mut() else { return (Vec::new(), None) };
    let leading = stages.iter().take_while(|stage| !matches!(stage.job(), Job::Output(_))).count();
    let mut entries: Vec<Entry> = manifests[..leading].iter().map_while(|m| cache.entry(&m.stamp)).collect();
    while let Some(last) = entries.last() {
        if let Some(figure) = cache.figure(last) {
            return (entries, Some(figure));
        }
        entries.pop();
    }
    (entries, None)
}

/// An output stage whose files an earlier run wrote with the same stamp. The report is written anew each time.
fn written_before(
    stage: &Stage,
    manifest: &Manifest,
    folder: &mut RunFolder,
    around: &Surroundings<'_>,
) -> Option<Entry> {
    if !matches!(stage, Stage::Export(_)) {
        return None;
    }
    let entry = around.cache.as_deref()?.entry(&manifest.stamp)?;
    folder.adopt(around.earlier?, &entry.files).ok()?.then_some(entry)
}

pub(super) fn part_records(figure: &Figure) -> Vec<PartRecord> {
    let mut records: Vec<PartRecord> = figure.parts.iter().map(|part| part_record(figure, part)).collect();
    for queue in figure.schedule.iter().flat_map(|schedule| &schedule.queues) {
        for step in &queue.steps {
            if let Some(record) = records.get_mut(step.part) {
                (record.printer, record.span_s) = (queue.printer.clone(), step.span_s);
            }
        }
    }
    records
}

fn part_record(figure: &Figure, part: &Part) -> PartRecord {
    let posed = part.mesh.positions.iter().map(|p| part.pose.map_or(*p, |pose| pose.to_bed(*p)));
    let (low, high) = measure::bounds(&posed.collect::<Vec<_>>());
    let estimate = part.estimate.clone().unwrap_or_default();
    let by_name = |grams: &[f64]| {
        let named = figure.palette.iter().zip(grams).filter(|(_, g)| **g > 0.0);
        named.map(|(filament, g)| (filament.name.clone(), *g)).collect()
    };
    PartRecord {
        name: part.name.clone(),
        volume_mm3: measure::volume_mm3(&part.mesh),
        size_mm: if part.mesh.positions.is_empty() { [0.0; 3] } else { (high - low).to_array() },
        triangles: part.mesh.triangles.len(),
        mass_g: by_name(&estimate.filament_g),
        need_g: by_name(&estimate.need_g),
        tool_changes: estimate.tool_changes,
        seconds: estimate.seconds,
        ..PartRecord::default()
    }
}

/// Highest resident memory of this process so far, bytes; 0 where the system does not tell.
pub(super) fn peak_memory_bytes() -> u64 {
    let status = super::files::read_text(Path::new("/proc/self/status")).unwrap_or_default();
    let line = status.lines().find_map(|line| line.strip_prefix("VmHWM:"));
    let kib = line.and_then(|rest| rest.trim().trim_end_matches("kB").trim().parse::<u64>().ok());
    kib.unwrap_or(0) * 1024
}
