//! What a run prints when it is over.

use std::fs::File;
use std::io::Write;
use std::path::Path;

use comfy_table::{CellAlignment, ColumnConstraint, ContentArrangement, LineStyle, Table, presets};

use crate::record::model::{CheckRecord, ResultRow, Run, Verdict};
use crate::record::{SAMPLES, open, read_samples};
use crate::sequence::STOPPED_BEFORE;
use crate::settings::harmless;
use crate::terminal::{Stream, width};

/// The results as a table, the diagnoses, the outcome. For standard output.
#[must_use]
pub(super) fn run(run: &Run) -> String {
    let mut out = Vec::new();
    // Writing to memory does not fail.
    let _ = write(run, &mut out);
    String::from_utf8_lossy(&out).into_owned()
}

/// A paragraph on standard output.
pub(super) fn wrapped(lead: &str, text: &str) -> String {
    crate::terminal::wrapped(lead, text, width(Stream::Out))
}

/// Prints on standard output; nothing in it drives a terminal. A reader that closed the pipe has had enough: no error.
pub(super) fn out(text: &str) {
    let mut out = std::io::stdout().lock();
    let _ = out.write_all(harmless::lines(text).as_bytes());
    let _ = out.flush();
}

/// What a run's folder holds, where its reports could not be written: what was kept, and how to go on.
pub(super) fn kept(folder: &Path) -> String {
    let samples = File::open(folder.join(SAMPLES)).and_then(read_samples).map_or(0, |s| s.samples.len());
    let checks = match open(folder) {
        Ok(Ok(run)) => run.checks.iter().filter(|c| c.verdict != Verdict::NotDone).count(),
        Ok(Err(journal)) => journal.checks.iter().filter(|c| c.verdict != Verdict::NotDone).count(),
        Err(_) => 0,
    };
    format!(
        "Kept in {}: {samples} samples, {checks} checks that came to their end. When there is room again: proofstand report {}",
        folder.display(),
        folder.display()
    )
}

/// Six columns are broken up beyond reading on narrower terminals.
const COLUMNS_FROM: usize = 110;

fn write(run: &Run, out: &mut Vec<u8>) -> std::io::Result<()> {
    match width(Stream::Out) {
        room if room < COLUMNS_FROM => list(run, room, out)?,
        room => writeln!(out, "{}", table(run, room))?,
    }
    let para = |out: &mut Vec<u8>, lead: &str, text: &str| writeln!(out, "{}", wrapped(lead, text));
    for (n, check) in run.checks.iter().enumerate().filter(|(_, c)| c.verdict != Verdict::Accepted) {
        // The same reason is said once, for all that it kept from being done.
        let alike = |c: &&CheckRecord| {
            c.not_done.is_some()
                && c.not_done == check.not_done
                && c.results.is_empty()
                && check.results.is_empty()
        };
        if run.checks.iter().take(n).any(|c| alike(&c)) {
            continue;
        }
        let others: Vec<&str> =
            run.checks.iter().skip(n + 1).filter(alike).map(|c| c.title.as_str()).collect();
        writeln!(out)?;
        let titles = [&[check.title.as_str()][..], &others].concat().join("; ");
        let not_come_to = check.not_done.as_ref().is_some_and(|n| n.why.starts_with(STOPPED_BEFORE));
        if not_come_to && check.results.is_empty() {
            para(out, "NOT DONE, since the run had stopped: ", &titles)?;
            continue;
        }
        para(out, &format!("{}: ", check.verdict.word()), &titles)?;
        for row in check.results.iter().filter(|r| r.verdict != Verdict::Accepted) {
            para(out, "  - ", &format!("{}: {}", row.name, row.sentence))?;
        }
        if let Some(reason) = &check.not_done {
            para(out, "  - not done: ", &reason.why)?;
            para(out, "    would allow it: ", &reason.would_allow)?;
            if let Some(others) = &reason.shown_also_by {
                para(out, "    stands for it: ", others)?;
            }
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
            let rests = if one.rests_on.is_empty() {
                String::new()
            } else {
                let titles: Vec<&str> = one.rests_on.iter().map(|id| run.title_of(id)).collect();
                format!("; it rests on superseded results: {} made again since", titles.join(", "))
            };
            para(out, "Taken over: ", &format!("{} from run {}{rests}", run.title_of(&one.check), one.run))?;
        }
    }
    if let Some(follows) = &run.follows {
        if !follows.same_unit.is_empty() {
            para(out, "Same unit: ", &follows.same_unit)?;
        }
        for (run, with) in follows.measured_otherwise(&run.provenance) {
            para(out, "Measured otherwise: ", &format!("what is taken over from run {run}, with {with}"))?;
        }
    }
    if !run.outcome.left_out.is_empty() {
        let titles: Vec<&str> = run.outcome.left_out.iter().map(|l| l.title.as_str()).collect();
        writeln!(out)?;
        para(out, "Left out: ", &titles.join("; "))?;
    }
    for warning in &run.provenance.warnings {
        writeln!(out)?;
        para(out, "Warning: ", warning)?;
    }
    if !run.axis.identity.is_empty() {
        let facts: Vec<String> =
            run.axis.identity.iter().map(|f| format!("{}: {}", f.label, f.value)).collect();
        writeln!(out)?;
        para(out, "Unit: ", &facts.join("; "))?;
    }
    writeln!(out)?;
    para(out, &format!("{}: ", run.outcome.verdict.word()), &run.outcome.sentence)
}

/// Every result of every check under its check, for narrow terminals: name and verdict, then what was measured.
fn list(run: &Run, room: usize, out: &mut Vec<u8>) -> std::io::Result<()> {
    for check in &run.checks {
        writeln!(out, "{}", ended_by(&check.title, check.verdict.word(), room))?;
        for row in &check.results {
            writeln!(out, "{}", ended_by(&format!("  {}", row.name), row.verdict.word(), room))?;
            writeln!(out, "{}", wrapped("      ", &Printed::of(row).line()))?;
        }
    }
    Ok(())
}

/// A text with a word at the right edge, on a line of its own where both don't fit.
fn ended_by(text: &str, word: &str, room: usize) -> String {
    let indent = text.chars().take_while(|c| *c == ' ').collect::<String>();
    let text = wrapped(&indent, text);
    let last = text.lines().last().map_or(0, |l| l.chars().count());
    if last + 1 + word.len() <= room {
        format!("{text}{word:>0$}", room - last)
    } else {
        format!("{text}\n{word:>room$}")
    }
}

/// Every result of every check.
fn table(run: &Run, room: usize) -> Table {
    let mut table = Table::new();
    table
        .load_style(presets::UTF8_HORIZONTAL_ONLY.row_separator(LineStyle::none()))
        .set_content_arrangement(ContentArrangement::Dynamic)
        .set_width(u16::try_from(room).unwrap_or(u16::MAX));
    table.set_header(["Result", "Target", "Measured", "U", "Limits", "Verdict"]);
    for check in &run.checks {
        if check.results.is_empty() {
            table.add_row([check.title.as_str(), "", "", "", "", check.verdict.word()]);
        }
        for row in &check.results {
            table.add_row(Printed::of(row).cells(row));
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

/// A result in words and rounded numbers.
struct Printed {
    target: String,
    measured: String,
    uncertainty: String,
    limits: String,
}

impl Printed {
    fn of(row: &ResultRow) -> Self {
        let unit = if row.unit.is_empty() { String::new() } else { format!(" {}", row.unit) };
        let plain = |v: f64| format!("{}{unit}", round(v));
        // To the second digit of the uncertainty; what is exact has whole numbers.
        let digits = row
            .expanded_uncertainty
            .filter(|u| *u > 0.0)
            .map_or(0, |u| (1.0 - u.log10().floor()).clamp(0.0, 6.0) as usize);
        let number = |v: f64| match row.expanded_uncertainty {
            Some(_) => format!("{v:.digits$}{unit}"),
            None => plain(v),
        };
        let measured = match (&row.measured_text, row.measured) {
            (Some(text), _) => text.clone(),
            (None, Some(v)) => number(v),
            (None, None) => "not measured".to_owned(),
        };
        let limits = match (row.lower_limit, row.upper_limit) {
            (Some(l), Some(u)) => format!("{} … {}{unit}", round(l), round(u)),
            (None, Some(u)) => format!("≤ {}{unit}", round(u)),
            (Some(l), None) => format!("≥ {}{unit}", round(l)),
            (None, None) => String::new(),
        };
        Self {
            target: row.target_text.clone().or_else(|| row.target.map(plain)).unwrap_or_default(),
            measured,
            uncertainty: match row.expanded_uncertainty {
                Some(0.0) => "exact".to_owned(),
                Some(u) => number(u),
                None => String::new(),
            },
            limits,
        }
    }

    fn cells(self, row: &ResultRow) -> [String; 6] {
        let verdict = row.verdict.word().to_owned();
        [row.name.clone(), self.target, self.measured, self.uncertainty, self.limits, verdict]
    }

    /// One line for where there is no room for columns.
    fn line(&self) -> String {
        let mut parts = vec![match self.uncertainty.as_str() {
            "" | "exact" => self.measured.clone(),
            u => format!("{} ± {u}", self.measured),
        }];
        if !self.target.is_empty() {
            parts.push(format!("target {}", self.target));
        }
        if !self.limits.is_empty() {
            parts.push(format!("limits {}", self.limits));
        }
        parts.join("; ")
    }
}

/// At most five significant digits, without trailing zeros.
fn round(value: f64) -> f64 {
    if value == 0.0 || !value.is_finite() {
        return value;
    }
    let scale = 10_f64.powi(4 - value.abs().log10().floor() as i32);
    (value * scale).round() / scale
}
