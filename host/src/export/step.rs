//! Which check and step a sample belongs to.

use proofstand_protocol::message::Sample;

use crate::record::model::Run;

/// Column of the check.
pub(super) const CHECK: (&str, &str) = (
    "check",
    "check that the sample was taken for, as --only names it; empty: between steps, or none came to its end",
);
/// Column of the step.
pub(super) const STEP: (&str, &str) =
    ("step", "step of the check, from 1, in the order of run.json and of the report; empty where check is");

/// A step of a check and the samples that it took.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct TakenFor {
    /// The check's name on the command line.
    pub check: String,
    /// The step's number in it, from 1.
    pub step: u32,
    first: u32,
    last: u32,
}

/// Every step with samples of this very run, in the order of the samples. What was taken over from an earlier run has
/// its samples in that run's folder, under numbers that mean others here.
pub(super) fn steps(run: Option<&Run>) -> Vec<TakenFor> {
    let mut all = Vec::new();
    if let Some(run) = run {
        let elsewhere = |id: &str| run.follows.iter().flat_map(|f| &f.taken_over).any(|t| t.check == id);
        for check in run.checks.iter().filter(|check| !elsewhere(&check.id)) {
            let taken = (1..).zip(&check.steps).filter(|(_, step)| step.last_sample > 0);
            all.extend(taken.map(|(number, step)| TakenFor {
                check: check.id.clone(),
                step: number,
                first: step.first_sample,
                last: step.last_sample,
            }));
        }
    }
    all.sort_by_key(|taken| taken.first);
    all
}

/// The step of a sample.
pub(super) fn of<'s>(steps: &'s [TakenFor], sample: &Sample) -> Option<&'s TakenFor> {
    let after = steps.partition_point(|step| step.first <= sample.sequence);
    steps[..after].last().filter(|step| sample.sequence <= step.last)
}
