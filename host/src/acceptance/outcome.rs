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
    use super::*;
    use crate::checks::by_id;
    use crate::exit::Exit;

    fn record(id: &str, verdict: Verdict) -> CheckRecord {
        let run: crate::record::model::Run =
            serde_json::from_str(include_str!("../../tests/data/example-run.json")).unwrap();
        let first = run.checks.into_iter().next().unwrap();
        let title = by_id(id).unwrap().title().to_owned();
        CheckRecord { id: id.to_owned(), title, verdict, not_done: None, ..first }
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
}
