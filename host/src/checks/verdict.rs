//! What a check's results come to, and whether those that another check needs were accepted.

use super::{Check, Need};
use crate::record::model::{CheckRecord, ResultRow, Verdict};

/// The worst of a check's results; a check without results was not done.
#[must_use]
pub fn worst(results: &[ResultRow]) -> Verdict {
    let has = |v| results.iter().any(|r| r.verdict == v);
    if has(Verdict::Rejected) {
        Verdict::Rejected
    } else if has(Verdict::Undecided) || (has(Verdict::NotDone) && has(Verdict::Accepted)) {
        Verdict::Undecided
    } else if has(Verdict::Accepted) {
        Verdict::Accepted
    } else {
        Verdict::NotDone
    }
}

/// The first need that the records don't fulfil.
#[must_use]
pub fn unmet(check: &dyn Check, records: &[CheckRecord]) -> Option<(Need, Verdict)> {
    check.needs().iter().find_map(|need| {
        let verdict = records
            .iter()
            .flat_map(|r| &r.results)
            .find(|r| r.id == need.result)
            .map_or(Verdict::NotDone, |r| r.verdict);
        (verdict != Verdict::Accepted).then_some((*need, verdict))
    })
}

#[cfg(test)]
mod tests {
    use std::sync::LazyLock;

    use super::*;
    use crate::checks::every;

    static EXAMPLE: LazyLock<CheckRecord> = LazyLock::new(|| {
        let run: crate::record::model::Run =
            serde_json::from_str(include_str!("../../tests/data/example-run.json")).unwrap();
        run.checks.into_iter().find(|c| !c.results.is_empty()).unwrap()
    });

    fn row(id: &str, verdict: Verdict) -> ResultRow {
        ResultRow { id: id.to_owned(), verdict, ..EXAMPLE.results[0].clone() }
    }

    fn of(verdicts: &[Verdict]) -> Verdict {
        worst(&verdicts.iter().map(|v| row("x.y", *v)).collect::<Vec<_>>())
    }

    #[test]
    fn a_check_is_worth_its_worst_result_and_one_left_undone_beside_an_accepted_one_leaves_it_undecided() {
        use Verdict::{Accepted, NotDone, Rejected, Undecided};
        for one in [Accepted, NotDone, Rejected, Undecided] {
            assert_eq!(of(&[one]), one);
            assert_eq!(of(&[one, Rejected]), Rejected, "{one:?} beside a rejected one");
        }
        assert_eq!(of(&[Accepted, Undecided]), Undecided);
        assert_eq!(of(&[NotDone, Undecided]), Undecided);
        assert_eq!(of(&[Accepted, NotDone, Accepted]), Undecided);
        assert_eq!(of(&[Accepted, Accepted]), Accepted);
        assert_eq!(of(&[NotDone, NotDone]), NotDone);
        assert_eq!(of(&[]), NotDone, "without results nothing was done");
    }

    #[test]
    fn a_check_is_held_back_by_the_first_of_its_needs_that_is_not_accepted_or_was_never_had() {
        let mut held_back = 0;
        for check in every() {
            let needs = check.needs();
            let with = |other: &[(usize, Option<Verdict>)]| {
                let verdict = |at| other.iter().find(|o| o.0 == at).map_or(Some(Verdict::Accepted), |o| o.1);
                let had = |(at, need): (usize, &Need)| Some(row(need.result, verdict(at)?));
                let results = needs.iter().enumerate().filter_map(had).collect();
                // What is needed may stand in any of the records.
                unmet(check, &[EXAMPLE.clone(), CheckRecord { results, ..EXAMPLE.clone() }])
            };
            assert_eq!(with(&[]), None, "{}", check.id());
            for (at, need) in needs.iter().enumerate() {
                for verdict in [Verdict::Rejected, Verdict::Undecided, Verdict::NotDone] {
                    assert_eq!(with(&[(at, Some(verdict))]), Some((*need, verdict)));
                }
                let last = needs.len() - 1;
                assert_eq!(with(&[(at, None), (last, None)]), Some((*need, Verdict::NotDone)));
                held_back += 1;
            }
        }
        assert!(held_back > 20, "{held_back}");
    }
}
