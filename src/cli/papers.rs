//! What shells, `man` and editors ask for: completions, manual pages, JSON Schemas.

use std::path::{Path, PathBuf};

use clap::CommandFactory;
use clap_complete::Shell;

use crate::pipeline::schema;

use super::Arguments;
use super::exit_code::Failure;

/// Arguments of `completions`.
#[derive(Debug, clap::Args)]
pub struct CompletionsArgs {
    pub shell: Shell,
}

/// Arguments of `man`.
#[derive(Debug, clap::Args)]
pub struct ManArgs {
    /// Folder for the pages, one for each command, such as /usr/local/share/man/man1
    pub folder: PathBuf,
}

/// Files there is a schema of.
#[derive(Clone, Copy, Debug, clap::ValueEnum)]
pub enum Written {
    /// A pipeline, pipelines/NAME.yaml
    Pipeline,
    /// The shelf, filaments.yaml
    Filaments,
    /// The printers, printers.yaml
    Printers,
}

/// Arguments of `schema`.
#[derive(Debug, clap::Args)]
pub struct SchemaArgs {
    pub file: Written,
}

/// `statuary completions`: a script for the shell to read, on standard output.
pub fn completions(args: &CompletionsArgs) {
    let mut command = Arguments::command();
    let name = command.get_name().to_owned();
    clap_complete::generate(args.shell, &mut command, name, &mut std::io::stdout());
}

/// `statuary man`.
///
/// # Errors
/// When the folder cannot be written to.
pub fn man(args: &ManArgs) -> Result<(), Failure> {
    let disk = Failure::disk(&args.folder);
    pages(&args.folder).map_err(disk)
}

fn pages(folder: &Path) -> std::io::Result<()> {
    std::fs::create_dir_all(folder)?;
    clap_mangen::generate_to(Arguments::command(), folder)
}

/// `statuary schema`: JSON Schema 2020-12 of a file, on standard output.
///
/// # Errors
/// When it cannot be written.
pub fn schema(args: &SchemaArgs) -> Result<(), Failure> {
    let schema = match args.file {
        Written::Pipeline => schema::pipeline(),
        Written::Filaments => schema::filaments(),
        Written::Printers => schema::printers(),
    };
    println!("{}", serde_json::to_string_pretty(&schema)?);
    Ok(())
}
