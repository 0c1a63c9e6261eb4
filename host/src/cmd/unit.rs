//! Is it the same unit? By what is noted of amplifier, firmware and motor.

use super::identity::{NOT_NOTED, SAME_UNIT, key_of};
use crate::record::model::{Fact, Run};

/// What two records note under one label.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) enum Noted {
    /// The same.
    Same,
    /// Two different things.
    Differs { then: String, now: String },
    /// Something in the earlier one only.
    OnlyThen(String),
    /// Something now only.
    OnlyNow,
    /// Nothing in either.
    Never,
}

/// Goes through the labels that tell one unit from another.
pub(super) fn noted(then: &[Fact], now: &[Fact]) -> [(&'static str, Noted); SAME_UNIT.len()] {
    let of = |facts: &[Fact], label: &str| {
        let fact = facts.iter().find(|f| f.label == label && f.value != NOT_NOTED);
        fact.map(|f| f.value.clone())
    };
    SAME_UNIT.map(|label| {
        let noted = match (of(then, label), of(now, label)) {
            (Some(then), Some(now)) if then == now => Noted::Same,
            (Some(then), Some(now)) => Noted::Differs { then, now },
            (Some(then), None) => Noted::OnlyThen(then),
            (None, Some(_)) => Noted::OnlyNow,
            (None, None) => Noted::Never,
        };
        (label, noted)
    })
}

/// All of it is noted in both, and the same.
///
/// # Errors
/// What keeps it from being known, for the person.
pub(super) fn same_unit(run: &Run, now: &[Fact]) -> Result<(), String> {
    for (label, noted) in noted(&run.axis.identity, now) {
        match noted {
            Noted::Same => {}
            Noted::Differs { then, now } => {
                return Err(format!("it is of another unit: {label} was \"{then}\" and is \"{now}\""));
            }
            Noted::OnlyNow | Noted::Never => {
                return Err(format!("{label} was not noted in it: nobody knows which unit it was"));
            }
            Noted::OnlyThen(_) => return Err(format!("{label} is not noted now: give it with --identity")),
        }
    }
    Ok(())
}

/// Whether a run may be followed on the unit that is on the bench now, by what is noted of both. `confirmed`: a person
/// will be asked whether it is the same one.
///
/// # Errors
/// Which field stands against it, and what to do.
pub(super) fn may_follow(run: &Run, now: &[Fact], confirmed: bool) -> Result<(), String> {
    for (label, noted) in noted(&run.axis.identity, now) {
        match noted {
            Noted::Differs { then, now } => {
                return Err(format!(
                    "run {} is of another unit: {label} was \"{then}\" in it and is \"{now}\" now. Results of two units \
                     never go into one record. If this is another unit, make a new acceptance of it, without --again or \
                     --resume; if a name was mistyped, give --identity {}=\"{then}\"",
                    run.id,
                    key_of(label)
                ));
            }
            Noted::OnlyThen(then) if !confirmed => {
                return Err(format!(
                    "run {} notes {label} \"{then}\", and nobody says that this unit has it too. Look at the nameplate, and \
                     give what it says: --identity {}=…",
                    run.id,
                    key_of(label)
                ));
            }
            Noted::OnlyNow if !confirmed => {
                return Err(format!(
                    "run {} does not note {label}: nobody knows whether it was this unit. Make a new acceptance of it, \
                     without --again or --resume",
                    run.id
                ));
            }
            Noted::Same | Noted::OnlyThen(_) | Noted::OnlyNow | Noted::Never => {}
        }
    }
    let named = noted(&run.axis.identity, now).iter().any(|(_, noted)| *noted == Noted::Same);
    if !confirmed && !named && !crate::report::is_rehearsal(run) {
        return Err(format!(
            "run {} notes nothing by which its unit is known again, and nobody is there to say that this is it. Go on attended, \
             or make a new acceptance with --identity",
            run.id
        ));
    }
    Ok(())
}

/// How it is known that a run that is followed is of the same unit, for the record.
pub(super) fn known_by(run: &Run, now: &[Fact], confirmed: bool) -> String {
    let all = noted(&run.axis.identity, now);
    let with = |wanted: &[Noted]| -> Vec<&str> {
        all.iter().filter(|(_, noted)| wanted.contains(noted)).map(|(label, _)| *label).collect()
    };
    let (same, never) = (with(&[Noted::Same]), with(&[Noted::Never, Noted::OnlyNow]));
    let mut all = Vec::new();
    if confirmed {
        all.push("a person said before anything moved that it is".to_owned());
    }
    if !same.is_empty() {
        all.push(format!("noted in both and the same: {}", same.join("; ")));
    }
    if !never.is_empty() {
        all.push(format!("not noted in run {}: {}", run.id, never.join("; ")));
    }
    if !confirmed && same.is_empty() {
        all.push("nothing noted says that it is the same unit, and nobody was asked".to_owned());
    }
    format!("{}.", all.join(". "))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn facts(serial: &str) -> Vec<Fact> {
        SAME_UNIT.iter().map(|label| Fact { label: (*label).to_owned(), value: serial.to_owned() }).collect()
    }

    fn run(identity: Vec<Fact>) -> Run {
        let mut run: Run = serde_json::from_str(include_str!("../../tests/data/example-run.json")).unwrap();
        run.axis.identity = identity;
        run
    }

    #[test]
    fn another_unit_is_never_followed_whoever_confirms_it() {
        for confirmed in [true, false] {
            let why = may_follow(&run(facts("A")), &facts("B"), confirmed).unwrap_err();
            assert!(why.contains("Amplifier, serial number was \"A\" in it and is \"B\" now"), "{why}");
            assert!(
                why.contains("--identity amplifier-serial=\"A\"") && why.contains("new acceptance"),
                "{why}"
            );
            assert!(may_follow(&run(facts("A")), &facts("A"), confirmed).is_ok());
        }
    }

    #[test]
    fn where_nobody_is_there_to_confirm_it_what_is_noted_once_only_is_refused() {
        let (noted, not) = (run(facts("A")), run(facts(NOT_NOTED)));
        let why = may_follow(&noted, &[], false).unwrap_err();
        assert!(why.contains("--identity amplifier-serial=") && why.contains("\"A\""), "{why}");
        assert!(may_follow(&not, &facts("A"), false).unwrap_err().contains("nobody knows"));
        assert!(may_follow(&noted, &[], true).is_ok() && may_follow(&not, &facts("A"), true).is_ok());
        // A unit without any name may be any unit; simulated, it is one, and the record says so.
        let mut real = not.clone();
        real.kind = crate::record::model::RunKind::Acceptance;
        real.provenance.simulated = false;
        real.provenance.faults.clear();
        assert!(may_follow(&real, &[], false).unwrap_err().contains("nobody is there"));
        assert!(may_follow(&real, &[], true).is_ok());
        let mut simulated = not.clone();
        simulated.kind = crate::record::model::RunKind::Rehearsal;
        assert!(may_follow(&simulated, &[], false).is_ok());
        assert!(known_by(&not, &[], false).contains("nobody was asked"));
        assert!(known_by(&noted, &facts("A"), true).starts_with("a person said"));
        assert!(!known_by(&noted, &facts("A"), false).contains("nobody"));
    }
}
