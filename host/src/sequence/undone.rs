//! Records of checks that were not done.

use crate::checks::Check;
use crate::fixture::FixtureError;
use crate::record::model::{CheckRecord, NotDone, Took, Verdict};

/// Why a check was not come to any more.
pub(crate) const STOPPED_BEFORE: &str = "the run had stopped before";

/// What allows the checks that a stop left undone.
pub(super) const fn would_allow(stop: &FixtureError) -> &'static str {
    match stop {
        // Nothing is to be mended.
        FixtureError::Interrupted => "go on with --resume",
        _ => "mend the cause, then go on with --resume",
    }
}

/// A record of which nothing has come yet.
pub(super) fn blank(check: &dyn Check) -> CheckRecord {
    CheckRecord {
        id: check.id().to_owned(),
        title: check.title().to_owned(),
        shows: check.shows().to_owned(),
        verdict: Verdict::NotDone,
        not_done: None,
        results: Vec::new(),
        plots: Vec::new(),
        steps: Vec::new(),
        notes: Vec::new(),
        took: Took::default(),
    }
}

/// A record of what was not done, why, and what would allow it.
pub(super) fn not_done(check: &dyn Check, why: &str, would_allow: &str) -> CheckRecord {
    CheckRecord {
        not_done: Some(NotDone {
            why: why.to_owned(),
            would_allow: would_allow.to_owned(),
            ..NotDone::default()
        }),
        ..blank(check)
    }
}
