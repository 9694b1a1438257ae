//! `watch`: start the daemon.

use std::path::PathBuf;
use std::time::Duration;

use crate::daemon::fleet::FleetOptions;
use crate::daemon::inbox::{Inbox, Patience, name_of};
use crate::daemon::log::{self, LogFiles};
use crate::daemon::memory::{gigabytes, predict};
use crate::daemon::workshop::Workshop;
use crate::daemon::{self, Naming, Options, plan_of};
use crate::stages::Stage;

use super::exit_code::Failure;
use super::work::FleetArgs;

/// Arguments of `watch`.
#[derive(Debug, clap::Args)]
#[expect(clippy::struct_excessive_bools, reason = "each is a switch of its own")]
pub struct WatchArgs {
    /// Workshop folder, as made by `statuary init`
    pub workshop: PathBuf,
    /// End when the inbox is empty
    #[arg(long)]
    pub once: bool,
    /// Only tell what would be taken and what would become of it; touch nothing
    #[arg(long, conflicts_with = "once")]
    pub dry: bool,
    /// A scan is taken when its files have not changed for this long
    #[arg(long, default_value_t = 3.0, value_name = "SECONDS")]
    pub settle_secs: f64,
    /// How long to wait for a file that a mesh names before it is taken without
    #[arg(long, default_value_t = 60.0, value_name = "SECONDS")]
    pub missing_secs: f64,
    /// How long a half-written file may stand still before it is refused
    #[arg(long, default_value_t = 900.0, value_name = "SECONDS")]
    pub incomplete_secs: f64,
    /// Look at the inbox at least this often, for file systems that give no notice
    #[arg(long, default_value_t = 30.0, value_name = "SECONDS")]
    pub look_secs: f64,
    /// Largest size of the stage cache
    #[arg(long, default_value_t = 20.0, value_name = "GB")]
    pub cache_max_gb: f64,
    /// Look at the inbox every few seconds without waiting for notices; of itself on network file systems
    #[arg(long)]
    pub poll: bool,
    /// Scans worked on at the same time
    #[arg(long, default_value_t = 1, value_name = "N", value_parser = clap::value_parser!(u16).range(1..=64))]
    pub jobs: u16,
    /// How far the work stands back for other programs
    #[arg(long, default_value_t = 10, value_name = "0-19", value_parser = clap::value_parser!(u8).range(0..=19))]
    pub nice: u8,
    /// Give a scan up when one stage takes longer
    #[arg(long, default_value_t = 240.0, value_name = "MINUTES")]
    pub stage_minutes: f64,
    /// Most memory for all scans at work; nine tenths of what the machine or the container has, if not given
    #[arg(long, value_name = "GB")]
    pub memory_gb: Option<f64>,
    /// Forget scans and all that was made of them so many days after they were done, refused or cancelled
    #[arg(long, value_name = "DAYS")]
    pub keep_days: Option<f64>,
    /// Name runs by the number of their job, so that no file tells a person's name
    #[arg(long)]
    pub by_number: bool,
    /// Keep the log in the workshop as well, as JSON lines, a file a day, for so many days
    #[arg(long, value_name = "DAYS", value_parser = clap::value_parser!(u16).range(1..=3650))]
    pub log_days: Option<u16>,
    /// How long to hold a scan when the disk fails; twice as long each further time, five times, an hour at most
    #[arg(long, default_value_t = 60.0, value_name = "SECONDS")]
    pub hold_secs: f64,
    /// Let the workers of a fleet do the work: address of their NATS server, such as `tls://HOST`
    #[arg(long, value_name = "URL", conflicts_with_all = ["jobs", "memory_gb", "nice"])]
    pub fleet: Option<String>,
    #[command(flatten)]
    pub fleet_more: FleetArgs,
    /// With --fleet: a worker that gives no sign of life for so long has lost its scan to another
    #[arg(long, default_value_t = 60.0, value_name = "SECONDS", requires = "fleet")]
    pub lease_secs: f64,
}

/// `statuary watch`. With `--json` the log is JSON lines.
///
/// # Errors
/// As the exit codes tell.
pub fn watch(args: &WatchArgs, json: bool) -> Result<(), Failure> {
    let workshop = Workshop::at(&args.workshop);
    if !workshop.exists() {
        return Err(Failure::Arguments {
            what: format!("`{}` is no workshop", args.workshop.display()),
            hint: format!("make one with `statuary init {}`", args.workshop.display()),
        });
    }
    if args.dry {
        return dry(&workshop);
    }
    let options = Options {
        patience: Patience {
            settle: seconds("settle-secs", args.settle_secs)?,
            missing: seconds("missing-secs", args.missing_secs)?,
            incomplete: seconds("incomplete-secs", args.incomplete_secs)?,
        },
        look_every: seconds("look-secs", args.look_secs)?.max(Duration::from_millis(100)),
        once: args.once,
        poll: args.poll,
        cache_max_bytes: (args.cache_max_gb.max(0.0) * 1e9) as u64,
        jobs: usize::from(args.jobs),
        nice: args.nice,
        stage_time: seconds("stage-minutes", args.stage_minutes * 60.0)?,
        memory_bytes: args.memory_gb.map(|gb| (gb.max(0.0) * 1e9) as u64),
        keep: args.keep_days.map(|days| seconds("keep-days", days * 86_400.0)).transpose()?,
        naming: if args.by_number { Naming::Number } else { Naming::Scan },
        hold_first: seconds("hold-secs", args.hold_secs)?,
        json,
    };
    let lease = seconds("lease-secs", args.lease_secs)?.max(Duration::from_secs(1));
    let address = args.fleet.as_ref().map(|url| args.fleet_more.address(url)).transpose()?;
    let fleet = address.map(|address| FleetOptions { address, lease });
    let folder = workshop.log();
    match args.log_days.map(usize::from) {
        Some(days) => {
            log::start_with_files(json, LogFiles { folder: &folder, days }).map_err(Failure::disk(&folder))?;
        }
        None => log::start(json),
    }
    daemon::watch(&workshop, options, fleet.as_ref())?;
    Ok(())
}

/// A length of time that was typed in, s.
pub fn seconds(name: &str, value: f64) -> Result<Duration, Failure> {
    Duration::try_from_secs_f64(value).map_err(|_| Failure::Arguments {
        what: format!("--{name} {value} is no length of time"),
        hint: "give a number that is not below zero, such as 3 or 0.5".into(),
    })
}

/// Tells of each scan in the inbox what a daemon would do with it.
fn dry(workshop: &Workshop) -> Result<(), Failure> {
    let drops = Inbox::default().list(&workshop.inbox()).map_err(Failure::disk(workshop.inbox()))?;
    for drop in &drops {
        let scan = name_of(&drop.head);
        let fate = match plan_of(workshop, &drop.pipeline) {
            Err(faults) => format!("stays: {}", faults.first().map(ToString::to_string).unwrap_or_default()),
            Ok(_) if !drop.incomplete.is_empty() => format!("waits for the rest of the file: {}", drop.incomplete),
            Ok(_) if !drop.missing.is_empty() => format!("waits a while for {}", drop.missing.join(", ")),
            Ok(plan) => {
                let needs = gigabytes(predict(&drop.head).bytes);
                let stages: Vec<&str> = plan.stages.iter().map(Stage::name).collect();
                format!(
                    "goes through {} for {}, about {needs} of memory",
                    stages.join(", "),
                    plan.equipment.printer.name
                )
            }
        };
        println!("  {:<14} {scan}: {fate}", drop.pipeline);
    }
    if drops.is_empty() {
        println!("nothing lies in the inbox");
    }
    Ok(())
}
