//! `check`: read pipelines, shelf and printers; show a pipeline with every default filled in.

use std::path::{Path, PathBuf};

use crate::daemon::workshop::Workshop;
use crate::pipeline::equipment_files::Workbench;
use crate::pipeline::library::{self, SHIPPED};
use crate::pipeline::plan::{explain, plan};
use crate::pipeline::spec::Spec;
use crate::problem::Problem;

use super::exit_code::Failure;

/// Arguments of `check`.
#[derive(Debug, clap::Args)]
pub struct CheckArgs {
    /// Workshop folder, pipeline file or name; the shipped pipelines if not given
    pub what: Option<String>,
    /// Print the pipelines with all defaults filled in
    #[arg(long)]
    pub explain: bool,
    /// Workshop whose shelf and printers a single pipeline is checked against
    #[arg(long)]
    pub workshop: Option<PathBuf>,
}

/// `statuary check`.
///
/// # Errors
/// All faults found.
pub fn check(args: &CheckArgs, json: bool) -> Result<(), Failure> {
    let what = args.what.as_deref();
    let folder = what.map(Path::new).filter(|path| path.is_dir());
    let around = what.map(Path::new).filter(|p| p.is_file()).and_then(Workshop::around);
    let around = around.map(|workshop| workshop.root().to_path_buf());
    let workshop = args.workshop.clone().or(folder.map(Path::to_path_buf)).or(around);
    let mut problems = Vec::new();
    let workbench = match workshop.as_deref().map_or_else(Workbench::demo, Workbench::open) {
        Ok(workbench) => Some(workbench),
        Err(found) => {
            problems.extend(found);
            None
        }
    };
    let mut good = Vec::new();
    for spec in specs(what, folder, workshop.as_deref()) {
        match spec {
            Ok(spec) => match workbench.as_ref().map(|workbench| plan(&spec, workbench)) {
                Some(Err(found)) => problems.extend(found),
                Some(Ok(_)) | None => good.push(spec),
            },
            Err(problem) => problems.push(problem),
        }
    }
    if !problems.is_empty() {
        return Err(Failure::Configuration(problems));
    }
    print!("{}", answer(&good, workbench.as_ref(), args.explain, json)?);
    Ok(())
}

fn specs(what: Option<&str>, folder: Option<&Path>, workshop: Option<&Path>) -> Vec<Result<Spec, Problem>> {
    match (what, folder) {
        (_, Some(folder)) => library::paths(folder).iter().map(|path| library::open_file(path)).collect(),
        (Some(name), None) => vec![library::open(name, workshop)],
        (None, None) => SHIPPED.iter().map(|(name, _)| library::open(name, workshop)).collect(),
    }
}

fn answer(good: &[Spec], workbench: Option<&Workbench>, explained: bool, json: bool) -> Result<String, Failure> {
    if json {
        let pipelines: Vec<serde_json::Value> = good
            .iter()
            .map(|spec| Ok(serde_json::json!({ "name": spec.name, "file": spec.file, "about": spec.about,
                "filled_in": serde_yaml::from_str::<serde_json::Value>(&explain(&spec.about, &spec.printers, &spec.stages)?)? })))
            .collect::<Result<_, Failure>>()?;
        let shelf: Vec<&str> = workbench.iter().flat_map(|w| &w.shelf).map(|f| f.name.as_str()).collect();
        let printers: Vec<&str> = workbench.iter().flat_map(|w| &w.printers).map(|p| p.name.as_str()).collect();
        let object = serde_json::json!({ "pipelines": pipelines, "filaments": shelf, "printers": printers });
        return Ok(object.to_string() + "\n");
    }
    let mut text = String::new();
    for spec in good {
        if explained {
            let page = explain(&spec.about, &spec.printers, &spec.stages)?;
            text += &format!("# {} with all defaults filled in\n{page}\n", spec.file);
        } else {
            text += &format!("{:<16} fine: {}\n", spec.name, spec.about);
        }
    }
    if let (Some(bench), false) = (workbench, explained) {
        let from = if bench.demo { " (the demo's stand in for what is not there)" } else { "" };
        text += &format!("{} filaments and {} printers fine{from}\n", bench.shelf.len(), bench.printers.len());
    }
    Ok(text)
}
