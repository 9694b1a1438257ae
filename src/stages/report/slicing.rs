//! How parts are to be sliced so that the hours and grams of the report hold.

use super::page::Line;
use super::words;
use crate::equipment::Equipment;
use crate::run_record::RunRecord;

/// Which files to open and what to set.
#[derive(Debug, Default)]
pub struct Slicing {
    /// A part's file with all its filaments, such as `parts/01-foot.3mf`; empty when none was written.
    pub whole: String,
    /// A file of one filament of a part; empty when none was written.
    pub single: String,
    pub settings: Vec<Line>,
}

/// None before parts are written and before they are estimated.
#[must_use]
pub fn of(run: &RunRecord, equipment: &Equipment) -> Option<Slicing> {
    let of_parts = || run.outputs.iter().map(|output| &output.file).filter(|file| file.starts_with("parts/"));
    let first = |ending: &str| of_parts().find(|file| file.ends_with(ending)).cloned().unwrap_or_default();
    let single = of_parts().find(|file| file.strip_suffix(".stl").is_some_and(|name| name.matches('/').count() == 2));
    let slicing = Slicing {
        whole: first(".3mf"),
        single: single.cloned().unwrap_or_default(),
        settings: settings(run, equipment).unwrap_or_default(),
    };
    (!slicing.whole.is_empty() || !slicing.single.is_empty() || !slicing.settings.is_empty()).then_some(slicing)
}

fn settings(run: &RunRecord, equipment: &Equipment) -> Option<Vec<Line>> {
    let estimate = &run.stages.iter().rev().find(|stage| stage.stage == "estimate")?.settings;
    let number = |name: &str| estimate.get(name)?.as_f64();
    let printer = &equipment.printer;
    let layer_mm = printer.layer_or(number("layer_mm")?);
    let (walls, closed) = (number("walls")?, number("top_bottom_layers")?);
    let wall = words::with_unit(walls * printer.line_mm(), 2, "mm");
    let lines = words::counted(walls as usize, "line", "lines");
    Some(vec![
        Line::new("Layers", words::with_unit(layer_mm, 2, "mm")),
        Line::new("Nozzle", words::with_unit(printer.nozzle_mm, 2, "mm")),
        Line::new("Walls", format!("{lines}, {wall}")),
        Line::new("Above and below", words::counted(closed as usize, "closed layer", "closed layers")),
        Line::new("Infill", words::share(number("infill_share")?)),
        Line::new("Support", format!("under overhangs beyond {}\u{b0} from the vertical", number("overhang_max_deg")?)),
    ])
}
