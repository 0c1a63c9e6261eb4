//! `settings`: what changed in the amplifier's table, and what to enter.

use std::io::Write as _;
use std::path::{Path, PathBuf};

use serde::Serialize;

use super::destination;
use super::person::tell_laid_out;
use super::targets::render;
use crate::exit::Exit;
use crate::settings::harmless;
use crate::settings::{
    Comparison, Heading, SettingsError, Table, Worksheet, comparison_csv, comparison_text, expectations,
    worksheet_csv, worksheet_text,
};
use crate::sheet::{self, AxisSheet};
use crate::terminal::{Stream, width};

const EXAMPLES: &str = "\
Examples:
  proofstand settings worksheet host/sheets/settings/film-winder.toml
      For each target what to enter in the amplifier, and what rounding to its step costs.

  proofstand settings compare host/sheets/settings/film-winder.toml \\
      host/sheets/settings/film-winder-before.csv \\
      host/sheets/settings/film-winder-after.csv
      Two exports of the amplifier's table: what changed as expected, what did not, and what nobody expected. \
[settings] of the sheet names the columns, the encoding and the decimal sign. A value in another unit than the \
sheet's is not as expected.

  proofstand settings compare host/sheets/settings/film-winder.toml \\
      host/sheets/settings/film-winder-before.csv \\
      host/sheets/settings/film-winder-after.csv --csv > changes.csv
      The same for a spreadsheet.

Exit codes:
  0  nothing unexpected, nothing missing; everything can be entered
  1  something unexpected or missing; something can't be entered
  2  bad input";

/// Compare the amplifier's settings before and after, or work out what to enter
#[derive(Debug, clap::Args)]
#[command(after_help = EXAMPLES)]
pub struct Cmd {
    #[command(subcommand)]
    verb: Verb,
}

#[derive(Debug, clap::Subcommand)]
enum Verb {
    /// Compare two exported tables of the amplifier's settings
    ///
    /// The tables are delimited text with the column headings that [settings] of the sheet names. Expected is what
    /// follows from the sheet's targets ([[setting]]) and what it says besides ([[expected_change]]).
    Compare {
        /// Axis sheet, a TOML file
        #[arg(value_name = "SHEET")]
        sheet: PathBuf,
        /// Table exported before the change
        #[arg(value_name = "BEFORE")]
        before: PathBuf,
        /// Table exported after it
        #[arg(value_name = "AFTER")]
        after: PathBuf,
        #[command(flatten)]
        form: Form,
    },
    /// For each target the value to enter, rounded to the amplifier's step, and what rounding costs
    Worksheet {
        /// Axis sheet, a TOML file
        #[arg(value_name = "SHEET")]
        sheet: PathBuf,
        #[command(flatten)]
        form: Form,
    },
}

#[derive(Debug, Clone, Copy, clap::Args)]
struct Form {
    /// Print JSON instead of text
    #[arg(long, conflicts_with = "csv")]
    json: bool,
    /// Print CSV (RFC 4180) instead of text
    #[arg(long)]
    csv: bool,
}

impl Cmd {
    /// Reads, compares or computes, prints.
    #[must_use]
    pub fn run(&self) -> Exit {
        let result = destination::output_is_apart(&self.verb.reads())
            .map_err(|why| harmless::lines(&why))
            .and_then(|()| self.verb.made());
        match result {
            Ok((out, good)) => {
                // A reader that closed the pipe has had enough: no error.
                let _ = std::io::stdout().lock().write_all(out.as_bytes());
                if good { Exit::Accepted } else { Exit::Rejected }
            }
            Err(message) => {
                tell_laid_out(&message, true);
                Exit::BadInput
            }
        }
    }
}

impl Verb {
    /// The files that are read.
    fn reads(&self) -> Vec<&Path> {
        match self {
            Self::Compare { sheet, before, after, .. } => vec![sheet, before, after],
            Self::Worksheet { sheet, .. } => vec![sheet],
        }
    }

    /// What is printed, and whether all is well.
    fn made(&self) -> Result<(String, bool), String> {
        match self {
            Self::Compare { sheet, before, after, form } => compare(sheet, before, after, *form),
            Self::Worksheet { sheet, form } => read(sheet).map(|(sheet, heading)| {
                let worksheet = Worksheet::of(&sheet);
                let out = form.print(&heading, &worksheet, worksheet_text, worksheet_csv);
                (out, worksheet.fits())
            }),
        }
    }
}

impl Form {
    fn print<T: Serialize>(
        self,
        heading: &Heading,
        what: &T,
        text: fn(&T, usize) -> String,
        csv: fn(&T) -> String,
    ) -> String {
        match (self.json, self.csv) {
            (true, _) => {
                let json = serde_json::to_string_pretty(&Printed { axis: heading, what });
                harmless::json(&json.unwrap_or_else(|error| format!("{{\"error\": \"{error}\"}}"))) + "\n"
            }
            (_, true) => csv(what),
            _ => heading.text(width(Stream::Out)) + &text(what, width(Stream::Out)),
        }
    }
}

/// The printed JSON: which axis, and what is said of it.
#[derive(Serialize)]
struct Printed<'a, T> {
    axis: &'a Heading,
    #[serde(flatten)]
    what: &'a T,
}

fn read(path: &Path) -> Result<(AxisSheet, Heading), String> {
    let loaded = sheet::read(path).map_err(|error| render(&error))?;
    let heading = Heading::of(&loaded.sheet, &path.display().to_string());
    Ok((loaded.sheet, heading))
}

fn compare(path: &Path, before: &Path, after: &Path, form: Form) -> Result<(String, bool), String> {
    let (sheet, heading) = read(path)?;
    let layout = sheet.settings.table.as_ref();
    let layout = layout.ok_or_else(|| format!("{}: {}", path.display(), SettingsError::NoLayout))?;
    let load = |path| Table::load(path, layout).map_err(|error| error.to_string());
    let comparison = Comparison::of(&load(before)?, &load(after)?, &expectations(&sheet));
    Ok((form.print(&heading, &comparison, comparison_text, comparison_csv), comparison.clean()))
}
