//! Results that were taken over although what they were built on has been made again.

use crate::checks::{Check, by_id, needed_by, unmet};
use crate::record::model::{CheckRecord, Follows, NotDone, Run, Superseded, Took, Verdict};

/// Marks each record that was taken over and needs, directly or through others, a check that was made again; one whose
/// needs are no longer accepted stands no more: it is superseded and not done.
///
/// `checks` are in the order in which they are made, so that what falls takes with it what was built on it.
pub(super) fn mark(earlier: &Run, checks: &mut [CheckRecord], follows: &mut Follows) {
    let before = earlier.follows.as_ref().map_or(0, |f| f.superseded.len());
    let again: Vec<String> =
        follows.superseded.iter().skip(before).map(|superseded| superseded.record.id.clone()).collect();
    for at in 0..checks.len() {
        let (earlier_ones, rest) = checks.split_at_mut(at);
        let Some(record) = rest.first_mut() else { break };
        let (Some(check), Some(taken)) =
            (by_id(&record.id), follows.taken_over.iter_mut().find(|t| t.check == record.id))
        else {
            continue;
        };
        for needed in needed_by(check) {
            if again.iter().any(|id| id == needed) && !taken.rests_on.iter().any(|id| id == needed) {
                taken.rests_on.push(needed.to_owned());
            }
        }
        if record.results.is_empty() {
            continue;
        }
        if let Some((need, verdict)) = unmet(check, earlier_ones) {
            let need = need.in_words(earlier_ones);
            let (fallen, run) = (fallen(check, &need, verdict, record), taken.run.clone());
            let record = std::mem::replace(record, fallen);
            follows.superseded.push(Superseded { run, finished: earlier.finished.clone(), record });
            follows.taken_over.retain(|t| t.check != check.id());
        }
    }
}

fn fallen(check: &dyn Check, need: &str, verdict: Verdict, old: &CheckRecord) -> CheckRecord {
    CheckRecord {
        verdict: Verdict::NotDone,
        not_done: Some(NotDone {
            why: format!(
                "it was made when {need} was accepted; made again, {need} is {}",
                verdict.word().to_lowercase()
            ),
            would_allow: format!(
                "{need}, accepted; then \"{}\" again (--only {})",
                check.title(),
                check.id()
            ),
            shown_also_by: None,
        }),
        results: Vec::new(),
        plots: Vec::new(),
        steps: Vec::new(),
        notes: Vec::new(),
        took: Took::default(),
        ..old.clone()
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::record::follow::merge;
    use crate::record::model::{FollowWhy, ResultRow, TakenOver};

    fn row(id: &str, verdict: Verdict) -> ResultRow {
        let run: Run = serde_json::from_str(include_str!("../../tests/data/example-run.json")).unwrap();
        let row = run.checks.into_iter().flat_map(|c| c.results).next().unwrap();
        ResultRow { id: id.to_owned(), verdict, ..row }
    }

    /// A record with every result that another check needs of it.
    fn record(id: &str, verdict: Verdict) -> CheckRecord {
        let check = by_id(id).unwrap();
        let all = crate::checks::ALL.iter().flat_map(|c| c.needs()).filter(|n| n.check == id);
        let mut results: Vec<ResultRow> = all.map(|n| row(n.result, verdict)).collect();
        results.push(row("own", verdict));
        CheckRecord {
            id: id.to_owned(),
            title: check.title().to_owned(),
            shows: String::new(),
            verdict,
            not_done: None,
            results,
            plots: Vec::new(),
            steps: Vec::new(),
            notes: Vec::new(),
            took: Took::default(),
        }
    }

    fn run(checks: &[(&str, Verdict)]) -> Run {
        let mut run: Run = serde_json::from_str(include_str!("../../tests/data/example-run.json")).unwrap();
        (run.id, run.follows) = ("first".to_owned(), None);
        run.checks = checks.iter().map(|(id, verdict)| record(id, *verdict)).collect();
        run
    }

    fn again(earlier: &Run, id: &str, verdict: Verdict) -> (Vec<CheckRecord>, Follows) {
        let order: Vec<&str> = crate::checks::ALL.iter().map(|c| c.id()).collect();
        let made = vec![record(id, verdict)];
        let (mut checks, mut follows) = merge(earlier, FollowWhy::Again, made, |_| true, &order);
        mark(earlier, &mut checks, &mut follows);
        (checks, follows)
    }

    const CHAIN: [&str; 6] =
        ["lines", "nudge", "line-count-slow", "enable-off-turning", "speed-cap", "cap-flag"];

    #[test]
    fn what_needs_a_check_that_was_made_again_is_marked_also_through_others() {
        let earlier = run(&CHAIN.map(|id| (id, Verdict::Accepted)));
        let (checks, follows) = again(&earlier, "line-count-slow", Verdict::Accepted);
        assert!(checks.iter().all(|c| c.verdict == Verdict::Accepted));
        let rests = |id: &str| {
            let taken: Option<&TakenOver> = follows.taken_over.iter().find(|t| t.check == id);
            taken.unwrap().rests_on.clone()
        };
        assert!(rests("nudge").is_empty());
        for id in ["enable-off-turning", "speed-cap", "cap-flag"] {
            assert_eq!(rests(id), ["line-count-slow"], "{id}");
        }
        // The mark stays when a third run makes something else again.
        let mut second = earlier;
        (second.checks, second.follows) = (checks, Some(follows));
        let (_, follows) = again(&second, "nudge", Verdict::Accepted);
        let taken = follows.taken_over.iter().find(|t| t.check == "cap-flag").unwrap();
        assert_eq!(taken.rests_on, ["line-count-slow", "nudge"]);
    }

    #[test]
    fn what_was_built_on_a_result_that_is_no_longer_accepted_stands_no_more() {
        let earlier = run(&CHAIN.map(|id| (id, Verdict::Accepted)));
        let (checks, follows) = again(&earlier, "line-count-slow", Verdict::Rejected);
        let verdicts: Vec<Verdict> = checks.iter().map(|c| c.verdict).collect();
        use Verdict::{Accepted, NotDone, Rejected};
        assert_eq!(verdicts, [Accepted, Accepted, Rejected, NotDone, NotDone, NotDone]);
        let superseded: Vec<&str> = follows.superseded.iter().map(|s| s.record.id.as_str()).collect();
        assert_eq!(superseded, ["line-count-slow", "enable-off-turning", "speed-cap", "cap-flag"]);
        assert!(follows.superseded.iter().all(|s| s.record.verdict == Accepted && s.run == "first"));
        assert_eq!(follows.taken_over.len(), 2);
    }
}
