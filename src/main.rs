//! Entry point: everything else is in the library.

use std::process::ExitCode;

fn main() -> ExitCode {
    statuary::cli::main()
}
