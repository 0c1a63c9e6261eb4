//! What a run prints when it is over.

use std::io::Write;

use comfy_table::{Cell, CellAlignment, ColumnConstraint, ContentArrangement, LineStyle, Table, presets};

use crate::record::model::{ResultRow, Run, Verdict};

/// The results as a table, the diagnoses, the outcome. For standard output.
#[must_use]
pub(super) fn run(run: &Run) -> String {
    let mut out = Vec::new();
    // Writing to memory does not fail.
    let _ = write(run, &mut out);
    String::from_utf8_lossy(&out).into_owned()
}

/// Prints on standard output. A reader that closed the pipe has had enough: no error.
pub(super) fn out(text: &str) {
    let mut out = std::io::stdout().lock();
    let _ = out.write_all(text.as_bytes());
    let _ = out.flush();
}

/// A paragraph broken at the terminal's width, all lines after the first set in under it.
pub(super) fn wrapped(lead: &str, text: &str) -> String {
    let room = width().saturating_sub(lead.chars().count()).max(20);
    let mut lines = vec![String::new()];
    for word in text.split_whitespace() {
        let last = lines.len() - 1;
        let line = &mut lines[last];
        if line.is_empty() {
            line.push_str(word);
        } else if line.chars().count() + 1 + word.chars().count() <= room {
            line.push(' ');
            line.push_str(word);
        } else {
            lines.push(word.to_owned());
        }
    }
    let under = " ".repeat(lead.chars().count());
    format!("{lead}{}", lines.join(&format!("\n{under}")))
}

/// Width to print at: the terminal's, at most [`WIDEST`]; [`WIDEST`] where there is none, as in a log.
fn width() -> usize {
    Table::new()
        .set_content_arrangement(ContentArrangement::Dynamic)
        .width()
        .map_or(WIDEST, usize::from)
        .clamp(40, WIDEST)
}

/// Longer lines are hard to read.
const WIDEST: usize = 120;

fn write(run: &Run, out: &mut Vec<u8>) -> std::io::Result<()> {
    writeln!(out, "{}", table(run))?;
    let para = |out: &mut Vec<u8>, lead: &str, text: &str| writeln!(out, "{}", wrapped(lead, text));
    for check in run.checks.iter().filter(|c| c.verdict != Verdict::Accepted) {
        writeln!(out)?;
        para(out, &format!("{}: ", check.verdict.word()), &check.title)?;
        for row in check.results.iter().filter(|r| r.verdict != Verdict::Accepted) {
            para(out, "  - ", &format!("{}: {}", row.name, row.sentence))?;
        }
        if let Some(reason) = &check.not_done {
            para(out, "  - not done: ", &reason.why)?;
            para(out, "    would allow it: ", &reason.would_allow)?;
        }
    }
    for diagnosis in &run.diagnoses {
        writeln!(out)?;
        para(out, &format!("Probable cause {}: ", diagnosis.rank), &diagnosis.title)?;
        for evidence in &diagnosis.evidence {
            para(out, "  - ", evidence)?;
        }
        para(out, "  What to do: ", &diagnosis.remedy)?;
        for other in &diagnosis.not_told_apart {
            para(out, "  Not told apart: ", other)?;
        }
    }
    if let Some(follows) = &run.follows {
        writeln!(out)?;
        for one in &follows.superseded {
            let verdict = one.record.verdict.word();
            para(out, "Superseded: ", &format!("{}, {verdict} in run {}", one.record.title, one.run))?;
        }
        for one in &follows.taken_over {
            para(out, "Taken over: ", &format!("{} from run {}", one.check, one.run))?;
        }
    }
    for warning in &run.provenance.warnings {
        writeln!(out)?;
        para(out, "Warning: ", warning)?;
    }
    writeln!(out)?;
    para(out, &format!("{}: ", run.outcome.verdict.word()), &run.outcome.sentence)
}

/// Every result of every check, as wide as the terminal at most.
fn table(run: &Run) -> Table {
    let mut table = Table::new();
    table
        .load_style(presets::UTF8_HORIZONTAL_ONLY.row_separator(LineStyle::none()))
        .set_content_arrangement(ContentArrangement::Dynamic)
        .set_width(u16::try_from(width()).unwrap_or(u16::MAX));
    table.set_header(["Result", "Target", "Measured", "U", "Limits", "Verdict"]);
    for check in &run.checks {
        if check.results.is_empty() {
            table.add_row([check.title.as_str(), "", "", "", "", check.verdict.word()]);
        }
        for row in &check.results {
            table.add_row(cells(row));
        }
    }
    for column in 1..5 {
        if let Some(column) = table.column_mut(column) {
            column.set_cell_alignment(CellAlignment::Right);
        }
    }
    // A verdict is never broken: it is what people look for.
    if let Some(column) = table.column_mut(5) {
        column.set_constraint(ColumnConstraint::ContentWidth);
    }
    table
}

fn cells(row: &ResultRow) -> Vec<Cell> {
    let unit = if row.unit.is_empty() { String::new() } else { format!(" {}", row.unit) };
    let digits = row
        .expanded_uncertainty
        .filter(|u| *u > 0.0)
        .map_or(0, |u| (1.0 - u.log10().floor()).clamp(0.0, 6.0) as usize);
    let number = |v: f64| format!("{v:.digits$}{unit}");
    let plain = |v: f64| format!("{}{unit}", round(v));
    let measured = match (&row.measured_text, row.measured) {
        (Some(text), _) => text.clone(),
        (None, Some(v)) => number(v),
        (None, None) => "–".to_owned(),
    };
    let target = row.target_text.clone().or_else(|| row.target.map(plain)).unwrap_or_default();
    let uncertainty = row.expanded_uncertainty.map(|u| if u == 0.0 { "exact".to_owned() } else { number(u) });
    let limits = match (row.lower_limit, row.upper_limit) {
        (Some(l), Some(u)) => format!("{} … {}{unit}", round(l), round(u)),
        (None, Some(u)) => format!("≤ {}{unit}", round(u)),
        (Some(l), None) => format!("≥ {}{unit}", round(l)),
        (None, None) => String::new(),
    };
    vec![
        Cell::new(&row.name),
        Cell::new(target),
        Cell::new(measured),
        Cell::new(uncertainty.unwrap_or_default()),
        Cell::new(limits),
        Cell::new(row.verdict.word()),
    ]
}

/// At most five significant digits, without trailing zeros.
fn round(value: f64) -> f64 {
    if value == 0.0 || !value.is_finite() {
        return value;
    }
    let scale = 10_f64.powi(4 - value.abs().log10().floor() as i32);
    (value * scale).round() / scale
}
