//! Writes a run's model and reports into its folder, and reads the model again.

use std::io;
use std::path::{Path, PathBuf};

use super::model::{RUN_SCHEMA, Run};
use super::put;
use crate::report;

/// Name of the model in a run's folder.
pub const MODEL: &str = "run.json";
/// A model longer than this is not one of ours.
const MODEL_MAX: u64 = 64 * 1024 * 1024;

/// A run's folder can't be read or written.
#[derive(Debug, thiserror::Error)]
pub enum RecordError {
    /// A file can't be read or written.
    #[error("{}: {why}", path.display())]
    File {
        /// Which.
        path: PathBuf,
        /// The system's words.
        why: io::Error,
    },
    /// The model is not one that this program knows.
    #[error("{}: {why}. Is it a run's folder of this program?", path.display())]
    Model {
        /// Which file.
        path: PathBuf,
        /// Why not.
        why: String,
    },
    /// A report can't be made.
    #[error("can't make the report: {0}")]
    Report(#[from] report::ReportError),
}

/// Writes `run.json`, `report.html` and `junit.xml` into a run's folder.
///
/// # Errors
/// If one can't be written.
pub fn publish(folder: &Path, run: &Run) -> Result<(), RecordError> {
    let files =
        [(MODEL, report::json(run)?), ("report.html", report::html(run)), ("junit.xml", report::junit(run)?)];
    for (name, text) in files {
        put(folder, name, text.as_bytes())
            .map_err(|why| RecordError::File { path: folder.join(name), why })?;
    }
    Ok(())
}

/// Reads a run's model from its folder.
///
/// # Errors
/// If it is missing, or is none.
pub fn read_run(folder: &Path) -> Result<Run, RecordError> {
    let path = folder.join(MODEL);
    let file = |why| RecordError::File { path: path.clone(), why };
    let model = |why: String| RecordError::Model { path: path.clone(), why };
    let size = std::fs::metadata(&path).map_err(file)?.len();
    if size > MODEL_MAX {
        return Err(model(format!("{size} bytes are too many for a run's model")));
    }
    let text = std::fs::read(&path).map_err(file)?;
    let run: Run = serde_json::from_slice(&text).map_err(|e| model(e.to_string()))?;
    if run.schema != RUN_SCHEMA {
        return Err(model(format!("its schema is `{}`, not `{RUN_SCHEMA}`", run.schema.escape_default())));
    }
    Ok(run)
}
