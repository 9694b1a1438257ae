//! `work`: take scans from a fleet's queue and work on them here.

use std::path::PathBuf;

use crate::daemon::fleet::{self, Address, HandOptions};
use crate::daemon::log;

use super::exit_code::Failure;
use super::watch::seconds;

/// How to get to a fleet, besides its server's address.
#[derive(Debug, clap::Args)]
pub struct FleetArgs {
    /// Name of the fleet: several can share a server
    #[arg(long = "fleet-name", default_value = "statuary", value_name = "NAME")]
    pub group: String,
    /// File with the credentials for the fleet's server, as its tools write it, or one line USER:PASSWORD
    #[arg(long = "fleet-credentials", value_name = "FILE")]
    pub credentials: Option<PathBuf>,
    /// File with the certificates (PEM) that vouch for the fleet's server, if the system's do not
    #[arg(long = "fleet-ca", value_name = "FILE")]
    pub authority: Option<PathBuf>,
}

impl FleetArgs {
    /// The address with all of it.
    ///
    /// # Errors
    /// When the URL or the name is none.
    pub fn address(&self, url: &str) -> Result<Address, Failure> {
        let address = Address::new(url, &self.group);
        let address = address.map_err(|error| Failure::Arguments { what: error.to_string(), hint: error.hint })?;
        Ok(address.with_files(self.credentials.clone(), self.authority.clone()))
    }
}

/// Arguments of `work`.
#[derive(Debug, clap::Args)]
pub struct WorkArgs {
    /// Address of the fleet's NATS server, such as `tls://HOST`
    #[arg(long, value_name = "URL")]
    pub fleet: String,
    #[command(flatten)]
    pub fleet_more: FleetArgs,
    /// What this worker is called; the name of the machine and the number of the process, if not given
    #[arg(long, value_name = "NAME")]
    pub name: Option<String>,
    /// Scans worked on at the same time
    #[arg(long, default_value_t = 1, value_name = "N", value_parser = clap::value_parser!(u16).range(1..=64))]
    pub jobs: u16,
    /// Most memory for all scans at work; nine tenths of what the machine or the container has, if not given
    #[arg(long, value_name = "GB")]
    pub memory_gb: Option<f64>,
    /// How far the work stands back for other programs
    #[arg(long, default_value_t = 10, value_name = "0-19", value_parser = clap::value_parser!(u8).range(0..=19))]
    pub nice: u8,
    /// Give a scan up when one stage takes longer; as the daemon was told, if not given
    #[arg(long, value_name = "MINUTES")]
    pub stage_minutes: Option<f64>,
    /// Keep stage results here, for scans that come again; they hold scans, and `forget` does not reach them
    #[arg(long, value_name = "FOLDER")]
    pub cache: Option<PathBuf>,
    /// Largest size of the stage cache
    #[arg(long, default_value_t = 20.0, value_name = "GB", requires = "cache")]
    pub cache_max_gb: f64,
    /// Where to make the private folder for scans at work; the system's for temporary files, if not given
    #[arg(long, value_name = "FOLDER")]
    pub folder: Option<PathBuf>,
}

/// `statuary work`. With `--json` the log is JSON lines.
///
/// # Errors
/// As the exit codes tell.
pub fn work(args: WorkArgs, json: bool) -> Result<(), Failure> {
    let address = args.fleet_more.address(&args.fleet)?;
    let stage_time = args.stage_minutes.map(|minutes| seconds("stage-minutes", minutes * 60.0)).transpose()?;
    let absolute = |path: PathBuf| std::path::absolute(&path).map_err(Failure::disk(path));
    let options = HandOptions {
        address,
        name: args.name,
        jobs: usize::from(args.jobs),
        memory_bytes: args.memory_gb.map(|gb| (gb.max(0.0) * 1e9) as u64),
        nice: args.nice,
        stage_time,
        cache: args.cache.map(absolute).transpose()?,
        cache_max_bytes: (args.cache_max_gb.max(0.0) * 1e9) as u64,
        folder: absolute(args.folder.unwrap_or_else(std::env::temp_dir))?,
        json,
    };
    log::start(json);
    fleet::work(options)?;
    Ok(())
}
