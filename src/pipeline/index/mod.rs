//! `index.html` of a folder of runs: each with its picture, verdict, hours and cost, the newest first.
//!
//! Made anew from the logs of the runs, so it is never out of step with the folders beside it.

use std::fs;
use std::io;
use std::path::Path;

use askama::Template;

use super::files;
use super::run_folder::read_log;
use crate::run_record::RunRecord;
use crate::stages::report::{PREVIEW, words};

/// Name of the page.
pub const FILE: &str = "index.html";

#[derive(Template)]
#[template(path = "index.html", config = "src/pipeline/index/askama.toml")]
struct Page {
    total: String,
    runs: Vec<Row>,
}

/// A run as the page tells of it.
#[derive(Debug)]
struct Row {
    name: String,
    /// The folder's name as part of an address.
    address: String,
    started: String,
    pipeline: String,
    printer: String,
    class: &'static str,
    verdict: String,
    has_preview: bool,
    has_report: bool,
    parts: String,
    hours: String,
    mass: String,
    /// Empty when no filament has a price.
    cost: String,
    changes: String,
}

/// Writes the index of the runs in a folder.
///
/// # Errors
/// As the file system tells.
pub fn write(outbox: &Path) -> io::Result<()> {
    let mut runs: Vec<(RunRecord, Row)> = Vec::new();
    for entry in fs::read_dir(outbox)? {
        let path = entry?.path();
        // What is being written has a hidden name; a folder without a log is none of ours.
        let name = path.file_name().map(|name| name.to_string_lossy().into_owned()).unwrap_or_default();
        if name.starts_with('.') || !path.is_dir() {
            continue;
        }
        if let Ok(record) = read_log(&path) {
            let row = row(&record, name, &path);
            runs.push((record, row));
        }
    }
    runs.sort_by(|(a, x), (b, y)| b.started.cmp(&a.started).then(x.name.cmp(&y.name)));
    let runs: Vec<Row> = runs.into_iter().map(|(_, row)| row).collect();
    let page = Page { total: words::counted(runs.len(), "run", "runs"), runs };
    let text = page.render().map_err(io::Error::other)?;
    files::write_whole(&outbox.join(FILE), text.as_bytes())
}

fn row(record: &RunRecord, name: String, path: &Path) -> Row {
    let (class, verdict) = words::verdict(record);
    Row {
        address: address(&name),
        name,
        started: record.started.get(..16).unwrap_or(&record.started).replace('T', " "),
        pipeline: record.pipeline.clone(),
        printer: record.printer.clone(),
        class,
        verdict,
        has_preview: path.join(PREVIEW).is_file(),
        has_report: path.join(crate::stages::report::FILE).is_file(),
        parts: words::counted(record.parts.len(), "part", "parts"),
        hours: words::duration(record.print_seconds()),
        mass: words::mass(record.need_g().values().sum()),
        cost: record.cost().map_or_else(String::new, |cost| words::number(cost, 2)),
        changes: words::counted(record.tool_changes(), "tool change", "tool changes"),
    }
}

/// A name as part of an address (RFC 3986, 2.1).
fn address(name: &str) -> String {
    let plain = |byte: u8| byte.is_ascii_alphanumeric() || b"-._~".contains(&byte);
    name.bytes().map(|byte| if plain(byte) { char::from(byte).to_string() } else { format!("%{byte:02X}") }).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn names_are_safe_in_addresses_and_in_the_page() {
        assert_eq!(address("deck hand \"1\"&<b>"), "deck%20hand%20%221%22%26%3Cb%3E");
        assert_eq!(address("Mädchen-2"), "M%C3%A4dchen-2");
    }
}
