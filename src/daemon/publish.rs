//! How a run appears in the outbox: whole, under a name nobody has, and only by who holds the job.

use std::fs;
use std::io;
use std::path::{Path, PathBuf};

use crate::pipeline::files;
use crate::pipeline::run_folder::LOG;

use super::inbox::name_of;
use super::job::safe_name;
use super::ledger::{JobId, Ledger, Row};
use super::workshop::Workshop;

/// Ending of a folder in the outbox that is still being copied.
const UNFINISHED: &str = ".unfinished";

/// A run that is to appear.
#[derive(Clone, Debug)]
pub struct Made {
    pub filled: PathBuf,
    /// BLAKE3 of its log.
    pub digest: String,
    /// Named by its job and not by its scan.
    pub by_number: bool,
}

/// Lets a filled folder appear in the outbox. The name is in the ledger before the folder is there.
///
/// # Errors
/// When the claim is lost, or as the file system tells; nothing has appeared then.
pub fn publish(
    workshop: &Workshop,
    ledger: &mut Ledger,
    (row, token): (&Row, u64),
    Made { filled, digest, by_number }: &Made,
) -> io::Result<PathBuf> {
    files::sync_tree(filled)?;
    let stem = Path::new(&row.scan).file_stem().map(|stem| stem.to_string_lossy().into_owned()).unwrap_or_default();
    let stem = if *by_number { row.job.to_string() } else { stem };
    loop {
        let target = files::free_name(&workshop.outbox().join(safe_name(&stem)));
        ledger.publishing((row.job, token), &name_of(&target), digest)?;
        match appear(filled, &target, &copy_name(row.job, token)) {
            Err(error) if error.kind() == io::ErrorKind::AlreadyExists => {}
            other => return other.map(|()| target),
        }
    }
}

fn copy_name(job: JobId, token: u64) -> String {
    format!(".{job}-{token}{UNFINISHED}")
}

fn appear(filled: &Path, target: &Path, copy: &str) -> io::Result<()> {
    let outbox = target.parent().unwrap_or(Path::new("."));
    match files::rename_new(filled, target) {
        Err(error) if error.kind() == io::ErrorKind::CrossesDevices => {
            let near = outbox.join(copy);
            files::remove(&near)?;
            files::copy_tree(filled, &near)?;
            files::sync_tree(&near)?;
            files::rename_new(&near, target)?;
        }
        other => other?,
    }
    files::sync_folder(outbox)
}

/// Whether a job's run is in the outbox, told by the digest of its log.
#[must_use]
pub fn is_published(workshop: &Workshop, row: &Row) -> bool {
    let log = workshop.outbox().join(&row.out).join(LOG);
    let same = |bytes: Vec<u8>| blake3::hash(&bytes).to_hex().as_str() == row.digest;
    !row.out.is_empty() && !row.digest.is_empty() && fs::read(log).is_ok_and(same)
}

/// Whether a name in the outbox is that of a copy of ours broken off: `.job-000012-3.unfinished`, or what `statuary run`
/// fills, `.NAME.unfinished-PID`, when that process is gone.
#[must_use]
pub fn is_leftover(name: &str) -> bool {
    let digits = |text: &str| !text.is_empty() && text.bytes().all(|b| b.is_ascii_digit());
    let copy = name.strip_prefix(".job-").and_then(|rest| rest.strip_suffix(UNFINISHED));
    if let Some((job, token)) = copy.and_then(|numbers| numbers.split_once('-')) {
        return digits(job) && digits(token);
    }
    let process = name.strip_prefix('.').and_then(|rest| rest.rsplit_once(".unfinished-")).map(|(_, pid)| pid);
    process.is_some_and(|pid| digits(pid) && !Path::new("/proc").join(pid).exists() && Path::new("/proc/self").exists())
}
