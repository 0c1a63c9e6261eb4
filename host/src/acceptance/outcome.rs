//! The result of all checks together: a verdict, and one sentence for the customer.

use crate::checks::{ALL, by_id, for_axis, with_needs};
use crate::record::model::{CheckRecord, LeftOut, Outcome, RunKind, Took, Verdict};
use crate::sheet::AxisSheet;

/// What an acceptance of the sheet's axis needs and these records don't have, made or not.
pub(super) fn left_out(sheet: &AxisSheet, checks: &[CheckRecord]) -> Vec<LeftOut> {
    let all = for_axis(ALL, sheet).into_iter().filter(|check| !checks.iter().any(|c| c.id == check.id()));
    all.map(|check| LeftOut { check: check.id().to_owned(), title: check.title().to_owned() }).collect()
}

/// The outcome of a run with these records.
pub(super) fn outcome(
    kind: RunKind,
    checks: &[CheckRecord],
    left_out: Vec<LeftOut>,
    stopped: Option<String>,
    took: Took,
) -> Outcome {
    let count = |v| u32::try_from(checks.iter().filter(|c| c.verdict == v).count()).unwrap_or(u32::MAX);
    let (accepted, undecided) = (count(Verdict::Accepted), count(Verdict::Undecided));
    let (rejected, not_done) = (count(Verdict::Rejected), count(Verdict::NotDone));
    // What others show keeps nothing from being accepted; it is not done all the same.
    let stood_for = checks
        .iter()
        .filter(|c| c.verdict == Verdict::NotDone)
        .filter(|c| c.not_done.as_ref().is_some_and(|n| n.shown_also_by.is_some()));
    let stood_for: Vec<String> = stood_for.map(|c| format!("\"{}\"", c.title)).collect();
    let missing = not_done.saturating_sub(u32::try_from(stood_for.len()).unwrap_or(0));
    // As if nothing had been left out.
    let made = if rejected > 0 {
        Verdict::Rejected
    } else if undecided > 0 || (accepted > 0 && (missing > 0 || stopped.is_some())) {
        // What stopped the run may have lost of its record what it was accepted by.
        Verdict::Undecided
    } else if accepted > 0 {
        Verdict::Accepted
    } else {
        Verdict::NotDone
    };
    let by_name: Vec<&CheckRecord> = checks.iter().filter(|c| !ALL.iter().any(|a| a.id() == c.id)).collect();
    // A measurement is what is made by name, and what that needs; with a check beside them it is a part.
    let known: Vec<_> = by_name.iter().filter_map(|c| by_id(&c.id)).collect();
    let needed = with_needs(&known);
    let measurement = made == Verdict::Accepted
        && !left_out.is_empty()
        && !by_name.is_empty()
        && checks.iter().all(|c| needed.iter().any(|n| n.id() == c.id));
    let verdict = match made {
        Verdict::Accepted if measurement => Verdict::NotDone,
        Verdict::Accepted if !left_out.is_empty() => Verdict::Undecided,
        made => made,
    };
    let besides = match stood_for.as_slice() {
        [] => String::new(),
        titles => format!(" Not done: {}, which other checks show.", titles.join(", ")),
    };
    let what = match (&stopped, made) {
        (Some(why), _) => format!("The run stopped before its end: {why}."),
        (None, Verdict::Accepted) if measurement => {
            let titles: Vec<&str> = by_name.iter().map(|c| c.title.as_str()).collect();
            format!(
                "{}: made, and what it needs was accepted. It is no acceptance of the axis.",
                titles.join(", ")
            )
        }
        (None, Verdict::Accepted) if !left_out.is_empty() => {
            format!("What was made was accepted; without the rest the axis is not accepted.{besides}")
        }
        (None, Verdict::Accepted) => format!(
            "The axis does what the sheet says in {}.{besides}",
            if accepted == 1 {
                "the one check made".to_owned()
            } else {
                format!("all {accepted} checks made")
            }
        ),
        (None, Verdict::Rejected) => format!(
            "The axis does not do what the sheet says: rejected {rejected} of {} checks.",
            checks.len()
        ),
        (None, Verdict::Undecided) => format!(
            "Nothing was rejected, but of {} checks {undecided} undecided and {not_done} not done: the axis is not accepted.",
            checks.len()
        ),
        (None, Verdict::NotDone) => "No check could be made: the axis is not accepted.".to_owned(),
    };
    let part = match (left_out.len(), measurement) {
        (0, _) => String::new(),
        (_, true) => "A MEASUREMENT. ".to_owned(),
        (left_out, false) => {
            let of_all = checks.len() - by_name.len();
            format!("A PART: {of_all} of {} checks. ", of_all + left_out)
        }
    };
    let sentence = match kind {
        RunKind::Rehearsal => format!(
            "REHEARSAL on a simulated amplifier and motor; it proves nothing about a real one. {part}{what}"
        ),
        RunKind::Acceptance => format!("{part}{what}"),
    };
    Outcome {
        verdict,
        stopped,
        sentence,
        accepted,
        undecided,
        rejected,
        not_done,
        took,
        left_out,
        measurement,
    }
}

#[cfg(test)]
mod tests {
    use std::sync::LazyLock;

    use super::*;
    use crate::checks::by_id;
    use crate::exit::Exit;

    static EXAMPLE: LazyLock<CheckRecord> = LazyLock::new(|| {
        let run: crate::record::model::Run =
            serde_json::from_str(include_str!("../../tests/data/example-run.json")).unwrap();
        run.checks.into_iter().next().unwrap()
    });

    fn record(id: &str, verdict: Verdict) -> CheckRecord {
        let title = by_id(id).unwrap().title().to_owned();
        CheckRecord { id: id.to_owned(), title, verdict, not_done: None, ..EXAMPLE.clone() }
    }

    fn sheet() -> AxisSheet {
        crate::sheet::parse("s.toml", include_bytes!("../../sheets/film-winder.toml")).unwrap()
    }

    fn of(made: &[(&str, Verdict)], stopped: Option<&str>) -> Outcome {
        let checks: Vec<CheckRecord> = made.iter().map(|(id, verdict)| record(id, *verdict)).collect();
        let left_out = left_out(&sheet(), &checks);
        outcome(RunKind::Acceptance, &checks, left_out, stopped.map(str::to_owned), Took::default())
    }

    #[test]
    fn a_part_never_accepts_the_axis_and_is_told_from_a_rejection() {
        let all = for_axis(ALL, &sheet()).len();
        let part = of(&[("fixture-self-check", Verdict::Accepted)], None);
        assert_eq!((part.verdict, Exit::of(&part)), (Verdict::Undecided, Exit::Undecided));
        assert_eq!(part.left_out.len(), all - 1);
        assert!(part.left_out.iter().all(|l| l.check != "fixture-self-check"));
        assert!(part.sentence.starts_with(&format!("A PART: 1 of {all} checks.")), "{}", part.sentence);
        let bad = of(&[("lines", Verdict::Accepted), ("nudge", Verdict::Rejected)], None);
        assert_eq!((bad.verdict, Exit::of(&bad)), (Verdict::Rejected, Exit::Rejected));
        assert!(bad.sentence.contains("A PART: 2 of") && bad.sentence.contains("rejected 1 of 2"));
        let cut = of(&[("lines", Verdict::Accepted)], Some("pulled"));
        assert_eq!(Exit::of(&cut), Exit::Stopped);
    }

    #[test]
    fn all_that_the_axis_needs_asked_for_one_by_one_is_the_whole() {
        let made: Vec<(&str, Verdict)> =
            for_axis(ALL, &sheet()).iter().map(|c| (c.id(), Verdict::Accepted)).collect();
        let whole = of(&made, None);
        assert_eq!((whole.verdict, Exit::of(&whole)), (Verdict::Accepted, Exit::Accepted));
        assert!(whole.left_out.is_empty() && !whole.sentence.contains("A PART"));
        // What stopped it may have lost what it was accepted by.
        assert_eq!(of(&made, Some("pulled")).verdict, Verdict::Undecided);
        // One less, whichever.
        for skipped in 0..made.len() {
            let mut less = made.clone();
            less.remove(skipped);
            assert_eq!(of(&less, None).verdict, Verdict::Undecided);
        }
    }

    #[test]
    fn a_measurement_made_by_name_ends_well_and_accepts_no_axis() {
        let made = [("lines", Verdict::Accepted), ("rotor-swing", Verdict::Accepted)];
        let swings = of(&made, None);
        assert_eq!((swings.verdict, Exit::of(&swings)), (Verdict::NotDone, Exit::Accepted));
        assert!(swings.sentence.starts_with("A MEASUREMENT."), "{}", swings.sentence);
        for bad in [Verdict::Undecided, Verdict::NotDone] {
            let swings = of(&[("lines", Verdict::Accepted), ("rotor-swing", bad)], None);
            assert_eq!((swings.verdict, Exit::of(&swings)), (Verdict::Undecided, Exit::Undecided));
        }
    }
    /// Everything that the axis needs, accepted but for these.
    fn all_but(others: &[(usize, CheckRecord)]) -> Vec<CheckRecord> {
        let mut all: Vec<CheckRecord> =
            for_axis(ALL, &sheet()).iter().map(|c| record(c.id(), Verdict::Accepted)).collect();
        for (at, other) in others {
            let CheckRecord { id, title, .. } = all[*at].clone();
            all[*at] = CheckRecord { id, title, ..other.clone() };
        }
        all
    }

    fn whole(checks: &[CheckRecord]) -> Outcome {
        outcome(RunKind::Acceptance, checks, left_out(&sheet(), checks), None, Took::default())
    }

    #[test]
    fn what_other_checks_show_keeps_nothing_from_being_accepted_and_is_named_as_not_done() {
        let undone = |shown_also_by: Option<&str>| {
            let shown_also_by = shown_also_by.map(str::to_owned);
            let not_done = Some(crate::record::model::NotDone { shown_also_by, ..Default::default() });
            CheckRecord { not_done, ..record("lines", Verdict::NotDone) }
        };
        let stood_for = whole(&all_but(&[(1, undone(Some("another")))]));
        assert_eq!((stood_for.verdict, stood_for.not_done), (Verdict::Accepted, 1));
        let title = &all_but(&[])[1].title;
        let named = format!(" Not done: \"{title}\", which other checks show.");
        assert!(stood_for.sentence.ends_with(&named), "{}", stood_for.sentence);
        for missing in [vec![(1, undone(None))], vec![(1, undone(Some("another"))), (2, undone(None))]] {
            let of = whole(&all_but(&missing));
            assert_eq!((of.verdict, of.not_done as usize), (Verdict::Undecided, missing.len()));
        }
        // Another check that was made, and is undecided, is not stood for.
        let undecided = CheckRecord { verdict: Verdict::Undecided, ..undone(Some("another")) };
        let of = whole(&all_but(&[(1, undecided), (2, undone(None))]));
        assert!(!of.sentence.contains("which other checks show"), "{}", of.sentence);
    }

    #[test]
    fn a_run_is_worth_its_worst_check_and_says_how_many_came_to_what() {
        let with = |verdicts: &[Verdict]| {
            let others = verdicts.iter().map(|v| record("lines", *v)).enumerate();
            whole(&all_but(&others.collect::<Vec<_>>()))
        };
        let all = u32::try_from(all_but(&[]).len()).unwrap();
        let of = with(&[Verdict::Undecided, Verdict::Rejected, Verdict::NotDone, Verdict::Undecided]);
        assert_eq!((of.accepted, of.undecided, of.rejected, of.not_done), (all - 4, 2, 1, 1));
        assert_eq!(of.verdict, Verdict::Rejected);
        let undecided = with(&[Verdict::Undecided]);
        assert_eq!(undecided.verdict, Verdict::Undecided);
        assert!(undecided.sentence.contains("1 undecided and 0 not done"), "{}", undecided.sentence);
        let none = with(&vec![Verdict::NotDone; all as usize]);
        assert_eq!(
            (none.verdict, none.sentence.as_str()),
            (Verdict::NotDone, "No check could be made: the axis is not accepted.")
        );
        let one = [&vec![Verdict::NotDone; all as usize - 1][..], &[Verdict::Undecided]].concat();
        assert_eq!(with(&one).verdict, Verdict::Undecided);
        // A stop takes no more away than there was.
        let stopped = super::tests::of(&[("lines", Verdict::NotDone)], Some("pulled"));
        assert_eq!(stopped.verdict, Verdict::NotDone);
    }

    #[test]
    fn the_sentence_says_what_was_made_on_what_and_how_much_of_it() {
        let rehearsed =
            |kind, checks: &[CheckRecord]| outcome(kind, checks, Vec::new(), None, Took::default()).sentence;
        let all = all_but(&[]);
        let says = |kind, checks| rehearsed(kind, checks).contains("REHEARSAL on a simulated");
        assert!(says(RunKind::Rehearsal, &all) && !says(RunKind::Acceptance, &all));
        assert_eq!(
            rehearsed(RunKind::Acceptance, &all[..1]),
            "The axis does what the sheet says in the one check made."
        );
        assert_eq!(
            rehearsed(RunKind::Acceptance, &all[..2]),
            "The axis does what the sheet says in all 2 checks made."
        );
        let part = of(&[("lines", Verdict::Accepted)], None).sentence;
        assert!(part.ends_with("without the rest the axis is not accepted."), "{part}");
    }

    #[test]
    fn a_measurement_beside_checks_of_an_acceptance_is_no_measurement_alone() {
        let swing = || record("rotor-swing", Verdict::Accepted);
        let of = whole(&[all_but(&[]), vec![swing()]].concat());
        assert_eq!((of.verdict, of.measurement), (Verdict::Accepted, false));
        assert!(!of.sentence.contains("A PART") && !of.sentence.contains("A MEASUREMENT"));
        // A check that the measurement does not need makes it a part; it counts as none of the acceptance's.
        let part = whole(&[
            record("line-count-fast", Verdict::Accepted),
            record("lines", Verdict::Accepted),
            swing(),
        ]);
        assert_eq!((part.verdict, part.measurement), (Verdict::Undecided, false));
        let all = all_but(&[]).len();
        assert!(part.sentence.starts_with(&format!("A PART: 2 of {all} checks.")), "{}", part.sentence);
        let alone = whole(&[record("lines", Verdict::Accepted), swing()]);
        assert!(alone.measurement && alone.sentence.contains("It is no acceptance of the axis"));
        // Without it the same is a part as any other.
        let without = whole(&[record("lines", Verdict::Accepted)]);
        assert!(!without.measurement && without.sentence.starts_with("A PART: 1 of"));
    }
}
