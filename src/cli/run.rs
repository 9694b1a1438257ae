//! `run` and `rerun`: one scan through one pipeline, now.

use std::collections::BTreeSet;
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::sync::atomic::AtomicBool;

use serde::{Deserialize, Serialize};

use crate::daemon::job::{JobFolder, now};
use crate::daemon::ledger::Ledger;
use crate::daemon::shutdown::Shutdown;
use crate::daemon::workshop::Workshop;
use crate::finding::Finding;
use crate::pipeline::cache::Cache;
use crate::pipeline::equipment_files::Workbench;
use crate::pipeline::plan::{Change, Plan, apply, plan};
use crate::pipeline::run_folder::{self, RunFolder, STAGES};
use crate::pipeline::runner::{self, Source, Surroundings};
use crate::pipeline::scan_files::{consent, read_scan_files};
use crate::pipeline::spec::{Spec, read_spec};
use crate::pipeline::why::{Runs, fates};
use crate::pipeline::{files, library};
use crate::run_record::{FileRecord, Outcome, RunRecord};

use super::exit_code::Failure;
use super::progress::Shown;
use super::verdict::{verdict, warnings};

/// Where a run came from: kept beside its log so that `rerun` finds its way back.
#[derive(Debug, Serialize, Deserialize)]
struct Origin {
    scan: PathBuf,
    workshop: Option<PathBuf>,
}

const ORIGIN: &str = ".origin.json";

/// Arguments of `run`.
#[derive(Debug, clap::Args)]
pub struct RunArgs {
    /// Mesh file (.ply .stl .obj .glb .gltf), or a folder with one
    pub scan: PathBuf,
    /// Pipeline: a name such as `life-size`, or a YAML file
    #[arg(long, short)]
    pub pipeline: String,
    /// Folder the results appear in; must not exist yet
    #[arg(long, short)]
    pub out: PathBuf,
    /// Workshop whose pipelines, shelf and printers are used
    #[arg(long)]
    pub workshop: Option<PathBuf>,
    /// Change one setting, such as `scale.height_mm=440` (may be repeated)
    #[arg(long = "set", value_name = "STAGE.SETTING=VALUE")]
    pub changes: Vec<String>,
}

/// Arguments of `rerun`.
#[derive(Debug, clap::Args)]
pub struct RerunArgs {
    /// Folder of an earlier run
    pub run: PathBuf,
    /// Folder the results appear in; the earlier name with a number if not given
    #[arg(long, short)]
    pub out: Option<PathBuf>,
    /// Workshop whose shelf and printers are used; that of the earlier run if not given
    #[arg(long)]
    pub workshop: Option<PathBuf>,
    /// Change one setting, such as `colour-reduce.colours=4` (may be repeated)
    #[arg(long = "set", value_name = "STAGE.SETTING=VALUE")]
    pub changes: Vec<String>,
    /// Tell which stages would run and why, and do nothing
    #[arg(long)]
    pub explain: bool,
}

/// Everything one run needs.
struct Order<'a> {
    plan: Plan,
    source: Source<'a>,
    out: PathBuf,
    origin: Origin,
    earlier: Option<PathBuf>,
    json: bool,
}

/// `statuary run`.
///
/// # Errors
/// As the exit codes tell.
pub fn run(args: &RunArgs, json: bool) -> Result<(), Failure> {
    let changes = parse_changes(&args.changes)?;
    let workshop = chosen_workshop(args.workshop.as_deref())?;
    let folder = workshop.clone().or_else(|| pipeline_workshop(&args.pipeline));
    let mut spec =
        library::open(&args.pipeline, folder.as_deref()).map_err(|problem| Failure::Configuration(vec![problem]))?;
    apply(&mut spec, &changes).map_err(Failure::Configuration)?;
    let plan = make_plan(&spec, folder.as_deref(), json)?;
    let mut source = Source::of(Arc::new(read_scan_files(&args.scan).map_err(runner::RunError::from)?));
    source.consent = consent(&args.scan);
    let scan = std::path::absolute(&args.scan).map_err(Failure::disk(&args.scan))?;
    let origin = Origin { scan, workshop: folder };
    carry_out(&Order { plan, source, out: args.out.clone(), origin, earlier: None, json })
}

/// `statuary rerun`.
///
/// # Errors
/// As the exit codes tell.
pub fn rerun(args: &RerunArgs, json: bool) -> Result<(), Failure> {
    let changes = parse_changes(&args.changes)?;
    let record = run_folder::read_log(&args.run).map_err(|error| Failure::Arguments {
        what: format!("`{}` is no run folder: {error}", args.run.display()),
        hint: "give the folder that holds run.json".into(),
    })?;
    let origin =
        std::fs::read(args.run.join(ORIGIN)).ok().and_then(|text| serde_json::from_slice::<Origin>(&text).ok());
    let around = Workshop::around(&args.run).map(|workshop| workshop.root().to_path_buf());
    let workshop = chosen_workshop(args.workshop.as_deref())?
        .or_else(|| origin.as_ref().and_then(|origin| origin.workshop.clone()))
        .or(around);
    let mut spec = spec_of(&record, &args.run)?;
    apply(&mut spec, &changes).map_err(Failure::Configuration)?;
    let plan = make_plan(&spec, workshop.as_deref(), json)?;
    if args.explain {
        return explain(&args.run, &record, &plan, json);
    }
    let scan = origin.map(|origin| origin.scan).or_else(|| kept_scan(&args.run)).unwrap_or_default();
    let source = earlier_source(&record, scan.clone());
    let out = args.out.clone().unwrap_or_else(|| files::free_name(&args.run));
    carry_out(&Order { plan, source, out, origin: Origin { scan, workshop }, earlier: Some(args.run.clone()), json })
}

/// Tells which stages would run again and why.
fn explain(run: &Path, record: &RunRecord, plan: &Plan, json: bool) -> Result<(), Failure> {
    let shared = Workshop::around(run).map(|workshop| workshop.cache());
    let cache = Cache::open(&shared.unwrap_or_else(|| run.join(STAGES)));
    let fates = fates(plan, &record.inputs, &record.stages, &cache)?;
    if json {
        println!("{}", serde_json::to_string(&fates)?);
        return Ok(());
    }
    for fate in fates {
        let runs = match fate.runs {
            Runs::Kept => "kept",
            Runs::Yes => "runs",
            Runs::IfBeforeDiffers => "runs only",
        };
        println!(
            "  {:<14} {runs}{}{}",
            fate.stage,
            if fate.because.is_empty() { "" } else { ": " },
            fate.because.join("; ")
        );
    }
    Ok(())
}

fn spec_of(record: &RunRecord, run: &Path) -> Result<Spec, Failure> {
    let file = run.join(run_folder::LOG).display().to_string();
    read_spec(&record.pipeline, &file, &record.pipeline_yaml).map_err(|problem| Failure::Configuration(vec![problem]))
}

/// The scan of a run that the daemon made.
fn kept_scan(run: &Path) -> Option<PathBuf> {
    let workshop = Workshop::around(run)?;
    let name = crate::daemon::inbox::name_of(run);
    let rows = Ledger::open(&workshop.ledger()).ok()?.rows().ok()?;
    let row = rows.into_iter().find(|row| row.out == name)?;
    Some(JobFolder::settled(&workshop, row.job, row.state).scan_path(&row.scan))
}

/// A source that knows its digests from the log and reads the scan only if the first stage has to run again.
fn earlier_source(record: &RunRecord, scan: PathBuf) -> Source<'static> {
    let inputs = record.inputs.clone();
    let read = move || {
        let files = Arc::new(read_scan_files(&scan)?);
        // By content: the log may tell numbers in place of names.
        let digests = |inputs: &[FileRecord]| inputs.iter().map(|file| file.blake3.clone()).collect::<BTreeSet<_>>();
        let same = digests(&Source::of(Arc::clone(&files)).inputs) == digests(&inputs);
        let changed = || crate::pipeline::scan_files::ScanFilesError {
            file: scan.display().to_string(),
            what: "is not the scan this run was made from".into(),
            hint: "use `statuary run` for a new scan".into(),
        };
        same.then_some(files).ok_or_else(changed)
    };
    let (name, inputs, consent) = (record.scan.clone(), record.inputs.clone(), record.consent.clone());
    Source { name, inputs, consent, read: Box::new(read) }
}

/// Reads changes given as `STAGE.SETTING=VALUE`.
pub fn parse_changes(texts: &[String]) -> Result<Vec<Change>, Failure> {
    let wrong = |what| Failure::Arguments { what, hint: "`statuary stages` lists the stages".into() };
    texts.iter().map(|text| Change::parse(text).map_err(wrong)).collect()
}

fn chosen_workshop(path: Option<&Path>) -> Result<Option<PathBuf>, Failure> {
    let Some(path) = path else { return Ok(None) };
    if !path.is_dir() {
        return Err(Failure::Arguments {
            what: format!("there is no workshop `{}`", path.display()),
            hint: format!("make one with `statuary init {}`", path.display()),
        });
    }
    std::path::absolute(path).map(Some).map_err(Failure::disk(path))
}

/// The workshop a pipeline file lies in, if it does.
fn pipeline_workshop(pipeline: &str) -> Option<PathBuf> {
    let path = Path::new(pipeline);
    let inside = path.is_file().then(|| Workshop::around(path)).flatten();
    inside.map(|workshop| workshop.root().to_path_buf())
}

fn make_plan(spec: &Spec, workshop: Option<&Path>, json: bool) -> Result<Plan, Failure> {
    let workbench = workshop.map_or_else(Workbench::demo, Workbench::open).map_err(Failure::Configuration)?;
    if workbench.demo && !json {
        eprintln!(
            "note: no filaments.yaml or printers.yaml given (--workshop): the museum's demo shelf and printers stand in"
        );
    }
    plan(spec, &workbench).map_err(Failure::Configuration)
}

fn carry_out(order: &Order<'_>) -> Result<(), Failure> {
    let mut folder = RunFolder::begin(&order.out).map_err(|error| match error.kind() {
        std::io::ErrorKind::AlreadyExists => Failure::Taken(order.out.clone()),
        _ => Failure::disk(&order.out)(error),
    })?;
    let shared = Workshop::around(&order.out).map(|workshop| workshop.cache());
    let own = folder.hidden().join(STAGES);
    let mut cache = Cache::open(shared.as_deref().unwrap_or(&own));
    if let (None, Some(earlier)) = (&shared, &order.earlier) {
        let stamps =
            run_folder::read_log(earlier).map(|record| record.stages.into_iter().map(|s| s.stamp).collect::<Vec<_>>());
        let stamps = stamps.map_err(Failure::disk(earlier))?;
        cache.adopt(&Cache::open(&earlier.join(STAGES)), &stamps).map_err(Failure::disk(&order.out))?;
    }
    let origin = serde_json::to_vec(&order.origin)?;
    files::write_whole(&folder.hidden().join(ORIGIN), &origin).map_err(Failure::disk(&order.out))?;
    let cancel = listen_for_signals();
    let mut shown = Shown::new(order.json);
    let mut around = Surroundings {
        cache: Some(&mut cache),
        earlier: order.earlier.as_deref(),
        observer: &mut shown,
        cancel,
        started: now(),
    };
    let record = runner::run(&order.plan, &order.source, &mut folder, &mut around)?;
    drop(shown);
    let out = folder.publish(&record).map_err(Failure::disk(&order.out))?;
    let is_listed = |workshop: &Workshop| {
        std::path::absolute(&out).is_ok_and(|out| out.parent() == Some(workshop.outbox().as_path()))
    };
    if let Some(workshop) = Workshop::around(&out).filter(is_listed) {
        workshop.list_runs();
    }
    if order.json {
        print!("{}", summary_json(&record, &out)?);
    } else {
        anstream::print!("{}{}", warnings(&record), verdict(&record, &out));
    }
    if record.outcome == Outcome::DoneWithFaults { Err(Failure::PrintCheck) } else { Ok(()) }
}

/// A flag that SIGINT and SIGTERM raise; without signal handlers the default applies.
pub fn listen_for_signals() -> Arc<AtomicBool> {
    let (tell, hear) = std::sync::mpsc::channel();
    std::thread::spawn(move || {
        let Ok(runtime) = tokio::runtime::Builder::new_current_thread().enable_all().build() else { return };
        runtime.block_on(async {
            let Ok(shutdown) = Shutdown::listen() else { return };
            let _ = tell.send(Arc::clone(&shutdown.cancel));
            std::future::pending::<()>().await;
        });
    });
    hear.recv().unwrap_or_default()
}

fn summary_json(record: &RunRecord, out: &Path) -> Result<String, serde_json::Error> {
    let findings: Vec<&Finding> = record.findings().collect();
    let object = serde_json::json!({
        "run": out, "report": out.join("report.html"), "outcome": record.outcome, "seconds": record.seconds,
        "parts": record.parts, "findings": findings,
    });
    serde_json::to_string(&object).map(|text| text + "\n")
}
