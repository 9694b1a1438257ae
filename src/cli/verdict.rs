//! The last lines of a run: can it be printed, what does it take, where to look.

use std::path::Path;

use anstyle::{AnsiColor, Style};

use crate::finding::Severity;
use crate::run_record::{PartRecord, RunRecord};
use crate::stages::report::words;

use super::message::finding_text;

/// Warnings that are told in full; the report has all.
const WARNINGS_MAX: usize = 4;
/// Filaments that are named.
const FILAMENTS_MAX: usize = 6;

/// What is worth a look: all faults, the first warnings.
#[must_use]
pub fn warnings(record: &RunRecord) -> String {
    let of = |severity| record.findings().filter(move |finding| finding.severity == severity);
    let told = of(Severity::Fault).chain(of(Severity::Warning).take(WARNINGS_MAX));
    let mut text: String = told.map(finding_text).collect();
    let left = of(Severity::Warning).count().saturating_sub(WARNINGS_MAX);
    if left > 0 {
        text += &format!("  {} in the report\n", words::counted(left, "more warning", "more warnings"));
    }
    text
}

/// The verdict, with styles that a stream for no terminal takes out again.
#[must_use]
pub fn verdict(record: &RunRecord, out: &Path) -> String {
    let (class, sentence) = words::verdict(record);
    let colour = match class {
        "fault" => AnsiColor::Red,
        "warning" => AnsiColor::Yellow,
        _ => AnsiColor::Green,
    };
    let style = Style::new().bold().fg_color(Some(colour.into()));
    let mut text = format!("{style}{sentence}{style:#}\n");
    let dim = Style::new().dimmed();
    for (name, what) in lines(record) {
        text += &format!("{dim}{name:>10}{dim:#}  {what}\n");
    }
    let report = out.join(crate::stages::report::FILE);
    let show = if report.is_file() { report } else { out.to_path_buf() };
    text + &format!("{dim}{:>10}{dim:#}  {}\n", "open", show.display())
}

/// Time a part's tool changes take on its printer, s.
fn change_seconds(record: &RunRecord, part: &PartRecord) -> f64 {
    let Some(equipment) = &record.equipment else { return 0.0 };
    let own = equipment.named(&part.printer);
    part.tool_changes as f64 * own.change_secs * own.time_factor
}

fn lines(record: &RunRecord) -> Vec<(&'static str, String)> {
    let mut lines = Vec::new();
    let last = |name: &str| record.stages.iter().filter_map(|stage| stage.figures.get(name).copied()).next_back();
    if !record.parts.is_empty() {
        lines.push(("parts", format!("{} on {}", record.parts.len(), record.printer)));
    }
    let seconds = record.print_seconds();
    if seconds > 0.0 {
        let changes = record.tool_changes();
        let changing = words::duration(record.parts.iter().map(|part| change_seconds(record, part)).sum());
        let told = words::counted(changes, "tool change", "tool changes");
        lines.push(("time", format!("{} of printing, {changing} of it for {told}", words::duration(seconds))));
        if let Some(plan_s) = record.plan_seconds() {
            lines.push(("plan", format!("done {} after the beginning, spools put in", words::duration(plan_s))));
        }
    }
    let need_g = record.need_g();
    if !need_g.is_empty() {
        let mut named: Vec<(&str, f64)> = need_g.iter().map(|(name, g)| (*name, *g)).collect();
        named.sort_by(|x, y| y.1.total_cmp(&x.1).then(x.0.cmp(y.0)));
        let each = |(name, g): &(&str, f64)| format!("{name} {}", words::mass(*g));
        let mut told: Vec<String> = named.iter().take(FILAMENTS_MAX).map(each).collect();
        if named.len() > FILAMENTS_MAX {
            told.push(format!("{} more", named.len() - FILAMENTS_MAX));
        }
        lines.push(("filament", format!("{}: {}", words::mass(need_g.values().sum()), told.join(", "))));
    }
    if let Some(cost) = record.cost() {
        lines.push(("cost", words::number(cost, 2)));
    }
    if let (Some(mean), Some(best)) = (last("de_evened_mean"), last("de_evened_mean_best")) {
        let [mean, best] = [mean, best].map(|de| words::number(de, 1));
        lines.push(("colours", format!("{mean} dE from the scan on average, light taken off; {best} at best")));
    }
    if let (Some(before), Some(after)) = (last("de_blended_before"), last("de_blended").filter(|de| *de > 0.0)) {
        let [before, after] = [before, after].map(|de| words::number(de, 1));
        lines.push(("blends", format!("{after} dE where tones are blended, {before} without")));
    }
    if let Some(deg) = last("tip_deg") {
        lines.push(("stands", format!("until tilted by {}\u{b0}", words::number(deg, 1))));
    }
    lines.push(("made", format!("in {}", words::duration(record.seconds))));
    lines
}
