//! A real server for the fleet, on loopback and with a store of its own, and workers as processes.

use std::fs;
use std::net::TcpListener;
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Stdio};
use std::time::{Duration, Instant};

use futures_util::StreamExt;

use super::daemon::{says, stop, until, watch_logged};
use super::{command, text};

/// Lease in the tests, s: a worker that was killed is noticed after it.
const LEASE: &str = "2";

/// A server that goes away with its store.
pub struct Server {
    process: Child,
    folder: tempfile::TempDir,
    port: u16,
}

impl Server {
    pub fn start() -> Self {
        let folder = super::folder();
        // Nobody else takes a port of the system's choice so soon.
        let port = TcpListener::bind("127.0.0.1:0").unwrap().local_addr().unwrap().port();
        let process = serve(folder.path(), port);
        Self { process, folder, port }
    }

    pub fn url(&self) -> String {
        format!("nats://127.0.0.1:{}", self.port)
    }

    pub fn stop(&mut self) {
        self.process.kill().unwrap();
        self.process.wait().unwrap();
    }

    pub fn start_again(&mut self) {
        self.process = serve(self.folder.path(), self.port);
    }

    /// As after a broken disk.
    pub fn lose_store(&self) {
        fs::remove_dir_all(self.folder.path().join("store")).unwrap();
    }

    /// Everything that lies on the server: streams with the number of their messages.
    pub fn stores(&self) -> Vec<(String, u64)> {
        let runtime = tokio::runtime::Builder::new_current_thread().enable_all().build().unwrap();
        runtime.block_on(async {
            let client = async_nats::connect(self.url()).await.unwrap();
            let mut streams = async_nats::jetstream::new(client).streams();
            let mut found = Vec::new();
            while let Some(info) = streams.next().await {
                let info = info.unwrap();
                found.push((info.config.name, info.state.messages));
            }
            found.sort();
            found
        })
    }

    /// Whether nothing of anybody's is left there.
    pub fn is_clean(&self) -> bool {
        self.stores().iter().all(|(_, messages)| *messages == 0)
    }

    /// Puts a message on a subject, as another program could.
    pub fn publish(&self, subject: &str, payload: &str) {
        let runtime = tokio::runtime::Builder::new_current_thread().enable_all().build().unwrap();
        runtime.block_on(async {
            let client = async_nats::connect(self.url()).await.unwrap();
            let context = async_nats::jetstream::new(client);
            context.publish(subject.to_owned(), payload.to_owned().into()).await.unwrap().await.unwrap();
        });
    }

    /// Starts a daemon that offers its scans here.
    pub fn daemon(&self, workshop: &Path, more: &[&str]) -> Daemon {
        let url = self.url();
        let mut args = vec!["--fleet", &url];
        if !more.contains(&"--lease-secs") {
            args.extend(["--lease-secs", LEASE]);
        }
        args.extend(more);
        Daemon(Some(watch_logged(workshop, &log_of(workshop), &args)))
    }

    /// Starts a worker; it ends with the returned guard.
    pub fn worker(&self, name: &str, more: &[&str]) -> Hand {
        let (url, folder) = (self.url(), self.folder.path().join(name));
        fs::create_dir_all(&folder).unwrap();
        let log = self.folder.path().join(format!("{name}.log"));
        let file = fs::File::options().create(true).append(true).open(&log).unwrap();
        let place = text(&folder);
        let mut args = vec!["work", "--fleet", &url, "--name", name, "--folder", &place, "--nice", "0"];
        args.extend(more);
        Hand { process: command(&args).stderr(file).spawn().unwrap(), folder, log }
    }
}

impl Drop for Server {
    fn drop(&mut self) {
        let _ = self.process.kill();
        let _ = self.process.wait();
    }
}

/// Debian puts it where not every user looks.
fn program() -> PathBuf {
    let places = std::env::var_os("PATH").unwrap_or_default();
    let mut folders: Vec<PathBuf> = std::env::split_paths(&places).collect();
    folders.push("/usr/sbin".into());
    let found = folders.into_iter().map(|folder| folder.join("nats-server")).find(|path| path.is_file());
    found.expect("nats-server is missing: install it with `apt-get install --no-install-recommends nats-server`")
}

fn serve(folder: &Path, port: u16) -> Child {
    let (store, log, port) = (text(&folder.join("store")), text(&folder.join("server.log")), port.to_string());
    let args = ["-a", "127.0.0.1", "-p", &port, "-js", "-sd", &store, "-l", &log];
    let process = Command::new(program()).args(args).stdout(Stdio::null()).stderr(Stdio::null()).spawn().unwrap();
    let start = Instant::now();
    while std::net::TcpStream::connect(("127.0.0.1", port.parse::<u16>().unwrap())).is_err() {
        assert!(start.elapsed() < Duration::from_secs(20), "the server does not listen: see {log}");
        std::thread::sleep(Duration::from_millis(20));
    }
    process
}

/// A daemon; a test that fails leaves none behind.
pub struct Daemon(Option<Child>);

impl Daemon {
    /// Asks it to stop; its exit code.
    pub fn stop(mut self) -> i32 {
        stop(self.0.take().unwrap())
    }

    pub fn kill(mut self) {
        let mut process = self.0.take().unwrap();
        process.kill().unwrap();
        process.wait().unwrap();
    }

    /// Waits for its end; its exit code.
    pub fn end(mut self) -> Option<i32> {
        self.0.take().unwrap().wait().unwrap().code()
    }
}

impl Drop for Daemon {
    fn drop(&mut self) {
        if let Some(mut process) = self.0.take() {
            let _ = process.kill();
            let _ = process.wait();
        }
    }
}

/// Where the daemon of a workshop logs.
pub fn log_of(workshop: &Path) -> PathBuf {
    workshop.join("daemon.log")
}

/// A worker.
pub struct Hand {
    pub process: Child,
    pub folder: PathBuf,
    pub log: PathBuf,
}

impl Hand {
    pub fn says(&self, what: &str) -> bool {
        says(&self.log, what)
    }

    pub fn kill(&mut self) {
        self.process.kill().unwrap();
        self.process.wait().unwrap();
    }

    /// Asks it to stop; tells how long that took.
    pub fn stop(&mut self) -> (i32, Duration) {
        let (start, pid) = (Instant::now(), self.process.id().to_string());
        assert!(Command::new("kill").args(["-TERM", &pid]).status().unwrap().success());
        (self.process.wait().unwrap().code().unwrap_or(-1), start.elapsed())
    }

    /// Waits until it is in the midst of a scan.
    pub fn until_at_work(&self) {
        until("the worker is in the midst of a scan", || self.says("stage 2 of"));
    }
}

impl Drop for Hand {
    fn drop(&mut self) {
        let _ = self.process.kill();
        let _ = self.process.wait();
    }
}
