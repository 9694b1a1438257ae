//! Asks reference libraries in Python for a second opinion. The environment is made under `target/` at first use.

use std::io::Write;
use std::path::PathBuf;
use std::process::{Command, Stdio};
use std::sync::OnceLock;

use super::project;

/// The interpreter with the libraries of `tests/oracle/requirements.txt`.
fn python() -> &'static PathBuf {
    static PYTHON: OnceLock<PathBuf> = OnceLock::new();
    PYTHON.get_or_init(|| {
        let wanted = std::fs::read(project("tests/oracle/requirements.txt")).unwrap();
        let home = project("target/oracle");
        let (python, stamp) = (home.join("bin/python"), home.join("installed"));
        if std::fs::read(&stamp).ok().as_ref() != Some(&wanted) {
            run(Command::new("python3").args(["-m", "venv", "--clear"]).arg(&home));
            let list = project("tests/oracle/requirements.txt");
            run(Command::new(&python).args(["-m", "pip", "install", "--quiet", "--requirement"]).arg(list));
            std::fs::write(stamp, wanted).unwrap();
        }
        python
    })
}

fn run(command: &mut Command) {
    let output = command.output().unwrap_or_else(|error| panic!("{command:?}: {error}; python3 with venv is needed"));
    assert!(output.status.success(), "{command:?}: {}", String::from_utf8_lossy(&output.stderr));
}

/// The answer of `oracle.py` to these arguments and this standard input.
pub fn ask(args: &[&str], input: &str) -> serde_json::Value {
    let mut child = Command::new(python())
        .arg(project("tests/oracle/oracle.py"))
        .args(args)
        .stdin(Stdio::piped())
        .stdout(Stdio::piped())
        .stderr(Stdio::piped())
        .spawn()
        .expect("the interpreter starts");
    child.stdin.take().expect("it was piped").write_all(input.as_bytes()).unwrap();
    let output = child.wait_with_output().unwrap();
    assert!(output.status.success(), "{args:?}: {}", String::from_utf8_lossy(&output.stderr));
    serde_json::from_slice(&output.stdout).expect("one JSON object")
}
