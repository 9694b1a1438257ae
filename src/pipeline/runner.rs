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

use super::cache::{Cache, Entry, StageResult};
use super::manifest::{Manifest, Start, manifest, settings_json};
use super::plan::{Plan, explain};
use super::run_folder::{RunFolder, read_log};
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
    /// What the subject agreed to, for the log.
    pub consent: String,
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
        let consent = String::new();
        Self { name: files.main.clone(), inputs, consent, read: Box::new(move || Ok(Arc::clone(&files))) }
    }

    /// Lets the log tell of the files beside the mesh by numbers: their names may be a person's, too.
    pub fn hide_names(&mut self, name: Option<&str>) {
        let Some(name) = name else { return };
        for (i, input) in self.inputs.iter_mut().filter(|input| input.file != self.name).enumerate() {
            let ending = input.file.rsplit_once('.').map_or(String::new(), |(_, ending)| format!(".{ending}"));
            input.file = format!("{name}-{}{ending}", i + 2);
        }
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
    loop {
        let record = blank_record(plan, source, around)?;
        let mut walk = Walk { plan, source, folder, around, at: At::Scan, record };
        match walk.all() {
            Ok(parts) => {
                let mut record = walk.record;
                record.parts = parts;
                let faulty = record.findings().any(|finding| finding.severity == Severity::Fault);
                record.outcome = if faulty { Outcome::DoneWithFaults } else { Outcome::Done };
                record.outputs.sort_by(|a, b| a.file.cmp(&b.file));
                record.seconds = clock.elapsed().as_secs_f64();
                return Ok(record);
            }
            // Without the damaged entry its stage runs again.
            Err(Stop::Damaged(stamp)) => {
                tracing::warn!(%stamp, "a result in the stage cache is damaged; it is made anew");
                if let Some(cache) = around.cache.as_deref() {
                    cache.drop_entry(&stamp)?;
                }
                folder.take_written();
            }
            Err(Stop::Failed(error)) => return Err(error),
        }
    }
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
        consent: source.consent.clone(),
        started: around.started.clone(),
        inputs: source.inputs.clone(),
        ..RunRecord::default()
    })
}

/// Why a walk ended early.
enum Stop {
    /// The figure of the entry with this stamp cannot be read.
    Damaged(String),
    Failed(RunError),
}

impl<E: Into<RunError>> From<E> for Stop {
    fn from(error: E) -> Self {
        Self::Failed(error.into())
    }
}

/// What the next stage starts from.
enum At {
    Scan,
    /// The figure of a result in the cache, not read yet, and its digest.
    Stored(Box<Entry>, String),
    /// The figure and its digest.
    Figure(Box<Figure>, String),
}

impl At {
    fn digest(&self) -> &str {
        match self {
            Self::Scan => "",
            Self::Stored(_, digest) | Self::Figure(_, digest) => digest,
        }
    }
}

/// A run under way.
struct Walk<'w, 's, 'a> {
    plan: &'w Plan,
    source: &'w Source<'s>,
    folder: &'w mut RunFolder,
    around: &'w mut Surroundings<'a>,
    at: At,
    record: RunRecord,
}

impl Walk<'_, '_, '_> {
    /// Walks through all stages and gives what the log tells of the parts.
    fn all(&mut self) -> Result<Vec<PartRecord>, Stop> {
        let plan = self.plan;
        let mut is_told = false;
        for (index, stage) in plan.stages.iter().enumerate() {
            let manifest = self.manifest(stage)?;
            if let Some(entry) = self.known(stage, &manifest)? {
                self.around.observer.stage_starts(index, plan.stages.len(), stage.name());
                self.take(stage, entry);
                continue;
            }
            if !is_told {
                // Whether those after this one have to run shows only when its result is there.
                self.around.observer.run_starts(&plan.stages[index..].iter().map(Stage::name).collect::<Vec<_>>());
                is_told = true;
            }
            self.around.observer.stage_starts(index, plan.stages.len(), stage.name());
            self.load()?;
            self.work(stage, &manifest)?;
        }
        self.parts()
    }

    fn manifest(&self, stage: &Stage) -> Result<Manifest, serde_json::Error> {
        let scan = (self.source.inputs.as_slice(), self.plan.target);
        let start = Start::of(stage, scan, self.at.digest(), &self.record.stages);
        manifest(stage, &self.plan.equipment, start)
    }

    /// The result of a stage that need not run: its figure, or files an earlier run wrote.
    fn known(&mut self, stage: &Stage, manifest: &Manifest) -> Result<Option<Entry>, Stop> {
        let Some(entry) = self.around.cache.as_deref().and_then(|cache| cache.entry(&manifest.stamp)) else {
            return Ok(None);
        };
        if !matches!(stage.job(), Job::Output(_)) {
            return Ok(entry.content().is_some().then_some(entry));
        }
        let Some(earlier) = self.around.earlier else { return Ok(None) };
        Ok(self.folder.adopt(earlier, &entry.files)?.then_some(entry))
    }

    fn take(&mut self, stage: &Stage, entry: Entry) {
        let record = StageRecord { cached: true, seconds: 0.0, ..entry.record.clone() };
        self.record.outputs.extend(entry.files.iter().cloned());
        self.around.observer.stage_ends(&record);
        self.record.stages.push(record);
        if !matches!(stage.job(), Job::Output(_)) {
            let digest = entry.content().unwrap_or_default();
            self.at = At::Stored(Box::new(entry), digest);
        }
    }

    /// Reads the figure the next stage starts from, if it is only in the cache so far.
    fn load(&mut self) -> Result<(), Stop> {
        if let At::Stored(entry, digest) = &self.at {
            let figure = self.around.cache.as_deref_mut().and_then(|cache| cache.figure(entry));
            let figure = figure.ok_or_else(|| Stop::Damaged(entry.record.stamp.clone()))?;
            self.at = At::Figure(Box::new(figure), digest.clone());
        }
        Ok(())
    }

    /// From the earlier run where this one is the same, so that its figure need not be read.
    fn parts(&mut self) -> Result<Vec<PartRecord>, Stop> {
        let stamps = |record: &RunRecord| record.stages.iter().map(|stage| stage.stamp.clone()).collect::<Vec<_>>();
        let earlier =
            self.around.earlier.filter(|_| matches!(self.at, At::Stored(..))).and_then(|run| read_log(run).ok());
        if let Some(earlier) = earlier.filter(|earlier| stamps(earlier) == stamps(&self.record)) {
            return Ok(earlier.parts);
        }
        self.load()?;
        Ok(if let At::Figure(figure, _) = &self.at { part_records(figure) } else { Vec::new() })
    }

    /// Runs a stage and keeps its result.
    fn work(&mut self, stage: &Stage, manifest: &Manifest) -> Result<(), RunError> {
        let clock = Instant::now();
        let (mut findings, figures) = self.act(stage, manifest)?;
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
            let changed = !matches!(stage.job(), Job::Output(_));
            let figure =
                if let At::Figure(figure, _) = &self.at { Some(figure.as_ref()).filter(|_| changed) } else { None };
            let content = cache.store(&record, StageResult { files: files.clone(), figure, manifest })?;
            if let (At::Figure(_, digest), Some(content)) = (&mut self.at, content) {
                *digest = content;
            }
        } else if let At::Figure(_, digest) = &mut self.at {
            // Without a cache nothing is looked up by it.
            digest.clone_from(&manifest.stamp);
        }
        self.record.outputs.extend(files);
        self.around.observer.stage_ends(&record);
        self.record.stages.push(record);
        Ok(())
    }

    fn act(&mut self, stage: &Stage, manifest: &Manifest) -> Result<Notes, RunError> {
        let failed = |source| RunError::Stage { stage: stage.name().into(), source };
        let missing = || failed(StageError::failed("there is no figure yet", "put `- intake` first"));
        let Walk { plan, source, folder, around, at, record } = self;
        let observer = &mut *around.observer;
        let mut progress = |done: f64, what: &str| observer.step(done, what);
        let cancel = Arc::clone(&around.cancel);
        let keep = around.cache.as_deref_mut().map(|cache| cache as &mut dyn Keep);
        let mut ctx = StageContext::new(&plan.equipment, plan.target, &mut **folder, cancel, &mut progress)
            .keeping(keep, &manifest.basis);
        ctx.checkpoint().map_err(failed)?;
        let figure = match (stage.job(), &*at) {
            (Job::Intake(intake), _) => {
                let files = (source.read)()?;
                intake.read(&files, &mut ctx).map_err(failed)?
            }
            (Job::Transform(transform), At::Figure(before, _)) => transform.run(before, &mut ctx).map_err(failed)?,
            (Job::Output(output), At::Figure(figure, _)) => {
                output.write(figure, record, &mut ctx).map_err(failed)?;
                return Ok(ctx.into_notes());
            }
            _ => return Err(missing()),
        };
        let notes = ctx.into_notes();
        *at = At::Figure(Box::new(figure), String::new());
        Ok(notes)
    }
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
