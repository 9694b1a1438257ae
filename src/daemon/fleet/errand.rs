//! The long ways of one offer: a parcel packed and brought to the server, a result brought from there and looked at.

use std::path::{Path, PathBuf};

use tracing::debug;

use crate::daemon::inbox::name_of;
use crate::daemon::ledger::JobId;
use crate::daemon::worker::Ending;
use crate::daemon::workshop::Workshop;
use crate::pipeline::files;
use crate::pipeline::run_folder::LOG;

use super::letter::{Offer, Stored, is_result_name, parcel_name};
use super::likeness::Likeness;
use super::link::{Link, LinkError, Pause};
use super::listing::{self, Sealed, sealed};
use super::parcel::{self, PackError};
use super::remote::Errand;

/// Where a workshop's parcels go out and come in.
#[derive(Debug)]
pub struct Counter {
    pub link: Link,
    pub home: String,
    /// Folder for what is on its way.
    pub transit: PathBuf,
    pub workshop: Workshop,
}

impl Counter {
    /// Removes what offers that are over left half-way.
    pub fn clear_transit(&self, is_open: impl Fn(u64, u64) -> bool) {
        let claim = |name: &str| {
            let (job, rest) = name.trim_start_matches('.').split_once('-')?;
            Some((job.parse().ok()?, rest.split('.').next()?.parse().ok()?))
        };
        for path in std::fs::read_dir(&self.transit).into_iter().flatten().filter_map(Result::ok).map(|e| e.path()) {
            if claim(&name_of(&path)).is_some_and(|(job, token)| is_open(job, token)) {
                continue;
            }
            if let Err(error) = files::remove(&path) {
                debug!(path = %path.display(), %error, "cannot be removed now");
            }
        }
    }
}

/// What came of fetching a result.
#[derive(Debug)]
pub enum Fetched {
    /// Its folder is filled, or why it could not be.
    Here(Ending),
    Damaged(String),
    Lost,
}

/// Packs a scan and offers it, however long the server is away.
///
/// # Errors
/// How the job ends instead.
pub async fn offer(counter: &Counter, errand: &Errand, likeness: Likeness) -> Result<(), Ending> {
    let (job, token) = (errand.job.0, errand.token);
    let path = counter.transit.join(format!("{job}-{token}.parcel"));
    let sealed = pack(counter, errand, &path).await?;
    let name = parcel_name(job, token);
    let mut pause = Pause::default();
    let parcel = loop {
        match counter.link.put(&counter.home, &path, (&name, &sealed)).await {
            Ok(stored) => break stored,
            Err(LinkError::Disk(error)) => return Err(trouble("cannot be sent", &error)),
            Err(error) => debug!(%error, "the parcel cannot be sent now"),
        }
        pause.wait().await;
    };
    files::remove(&path).map_err(|error| trouble("its parcel cannot be removed", &error))?;
    let offer = Offer {
        home: counter.home.clone(),
        job,
        token,
        likeness,
        parcel,
        memory_bytes: errand.memory_bytes,
        stage_seconds: errand.stage_time.as_secs_f64(),
    };
    let mut pause = Pause::default();
    while let Err(error) = counter.link.offer(&offer).await {
        debug!(%error, "the scan cannot be offered now");
        pause.wait().await;
    }
    Ok(())
}

fn trouble(what: &str, error: &dyn std::fmt::Display) -> Ending {
    Ending::Trouble { reason: format!("{what}: {error}") }
}

async fn pack(counter: &Counter, errand: &Errand, path: &Path) -> Result<Sealed, Ending> {
    let (errand, workshop, path) = (errand.clone(), counter.workshop.clone(), path.to_path_buf());
    let pack = move || parcel::pack(&path, &workshop, &errand.scan, (&errand.pipeline, errand.name.as_deref()));
    match tokio::task::spawn_blocking(pack).await {
        Ok(Ok(sealed)) => Ok(sealed),
        Ok(Err(PackError::Scan(refused))) => {
            Err(Ending::Refused { reason: refused.to_string(), hint: refused.hint.clone() })
        }
        Ok(Err(PackError::TooLarge(what))) => {
            let hint = "export it with fewer triangles, or work on it where it lies: `statuary run`".to_owned();
            Err(Ending::Refused { reason: format!("the scan is too large to be sent: {what}"), hint })
        }
        Ok(Err(PackError::Disk(error))) => Err(trouble("cannot be packed", &error)),
        Err(error) => Err(trouble("cannot be packed", &error)),
    }
}

/// Brings a result and unpacks it as the job's filled folder.
pub async fn fetch(
    counter: &Counter,
    (job, token): (JobId, u64),
    (result, ending): (Stored, Ending),
    filled: PathBuf,
) -> Fetched {
    if !is_result_name(&result.name, job.0, token) {
        return Fetched::Damaged("it has the name of another".into());
    }
    let path = counter.transit.join(format!("{}-{token}.result", job.0));
    let mut pause = Pause::default();
    while let Err(error) = counter.link.get(&counter.home, &result, &path).await {
        match error {
            LinkError::Gone => return Fetched::Lost,
            LinkError::Disk(error) => return Fetched::Here(trouble("its result cannot be written", &error)),
            LinkError::Server(error) => debug!(%error, "the result cannot be fetched now"),
        }
        pause.wait().await;
    }
    let unpacked = tokio::task::spawn_blocking(move || {
        let fetched = unpack(&path, &result, &ending, &filled);
        let _ = files::remove(&path);
        fetched
    });
    unpacked.await.unwrap_or_else(|error| Fetched::Damaged(error.to_string()))
}

fn unpack(path: &Path, result: &Stored, ending: &Ending, filled: &Path) -> Fetched {
    let Ending::Done { digest, .. } = ending else { return Fetched::Damaged("it comes with no end".into()) };
    let told = Sealed { blake3: result.blake3.clone(), bytes: result.bytes };
    match sealed(path) {
        Ok(found) if found == told => {}
        Ok(_) => return Fetched::Damaged("its digest is another than was told".into()),
        Err(error) => return Fetched::Here(trouble("its result cannot be read", &error)),
    }
    let near = path.with_extension("unpacked");
    let placed = files::remove(&near).map_err(Into::into).and_then(|()| listing::unpack::<()>(path, &near));
    match placed {
        Err(crate::daemon::archive::ArchiveError::Disk(error)) => {
            return Fetched::Here(trouble("its result cannot be unpacked", &error));
        }
        Err(refused) => return Fetched::Damaged(refused.to_string()),
        Ok(()) => {}
    }
    let same = |log: Vec<u8>| blake3::hash(&log).to_hex().as_str() == digest;
    if !std::fs::read(near.join(LOG)).is_ok_and(same) {
        let _ = files::remove(&near);
        return Fetched::Damaged("its log is another than was told".into());
    }
    // A job that was given up meanwhile has no folder any more to put it in.
    match files::rename_new(&near, filled) {
        Ok(()) => Fetched::Here(ending.clone()),
        Err(error) => {
            let _ = files::remove(&near);
            Fetched::Here(trouble("its result cannot be put in place", &error))
        }
    }
}
