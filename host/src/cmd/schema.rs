//! `schema`: what can be in an axis sheet.

use std::io::Write as _;

use crate::exit::Exit;

const EXAMPLES: &str = "\
Example:
  proofstand schema > axis.schema.json
      With `#:schema axis.schema.json` as its first line a sheet is completed and checked while it is written, by \
editors that know TOML schemas.";

/// Print the JSON Schema of axis sheets, for editors that complete and check TOML
#[derive(Debug, clap::Args)]
#[command(after_help = EXAMPLES)]
pub struct Cmd {}

impl Cmd {
    /// Prints it.
    #[must_use]
    pub fn run(&self) -> Exit {
        let mut out = std::io::stdout().lock();
        // `{:#}` of a JSON value is its pretty form. A reader that closed the pipe has had enough: no error.
        let _ = writeln!(out, "{:#}", crate::sheet::json_schema());
        Exit::Accepted
    }
}
