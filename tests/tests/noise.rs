//! Noise on the cable: a few errors change no verdict, more of them stop the run safely, none hangs it or makes it lie.

#![allow(clippy::unwrap_used)] // Only tests are built with this file.

use std::collections::BTreeMap;

use proofstand::record::model::{Run, Verdict};
use proofstand::rehearsal::Noise;
use proofstand_tests::bench::{Failure, Plan};

fn verdicts(run: &Run) -> BTreeMap<&str, Verdict> {
    run.checks.iter().flat_map(|c| &c.results).map(|r| (r.id.as_str(), r.verdict)).collect()
}

/// A run on a noisy cable, the errors put in, and the run without noise.
fn both(plan: &Plan, noise: Noise) -> (Result<Run, Failure>, u64, Run) {
    let quiet = plan.run().unwrap();
    let folder = tempfile::tempdir().unwrap();
    match plan.clone().noise(noise).disturbed_run_in(folder.path()) {
        Ok((run, _, done)) => (Ok(run), done.flips + done.losses + done.doubles, quiet),
        Err(failure) => (Err(failure), 0, quiet),
    }
}

#[test]
fn one_error_in_a_hundred_thousand_bytes_changes_no_verdict() {
    for (seed, fault) in [(1, None), (2, None), (3, Some("gain-doubled")), (4, Some("flag-dead"))] {
        let plan = Plan::film_winder().seed(seed);
        let plan = if let Some(fault) = fault { plan.fault(fault) } else { plan };
        let (noisy, errors, quiet) = both(&plan, Noise::errors(1e-5));
        let noisy = noisy.unwrap();
        assert!(errors > 5, "{errors} errors are too few to show anything");
        assert_eq!(noisy.outcome.stopped, None, "seed {seed}");
        assert_eq!(verdicts(&noisy), verdicts(&quiet), "seed {seed}");
        let first = |run: &Run| run.diagnoses.first().map(|d| d.id.clone());
        assert_eq!(first(&noisy), first(&quiet), "seed {seed}");
    }
}

#[test]
fn more_errors_end_in_the_same_verdict_or_in_a_stop_and_never_in_another_verdict() {
    let mut stopped = 0;
    for (seed, rate) in [(1, 1e-3), (2, 1e-3), (3, 1e-2), (4, 1e-2), (5, 1e-1)] {
        let (noisy, _, quiet) = both(&Plan::film_winder().seed(seed), Noise::errors(rate));
        let Ok(noisy) = noisy else {
            stopped += 1;
            continue;
        };
        stopped += usize::from(noisy.outcome.stopped.is_some());
        let quiet = verdicts(&quiet);
        for (id, verdict) in verdicts(&noisy) {
            // What was lost can leave a result undecided or not done, one that is there only then as well; it can't turn one
            // round.
            let without = quiet.get(id);
            let wrong = without != Some(&verdict) && matches!(verdict, Verdict::Accepted | Verdict::Rejected);
            assert!(!wrong, "seed {seed}, {rate}: {id} is {verdict:?}, without noise {without:?}");
        }
        // Enable that is opened late, because the request was lost, may leave its moment undecided.
        assert!(
            noisy.outcome.stopped.is_some() || noisy.outcome.verdict != Verdict::Rejected,
            "{:#?}",
            noisy.outcome
        );
    }
    assert!(stopped > 0, "no rate was high enough to stop a run");
}
