//! What a stage is: settings that can be read and explained, and one of two jobs: change the figure, or write files.

use std::fmt::Debug;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};

use serde::Serialize;
use serde::de::DeserializeOwned;

use crate::equipment::Equipment;
use crate::figure::{Fact, Figure};
use crate::finding::Finding;
use crate::mesh::TriMesh;
use crate::problem::Problem;
use crate::run_record::RunRecord;

/// Static side of a stage: feeds the stage table, `check --explain`, docs and tests.
pub trait Settings: Serialize + DeserializeOwned + Default {
    /// Name in YAML, such as `colour-reduce`.
    const NAME: &'static str;
    /// Goes up whenever the same input and settings may give another result.
    const VERSION: u32;
    /// One line for `statuary stages`.
    const SUMMARY: &'static str;
    /// Settings as a user would write them: a YAML map.
    const EXAMPLE: &'static str;
    /// Settings of which only one may be given: giving one on the command line clears the others.
    const EITHER: &'static [&'static str] = &[];
}

/// What of the owner's equipment a stage's result depends on.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Uses {
    pub shelf: bool,
    pub printer: bool,
    /// What the printer's hours are worth, its factor of time, and the printers that help.
    pub plan: bool,
}

/// A stage that makes a new figure from the one before.
pub trait Transform: Debug + Send + Sync {
    fn needs(&self) -> &'static [Fact];
    fn gives(&self) -> &'static [Fact] {
        &[]
    }
    /// Facts that no longer hold afterwards.
    fn spoils(&self) -> &'static [Fact] {
        &[]
    }
    fn uses(&self) -> Uses {
        Uses::default()
    }
    /// Faults of the settings themselves; reads no file.
    fn check(&self) -> Vec<Problem>;
    /// # Errors
    /// When no result worth printing can be made; the error says what and what to do.
    fn run(&self, figure: &Figure, ctx: &mut StageContext<'_>) -> Result<Figure, StageError>;
}

/// A stage that only reads the figure and writes files.
pub trait Output: Debug + Send + Sync {
    /// Whether what it writes tells of what earlier stages found and logged.
    fn tells_the_log(&self) -> bool {
        false
    }
    fn needs(&self) -> &'static [Fact];
    fn gives(&self) -> &'static [Fact] {
        &[]
    }
    fn uses(&self) -> Uses {
        Uses::default()
    }
    fn check(&self) -> Vec<Problem>;
    /// # Errors
    /// When a file cannot be made or its check fails.
    fn write(&self, figure: &Figure, so_far: &RunRecord, ctx: &mut StageContext<'_>) -> Result<(), StageError>;
}

/// Where files of an output stage go: the run folder on disk, or memory in tests.
pub trait FileSink: Send {
    /// Takes a whole file; `name` is relative, with `/` between folders.
    ///
    /// # Errors
    /// When it cannot be stored.
    fn put(&mut self, name: &str, bytes: &[u8]) -> std::io::Result<()>;
    /// Reads a file put earlier in this run back, for checking it.
    ///
    /// # Errors
    /// When it is not there or cannot be read.
    fn get(&mut self, name: &str) -> std::io::Result<Vec<u8>>;
}

/// Files kept in memory, by name.
#[derive(Debug, Default)]
pub struct MemorySink(pub std::collections::BTreeMap<String, Vec<u8>>);

impl FileSink for MemorySink {
    fn put(&mut self, name: &str, bytes: &[u8]) -> std::io::Result<()> {
        self.0.insert(name.to_owned(), bytes.to_vec());
        Ok(())
    }

    fn get(&mut self, name: &str) -> std::io::Result<Vec<u8>> {
        self.0.get(name).cloned().ok_or_else(|| std::io::ErrorKind::NotFound.into())
    }
}

/// What a kept value depends on, its name aside.
#[derive(Clone, Copy, Debug)]
pub enum KeptOf<'a> {
    Mesh(&'a Arc<TriMesh>),
    /// All that a stage starts from, by its digest.
    Start(&'a str),
}

/// A store for what depends on one mesh alone or on what a stage starts from, so that a later run need not make it again.
pub trait Keep: Send {
    /// What was kept under a name, if it is still there and whole.
    fn get(&mut self, of: KeptOf<'_>, name: &str) -> Option<Vec<u8>>;
    /// Keeps a value if it can.
    fn put(&mut self, of: KeptOf<'_>, name: &str, value: &[u8]);
}

/// Size the figure will be printed in, as far as the plan knows it before `scale` runs.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub enum TargetSize {
    HeightMm(f64),
    Factor(f64),
    Unknown,
}

/// What a stage noticed, and the numbers it logged.
pub type Notes = (Vec<Finding>, Vec<(String, f64)>);

/// The only door out of a stage.
pub struct StageContext<'a> {
    pub equipment: &'a Equipment,
    pub target: TargetSize,
    files: &'a mut dyn FileSink,
    keep: Option<&'a mut dyn Keep>,
    /// Digest of what the stage starts from.
    basis: String,
    cancel: Arc<AtomicBool>,
    progress: &'a mut dyn FnMut(f64, &str),
    findings: Vec<Finding>,
    figures: Vec<(String, f64)>,
}

impl std::fmt::Debug for StageContext<'_> {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_struct("StageContext").field("findings", &self.findings).finish_non_exhaustive()
    }
}

impl<'a> StageContext<'a> {
    pub fn new(
        equipment: &'a Equipment,
        target: TargetSize,
        files: &'a mut dyn FileSink,
        cancel: Arc<AtomicBool>,
        progress: &'a mut dyn FnMut(f64, &str),
    ) -> Self {
        Self {
            equipment,
            target,
            files,
            keep: None,
            basis: String::new(),
            cancel,
            progress,
            findings: Vec::new(),
            figures: Vec::new(),
        }
    }

    /// The same with a store for [`Self::kept`] and [`Self::recall`], and the digest of what the stage starts from.
    #[must_use]
    pub fn keeping(self, keep: Option<&'a mut dyn Keep>, basis: &str) -> Self {
        Self { keep, basis: basis.to_owned(), ..self }
    }

    /// What an earlier run made under this name from the same figure and findings. The name must tell all else that the value
    /// depends on.
    pub fn recall<T: DeserializeOwned>(&mut self, name: &str) -> Option<T> {
        let bytes = self.keep.as_deref_mut()?.get(KeptOf::Start(&self.basis), name)?;
        postcard::from_bytes(&bytes).ok()
    }

    /// Keeps a value for [`Self::recall`].
    pub fn remember<T: Serialize>(&mut self, name: &str, value: &T) {
        if let (Some(keep), Ok(bytes)) = (self.keep.as_deref_mut(), postcard::to_stdvec(value)) {
            keep.put(KeptOf::Start(&self.basis), name, &bytes);
        }
    }

    /// What an earlier run made of this mesh under this name, or what is made of it now. The name must tell all else that
    /// the value depends on, the version of the code that makes it included.
    ///
    /// # Errors
    /// Those of making it.
    pub fn kept<T: Serialize + DeserializeOwned, E>(
        &mut self,
        mesh: &Arc<TriMesh>,
        name: &str,
        make: impl FnOnce() -> Result<T, E>,
    ) -> Result<T, E> {
        let earlier = self.keep.as_deref_mut().and_then(|keep| keep.get(KeptOf::Mesh(mesh), name));
        if let Some(value) = earlier.and_then(|bytes| postcard::from_bytes(&bytes).ok()) {
            return Ok(value);
        }
        let value = make()?;
        if let Some(keep) = self.keep.as_deref_mut() {
            let bytes = postcard::to_stdvec(&value).unwrap_or_default();
            keep.put(KeptOf::Mesh(mesh), name, &bytes);
        }
        Ok(value)
    }

    /// Notes something for the report and the log.
    pub fn finding(&mut self, finding: Finding) {
        self.findings.push(finding);
    }

    /// Logs a number under a name with its unit, such as `islands_removed` or `hole_area_mm2`.
    pub fn figure(&mut self, name: &str, value: f64) {
        self.figures.push((name.to_owned(), value));
    }

    /// Says how far the stage is (0 to 1) and what it does.
    pub fn progress(&mut self, done: f64, what: &str) {
        (self.progress)(done, what);
    }

    /// # Errors
    /// `StageError::Cancelled` once the run is to stop.
    pub fn checkpoint(&self) -> Result<(), StageError> {
        if self.cancel.load(Ordering::Relaxed) { Err(StageError::Cancelled) } else { Ok(()) }
    }

    /// Writes a whole file of the run folder.
    ///
    /// # Errors
    /// `StageError::Write` when it cannot be stored.
    pub fn put(&mut self, name: &str, bytes: &[u8]) -> Result<(), StageError> {
        self.files.put(name, bytes).map_err(|source| StageError::Write { name: name.to_owned(), source })
    }

    /// Reads a file written earlier in this run.
    ///
    /// # Errors
    /// `StageError::Write` when it is not there.
    pub fn get(&mut self, name: &str) -> Result<Vec<u8>, StageError> {
        self.files.get(name).map_err(|source| StageError::Write { name: name.to_owned(), source })
    }

    /// What the stage noticed, in order, and its logged numbers: taken by the runner afterwards.
    #[must_use]
    pub fn into_notes(self) -> Notes {
        (self.findings, self.figures)
    }
}

/// Why a stage stopped.
#[derive(Debug, thiserror::Error)]
pub enum StageError {
    /// The scan itself cannot be worked on: exit code 4.
    #[error("{what}")]
    Scan { what: String, hint: String },
    /// The stage could not do its work: exit code 5.
    #[error("{what}")]
    Failed { what: String, hint: String },
    #[error("cannot write `{name}`: {source}")]
    Write { name: String, source: std::io::Error },
    #[error("stopped before it was done")]
    Cancelled,
}

impl StageError {
    #[must_use]
    pub fn scan(what: impl Into<String>, hint: impl Into<String>) -> Self {
        Self::Scan { what: what.into(), hint: hint.into() }
    }

    #[must_use]
    pub fn failed(what: impl Into<String>, hint: impl Into<String>) -> Self {
        Self::Failed { what: what.into(), hint: hint.into() }
    }

    /// What to do about it.
    #[must_use]
    pub fn hint(&self) -> &str {
        match self {
            Self::Scan { hint, .. } | Self::Failed { hint, .. } => hint,
            Self::Write { .. } => "check the free space and the rights of the output folder",
            Self::Cancelled => "run it again",
        }
    }
}
