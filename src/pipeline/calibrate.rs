//! Learns from a finished print how a printer's hours compare with the estimate.

use std::path::{Path, PathBuf};

use serde::Serialize;

use super::equipment_files::{PRINTERS, Workbench};
use super::files::{free_name, read_text, replace_whole, write_whole};
use super::list_text::with_value;
use crate::equipment::{Equipment, Printer};
use crate::problem::{Problem, beyond};
use crate::run_record::{PartRecord, RunRecord};

/// Factors beyond these are rather a slip of the pen than a printer.
const FACTOR: [f64; 2] = [0.2, 5.0];
/// Share by which grams may be off before the print was hardly what was estimated.
const GRAMS_OFF: f64 = 0.15;

/// What was printed and what it took.
#[derive(Clone, Debug)]
pub struct Printed {
    /// Parts of the run, by name or number; all when empty.
    pub parts: Vec<String>,
    pub hours: f64,
    /// Filament that went through the nozzle, supports and purge with it.
    pub grams: Option<f64>,
}

/// How estimate and print compare.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Calibration {
    pub printer: String,
    pub parts: Vec<String>,
    pub hours: f64,
    pub hours_estimated: f64,
    pub grams: Option<f64>,
    pub grams_estimated: f64,
    /// The printer's factor as it was when the run was made, and as it should be.
    pub factor_before: f64,
    pub factor: f64,
    pub warnings: Vec<String>,
}

/// Compares a print with the log of its run.
///
/// # Errors
/// When a part is not there, the run has no hours, or the factor would be no printer's.
pub fn compare(record: &RunRecord, printed: &Printed) -> Result<Calibration, Problem> {
    let parts = chosen(record, &printed.parts)?;
    let seconds: f64 = parts.iter().map(|part| part.seconds).sum();
    let grams_estimated: f64 = parts.iter().flat_map(|part| part.need_g.values()).sum();
    let hours_estimated = seconds / 3600.0;
    if hours_estimated <= 0.0 {
        let what = "the run tells no hours for these parts";
        return Err(Problem::new("", what, "put `estimate` into its pipeline and run it again"));
    }
    let printer = printer_of(record, &parts)?;
    let known = record.equipment.iter().flat_map(Equipment::printers).find(|known| known.name == printer);
    let factor_before = known.map_or(1.0, |printer| printer.time_factor);
    let factor = factor_before * printed.hours / hours_estimated;
    if let Some(what) = beyond(factor, FACTOR[0], FACTOR[1]) {
        let hint =
            format!("the parts were estimated at {hours_estimated:.1} h: mind the unit, and name them with `--part`");
        return Err(Problem::new("hours", format!("the factor {what}"), hint));
    }
    let off = printed.grams.map_or(0.0, |grams| grams / grams_estimated.max(1e-9) - 1.0);
    let warning = (off.abs() > GRAMS_OFF).then(|| {
        format!(
            "{:.0} % {} filament than estimated: if walls, infill or supports were sliced otherwise, the hours say little; set them \
             in `estimate` as they were, run again and compare with that run",
            100.0 * off.abs(),
            if off > 0.0 { "more" } else { "less" }
        )
    });
    Ok(Calibration {
        printer,
        parts: parts.iter().map(|part| part.name.clone()).collect(),
        hours: printed.hours,
        hours_estimated,
        grams: printed.grams,
        grams_estimated,
        factor_before,
        factor: (factor * 1000.0).round() / 1000.0,
        warnings: warning.into_iter().collect(),
    })
}

/// The one printer of these parts; logs from before parts were shared tell it of the whole run.
fn printer_of(record: &RunRecord, parts: &[&PartRecord]) -> Result<String, Problem> {
    let mut names: Vec<&str> = parts.iter().map(|part| part.printer.as_str()).collect();
    names.sort_unstable();
    names.dedup();
    match names[..] {
        [""] | [] => Ok(record.printer.clone()),
        [only] => Ok(only.to_owned()),
        _ => {
            let hint = "name the parts of one printer with `--part`; the report's plan tells them";
            Err(Problem::new("part", format!("these parts are printed on {}", names.join(" and ")), hint))
        }
    }
}

fn chosen<'r>(record: &'r RunRecord, names: &[String]) -> Result<Vec<&'r PartRecord>, Problem> {
    if names.is_empty() {
        return Ok(record.parts.iter().collect());
    }
    let is_it = |part: &PartRecord, name: &str| {
        let number = part.name.split('-').next().and_then(|digits| digits.parse::<usize>().ok());
        part.name == name || number.is_some() && number == name.parse().ok()
    };
    let find = |name: &String| {
        record.parts.iter().find(|part| is_it(part, name)).ok_or_else(|| {
            let known: Vec<&str> = record.parts.iter().map(|part| part.name.as_str()).collect();
            Problem::new("part", format!("the run has no part `{name}`"), format!("it has {}", known.join(", ")))
        })
    };
    let mut found: Vec<&PartRecord> = names.iter().map(find).collect::<Result<_, _>>()?;
    found.sort_by(|a, b| a.name.cmp(&b.name));
    found.dedup_by(|a, b| a.name == b.name);
    Ok(found)
}

/// Writes the factor into a workshop's printers and keeps a copy of them as they were; tells where.
///
/// # Errors
/// When the printer is not there, the text cannot be changed line by line, or the disk refuses.
pub fn write(calibration: &Calibration, workshop: &Path) -> Result<PathBuf, Problem> {
    let path = workshop.join(PRINTERS);
    let label = path.display().to_string();
    let fault = |what: String, hint: &str| Problem { file: label.clone(), ..Problem::new("", what, hint) };
    let disk = |error: std::io::Error| fault(error.to_string(), "mend this, then try again; nothing was changed");
    let text = read_text(&path).map_err(disk)?;
    let many = |problems: Vec<Problem>| problems.into_iter().next().unwrap_or_default();
    let mut printers = Workbench::printers(&label, &text).map_err(many)?;
    let is_it = |printer: &Printer| printer.name == calibration.printer;
    let entry = printers.iter().position(is_it).ok_or_else(|| {
        fault(format!("there is no printer `{}`", calibration.printer), "give the workshop the run was made for")
    })?;
    printers[entry].time_factor = calibration.factor;
    let changed = with_value(&text, entry, "time_factor", &calibration.factor.to_string());
    // The reader has the last word on what the text says now.
    let changed = changed.filter(|text| Workbench::printers(&label, text).is_ok_and(|read| read == printers));
    let changed = changed.ok_or_else(|| {
        let hint = format!("write `time_factor: {}` into its entry by hand", calibration.factor);
        fault("it is written in a way that cannot be changed line by line".into(), &hint)
    })?;
    let mut kept = path.clone().into_os_string();
    kept.push(".before");
    let kept = free_name(Path::new(&kept));
    write_whole(&kept, text.as_bytes()).map_err(disk)?;
    replace_whole(&path, changed.as_bytes()).map_err(disk)?;
    Ok(kept)
}
