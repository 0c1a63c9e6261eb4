//! Two runs compared: what both have measured, with what they have in common.
//!
//! What both values are wrong by together (the inertia that both sheets state, the calibration of the same board) cancels in
//! their difference (JCGM 100:2008, 5.2, F.1.2.3), so that far smaller changes are seen than either value is known to.

#[cfg(test)]
mod every_budget;
mod line;
mod shared;

use proofstand_units::Celsius;
use serde::Serialize;

use line::Allowed;
pub use line::{Finding, Line};
use shared::Shared;

use crate::cmd::identity::{NOT_NOTED, SAME_UNIT};
use crate::record::model::{CheckRecord, ResultRow, Run, RunKind, Verdict};
use crate::sheet::{AxisSheet, SheetError, parse};

/// Why two runs can't be compared.
#[derive(Debug, thiserror::Error)]
pub enum CompareError {
    /// A run's sheet can't be read.
    #[error("run {run}: {source}")]
    Sheet {
        /// The run.
        run: String,
        /// Why.
        source: Box<SheetError>,
    },
    /// They don't belong together.
    #[error("runs {before} and {after} can't be compared: {why}")]
    Apart {
        /// The earlier one.
        before: String,
        /// The later one.
        after: String,
        /// Why, and what would do.
        why: &'static str,
    },
}

/// What came of comparing two runs.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Comparison {
    /// `REHEARSAL` or `acceptance`. What was simulated says nothing about a real axis.
    pub kind: &'static str,
    /// Name of the run that the differences count from.
    pub before: String,
    /// Name of the other.
    pub after: String,
    /// What was compared.
    pub lines: Vec<Line>,
    /// What was not, and why.
    pub left_out: Vec<String>,
    /// What a reader needs to know.
    pub notes: Vec<String>,
}

impl Comparison {
    /// The worst finding: rejected where something differs, undecided where something is a warning or nothing was compared.
    #[must_use]
    pub fn verdict(&self) -> Verdict {
        let worst = self.lines.iter().map(|line| line.finding).max();
        match worst {
            Some(Finding::Agrees) => Verdict::Accepted,
            Some(Finding::Warning) | None => Verdict::Undecided,
            Some(Finding::Differs) => Verdict::Rejected,
        }
    }
}

/// Compares what two runs have measured, result by result. `apart` is how far the motor's temperature may have been from
/// one run to the other.
///
/// # Errors
/// [`CompareError`] if they don't belong together: a rehearsal and an acceptance, other motors or commands, or one run only.
pub fn compare(before: &Run, after: &Run, apart: Celsius) -> Result<Comparison, CompareError> {
    let sheets = [sheet(before)?, sheet(after)?];
    let refuse = |why| Err(CompareError::Apart { before: before.id.clone(), after: after.id.clone(), why });
    if before.kind != after.kind {
        return refuse("one is a rehearsal and the other is not: a simulation says nothing about an axis");
    }
    if before.id == after.id {
        return refuse("they are the same run; name two");
    }
    if sheets[0].motor != sheets[1].motor || sheets[0].command != sheets[1].command {
        return refuse(
            "their sheets name different motors or commands: their results are not of one quantity",
        );
    }
    let unit = same_unit(before, after);
    let shared = Shared::of(before, after, &sheets, unit, apart);
    let allowed = Allowed { tolerance: sheets[1].tolerances.retention_gain.value, rule: sheets[1].decision };
    let mut out = Comparison {
        kind: if before.kind == RunKind::Rehearsal { "REHEARSAL" } else { "acceptance" },
        before: before.id.clone(),
        after: after.id.clone(),
        lines: Vec::new(),
        left_out: Vec::new(),
        notes: shared.notes(apart),
    };
    out.notes.push(rule_note(&sheets, &before.id));
    for later in &after.checks {
        let Some(earlier) = before.checks.iter().find(|check| check.id == later.id) else {
            out.left_out.push(format!("{}: only in run {}", later.id, after.id));
            continue;
        };
        if made_in(before, earlier) == made_in(after, later) {
            out.left_out
                .push(format!("{}: both took it over from one run; it was measured once only", later.id));
            continue;
        }
        for row in &later.results {
            match earlier.results.iter().find(|r| r.id == row.id) {
                Some(was) => match line::line(was, row, &shared, allowed) {
                    Some(line) => out.lines.push(line),
                    None => out.left_out.push(format!("{}: not measured in both runs", row.id)),
                },
                None => out.left_out.push(format!("{}: only in run {}", row.id, after.id)),
            }
        }
        out.left_out.extend(gone(earlier, later).map(|row| format!("{}: only in run {}", row.id, before.id)));
    }
    let gone = before.checks.iter().filter(|c| after.checks.iter().all(|later| later.id != c.id));
    out.left_out.extend(gone.map(|check| format!("{}: only in run {}", check.id, before.id)));
    let measured = out.lines.iter().filter(|line| line.expanded.is_some()).count();
    out.notes.push(format!(
        "{measured} measured values are compared at 95 %: about {:.1} of them would be a warning by chance alone.",
        0.05 * measured as f64
    ));
    Ok(out)
}

/// By which rule a scale is judged: the later sheet's, as its tolerance is.
fn rule_note(sheets: &[AxisSheet; 2], before: &str) -> String {
    let [was, is] = [&sheets[0].decision, &sheets[1].decision].map(|rule| rule.words());
    let mut note = format!("Decision rule for the tolerance for retention, by the later run's sheet: {is}.");
    if was != is {
        note += &format!(" The sheet of {before} has another: {was}.");
    }
    note
}

fn gone<'a>(earlier: &'a CheckRecord, later: &'a CheckRecord) -> impl Iterator<Item = &'a ResultRow> {
    earlier.results.iter().filter(|row| later.results.iter().all(|r| r.id != row.id))
}

fn sheet(run: &Run) -> Result<AxisSheet, CompareError> {
    parse(&run.axis.sheet_file, run.axis.sheet_text.as_bytes())
        .map_err(|source| CompareError::Sheet { run: run.id.clone(), source: Box::new(source) })
}

/// The run in which a check was really made.
fn made_in<'a>(run: &'a Run, check: &CheckRecord) -> &'a str {
    let taken = run.follows.as_ref().and_then(|f| f.taken_over.iter().find(|t| t.check == check.id));
    taken.map_or(&run.id, |taken| &taken.run)
}

/// Amplifier and motor are the same by what is noted of them; simulated ones by the seed that they were drawn with.
fn same_unit(before: &Run, after: &Run) -> bool {
    if before.kind == RunKind::Rehearsal {
        return before.provenance.seed.is_some() && before.provenance.seed == after.provenance.seed;
    }
    let noted = |run: &Run, label: &str| {
        let fact = run.axis.identity.iter().find(|f| f.label == label && f.value != NOT_NOTED);
        fact.map(|f| f.value.clone())
    };
    SAME_UNIT.iter().filter(|label| label.contains("serial")).all(|label| {
        let was = noted(before, label);
        was.is_some() && was == noted(after, label)
    })
}
