//! `wiring`: which terminal goes where.

use std::io::Write as _;
use std::path::{Path, PathBuf};

use super::destination::{self, Kind};
use super::person::tell;
use super::targets::render;
use crate::exit::Exit;
use crate::settings::harmless::visible;
use crate::sheet::{self, Loaded};
use crate::terminal::{Stream, width};
use crate::wiring::{self, Wiring, text};

const EXAMPLES: &str = "\
Examples:
  proofstand wiring host/sheets/film-winder.toml
      The terminal table: which terminal of the fixture goes to which of the amplifier, polarity, pairs, screens, \
what is normally closed. Cautions first.

  proofstand wiring axis.toml --svg wiring.svg
      The drawing, for A4 in black and white; more pages go beside it: wiring-2.svg, ...

  proofstand wiring axis.toml --markers > labels.txt
      Labels to stick on, one a line, for both ends of each wire.

  proofstand wiring axis.toml --csv > wiring.csv
      The table for a spreadsheet.";

/// List and draw the wires between fixture and amplifier
///
/// A sheet without a role that a check of the customer's expectation needs is refused (exit code 2); with --partial it
/// is drawn all the same and says what can't be checked.
#[derive(Debug, clap::Args)]
#[command(after_help = EXAMPLES)]
pub struct Cmd {
    /// Axis sheet, a TOML file
    #[arg(value_name = "SHEET")]
    sheet: PathBuf,
    /// Print CSV (RFC 4180) instead of a table
    #[arg(long, conflicts_with = "markers")]
    csv: bool,
    /// Print labels to stick on instead of a table
    #[arg(long)]
    markers: bool,
    /// Draw to this file; further pages go beside it with -2, -3, ... in their names. A drawing that is there already
    /// is replaced, any other file is not
    #[arg(long, value_name = "FILE")]
    svg: Option<PathBuf>,
    /// Go on although a needed role is missing
    #[arg(long)]
    partial: bool,
}

impl Cmd {
    /// Reads, lists, draws. A sheet with faults or missing roles is [`Exit::BadInput`]; then nothing is written.
    #[must_use]
    pub fn run(&self) -> Exit {
        if let Err(why) = destination::output_is_apart(&[&self.sheet]) {
            tell(&why, true);
            return Exit::BadInput;
        }
        let loaded = match sheet::read(&self.sheet) {
            Ok(loaded) => loaded,
            Err(error) => {
                complain(&render(&error));
                return Exit::BadInput;
            }
        };
        let wiring = Wiring::of(&loaded.sheet);
        if !self.partial && wiring.refused().next().is_some() {
            complain(&refusal(&loaded, &wiring));
            return Exit::BadInput;
        }
        if self.csv || self.markers {
            // The table has them among its cautions.
            for why in &wiring.doubtful {
                complain(&visible(&format!("Warning: {why}")));
            }
        }
        if let Some(path) = &self.svg
            && let Err(why) = self.draw(path, &loaded, &wiring)
        {
            tell(&why, true);
            return Exit::BadInput;
        }
        let out = match (self.csv, self.markers) {
            (true, _) => text::csv(&wiring),
            (_, true) => text::markers(&wiring),
            _ => text::table(&wiring, width(Stream::Out)),
        };
        // A reader that closed the pipe has had enough: no error.
        let _ = std::io::stdout().lock().write_all(out.as_bytes());
        Exit::Accepted
    }

    /// Writes every page, or none where one of them would take another file's place.
    fn draw(&self, path: &Path, loaded: &Loaded, wiring: &Wiring) -> Result<(), String> {
        let crc = crc::Crc::<u32>::new(&crc::CRC_32_ISO_HDLC).checksum(loaded.text.as_bytes());
        let pages = wiring::pages(wiring, &loaded.file, &format!("{crc:08x}"));
        let paths: Vec<_> = (1..=pages.len()).map(|number| numbered(path, number)).collect();
        for path in &paths {
            destination::is_free(path, Kind::Svg, &[&self.sheet])
                .map_err(|why| format!("{why}\nnothing was written"))?;
        }
        for (path, page) in paths.iter().zip(&pages) {
            destination::write(path, page.svg.as_bytes())
                .map_err(|error| format!("{}: can't write the drawing: {error}", path.display()))?;
            tell(&format!("Drawn: {}", path.display()), true);
        }
        Ok(())
    }
}

/// To standard error; if that is closed there is nobody to tell.
fn complain(text: &str) {
    let _ = writeln!(std::io::stderr().lock(), "{text}");
}

/// The file itself for the first page, `name-2.svg` for the second.
fn numbered(path: &Path, number: usize) -> PathBuf {
    if number == 1 {
        return path.to_owned();
    }
    let mut name = path.file_stem().unwrap_or_default().to_owned();
    name.push(format!("-{number}"));
    if let Some(extension) = path.extension() {
        name.push(".");
        name.push(extension);
    }
    path.with_file_name(name)
}

fn refusal(loaded: &Loaded, wiring: &Wiring) -> String {
    let mut out = String::new();
    for missing in wiring.refused() {
        let line = wiring::line_of(&loaded.text, missing.section);
        let (file, section) = (visible(&loaded.file), missing.section);
        out.push_str(&format!("{file}:{line}: {section}: no \"{}\": {}\n", missing.role, missing.cost));
        out.push_str(&format!("     = {}\n", missing.remedy));
    }
    out + "nothing was written; --partial draws what there is"
}
