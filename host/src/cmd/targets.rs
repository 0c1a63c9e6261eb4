//! `targets`: what follows from an axis sheet.

use std::fmt::Write as _;
use std::io::{IsTerminal as _, Write as _};
use std::path::PathBuf;

use comfy_table::LineStyle;
use comfy_table::{CellAlignment, ContentArrangement, Table, presets};
use serde::Serialize;

use super::person::tell;
use super::{destination, show};
use crate::exit::Exit;
use crate::record::model::TargetRow;
use crate::sheet::{self, AxisSheet, CommandPair, Loaded, SheetError};
use crate::targets::{Level, Targets};
use crate::terminal::{Stream, width, wrapped};

const EXAMPLES: &str = "\
Examples:
  proofstand targets host/sheets/film-winder.toml
      Volts, speeds, pulses and counts that follow from the sheet; what can't be decided, and what would help.

  proofstand targets axis.toml --json
      The same for a script.";

/// Compute every target of an axis sheet, and what can't be measured and why
#[derive(Debug, clap::Args)]
#[command(after_long_help = EXAMPLES)]
pub struct Cmd {
    /// Axis sheet, a TOML file
    #[arg(value_name = "SHEET")]
    sheet: PathBuf,
    /// Print JSON instead of tables
    #[arg(long)]
    json: bool,
}

/// The printed JSON: what was read and what follows from it.
#[derive(Serialize)]
struct Printed<'a> {
    axis: &'a sheet::Axis,
    targets: &'a Targets,
    rows: Vec<TargetRow>,
}

impl Cmd {
    /// Reads, computes, prints. A sheet with faults is [`Exit::BadInput`]; findings alone are not.
    #[must_use]
    pub fn run(&self) -> Exit {
        if let Err(why) = destination::output_is_apart(&[&self.sheet]) {
            tell(&why, true);
            return Exit::BadInput;
        }
        let loaded = match sheet::read(&self.sheet) {
            Ok(loaded) => loaded,
            Err(error) => {
                // Standard error may be closed; there is nobody to tell then.
                let _ = writeln!(std::io::stderr().lock(), "{}", render(&error));
                return Exit::BadInput;
            }
        };
        let targets = Targets::compute(&loaded.sheet);
        let text = if self.json { json(&loaded, &targets) } else { table(&loaded, &targets) };
        // A reader that closed the pipe has had enough: no error.
        let _ = writeln!(std::io::stdout().lock(), "{text}");
        Exit::Accepted
    }
}

/// A sheet's error for standard error: with carets in colour on a terminal, plain elsewhere and under `NO_COLOR`.
#[must_use]
pub fn render(error: &SheetError) -> String {
    let plain = std::env::var_os("NO_COLOR").is_some_and(|value| !value.is_empty())
        || std::env::var_os("TERM").is_some_and(|value| value == "dumb");
    if !plain && std::io::stderr().is_terminal() { error.in_colour() } else { error.to_string() }
}

fn json(loaded: &Loaded, targets: &Targets) -> String {
    let printed = Printed { axis: &loaded.sheet.axis, targets, rows: targets.rows() };
    serde_json::to_string_pretty(&printed).unwrap_or_else(|error| format!("{{\"error\": \"{error}\"}}"))
}

fn table(loaded: &Loaded, targets: &Targets) -> String {
    let sheet = &loaded.sheet;
    let mut out = String::new();
    // Writing to a String does not fail.
    let _ = writeln!(out, "{}\n{}", sheet.axis.title, sheet.axis.customer);
    if sheet.axis.invented {
        let _ = writeln!(out, "INVENTED DATA: a demonstration, no real axis");
    }
    let direction = &sheet.direction;
    let asks = match sheet.command.pair {
        CommandPair::Torque { volts, percent_of_rated } => {
            format!("{} V asks for {} % of rated torque", volts.get(), percent_of_rated.get())
        }
        CommandPair::Speed { volts, speed } => format!("{} V asks for {} rpm", volts.get(), speed.get()),
    };
    let turns = direction.positive_command.words();
    let way = format!("{asks}; positive turns the shaft {turns}, {}", direction.seen_from.words());
    let _ = writeln!(out, "{}\n", show::wrapped("", &way));

    let mut rows = plain_table(&["Target", "Value", "Unit", ""], &[1]);
    for row in targets.rows() {
        rows.add_row([row.name, significant(row.value), row.unit, row.note]);
    }
    let _ = writeln!(out, "{rows}\n");
    if !targets.levels.is_empty() {
        let _ = writeln!(out, "{}\n", levels(sheet, targets, width(Stream::Out)));
    }

    let mut capability =
        plain_table(&["Quantity", "Tolerance ± %", "U expected %", "of", "Most from", "Decidable"], &[1, 2]);
    for expected in &targets.expected {
        capability.add_row([
            expected.quantity.to_owned(),
            significant(expected.tolerance.get()),
            significant(expected.expanded.get()),
            expected.share_of.to_owned(),
            expected.largest.to_owned(),
            yes(expected.decidable()).to_owned(),
        ]);
    }
    let _ = writeln!(out, "{capability}\n");

    out + &findings(targets, width(Stream::Out))
}

/// What can't be decided, or is near a limit, and what would help; in so many columns.
fn findings(targets: &Targets, columns: usize) -> String {
    if targets.findings.is_empty() {
        return "Findings: none".to_owned();
    }
    let mut out = "Findings".to_owned();
    for finding in &targets.findings {
        let said = format!("{}: {}: {}", finding.severity.words(), finding.subject, finding.reason);
        let _ = write!(out, "\n{}", wrapped("  - ", &said, columns));
        if !finding.remedy.is_empty() {
            let help = format!("would help: {}", finding.remedy);
            let _ = write!(out, "\n{}", wrapped("      ", &help, columns));
        }
    }
    out
}

/// One row for each level: motion from rest, what a trip leaves, room to measure.
fn levels(sheet: &AxisSheet, targets: &Targets, columns: usize) -> Table {
    let head = [
        "Level %",
        "V",
        "N·m",
        "to cap ms",
        "turns",
        "J",
        "after trip rpm",
        "margin",
        "samples",
        "turns in window",
        "reversal",
    ];
    let rows: Vec<Vec<String>> = targets.levels.iter().map(|level| cells(sheet, level).to_vec()).collect();
    if columns < LEVELS_ACROSS_FROM {
        // A level a column: eleven columns would break numbers in two.
        let first: Vec<&str> = head.iter().take(1).copied().collect();
        let levels = rows.iter().filter_map(|row| row.first()).map(String::as_str);
        let right: Vec<usize> = (1..=rows.len()).collect();
        let mut table = plain_table(&first.into_iter().chain(levels).collect::<Vec<_>>(), &right);
        for (number, name) in head.iter().enumerate().skip(1) {
            let cells = rows.iter().filter_map(|row| row.get(number).cloned());
            table.add_row(std::iter::once((*name).to_owned()).chain(cells));
        }
        return table;
    }
    let mut table = plain_table(&head, &[0, 1, 2, 3, 4, 5, 6, 8, 9]);
    for row in rows {
        table.add_row(row);
    }
    table
}

/// What is said of a level.
fn cells(sheet: &AxisSheet, level: &Level) -> [String; 11] {
    let cap = level.reaches.iter().find(|reach| reach.speed == sheet.cap.speed);
    let cell = |value: Option<f64>| value.map_or("-".to_owned(), significant);
    [
        significant(level.percent_of_rated.get()),
        significant(level.command.get()),
        significant(level.torque.get()),
        cell(cap.map(|reach| reach.time.to_millis())),
        cell(cap.map(|reach| reach.turns.get())),
        cell(cap.map(|reach| reach.energy.get())),
        format!("{:.0}", level.after_trip.get()),
        if level.margin_fits { "fits" } else { "no" }.to_owned(),
        level.window.samples.to_string(),
        significant(level.window.turns.get()),
        usable(level).to_owned(),
    ]
}

/// Narrower than this a level is a column, not a row.
const LEVELS_ACROSS_FROM: usize = 110;

const fn usable(level: &Level) -> &'static str {
    if level.usable_for_reversal() { "usable" } else { "refused" }
}

const fn yes(yes: bool) -> &'static str {
    if yes { "yes" } else { "NO" }
}

fn plain_table(head: &[&str], right: &[usize]) -> Table {
    let mut table = Table::new();
    let style = presets::UTF8_HORIZONTAL_ONLY.row_separator(LineStyle::none());
    table.load_style(style).set_content_arrangement(ContentArrangement::Dynamic);
    table.set_header(head.to_vec());
    for column in right {
        if let Some(column) = table.column_mut(*column) {
            column.set_cell_alignment(CellAlignment::Right);
        }
    }
    table
}

/// Five significant figures, without noise at the end.
fn significant(value: f64) -> String {
    if value == 0.0 {
        return "0".to_owned();
    }
    let magnitude = value.abs().log10().floor();
    if !(-3.0..7.0).contains(&magnitude) {
        return format!("{value:.4e}");
    }
    #[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "0 to 7")]
    let decimals = (4.0 - magnitude).clamp(0.0, 7.0) as usize;
    let text = format!("{value:.decimals$}");
    if text.contains('.') { text.trim_end_matches('0').trim_end_matches('.').to_owned() } else { text }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn numbers_have_five_significant_figures_and_no_trailing_noughts() {
        for (value, text) in [
            (12.5, "12.5"),
            (0.0, "0"),
            (1.0, "1"),
            (0.003_814_697, "0.0038147"),
            (83_333.333, "83333"),
            (1.255_390e-3, "0.0012554"),
            (4.6e-6, "4.6000e-6"),
            (-2.5, "-2.5"),
        ] {
            assert_eq!(significant(value), text);
        }
    }

    #[test]
    fn findings_are_broken_between_words_on_a_narrow_terminal() {
        for text in
            [include_str!("../../sheets/bare-rotor.toml"), include_str!("../../sheets/batch-auger.toml")]
        {
            let targets = Targets::compute(&sheet::parse("s.toml", text.as_bytes()).unwrap());
            assert!(!targets.findings.is_empty());
            let shown = findings(&targets, 80);
            assert!(shown.lines().all(|line| line.chars().count() <= 80), "{shown}");
            let words = |text: &str| text.split_whitespace().map(str::to_owned).collect::<Vec<_>>();
            assert_eq!(words(&shown), words(&findings(&targets, 100_000)));
        }
    }

    /// 21407 rpm in two lines reads as 2140 rpm.
    #[test]
    fn no_number_of_a_level_is_broken_in_two_on_a_narrow_terminal() {
        for text in
            [include_str!("../../sheets/bare-rotor.toml"), include_str!("../../sheets/batch-auger.toml")]
        {
            let sheet = sheet::parse("s.toml", text.as_bytes()).unwrap();
            let targets = Targets::compute(&sheet);
            let mut table = levels(&sheet, &targets, 80);
            let shown = table.set_width(80).to_string();
            assert!(shown.lines().all(|line| line.chars().count() <= 80), "{shown}");
            for cell in targets.levels.iter().flat_map(|level| cells(&sheet, level)) {
                assert!(shown.split_whitespace().any(|word| word == cell), "{cell}\n{shown}");
            }
        }
    }
}
