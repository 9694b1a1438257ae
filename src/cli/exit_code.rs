//! Every way a command can end badly, and the one match from there to an exit code.

use std::path::PathBuf;

use crate::daemon::DaemonError;
use crate::daemon::ledger::LedgerError;
use crate::pipeline::runner::RunError;
use crate::problem::Problem;
use crate::stage::StageError;

/// Why a command did not do what was asked.
#[derive(Debug, thiserror::Error)]
pub enum Failure {
    #[error("{what}")]
    Arguments { what: String, hint: String },
    #[error("{} in the configuration", faults(.0.len()))]
    Configuration(Vec<Problem>),
    #[error(transparent)]
    Run(#[from] RunError),
    #[error("`{}` is there already", .0.display())]
    Taken(PathBuf),
    #[error("`{}`: {source}", .path.display())]
    Disk { path: PathBuf, source: std::io::Error },
    #[error(transparent)]
    Daemon(DaemonError),
    #[error("{0}")]
    Json(#[from] serde_json::Error),
    #[error("{0}")]
    Yaml(#[from] serde_yaml::Error),
    /// The scan is worse than was asked for.
    #[error("the verdict is: {0}")]
    Below(&'static str),
    /// The run is published, but a print check found a fault: told in the summary, nothing more to say.
    #[error("a print check failed")]
    PrintCheck,
}

fn faults(count: usize) -> String {
    if count == 1 { "1 fault".into() } else { format!("{count} faults") }
}

impl From<DaemonError> for Failure {
    fn from(error: DaemonError) -> Self {
        match error {
            DaemonError::Configuration(problems) => Self::Configuration(problems),
            other => Self::Daemon(other),
        }
    }
}

impl Failure {
    pub fn disk(path: impl Into<PathBuf>) -> impl FnOnce(std::io::Error) -> Self {
        move |source| Self::Disk { path: path.into(), source }
    }

    /// What to do about it; empty when the text says it all.
    #[must_use]
    pub fn hint(&self) -> String {
        match self {
            Self::Arguments { hint, .. } => hint.clone(),
            Self::Run(RunError::ScanFiles(error)) => error.hint.clone(),
            Self::Run(RunError::Stage { source, .. }) => source.hint().into(),
            Self::Run(RunError::Write(_)) | Self::Disk { .. } => "check the path, its rights and the free space".into(),
            Self::Taken(_) => "choose another folder with --out, or remove it first".into(),
            Self::Daemon(DaemonError::Locked) => "stop it first, or use `statuary run` for a single scan".into(),
            Self::Daemon(DaemonError::Ledger(LedgerError::Newer { .. })) => {
                "use the newer version of the program".into()
            }
            Self::Daemon(DaemonError::Ledger(_)) => {
                "is the disk full? a damaged ledger is made anew by the next `statuary watch`".into()
            }
            Self::Daemon(DaemonError::Fleet(_)) => {
                "check the files of credentials and certificates, and that the folder can be written".into()
            }
            Self::Daemon(DaemonError::Workshop(_)) => {
                "is it a folder made by `statuary init`, and is its disk there?".into()
            }
            Self::Run(_)
            | Self::Configuration(_)
            | Self::Daemon(DaemonError::Configuration(_))
            | Self::Json(_)
            | Self::Yaml(_)
            | Self::Below(_)
            | Self::PrintCheck => String::new(),
        }
    }

    /// 1 unexpected, 2 arguments, 3 configuration, 4 scan refused, 5 a stage failed, 6 cannot write, 7 done but a
    /// print check failed, 8 a scan worse than asked for, 130 stopped by a signal.
    #[must_use]
    pub fn exit_code(&self) -> u8 {
        match self {
            Self::Arguments { .. } | Self::Daemon(DaemonError::Locked) => 2,
            Self::Configuration(_) | Self::Daemon(DaemonError::Configuration(_)) => 3,
            Self::Run(error) => match error {
                RunError::ScanFiles(_) => 4,
                RunError::Stage { source, .. } => match source {
                    StageError::Scan { .. } => 4,
                    StageError::Failed { .. } => 5,
                    StageError::Write { .. } => 6,
                    StageError::Cancelled => 130,
                },
                RunError::Write(_) => 6,
                RunError::Json(_) | RunError::Yaml(_) => 1,
            },
            Self::Taken(_)
            | Self::Disk { .. }
            | Self::Daemon(DaemonError::Workshop(_) | DaemonError::Ledger(_) | DaemonError::Fleet(_)) => 6,
            Self::Json(_) | Self::Yaml(_) => 1,
            Self::PrintCheck => 7,
            Self::Below(_) => 8,
        }
    }
}
