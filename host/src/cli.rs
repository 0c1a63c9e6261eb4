//! The command line: parses, runs a verb, ends with its exit code.

use std::process::ExitCode;

use crate::cmd;
use clap::{Parser, Subcommand};

/// Proves on a bench fixture that a servo amplifier does what an axis sheet says
///
/// The fixture takes the machine controller's place at the amplifier's I/O connector. From one axis sheet the program
/// computes every target, plans motion that fits the axis, runs the acceptance, judges each result with its
/// uncertainty, says what is probably wrong, and leaves a record.
///
/// Motion can hurt. Read the cautions. The fixture is a bench instrument, not a safety component.
#[derive(Debug, Parser)]
#[command(version, after_long_help = EXAMPLES, max_term_width = 100)]
pub(crate) struct Cli {
    #[command(subcommand)]
    verb: Verb,
}

const EXAMPLES: &str = "\
Examples, in the order of the job:
  proofstand targets host/sheets/settings/film-winder.toml
      What follows from the sheet, and what can't be decided and why.
  proofstand wiring host/sheets/settings/film-winder.toml --svg wiring.svg
      What goes where, between fixture and amplifier.
  proofstand settings worksheet host/sheets/settings/film-winder.toml
      What to enter in the amplifier, and what rounding costs.
  proofstand settings compare host/sheets/settings/film-winder.toml \\
      host/sheets/settings/film-winder-before.csv \\
      host/sheets/settings/film-winder-after.csv
      What changed in it, and what nobody expected.
  proofstand rehearse host/sheets/settings/film-winder.toml
      The whole acceptance without hardware.
  proofstand rehearse host/sheets/settings/film-winder.toml --fault gain-doubled
      What a fault looks like, and which cause is named.
  proofstand ports
      Where the fixture is.
  proofstand calibrate --rehearse
      What a calibration of the fixture asks for, and the certificate it leaves, without hardware.
  proofstand accept axis.toml --port /dev/ttyACM0
      The acceptance on a fixture. Leaves a folder in runs/.
  proofstand accept axis.toml --port /dev/ttyACM0 --again runs/RUN --only speed-cap
      One check again, after a setting was changed.
  proofstand compare runs/BEFORE runs/AFTER
      What has changed between two runs, and how small a change would be seen.
  proofstand export runs/RUN --parquet
      What was measured, for other programs.
  proofstand handover runs/RUN
      What must be undone before the axis is handed over.

Exit codes:
  0  everything was accepted
  1  something was rejected
  2  bad input or usage; nothing was written
  3  nothing was rejected; something is undecided, was not done, or was left
     out: a part of an acceptance (--only) never ends with 0
  4  fixture, link or a trip stopped the run";

#[derive(Debug, Subcommand)]
enum Verb {
    Targets(cmd::targets::Cmd),
    Rehearse(cmd::rehearse::Cmd),
    Accept(cmd::accept::Cmd),
    Report(cmd::report::Cmd),
    Handover(cmd::handover::Cmd),
    Export(cmd::export::Cmd),
    Ports(cmd::ports::Cmd),
    Calibrate(cmd::calibrate::Cmd),
    Loopback(cmd::loopback::Cmd),
    Inertia(cmd::inertia::Cmd),
    Compare(cmd::compare::Cmd),
    Wiring(cmd::wiring::Cmd),
    Settings(cmd::settings::Cmd),
    Schema(cmd::schema::Cmd),
    Completions(cmd::completions::Completions),
    Man(cmd::completions::Man),
}

/// The whole program.
#[must_use]
pub fn main() -> ExitCode {
    let exit = match Cli::parse().verb {
        Verb::Targets(cmd) => cmd.run(),
        Verb::Rehearse(cmd) => cmd.run(),
        Verb::Accept(cmd) => cmd.run(),
        Verb::Report(cmd) => cmd.run(),
        Verb::Handover(cmd) => cmd.run(),
        Verb::Export(cmd) => cmd.run(),
        Verb::Ports(cmd) => cmd.run(),
        Verb::Calibrate(cmd) => cmd.run(),
        Verb::Loopback(cmd) => cmd.run(),
        Verb::Inertia(cmd) => cmd.run(),
        Verb::Compare(cmd) => cmd.run(),
        Verb::Wiring(cmd) => cmd.run(),
        Verb::Settings(cmd) => cmd.run(),
        Verb::Schema(cmd) => cmd.run(),
        Verb::Completions(cmd) => cmd.run(),
        Verb::Man(cmd) => cmd.run(),
    };
    exit.into()
}

#[cfg(test)]
mod tests {
    use clap::CommandFactory as _;

    use super::Cli;

    /// A line that was broken by hand is broken again on a narrower terminal, and then ragged.
    fn broken_by_hand(text: &str) -> Option<String> {
        let lines: Vec<&str> = text.lines().collect();
        let indent = |line: &str| line.len() - line.trim_start().len();
        let prose = |line: &str| !line.trim().is_empty() && (indent(line) == 0 || indent(line) >= 6);
        lines.windows(2).enumerate().find_map(|(n, pair)| {
            let typed = pair[0].ends_with('\\') || n > 0 && lines[n - 1].ends_with('\\');
            let alike = prose(pair[0]) && prose(pair[1]) && indent(pair[0]) == indent(pair[1]);
            (alike && !typed && !pair[0].ends_with(':')).then(|| pair.join("\n"))
        })
    }

    fn held(command: &clap::Command) {
        for help in [command.get_after_help(), command.get_after_long_help()].into_iter().flatten() {
            let found = broken_by_hand(&help.to_string());
            assert_eq!(found, None, "{}", command.get_name());
        }
        command.get_subcommands().for_each(held);
    }

    #[test]
    fn what_stands_after_the_options_is_broken_by_the_terminal_alone() {
        assert!(broken_by_hand("Examples:\n  do\n      It does one\n      thing.").is_some());
        assert!(broken_by_hand("Examples:\n  do \\\n      --more\n      It does.").is_none());
        held(&Cli::command());
    }
}
