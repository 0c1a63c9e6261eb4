//! The host program once more, as a program of this package: its tests run it in a process of its own.

use std::process::ExitCode;

fn main() -> ExitCode {
    proofstand::cli::main()
}
