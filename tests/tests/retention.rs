//! The power cycle: what could not be compared, what was wrong before, and power that did not come back.

#![allow(clippy::unwrap_used, clippy::panic)] // Only tests are built with this file.

use proofstand::checks::{AskNumberStep, Deed, Prompt, Turned};
use proofstand::record::model::{Run, Verdict};
use proofstand::rehearsal::RehearsedOperator;
use proofstand::sequence::{Attendant, Done};
use proofstand::sheet::Viewpoint;
use proofstand_tests::bench::{Plan, check, demo, row};

/// A person who only says that the power was switched, off or on.
struct Pretends {
    person: RehearsedOperator,
    on: bool,
}

impl Attendant for Pretends {
    fn acknowledge(&mut self, cautions: &[String]) -> Option<String> {
        self.person.acknowledge(cautions)
    }

    fn watch(&mut self) {
        self.person.watch();
    }

    fn which_way(&mut self, seen_from: Viewpoint) -> Option<Turned> {
        self.person.which_way(seen_from)
    }

    fn begin(&mut self, prompt: &Prompt) -> bool {
        matches!(prompt.deed, Deed::ControlPower { on } if on == self.on) || self.person.begin(prompt)
    }

    fn has_done(&mut self) -> Done {
        self.person.has_done()
    }

    fn will_read(&mut self, ask: &AskNumberStep) -> bool {
        self.person.will_read(ask)
    }

    fn number(&mut self, ask: &AskNumberStep) -> Option<f64> {
        self.person.number(ask)
    }

    fn attended(&self) -> bool {
        self.person.attended()
    }
}

fn pretended(on: bool) -> Run {
    let folder = tempfile::tempdir().unwrap();
    let plan = Plan::film_winder().only("retention");
    plan.run_with(folder.path(), |person| Box::new(Pretends { person, on })).unwrap()
}

fn verdict(run: &Run, id: &str) -> Verdict {
    row(run, id).unwrap_or_else(|| panic!("{id}: {:#?}", check(run, "retention"))).verdict
}

#[test]
fn power_that_was_never_switched_off_is_no_power_cycle() {
    let run = pretended(false);
    assert_eq!(verdict(&run, "retention.cycled"), Verdict::Undecided);
    assert_eq!(check(&run, "retention").unwrap().verdict, Verdict::Undecided);
}

#[test]
fn nothing_is_enabled_after_a_power_cycle_until_the_encoder_is_driven_again() {
    let run = pretended(true);
    let made = check(&run, "retention").unwrap();
    assert_eq!(run.outcome.stopped, None);
    assert_eq!(verdict(&run, "retention.cycled"), Verdict::Undecided);
    assert_eq!(row(&run, "retention.cycled").unwrap().measured_text.as_deref(), Some("went off only"));
    for part in ["counts-forward", "counts-reverse", "gain", "cap", "flag"] {
        assert_eq!(verdict(&run, &format!("retention.{part}")), Verdict::NotDone, "{part}");
    }
    assert_eq!(made.verdict, Verdict::Undecided);
    // Cap and scale before, power off, power on: nothing moved after.
    assert_eq!(made.steps.len(), 4, "{:#?}", made.steps);
}

#[test]
fn a_retention_asked_for_by_name_brings_what_it_compares_with() {
    for plan in [Plan::film_winder(), Plan::batch_auger()] {
        let run = plan.only("retention").run().unwrap();
        assert_eq!(check(&run, "retention").unwrap().verdict, Verdict::Accepted, "{:#?}", run.checks);
        for part in ["cycled", "counts-forward", "counts-reverse", "gain", "cap", "flag"] {
            assert_eq!(verdict(&run, &format!("retention.{part}")), Verdict::Accepted, "{part}");
        }
    }
}

#[test]
fn counts_that_were_wrong_and_stay_wrong_are_rejected_and_the_rest_is_said_to_be_missing() {
    for plan in [Plan::film_winder(), Plan::batch_auger()] {
        let run = plan.fault("pulses-for-counts").run().unwrap();
        let row = row(&run, "retention.counts-forward").unwrap();
        assert_eq!(row.verdict, Verdict::Rejected, "{row:#?}");
        assert!(row.sentence.contains("as wrong before"), "{row:#?}");
        // The fixture stopped the motion at the first wrong interval.
        assert_ne!(verdict(&run, "retention.counts-reverse"), Verdict::Accepted);
        for part in ["cap", "flag"] {
            assert_eq!(verdict(&run, &format!("retention.{part}")), Verdict::NotDone, "{part}");
        }
        // Nothing changed over the power cycle, and nothing is said to have.
        assert!(run.diagnoses.iter().all(|d| !d.id.starts_with("setting-not")), "{:#?}", run.diagnoses);
    }
}

#[test]
fn an_axis_whose_cap_and_scale_can_t_be_compared_is_not_accepted_after_the_power_cycle() {
    let run = Plan { sheet: demo("bare-rotor.toml"), ..Plan::film_winder() }.run().unwrap();
    let made = check(&run, "retention").unwrap();
    assert_eq!(made.verdict, Verdict::Undecided, "{made:#?}");
    for part in ["gain", "cap"] {
        let row = row(&run, &format!("retention.{part}")).unwrap();
        assert_eq!(row.verdict, Verdict::NotDone, "{row:#?}");
        assert!(row.sentence.contains("not compared"), "{row:#?}");
    }
}
