use crate::record::model::{Run, RunKind};

/// What a rehearsal says of itself, wherever it says it.
pub(super) const REHEARSAL: &str = "REHEARSAL \u{2014} NOT EVIDENCE";

/// Whether a run must be marked as a rehearsal.
///
/// A model that calls itself an acceptance and yet names a simulated fixture or injected faults contradicts itself: it is
/// marked, since a mark too many does no harm and a mark too few is a forged certificate.
pub fn is_rehearsal(run: &Run) -> bool {
    run.kind == RunKind::Rehearsal || run.provenance.simulated || !run.provenance.faults.is_empty()
}
