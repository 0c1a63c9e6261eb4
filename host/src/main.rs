//! `proofstand`: proves on a bench fixture that a servo amplifier does what an axis sheet says.

use std::process::ExitCode;

use clap::{Parser, Subcommand};
use proofstand::cmd;

/// Proves on a bench fixture that a servo amplifier does what an axis sheet says
#[derive(Debug, Parser)]
#[command(version, max_term_width = 100)]
struct Cli {
    #[command(subcommand)]
    verb: Verb,
}

#[derive(Debug, Subcommand)]
enum Verb {
    Targets(cmd::targets::Cmd),
    Schema(cmd::schema::Cmd),
}

fn main() -> ExitCode {
    let exit = match Cli::parse().verb {
        Verb::Targets(cmd) => cmd.run(),
        Verb::Schema(cmd) => cmd.run(),
    };
    exit.into()
}
