//! `init` and `demo`: a workshop to start from, and the museum's scan to try it on.

use std::path::{Path, PathBuf};

use crate::daemon::workshop::Workshop;
use crate::pipeline::equipment_files::{DEMO_FILAMENTS, DEMO_PRINTERS};
use crate::pipeline::files;

use super::exit_code::Failure;
use super::run::{self, RunArgs};

/// The demo scan: an invented ferry deckhand.
const DECKHAND: &[u8] = include_bytes!("../../demo-data/deckhand.ply");
const DECKHAND_NAME: &str = "deckhand.ply";

/// Arguments of `init`.
#[derive(Debug, clap::Args)]
pub struct InitArgs {
    /// Folder to make the workshop in
    pub folder: PathBuf,
}

/// Arguments of `demo`.
#[derive(Debug, clap::Args)]
pub struct DemoArgs {
    /// Folder to make the demo workshop in
    #[arg(default_value = "statuary-demo")]
    pub folder: PathBuf,
    /// Pipeline to use
    #[arg(long, short, default_value = "quarter-size")]
    pub pipeline: String,
}

/// `statuary init`.
///
/// # Errors
/// When the folder cannot be written.
pub fn init(args: &InitArgs, json: bool) -> Result<(), Failure> {
    let made = make(&args.folder)?;
    if json {
        println!("{}", serde_json::json!({ "workshop": args.folder, "made": made }));
        return Ok(());
    }
    let shown = args.folder.display();
    println!("workshop ready: {shown}");
    println!("  1. put what you own into {shown}/filaments.yaml and {shown}/printers.yaml");
    println!("  2. statuary check {shown}");
    println!("  3. statuary watch {shown}, and drop scans into {shown}/inbox/PIPELINE");
    Ok(())
}

fn make(folder: &Path) -> Result<Vec<PathBuf>, Failure> {
    Workshop::at(folder).init(DEMO_FILAMENTS, DEMO_PRINTERS).map_err(Failure::disk(folder))
}

/// `statuary demo`.
///
/// # Errors
/// As `run`.
pub fn demo(args: &DemoArgs, json: bool) -> Result<(), Failure> {
    make(&args.folder)?;
    let scan = args.folder.join(DECKHAND_NAME);
    files::write_whole(&scan, DECKHAND).map_err(Failure::disk(&scan))?;
    let out = files::free_name(&args.folder.join("outbox").join("deckhand"));
    let workshop = Some(args.folder.clone());
    run::run(&RunArgs { scan, pipeline: args.pipeline.clone(), out, workshop, changes: Vec::new() }, json)
}
