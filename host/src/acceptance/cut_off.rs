//! A run that was cut off, made into a model that can be reported and gone on with.

use super::outcome;
use crate::diagnosis::diagnose;
use crate::record::Journal;
use crate::record::model::Run;

/// The model of a run whose journal ends without an end. `last_written`: when, RFC 3339.
///
/// Nothing is judged anew: the records are those that were written when each check came to its end.
#[must_use]
pub fn cut_off(journal: Journal, last_written: String) -> Run {
    let Journal { opened, checks: made, last, damaged_lines } = journal;
    let during = last.map_or_else(String::new, |what| format!(", during: {what}"));
    let why = format!("its journal ends without an end{during}; the program was killed, or the power went");
    let mut checks = opened.checks.clone();
    let took = made.iter().map(|record| record.took).sum();
    for record in made {
        match checks.iter_mut().find(|c| c.id == record.id) {
            Some(planned) => *planned = record,
            None => checks.push(record),
        }
    }
    let mut provenance = opened.provenance.clone();
    if damaged_lines > 0 {
        provenance.warnings.push(format!("{damaged_lines} lines of the journal can't be read"));
    }
    // The sheet was read when the run began; should this program not understand it, nothing is diagnosed.
    let sheet = crate::sheet::parse(&opened.axis.sheet_file, opened.axis.sheet_text.as_bytes());
    Run {
        finished: last_written,
        outcome: outcome(opened.kind, &checks, opened.outcome.left_out.clone(), Some(why), took),
        diagnoses: sheet.map_or_else(|_| Vec::new(), |sheet| diagnose(&sheet, &checks)),
        provenance,
        checks,
        ..opened
    }
}
