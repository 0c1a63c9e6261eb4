//! The model of a run that was cut off: put together from its journal.

use std::io::BufRead;
use std::path::{Path, PathBuf};

use serde::Deserialize;

use super::model::{CheckRecord, RUN_SCHEMA, Run};
use super::{JOURNAL, MODEL, RecordError, next_line, read_run};

/// What a journal tells of a run.
#[derive(Debug, Clone, PartialEq)]
pub struct Journal {
    /// The model as it stood at the start: every check that was planned, none made.
    pub opened: Run,
    /// Checks that came to their end, in order.
    pub checks: Vec<CheckRecord>,
    /// What was under way at the end, in words.
    pub last: Option<String>,
    /// Lines that could not be read: a line is cut where the machine lost power while it was written.
    pub damaged_lines: u32,
}

#[derive(Deserialize)]
struct Line {
    kind: String,
    data: serde_json::Value,
}

/// A run from its folder: whole if it came to its end (`Ok(Ok)`), else what its journal tells (`Ok(Err)`).
///
/// # Errors
/// If neither can be read.
pub fn open(folder: &Path) -> Result<Result<Run, Journal>, RecordError> {
    if folder.join(MODEL).exists() { read_run(folder).map(Ok) } else { read_journal(folder).map(Err) }
}

/// Reads a run's journal as far as it is sound.
///
/// # Errors
/// If it is missing, or never got as far as a run.
pub fn read_journal(folder: &Path) -> Result<Journal, RecordError> {
    let path = folder.join(JOURNAL);
    let from = super::journal(folder).map_err(|why| RecordError::File { path: path.clone(), why })?;
    journal_of(from, path)
}

/// What a journal's lines tell of a run; `path` is for messages.
///
/// # Errors
/// If they can't be read, or never got as far as a run.
pub fn journal_of(mut from: impl BufRead, path: PathBuf) -> Result<Journal, RecordError> {
    let file = |why| RecordError::File { path: path.clone(), why };
    let model = |why: String| RecordError::Model { path: path.clone(), why };
    let (mut opened, mut checks, mut last, mut damaged_lines) = (None, Vec::new(), None, 0);
    let mut bytes = Vec::new();
    while next_line(&mut from, &mut bytes).map_err(file)? {
        let Ok(line) = serde_json::from_slice::<Line>(&bytes) else {
            damaged_lines += 1;
            continue;
        };
        match line.kind.as_str() {
            "run" if opened.is_none() => match serde_json::from_value::<Run>(line.data) {
                Ok(run) if run.schema == RUN_SCHEMA => opened = Some(run),
                Ok(run) => {
                    return Err(model(format!(
                        "its schema is `{}`, not `{RUN_SCHEMA}`",
                        run.schema.escape_default()
                    )));
                }
                Err(e) => return Err(model(format!("the line that opens the run: {e}"))),
            },
            "check" => match serde_json::from_value::<CheckRecord>(line.data) {
                Ok(check) => {
                    checks.push(check);
                    last = None;
                }
                Err(_) => damaged_lines += 1,
            },
            "step" => last = line.data.get("what").and_then(|w| w.as_str()).map(str::to_owned),
            _ => {}
        }
    }
    let opened = opened.ok_or_else(|| model("no run was begun in it".to_owned()))?;
    Ok(Journal { opened, checks, last, damaged_lines })
}
