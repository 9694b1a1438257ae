//! A workshop: the one folder that holds all of an owner's things. Names of its places, making one, locking one.

use std::fs::File;
use std::io;
use std::path::{Path, PathBuf};

use crate::pipeline::library::SHIPPED;
use crate::pipeline::{files, index};

/// Folder of the program's own records inside a workshop.
const HIDDEN: &str = ".statuary";

/// Places inside a workshop.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Workshop {
    root: PathBuf,
}

impl Workshop {
    #[must_use]
    pub fn at(root: &Path) -> Self {
        Self { root: root.to_path_buf() }
    }

    /// The workshop a path lies in: the nearest folder upwards that has an inbox and an outbox.
    #[must_use]
    pub fn around(path: &Path) -> Option<Self> {
        let full = std::path::absolute(path).ok()?;
        full.ancestors().map(Self::at).find(Self::exists)
    }

    /// Whether a workshop is here, even if its inbox or outbox, on a share perhaps, is out of reach.
    #[must_use]
    pub fn exists(&self) -> bool {
        self.root.join(HIDDEN).is_dir() || (self.inbox().is_dir() && self.outbox().is_dir())
    }

    #[must_use]
    pub fn root(&self) -> &Path {
        &self.root
    }
    #[must_use]
    pub fn inbox(&self) -> PathBuf {
        self.root.join("inbox")
    }
    #[must_use]
    pub fn outbox(&self) -> PathBuf {
        self.root.join("outbox")
    }
    /// The program's own records.
    #[must_use]
    pub fn hidden(&self) -> PathBuf {
        self.root.join(HIDDEN)
    }
    #[must_use]
    pub fn cache(&self) -> PathBuf {
        self.root.join(HIDDEN).join("cache")
    }
    #[must_use]
    pub fn ledger(&self) -> PathBuf {
        self.root.join(HIDDEN).join("ledger.db")
    }
    /// The log in files, where it is asked for.
    #[must_use]
    pub fn log(&self) -> PathBuf {
        self.root.join(HIDDEN).join("log")
    }
    /// Jobs being worked on.
    #[must_use]
    pub fn work(&self) -> PathBuf {
        self.root.join(HIDDEN).join("work")
    }
    /// Scans whose run is published.
    #[must_use]
    pub fn scans(&self) -> PathBuf {
        self.root.join(HIDDEN).join("scans")
    }
    /// Scans that could not be printed, with the reason.
    #[must_use]
    pub fn refused(&self) -> PathBuf {
        self.root.join(HIDDEN).join("refused")
    }

    /// Brings the list of runs in the outbox up to date. A list that cannot be written stops nothing.
    pub fn list_runs(&self) {
        if let Err(error) = index::write(&self.outbox()) {
            tracing::warn!(%error, "the list of runs is not up to date");
        }
    }

    /// Makes what is missing: folders, the shipped pipelines, the museum's shelf and printers as a start. Files that
    /// are there stay as they are.
    ///
    /// # Errors
    /// As the file system tells.
    pub fn init(&self, shelf: &str, printers: &str) -> io::Result<Vec<PathBuf>> {
        for folder in [self.inbox(), self.outbox(), self.root.join("pipelines"), self.root.join(HIDDEN)] {
            files::make_folder(&folder)?;
        }
        let mut made = Vec::new();
        let mut supply = |path: PathBuf, text: &str| {
            if path.exists() {
                return Ok(());
            }
            files::write_whole(&path, text.as_bytes())?;
            made.push(path);
            io::Result::Ok(())
        };
        for (name, text) in SHIPPED {
            supply(self.root.join("pipelines").join(format!("{name}.yaml")), text)?;
            files::make_folder(&self.inbox().join(name))?;
        }
        supply(self.root.join("filaments.yaml"), shelf)?;
        supply(self.root.join("printers.yaml"), printers)?;
        Ok(made)
    }

    /// Takes the workshop for one daemon; the lock goes with the returned file.
    ///
    /// # Errors
    /// `WouldBlock` when another daemon has it, else as the file system tells.
    pub fn lock(&self) -> io::Result<File> {
        files::make_folder(&self.root.join(HIDDEN))?;
        let file = File::create(self.root.join(HIDDEN).join("lock"))?;
        match file.try_lock() {
            Ok(()) => Ok(file),
            Err(std::fs::TryLockError::WouldBlock) => Err(io::ErrorKind::WouldBlock.into()),
            Err(std::fs::TryLockError::Error(error)) => Err(error),
        }
    }

    /// Like [`Self::lock`], but gives somebody who only looks a second to be done.
    ///
    /// # Errors
    /// As [`Self::lock`].
    pub fn lock_soon(&self) -> io::Result<File> {
        let start = std::time::Instant::now();
        loop {
            match self.lock() {
                Err(error) if error.kind() == io::ErrorKind::WouldBlock && start.elapsed().as_secs() < 1 => {
                    std::thread::sleep(std::time::Duration::from_millis(20));
                }
                other => return other,
            }
        }
    }
}
