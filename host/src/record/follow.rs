//! What becomes of an earlier run's records when checks are made again.
//!
//! The newest attempt at a check counts, whether it came out better or worse, or did not come to its end. A check that
//! was not begun again keeps its earlier record. Nothing is dropped: what counts no more is kept as superseded.

use super::model::{CheckRecord, FollowWhy, Follows, MeasuredWith, Run, Superseded, TakenOver, Verdict};

/// Checks of an earlier run that are still to be made, also those that nobody had asked for; those that others stand for
/// need not be.
pub fn left(earlier: &Run) -> impl Iterator<Item = &str> {
    let stood_for = |c: &&CheckRecord| c.not_done.as_ref().is_some_and(|n| n.shown_also_by.is_some());
    let not_done = earlier.checks.iter().filter(|c| c.verdict == Verdict::NotDone);
    let left_out = earlier.outcome.left_out.iter().map(|l| l.check.as_str());
    not_done.filter(move |c| !stood_for(c)).map(|c| c.id.as_str()).chain(left_out)
}

/// Puts the records of an earlier run and those made now together, in `order`. `begun` says of a record made now
/// whether its check was begun at all.
#[must_use]
pub fn merge(
    earlier: &Run,
    why: FollowWhy,
    made: Vec<CheckRecord>,
    begun: impl Fn(&CheckRecord) -> bool,
    order: &[&str],
) -> (Vec<CheckRecord>, Follows) {
    let before = earlier.follows.as_ref();
    let origin = |check: &str| {
        before
            .and_then(|f| f.taken_over.iter().find(|t| t.check == check))
            .map_or(&earlier.id, |t| &t.run)
            .clone()
    };
    let taken_before = |check: &str| before.and_then(|f| f.taken_over.iter().find(|t| t.check == check));
    let marked = |check: &str| taken_before(check).map(|t| t.rests_on.clone()).unwrap_or_default();
    let measured_with = |check: &str| match taken_before(check) {
        Some(taken) => taken.measured_with.clone(),
        None => Some(MeasuredWith::of(&earlier.provenance)),
    };
    let mut follows = Follows {
        run: earlier.id.clone(),
        why,
        same_unit: String::new(),
        taken_over: Vec::new(),
        superseded: before.map(|f| f.superseded.clone()).unwrap_or_default(),
    };
    let mut all = Vec::new();
    for old in &earlier.checks {
        let again = made.iter().find(|m| m.id == old.id);
        match again {
            Some(new) if begun(new) => {
                if was_made(old) {
                    follows.superseded.push(Superseded {
                        run: origin(&old.id),
                        finished: earlier.finished.clone(),
                        record: old.clone(),
                    });
                }
            }
            Some(_) if !was_made(old) => {}
            _ => {
                follows.taken_over.push(TakenOver {
                    check: old.id.clone(),
                    run: origin(&old.id),
                    rests_on: marked(&old.id),
                    measured_with: measured_with(&old.id),
                });
                all.push(old.clone());
            }
        }
    }
    all.extend(made.into_iter().filter(|m| !follows.taken_over.iter().any(|t| t.check == m.id)));
    all.sort_by_key(|c| order.iter().position(|id| *id == c.id).unwrap_or(usize::MAX));
    (all, follows)
}

/// Something came of it: a step, a result.
fn was_made(record: &CheckRecord) -> bool {
    !record.steps.is_empty() || !record.results.is_empty()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::record::model::{NotDone, StepRecord, Took};

    const ORDER: &[&str] = &["first", "second", "third"];

    fn record(id: &str, verdict: Verdict) -> CheckRecord {
        let made = verdict != Verdict::NotDone;
        let step = StepRecord {
            what: "The shaft turns".into(),
            ended: "finished".into(),
            start_seconds: 0.0,
            duration_seconds: 1.0,
            first_sample: 0,
            last_sample: 9,
            samples_lost: 0,
            bursts: Vec::new(),
        };
        CheckRecord {
            id: id.into(),
            title: id.into(),
            shows: String::new(),
            verdict,
            not_done: (!made).then(|| NotDone { why: "stopped".into(), ..NotDone::default() }),
            results: Vec::new(),
            plots: Vec::new(),
            steps: made.then_some(step).into_iter().collect(),
            notes: Vec::new(),
            took: Took::default(),
        }
    }

    fn run(id: &str, checks: Vec<CheckRecord>) -> Run {
        let mut run: Run = serde_json::from_str(include_str!("../../tests/data/example-run.json")).unwrap();
        run.id = id.into();
        run.checks = checks;
        run
    }

    /// Taken over, measured with what the example's run was made with.
    fn taken(check: &str, from: &str) -> TakenOver {
        let with = MeasuredWith::of(&run(from, Vec::new()).provenance);
        TakenOver { check: check.into(), run: from.into(), rests_on: vec![], measured_with: Some(with) }
    }

    fn begun(record: &CheckRecord) -> bool {
        !record.steps.is_empty()
    }

    fn verdicts(checks: &[CheckRecord]) -> Vec<(&str, Verdict)> {
        checks.iter().map(|c| (c.id.as_str(), c.verdict)).collect()
    }

    #[test]
    fn a_worse_result_supersedes_a_better_one_and_the_other_way_round() {
        use Verdict::{Accepted, Rejected};
        for (old, new) in [(Accepted, Rejected), (Rejected, Accepted)] {
            let earlier = run("a", vec![record("first", Accepted), record("second", old)]);
            let (all, follows) = merge(&earlier, FollowWhy::Again, vec![record("second", new)], begun, ORDER);
            assert_eq!(verdicts(&all), [("first", Accepted), ("second", new)]);
            assert_eq!(follows.superseded.len(), 1);
            assert_eq!(follows.superseded[0].record.verdict, old);
            assert_eq!(follows.superseded[0].run, "a");
            assert_eq!(follows.taken_over, [taken("first", "a")]);
        }
    }

    #[test]
    fn a_check_that_was_not_begun_again_keeps_its_record() {
        let earlier = run("a", vec![record("first", Verdict::Accepted), record("second", Verdict::NotDone)]);
        let made = vec![record("first", Verdict::NotDone), record("second", Verdict::NotDone)];
        let (all, follows) = merge(&earlier, FollowWhy::Again, made, begun, ORDER);
        assert_eq!(verdicts(&all), [("first", Verdict::Accepted), ("second", Verdict::NotDone)]);
        assert!(follows.superseded.is_empty());
    }

    #[test]
    fn a_chain_of_runs_names_each_records_own_run_and_keeps_all_that_was_superseded() {
        let a = run("a", vec![record("first", Verdict::Rejected), record("second", Verdict::NotDone)]);
        assert_eq!(left(&a).collect::<Vec<_>>(), ["second"]);
        let mut b = run("b", Vec::new());
        let (all, follows) =
            merge(&a, FollowWhy::Resume, vec![record("second", Verdict::Accepted)], begun, ORDER);
        (b.checks, b.follows) = (all, Some(follows));
        let made = vec![record("first", Verdict::Accepted), record("third", Verdict::Accepted)];
        let (all, follows) = merge(&b, FollowWhy::Again, made, begun, ORDER);
        assert_eq!(all.iter().map(|c| c.id.as_str()).collect::<Vec<_>>(), ORDER);
        assert_eq!(follows.taken_over, [taken("second", "b")]);
        assert_eq!(follows.superseded.len(), 1);
        assert_eq!(follows.superseded[0].run, "a");
    }

    #[test]
    fn each_record_that_is_taken_over_keeps_what_it_was_measured_with_also_through_a_chain_of_runs() {
        let mut a = run("a", vec![record("first", Verdict::Accepted), record("second", Verdict::NotDone)]);
        a.provenance.controller_serial = "00aa".into();
        let mut b = run("b", Vec::new());
        b.provenance.calibration = "of another day".into();
        let (all, follows) =
            merge(&a, FollowWhy::Resume, vec![record("second", Verdict::Accepted)], begun, ORDER);
        assert!(follows.measured_otherwise(&a.provenance).is_empty());
        (b.checks, b.follows) = (all, Some(follows));
        let made = vec![record("third", Verdict::Accepted)];
        let (_, follows) = merge(&b, FollowWhy::Again, made, begun, ORDER);
        let now = run("c", Vec::new()).provenance;
        let otherwise = follows.measured_otherwise(&now);
        let runs: Vec<&str> = otherwise.iter().map(|(run, _)| *run).collect();
        assert_eq!(runs, ["a", "b"]);
        assert!(otherwise[0].1.contains("fixture 00aa") && otherwise[1].1.contains("of another day"));
    }
}
