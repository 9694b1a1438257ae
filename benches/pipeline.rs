//! Whole runs at life size, with one thread and with two: the ratio of the two rows is what counts. A scan of your own
//! is taken along when `STATUARY_BENCH_SCAN` names it. `cargo bench --bench pipeline`

use std::path::PathBuf;
use std::process::{Command, Stdio};

use divan::Bencher;

const THREADS: [usize; 2] = [1, 2];

fn main() {
    divan::main();
}

fn run(bencher: Bencher<'_, '_>, scan: &PathBuf, threads: usize) {
    let root = PathBuf::from(env!("CARGO_MANIFEST_DIR"));
    bencher.with_inputs(|| tempfile::tempdir().expect("a temporary folder")).bench_refs(|folder| {
        let status = Command::new(env!("CARGO_BIN_EXE_statuary"))
            .arg("run")
            .arg(scan)
            .arg("--pipeline")
            .arg(root.join("pipelines/life-size.yaml"))
            .arg("--out")
            .arg(folder.path().join("run"))
            .env("RAYON_NUM_THREADS", threads.to_string())
            .stdout(Stdio::null())
            .stderr(Stdio::null())
            .status();
        assert!(status.expect("the program starts").success(), "the run failed");
    });
}

#[divan::bench(args = THREADS, sample_count = 3, sample_size = 1)]
fn deckhand(bencher: Bencher<'_, '_>, threads: usize) {
    run(bencher, &PathBuf::from(env!("CARGO_MANIFEST_DIR")).join("demo-data/deckhand.ply"), threads);
}

#[divan::bench(args = THREADS, sample_count = 1, sample_size = 1)]
fn own_scan(bencher: Bencher<'_, '_>, threads: usize) {
    match std::env::var_os("STATUARY_BENCH_SCAN") {
        Some(scan) => run(bencher, &PathBuf::from(scan), threads),
        None => eprintln!("own_scan is left out: STATUARY_BENCH_SCAN names no scan"),
    }
}
