//! A worker's private folder: its owner's alone, gone with the worker. What a worker that was killed left behind goes when
//! the next one starts beside it.

use std::fs::{self, File};
use std::io;
use std::os::unix::fs::MetadataExt;
use std::path::{Path, PathBuf};

use crate::daemon::inbox::name_of;
use crate::pipeline::files;

const PREFIX: &str = "statuary-work-";
/// Of a folder that is not locked yet.
const COMING: &str = ".statuary-coming-";
const LOCK: &str = "lock";

/// A folder for scans being worked on.
#[derive(Debug)]
pub struct Place {
    path: PathBuf,
    _lock: File,
}

impl Place {
    /// Makes one inside a folder, and removes those of workers that are gone.
    ///
    /// # Errors
    /// As the file system tells.
    pub fn make(inside: &Path) -> io::Result<Self> {
        files::make_folder(inside)?;
        remove_abandoned(inside)?;
        // Under its own name it is locked, so that nobody takes it for abandoned.
        let coming = tempfile::Builder::new().prefix(COMING).tempdir_in(inside)?;
        let lock = File::create_new(coming.path().join(LOCK))?;
        lock.try_lock()?;
        let coming = coming.keep();
        let path = inside.join(name_of(&coming).replacen(COMING, PREFIX, 1));
        files::rename_new(&coming, &path)?;
        Ok(Self { path, _lock: lock })
    }

    #[must_use]
    pub fn path(&self) -> &Path {
        &self.path
    }
}

impl Drop for Place {
    fn drop(&mut self) {
        if let Err(error) = files::remove(&self.path) {
            tracing::warn!(folder = %self.path.display(), %error, "the private folder could not be removed");
        }
    }
}

fn remove_abandoned(inside: &Path) -> io::Result<()> {
    let own = rustix::process::geteuid().as_raw();
    for entry in fs::read_dir(inside)?.filter_map(Result::ok) {
        let path = entry.path();
        let is_ours = fs::symlink_metadata(&path).is_ok_and(|meta| meta.is_dir() && meta.uid() == own);
        if !is_ours || !name_of(&path).starts_with(PREFIX) {
            continue;
        }
        let abandoned = File::open(path.join(LOCK)).is_ok_and(|lock| lock.try_lock().is_ok());
        if abandoned && let Err(error) = files::remove(&path) {
            tracing::warn!(folder = %path.display(), %error, "what a worker left behind cannot be removed");
        }
    }
    Ok(())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_place_goes_with_its_worker_and_abandoned_ones_with_the_next() {
        let folder = tempfile::tempdir().unwrap();
        let first = Place::make(folder.path()).unwrap();
        fs::write(first.path().join("scan.ply"), "ply").unwrap();
        let abandoned = folder.path().join(format!("{PREFIX}gone"));
        fs::create_dir(&abandoned).unwrap();
        fs::write(abandoned.join(LOCK), "").unwrap();
        let second = Place::make(folder.path()).unwrap();
        assert!(!abandoned.exists(), "nobody holds it");
        assert!(first.path().join("scan.ply").is_file(), "its worker is there");
        let paths = [first.path().to_path_buf(), second.path().to_path_buf()];
        drop((first, second));
        assert!(paths.iter().all(|path| !path.exists()));
        assert_eq!(fs::read_dir(folder.path()).unwrap().count(), 0);
    }
}
