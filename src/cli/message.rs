//! The only printer of errors: what, where, and what to do; whole without colour.

use std::io::{IsTerminal, Write};

use annotate_snippets::{AnnotationKind, Level, Renderer, Snippet};

use crate::finding::{Finding, Severity};
use crate::pipeline::files::read_text;
use crate::problem::Problem;
use crate::run_record::RunRecord;

use super::exit_code::Failure;

/// Prints a failure on standard error, as text or as one JSON object.
pub fn print_failure(failure: &Failure, json: bool) {
    let mut err = std::io::stderr().lock();
    let text = if json { failure_json(failure) } else { failure_text(failure) };
    // Nobody is left to tell when standard error is closed.
    let _ = err.write_all(text.as_bytes());
}

fn failure_json(failure: &Failure) -> String {
    let problems: Vec<serde_json::Value> = match failure {
        Failure::Configuration(problems) => problems.iter().map(problem_json).collect(),
        _ => Vec::new(),
    };
    let object = serde_json::json!({
        "error": failure.to_string(),
        "hint": failure.hint(),
        "exit_code": failure.exit_code(),
        "problems": problems,
    });
    format!("{object}\n")
}

/// A problem as JSON.
#[must_use]
pub fn problem_json(problem: &Problem) -> serde_json::Value {
    serde_json::json!({
        "file": problem.file,
        "line": problem.place.map(|p| p.line),
        "column": problem.place.map(|p| p.column),
        "setting": problem.setting,
        "what": problem.what,
        "hint": problem.hint,
    })
}

fn failure_text(failure: &Failure) -> String {
    if let Failure::Configuration(problems) = failure {
        return problems.iter().map(problem_text).collect();
    }
    let hint = failure.hint();
    let hint = if hint.is_empty() { String::new() } else { format!("hint: {hint}\n") };
    format!("error: {failure}\n{hint}")
}

/// A problem with the line it stands in, if its file can be read.
#[must_use]
pub fn problem_text(problem: &Problem) -> String {
    let hint = if problem.hint.is_empty() { String::new() } else { format!("hint: {}\n", problem.hint) };
    match excerpt(problem) {
        Some(excerpt) => format!("{excerpt}\n{hint}\n"),
        None => format!("error: {problem}\n{hint}"),
    }
}

fn excerpt(problem: &Problem) -> Option<String> {
    let place = problem.place?;
    let text = source_text(&problem.file)?;
    let line_start: usize = text.split_inclusive('\n').take(place.line - 1).map(str::len).sum();
    let line = text[line_start..].lines().next()?;
    let at = line_start + line.char_indices().nth(place.column - 1).map_or(line.len(), |(i, _)| i);
    let word = text[at..].find(|c: char| c.is_whitespace() || ":,}]".contains(c)).unwrap_or(0).max(1);
    let end = (at + word).min(text.len());
    let label = problem.setting.as_str();
    let title = Level::ERROR.primary_title(problem.what.as_str());
    let snippet = Snippet::source(text.as_str()).path(problem.file.as_str());
    let report = title.element(snippet.annotation(AnnotationKind::Primary.span(at..end).label(label)));
    let renderer = if std::io::stderr().is_terminal() { Renderer::styled() } else { Renderer::plain() };
    Some(renderer.render(&[report]))
}

fn source_text(file: &str) -> Option<String> {
    let shipped = crate::pipeline::library::SHIPPED.iter().find(|(name, _)| file == format!("pipelines/{name}.yaml"));
    read_text(file.as_ref()).ok().or_else(|| shipped.map(|(_, text)| (*text).to_owned()))
}

/// Warnings and faults of a run, for the terminal.
#[must_use]
pub fn warnings_text(record: &RunRecord) -> String {
    record.findings().filter(|finding| finding.severity > Severity::Note).map(finding_text).collect()
}

/// A finding as one or two lines for the terminal.
#[must_use]
pub fn finding_text(finding: &Finding) -> String {
    let level = match finding.severity {
        Severity::Note => "note",
        Severity::Warning => "warning",
        Severity::Fault => "fault",
    };
    let part = finding.part.as_deref().map_or(String::new(), |part| format!(" [{part}]"));
    let place = if finding.place.is_empty() { String::new() } else { format!(" ({})", finding.place) };
    let hint = if finding.hint.is_empty() { String::new() } else { format!("\n    hint: {}", finding.hint) };
    format!("  {level}: {}{part}: {}{place}{hint}\n", finding.stage, finding.what)
}
