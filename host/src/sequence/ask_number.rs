//! Asks for a number that only a person can read.

use super::Attendant;
use crate::checks::{AskNumberStep, StepEnding, StepEvidence};
use crate::fixture::FixtureError;
use crate::record::RunFolder;

/// Asks; what is answered, or that nothing was, goes into the journal.
///
/// # Errors
/// [`FixtureError::Record`] if the journal can't be written.
pub(super) fn make(
    step: &AskNumberStep,
    folder: &mut RunFolder,
    attendant: &mut dyn Attendant,
) -> Result<StepEvidence, FixtureError> {
    let number = attendant.number(step).filter(|n| n.is_finite());
    folder.note("answer", serde_json::json!({ "about": step.about, "number": number, "unit": step.unit }))?;
    let ending = if number.is_some() { StepEnding::Finished } else { StepEnding::Unanswered };
    Ok(StepEvidence { ending, number, ..StepEvidence::named(step.name) })
}
