//! The steps of a recut: cut, estimate, write and check, report. Each has its place in the log, as a run's stages have.

use std::sync::Arc;
use std::time::Instant;

use glam::DVec2;

use super::dowels::{Dowel, Search, socketed};
use super::pieces::{self, Cut, Rest};
use super::record::{self, Piece, RecutRecord};
use super::{FILE, Job, plain, template, words};
use crate::figure::{Figure, Part, Pose};
use crate::finding::Severity;
use crate::mesh::cut::CutError;
use crate::mesh::outline;
use crate::pipeline::manifest::settings_json;
use crate::pipeline::run_folder::RunFolder;
use crate::pipeline::runner::{RunError, Surroundings, part_records, peak_memory_bytes};
use crate::run_record::{FORMAT_VERSION, Outcome, RunRecord, StageRecord};
use crate::stage::{Output, StageContext, StageError, TargetSize, Transform};
use crate::stages::Stage;
use crate::stages::estimate::Estimate;
use crate::stages::export::Export;
use crate::stages::report::Report;
use crate::stages::split::Split;

/// File of the drilling template.
const TEMPLATE: &str = "drilling-template.html";
/// Where `estimate` says what holds for the standing figure only, and the numbers that go with it.
const WHOLE: &str = "whole figure";
const WHOLE_NUMBERS: [&str; 2] = ["tip_deg", "centre_of_mass_mm"];

/// What came out.
#[derive(Debug)]
pub struct Done {
    /// The log, to be published.
    pub log: RunRecord,
    pub recut: RecutRecord,
    /// What to do next, a sentence or two each.
    pub advice: Vec<String>,
}

/// A cut, its pieces with their sockets, and what is told about each.
struct CutUp {
    cut: Cut,
    rest: Vec<Rest>,
    pieces: Vec<Piece>,
    outlines: Vec<Vec<Vec<DVec2>>>,
}

impl Job {
    /// Cuts, and writes everything into a folder. The log is complete but for publishing.
    ///
    /// # Errors
    /// When no sound cut can be made, a stage fails, or nothing can be written.
    pub fn carry_out(&self, folder: &mut RunFolder, around: &mut Surroundings<'_>) -> Result<Done, RunError> {
        let clock = Instant::now();
        let log = self.blank_log(around);
        let mut walk = Walk { job: self, folder, around, log };
        let made = walk.step("recut", self.settings(), |ctx| self.cut(ctx))?;
        let figure = self.figure(&made.rest);
        let estimate = self.own(|stage| if let Stage::Estimate(own) = stage { Some(own) } else { None });
        let estimate: Estimate = estimate.unwrap_or_default();
        let settings = settings_json(&Stage::Estimate(estimate.clone()))?;
        let figure = walk.step("estimate", settings, |ctx| estimate.run(&figure, ctx))?;
        let export: Export =
            self.own(|stage| if let Stage::Export(own) = stage { Some(own) } else { None }).unwrap_or_default();
        let settings = settings_json(&Stage::Export(export.clone()))?;
        let recut = walk.step("export", settings, |ctx| self.export(&export, &figure, &made, ctx))?;
        walk.log.parts = part_records(&figure);
        let report: Report =
            self.own(|stage| if let Stage::Report(own) = stage { Some(own) } else { None }).unwrap_or_default();
        let title = format!("{}: the rest above {} mm", self.source.part.name, plain(self.height_mm, 2));
        let report = Report { title: Some(title), ..report };
        let so_far = walk.log.clone();
        let settings = settings_json(&Stage::Report(report.clone()))?;
        walk.step("report", settings, |ctx| report.write(&figure, &so_far, ctx))?;
        let mut log = walk.log;
        let faulty = log.findings().any(|finding| finding.severity == Severity::Fault);
        log.outcome = if faulty { Outcome::DoneWithFaults } else { Outcome::Done };
        log.outputs.sort_by(|a, b| a.file.cmp(&b.file));
        log.seconds = clock.elapsed().as_secs_f64();
        let advice = words::advice(&recut);
        Ok(Done { log, recut, advice })
    }

    /// The run's own settings of a stage.
    fn own<T: Clone>(&self, of: impl Fn(&Stage) -> Option<&T>) -> Option<T> {
        self.source.stages.iter().find_map(of).cloned()
    }

    fn settings(&self) -> serde_json::Value {
        serde_json::json!({
            "part": self.source.part.name, "blake3": self.source.digest, "printed_to_mm": self.order.printed_to_mm,
            "dowel_mm": self.order.dowels_mm,
        })
    }

    fn blank_log(&self, around: &Surroundings<'_>) -> RunRecord {
        let source = &self.source;
        let input = source.record.outputs.iter().find(|output| output.file == source.part.file);
        RunRecord {
            format: FORMAT_VERSION,
            program: env!("CARGO_PKG_NAME").into(),
            version: env!("CARGO_PKG_VERSION").into(),
            pipeline: source.record.pipeline.clone(),
            pipeline_yaml: source.record.pipeline_yaml.clone(),
            printer: source.record.printer.clone(),
            equipment: Some(source.equipment.clone()),
            scan: source.record.scan.clone(),
            started: around.started.clone(),
            inputs: input.into_iter().cloned().collect(),
            ..RunRecord::default()
        }
    }

    /// Cuts the part and sinks sockets where they were asked for.
    fn cut(&self, ctx: &mut StageContext<'_>) -> Result<CutUp, StageError> {
        let source = &self.source;
        ctx.progress(0.1, "cutting");
        let cut = pieces::cut(&source.mesh, self.height_mm, source.layer_mm(), source.free_joint).map_err(uncut)?;
        if cut.rest.is_empty() {
            let what = "above that height only crumbs lower than a layer are left";
            return Err(StageError::failed(what, "nothing needs printing again: mend the top by hand"));
        }
        ctx.checkpoint()?;
        ctx.progress(0.5, "placing dowels");
        let rules: Split =
            self.own(|stage| if let Stage::Split(own) = stage { Some(own) } else { None }).unwrap_or_default();
        let search = Search::new(&source.mesh, cut.plane_mm, &self.order.dowels_mm, &rules);
        let mut made = CutUp { rest: Vec::new(), pieces: Vec::new(), outlines: Vec::new(), cut };
        for (i, rest) in made.cut.rest.iter().enumerate() {
            let outlines = rest.outlines();
            let wanted = search.place(&outlines, rest.area_mm2);
            let keyed = if wanted.is_empty() { None } else { socketed(rest, &wanted) };
            let dowels: Vec<Dowel> =
                if keyed.is_some() { wanted.iter().map(Dowel::from).collect() } else { Vec::new() };
            let name = piece_name(&source.part.name, i);
            for finding in words::piece_findings(rest, &outlines, &dowels, &self.order.dowels_mm) {
                ctx.finding(finding.on(&name));
            }
            let face_at_mm = outline::loops_middle(&outlines).to_array();
            made.pieces.push(Piece { face_mm2: outline::loops_area_mm2(&outlines), face_at_mm, dowels });
            made.rest.push(keyed.unwrap_or_else(|| rest.clone()));
            made.outlines.push(outlines);
        }
        for finding in words::cut_findings(self, &made.cut) {
            ctx.finding(finding);
        }
        ctx.figure("layers_kept", self.layers as f64);
        ctx.figure("cut_face_mm2", made.pieces.iter().map(|piece| piece.face_mm2).sum());
        ctx.figure("kept_volume_mm3", made.cut.below_mm3);
        ctx.figure("dowels", made.pieces.iter().map(|piece| piece.dowels.len() as f64).sum());
        Ok(made)
    }

    /// The pieces as a figure of their own, in bed coordinates: nothing is rounded again.
    fn figure(&self, rest: &[Rest]) -> Figure {
        let part = |(i, rest): (usize, &Rest)| Part {
            number: i + 1,
            name: piece_name(&self.source.part.name, i),
            labels: Some(Arc::new(rest.labels(&self.source.labels))),
            mesh: Arc::new(rest.mesh.clone()),
            pose: Some(Pose::IDENTITY),
            estimate: None,
        };
        let parts = rest.iter().enumerate().map(part).collect();
        Figure { parts, palette: self.source.palette.clone(), ..Figure::default() }
    }

    /// Writes print files, plan and drilling template.
    fn export(
        &self,
        export: &Export,
        figure: &Figure,
        made: &CutUp,
        ctx: &mut StageContext<'_>,
    ) -> Result<RecutRecord, StageError> {
        let fault =
            |what: String| StageError::failed(what, "this is a fault of the program; keep the run and report it");
        let written = export.write_print_files(figure, ctx)?;
        let heights = (self.order.printed_to_mm, self.height_mm, self.layers);
        let mut recut = record::record(&self.source, heights, (&made.cut, &made.pieces), figure, &written);
        let faces: Vec<template::Face<'_>> = (figure.parts.iter().zip(&made.outlines).zip(&made.pieces))
            .map(|((part, outlines), piece)| template::Face {
                name: &part.name,
                outlines: outlines.clone(),
                dowels: &piece.dowels,
            })
            .collect();
        let page = template::page(&self.source.part.name, self.height_mm, &faces);
        if let Some(page) = page.map_err(|error| fault(format!("`{TEMPLATE}` cannot be filled in: {error}")))? {
            ctx.put(TEMPLATE, page.as_bytes())?;
            recut.template = Some(TEMPLATE.to_owned());
        }
        let mut text =
            serde_json::to_vec_pretty(&recut).map_err(|error| fault(format!("`{FILE}` cannot be written: {error}")))?;
        text.push(b'\n');
        ctx.put(FILE, &text)?;
        Ok(recut)
    }
}

fn uncut(error: CutError) -> StageError {
    StageError::failed(format!("the part cannot be cut there: {error}"), "give a height one or two layers lower")
}

/// `NAME-rest`, `NAME-rest-2` and so on.
fn piece_name(part: &str, index: usize) -> String {
    if index == 0 { format!("{part}-rest") } else { format!("{part}-rest-{}", index + 1) }
}

/// A recut under way.
struct Walk<'w, 'a> {
    job: &'w Job,
    folder: &'w mut RunFolder,
    around: &'w mut Surroundings<'a>,
    log: RunRecord,
}

impl Walk<'_, '_> {
    /// One step with its place in the log.
    fn step<T>(
        &mut self,
        name: &str,
        settings: serde_json::Value,
        work: impl FnOnce(&mut StageContext<'_>) -> Result<T, StageError>,
    ) -> Result<T, RunError> {
        const STEPS: usize = 4;
        let clock = Instant::now();
        let failed = |source| RunError::Stage { stage: name.to_owned(), source };
        let observer = &mut *self.around.observer;
        observer.stage_starts(self.log.stages.len(), STEPS, name);
        let mut progress = |done: f64, what: &str| observer.step(done, what);
        let (equipment, cancel) = (&self.job.source.equipment, Arc::clone(&self.around.cancel));
        let mut ctx = StageContext::new(equipment, TargetSize::Unknown, &mut *self.folder, cancel, &mut progress);
        ctx.checkpoint().map_err(failed)?;
        let result = work(&mut ctx).map_err(failed)?;
        let (mut findings, figures) = ctx.into_notes();
        findings.retain(|finding| finding.place != WHOLE);
        for finding in &mut findings {
            finding.stage = name.into();
        }
        let before = self.log.stages.last().map_or("", |stage| stage.stamp.as_str());
        let stamp = blake3::hash(format!("{before}\nrecut {name}\n{settings}").as_bytes()).to_hex().to_string();
        let record = StageRecord {
            stage: name.to_owned(),
            settings,
            stamp,
            cached: false,
            seconds: clock.elapsed().as_secs_f64(),
            peak_memory_bytes: peak_memory_bytes(),
            figures: figures.into_iter().filter(|(name, _)| !WHOLE_NUMBERS.contains(&name.as_str())).collect(),
            findings,
        };
        self.log.outputs.extend(self.folder.take_written());
        observer.stage_ends(&record);
        self.log.stages.push(record);
        Ok(result)
    }
}
