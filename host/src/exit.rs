//! Exit codes, as documented in the README and in `--help`.

use std::process::ExitCode;

use crate::record::model::{Outcome, Verdict};

/// How the program ends.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Exit {
    /// Everything asked for was accepted, or done.
    Accepted = 0,
    /// Something was rejected.
    Rejected = 1,
    /// Bad input or usage; nothing was written.
    BadInput = 2,
    /// Nothing was rejected, something is undecided, was not done or was left out.
    Undecided = 3,
    /// Fixture, link or a trip stopped the run.
    Stopped = 4,
}

impl Exit {
    /// The exit code of a run's outcome.
    #[must_use]
    pub const fn of(outcome: &Outcome) -> Self {
        if outcome.stopped.is_some() {
            return Self::Stopped;
        }
        match outcome.verdict {
            Verdict::Accepted => Self::Accepted,
            Verdict::Rejected => Self::Rejected,
            // What was asked for was done; the axis is another question.
            Verdict::NotDone if outcome.measurement => Self::Accepted,
            Verdict::Undecided | Verdict::NotDone => Self::Undecided,
        }
    }
}

impl From<Exit> for ExitCode {
    fn from(exit: Exit) -> Self {
        Self::from(exit as u8)
    }
}
