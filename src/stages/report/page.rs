//! The page as the template sees it: everything in words, in the order a practitioner asks for it.

use askama::Template;

use super::pictures::Pictures;
use super::tables::Tables;
use super::words::Piece;
use super::{Report, pictures, plan, tables, trade, words};
use crate::equipment::Equipment;
use crate::figure::{CutPlan, Figure};
use crate::finding::{Finding, Severity};
use crate::run_record::{FileRecord, RunRecord, StageRecord};

/// The whole page.
#[derive(Debug, Template)]
#[template(path = "page.html", config = "src/stages/report/askama.toml")]
pub struct Page<'a> {
    title: String,
    subtitle: Vec<String>,
    facts: Vec<Line>,
    state: State,
    totals: Vec<Line>,
    error: Option<&'a str>,
    pictures: &'a Pictures,
    findings: Vec<Group<'a>>,
    tables: Tables<'a>,
    cut_plans: Vec<PlanRow>,
    colours: Option<Colours>,
    choices: Vec<super::choices::Choice>,
    needs: Vec<super::needs::Need>,
    slicing: Option<super::slicing::Slicing>,
    trade: Option<trade::Trade>,
    stages: Vec<StageRow>,
    cautions: Cautions,
    inputs: Vec<FileRow<'a>>,
    outputs: Vec<FileRow<'a>>,
}

/// A name and a value.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Line {
    pub name: String,
    pub value: String,
}

impl Line {
    pub fn new(name: impl Into<String>, value: impl Into<String>) -> Self {
        Self { name: name.into(), value: value.into() }
    }
}

/// The verdict: a word for the page's classes, and a sentence.
#[derive(Debug)]
struct State {
    class: &'static str,
    sentence: String,
}

/// Findings of one severity.
#[derive(Debug)]
struct Group<'a> {
    class: &'static str,
    heading: String,
    findings: Vec<FindingRow<'a>>,
}

#[derive(Debug)]
struct FindingRow<'a> {
    place: String,
    what: Vec<Piece>,
    hint: Vec<Piece>,
    stage: &'a str,
}

/// One way the figure could be cut.
#[derive(Debug)]
struct PlanRow {
    parts: usize,
    seam: String,
    changes: String,
    price: String,
    cuts: String,
    /// Cuts that the plan that was followed does not have.
    own: String,
    followed: bool,
}

fn cut_plans(figure: &Figure) -> Vec<PlanRow> {
    let followed = figure.cut_plans.iter().find(|plan| plan.followed);
    let is_own = |cut: &&String| followed.is_some_and(|plan| !plan.cuts.contains(*cut));
    let row = |plan: &CutPlan| PlanRow {
        parts: plan.parts,
        seam: words::with_unit(plan.seam_shown_mm / 1000.0, 2, "m"),
        changes: words::number((plan.tool_changes / 10.0).round() * 10.0, 0),
        price: words::number(plan.price, 2),
        cuts: plan.cuts.join("; "),
        own: plan.cuts.iter().filter(is_own).cloned().collect::<Vec<_>>().join("; "),
        followed: plan.followed,
    };
    figure.cut_plans.iter().map(row).collect()
}

/// Colour differences between scan and figure.
#[derive(Debug)]
struct Colours {
    /// What is compared, mean, 95th percentile.
    rows: Vec<[String; 3]>,
    /// Mean difference by the number of filaments.
    /// Chart of what more or fewer filaments would bring.
    with_more: Option<String>,
}

#[derive(Debug)]
struct StageRow {
    name: String,
    took: String,
    figures: Vec<Line>,
}

#[derive(Debug)]
struct FileRow<'a> {
    name: &'a str,
    size: String,
    digest: &'a str,
}

/// What about this figure calls for which caution.
#[derive(Debug)]
struct Cautions {
    /// Height when it is so tall that it has to be fixed.
    tall: Option<String>,
    tip: Option<String>,
    /// Level push at shoulder height that tips it.
    push: Option<String>,
    /// Mass when one person should not lift it.
    heavy: Option<String>,
    glued: bool,
}

/// Height from which a figure is to be fixed to a wall or the floor (common practice, no source), mm.
const TALL_MM: f64 = 800.0;
/// Mass from which two persons lift (common practice, no source), g.
const HEAVY_G: f64 = 10_000.0;

impl<'a> Page<'a> {
    #[must_use]
    pub fn new(
        settings: &Report,
        figure: &'a Figure,
        run: &'a RunRecord,
        equipment: &'a Equipment,
        pictures: &'a Pictures,
    ) -> Self {
        let title = settings.title.clone().filter(|t| !t.trim().is_empty());
        let seen = settings.times;
        Self {
            title: title.unwrap_or_else(|| name_of(figure, run)),
            subtitle: subtitle(figure),
            facts: facts(figure, run, seen),
            state: state(run),
            totals: totals(figure, run, equipment),
            error: run.error.as_deref(),
            pictures,
            findings: groups(run),
            tables: tables::all(figure, equipment, pictures),
            cut_plans: cut_plans(figure),
            colours: colours(run, equipment.printer.tools),
            choices: super::choices::rows(figure, run, equipment),
            needs: super::needs::rows(figure),
            slicing: super::slicing::of(run, equipment),
            trade: trade::trade(figure, &equipment.printer),
            stages: run.stages.iter().map(|stage| stage_row(stage, seen)).collect(),
            cautions: cautions(figure, run),
            inputs: run.inputs.iter().map(file_row).collect(),
            outputs: run.outputs.iter().map(file_row).collect(),
        }
    }
}

fn name_of(figure: &Figure, run: &RunRecord) -> String {
    let names = [&figure.scan.name, &run.scan];
    names.into_iter().find(|name| !name.is_empty()).map_or_else(|| "A figure".to_owned(), Clone::clone)
}

/// Height of the figure, mm; 0 when there is none yet.
fn height_mm(figure: &Figure) -> f64 {
    let (low, high) = figure.bounds();
    (high.z - low.z).max(0.0)
}

fn subtitle(figure: &Figure) -> Vec<String> {
    let mut said = Vec::new();
    if figure.scale > 0.0 && figure.scale.is_finite() {
        let times = if figure.scale <= 1.0 { 1.0 / figure.scale } else { figure.scale };
        let times = words::number(times, usize::from((times - times.round()).abs() > 0.05));
        let scale =
            if figure.scale <= 1.0 { format!("1\u{a0}:\u{a0}{times}") } else { format!("{times}\u{a0}:\u{a0}1") };
        said.push(format!("Scale {scale}"));
    }
    if height_mm(figure) > 0.0 {
        said.push(format!("{} tall", words::with_unit(height_mm(figure), 0, "mm")));
    }
    if figure.parts.len() > 1 {
        said.push(words::counted(figure.parts.len(), "part", "parts"));
    }
    if !figure.palette.is_empty() {
        said.push(words::counted(figure.palette.len(), "filament", "filaments"));
    }
    said
}

fn facts(figure: &Figure, run: &RunRecord, times: bool) -> Vec<Line> {
    let scan = &figure.scan;
    let sure = |confidence: f64| format!("{} sure", words::share(confidence));
    let mut facts = vec![Line::new("Scan", run.scan.clone())];
    if scan.triangles > 0 {
        let colour = if scan.has_colour { "in colour" } else { "without colour" };
        facts.push(Line::new("Scanned surface", format!("{} triangles, {colour}", words::count(scan.triangles))));
        facts.push(Line::new("Subject", format!("{} tall", words::with_unit(scan.height_mm, 0, "mm"))));
        facts.push(Line::new("Unit read as", format!("{} ({})", scan.unit, sure(scan.unit_confidence))));
        facts.push(Line::new("Up read as", format!("{} ({})", scan.up, sure(scan.up_confidence))));
    }
    facts.push(Line::new("Pipeline", run.pipeline.clone()));
    facts.push(Line::new("Printer", run.printer.clone()));
    if times {
        facts.push(Line::new("Begun", run.started.clone()));
    }
    facts.push(Line::new("Made with", format!("{} {}", run.program, run.version)));
    facts.retain(|line| !line.value.trim().is_empty());
    facts
}

fn state(run: &RunRecord) -> State {
    let (class, sentence) = words::verdict(run);
    State { class, sentence }
}

/// Filament and hours in the owner's currency; `None` when neither has a price.
fn cost(figure: &Figure, equipment: &Equipment) -> Option<f64> {
    let cost = figure.filament_cost(&figure.need_g()) + plan::hours_cost(figure, equipment);
    Some(cost).filter(|cost| *cost > 0.0)
}

fn totals(figure: &Figure, run: &RunRecord, equipment: &Equipment) -> Vec<Line> {
    let mut totals = Vec::new();
    if !figure.parts.is_empty() {
        totals
            .push(Line::new(if figure.parts.len() == 1 { "part" } else { "parts" }, words::count(figure.parts.len())));
    }
    let estimates: Vec<_> = figure.parts.iter().filter_map(|part| part.estimate.as_ref()).collect();
    if !estimates.is_empty() {
        let seconds = estimates.iter().map(|e| e.seconds).sum();
        let grams = estimates.iter().map(|e| e.mass_g + e.support_g + e.purge_g).sum();
        let changes: usize = estimates.iter().map(|e| e.tool_changes).sum();
        totals.push(Line::new("printing time", words::duration(seconds)));
        totals.push(Line::new("filament", words::mass(grams)));
        if let Some(cost) = cost(figure, equipment) {
            totals.push(Line::new("cost", words::number(cost, 2)));
        }
        totals.push(Line::new(if changes == 1 { "tool change" } else { "tool changes" }, words::count(changes)));
    }
    let findings = run.findings().count();
    totals.push(Line::new(if findings == 1 { "finding" } else { "findings" }, words::count(findings)));
    totals
}

fn groups(run: &RunRecord) -> Vec<Group<'_>> {
    let kinds = [
        (Severity::Fault, "fault", "fault", "faults"),
        (Severity::Warning, "warning", "warning", "warnings"),
        (Severity::Note, "note", "note", "notes"),
    ];
    let group = |(severity, class, one, many): (Severity, &'static str, &str, &str)| {
        let all = run.stages.iter().flat_map(|stage| stage.findings.iter().map(|f| (f, stage.stage.as_str())));
        let findings: Vec<_> = all.filter(|(f, _)| f.severity == severity).map(finding_row).collect();
        Group { class, heading: words::counted(findings.len(), one, many), findings }
    };
    kinds.into_iter().map(group).filter(|group| !group.findings.is_empty()).collect()
}

fn finding_row<'a>((finding, stage): (&Finding, &'a str)) -> FindingRow<'a> {
    let part = finding.part.as_deref().map(|part| format!("part {part}"));
    let place = Some(finding.place.clone()).filter(|place| !place.is_empty() && Some(place) != part.as_ref());
    let places: Vec<String> = part.into_iter().chain(place).collect();
    FindingRow {
        place: words::capital(&places.join(", ")),
        what: words::pieces(&words::sentence(&finding.what)),
        hint: words::pieces(&words::sentence(&finding.hint)),
        stage,
    }
}

/// What the run logged about colour differences.
fn colours(run: &RunRecord, tools: usize) -> Option<Colours> {
    let figures = &run.stages.iter().rev().find(|stage| stage.figures.contains_key("de_mean"))?.figures;
    let said = |name: &str| figures.get(name).map_or_else(String::new, |value| words::number(*value, 1));
    let row = |name: &str, mean: &str, p95: &str| [name.to_owned(), said(mean), said(p95)];
    Some(Colours {
        rows: vec![
            row("Best filament for every spot", "de_mean_best", "de_p95_best"),
            row("As printed, borders smoothed", "de_mean", "de_p95"),
        ],
        with_more: super::filaments::curve(run, tools),
    })
}

fn line_of(name: &str, value: f64) -> Line {
    let (name, value) = words::logged(name, value);
    Line { name, value }
}

fn stage_row(stage: &StageRecord, times: bool) -> StageRow {
    let took = match (times, stage.cached) {
        (false, _) => String::new(),
        (true, true) => "taken from an earlier run".to_owned(),
        (true, false) => words::duration(stage.seconds),
    };
    let figures = stage.figures.iter().map(|(name, value)| line_of(name, *value)).collect();
    StageRow { name: stage.stage.clone(), took, figures }
}

fn file_row(file: &FileRecord) -> FileRow<'_> {
    FileRow { name: &file.file, size: words::bytes(file.bytes), digest: &file.blake3 }
}

fn cautions(figure: &Figure, run: &RunRecord) -> Cautions {
    let height_mm = height_mm(figure);
    let ballast_g = figure.base.as_ref().and_then(|base| base.ballast.as_ref()).map_or(0.0, |b| b.mass_g);
    let mass_g = ballast_g + figure.parts.iter().filter_map(|p| p.estimate.as_ref()).map(|e| e.mass_g).sum::<f64>();
    let last = |name: &str| run.stages.iter().filter_map(|stage| stage.figures.get(name).copied()).next_back();
    Cautions {
        tall: (height_mm >= TALL_MM).then(|| words::with_unit(height_mm / 1000.0, 2, "m")),
        tip: last("tip_deg").map(|deg| format!("{}\u{b0}", words::number(deg, 1))),
        push: last("push_at_shoulder_n").map(|push_n| words::with_unit(push_n, usize::from(push_n < 9.95), "N")),
        heavy: (mass_g >= HEAVY_G).then(|| words::mass(mass_g)),
        glued: !figure.joints.is_empty() || run.stages.iter().any(|stage| stage.stage == "recut"),
    }
}
