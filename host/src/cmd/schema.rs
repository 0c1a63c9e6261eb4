//! `schema`: what can be in an axis sheet.

use std::io::Write as _;

use crate::exit::Exit;

/// Print the JSON Schema of axis sheets, for editors that complete and check TOML
#[derive(Debug, clap::Args)]
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
