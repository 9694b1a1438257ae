//! Signals to the cancel flag: the first asks the daemon to stop after the step it is in, a second ends it at once.

use std::io;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};

use tokio::signal::unix::{SignalKind, signal};

/// Asked to stop or not; shared by everyone who has to know.
#[derive(Clone, Debug, Default)]
pub struct Shutdown {
    pub cancel: Arc<AtomicBool>,
}

impl Shutdown {
    /// Listens for SIGINT and SIGTERM from now on. SIGHUP ends nothing.
    ///
    /// # Errors
    /// When the system takes no signal handlers.
    pub fn listen() -> io::Result<Self> {
        let shutdown = Self::default();
        let mut interrupt = signal(SignalKind::interrupt())?;
        let mut terminate = signal(SignalKind::terminate())?;
        let mut hangup = signal(SignalKind::hangup())?;
        tokio::spawn(async move {
            while hangup.recv().await.is_some() {
                tracing::info!(
                    "pipelines, shelf and printers are read anew for every scan; nothing has to be reloaded"
                );
            }
        });
        let told = shutdown.clone();
        tokio::spawn(async move {
            for first in [true, false] {
                let code = tokio::select! {
                    _ = interrupt.recv() => 130,
                    _ = terminate.recv() => 143,
                };
                if !first {
                    std::process::exit(code);
                }
                tracing::info!("stopping after the step in hand; a second signal ends at once");
                told.cancel.store(true, Ordering::Relaxed);
            }
        });
        Ok(shutdown)
    }

    #[must_use]
    pub fn asked(&self) -> bool {
        self.cancel.load(Ordering::Relaxed)
    }

    /// Asks to stop, as a signal does.
    pub fn ask(&self) {
        self.cancel.store(true, Ordering::Relaxed);
    }
}
