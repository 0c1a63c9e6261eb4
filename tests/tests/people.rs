//! What only a person can do or say: the turn by hand, which way the shaft went, cautions, and what stands in for people
//! where nobody is there.

#![allow(clippy::unwrap_used)] // Only tests are built with this file.

use std::path::{Path, PathBuf};

use proofstand::acceptance::{Job, Setting};
use proofstand::checks::{self, Prompt, Turned};
use proofstand::fixture::Client;
use proofstand::record::model::{Run, RunKind, Verdict};
use proofstand::record::{RunFolder, SAMPLES, read_samples};
use proofstand::rehearsal::{Fault, Rehearsal, RehearsedOperator};
use proofstand::sequence::{Attendant, Done, Quiet};
use proofstand::sheet::Viewpoint;
use proofstand_tests::bench::{Plan, TODAY, check, demo, row};

fn sheet(name: &str) -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("sheets").join(name)
}

/// A simulated person who does not answer every question.
struct Shy {
    person: RehearsedOperator,
    /// Questions still answered.
    answers: u32,
    /// Deeds still done.
    deeds: u32,
    /// Names itself under the cautions.
    named: bool,
    /// What was said before each check that moves something.
    told: Vec<String>,
}

impl Attendant for Shy {
    fn acknowledge(&mut self, cautions: &[String]) -> Option<String> {
        assert!(!cautions.is_empty());
        self.named.then(|| "Kim".to_owned())
    }

    fn ready(&mut self, next: &str) -> bool {
        self.told.push(next.to_owned());
        true
    }

    fn watch(&mut self) {
        self.person.watch();
    }

    fn which_way(&mut self, seen_from: Viewpoint) -> Option<Turned> {
        self.answers = self.answers.checked_sub(1)?;
        self.person.which_way(seen_from)
    }

    fn begin(&mut self, prompt: &Prompt) -> bool {
        let Some(left) = self.deeds.checked_sub(1) else { return false };
        self.deeds = left;
        self.person.begin(prompt)
    }

    fn has_done(&mut self) -> Done {
        self.person.has_done()
    }

    fn attended(&self) -> bool {
        true
    }
}

/// Rehearses turn by hand and nudge with somebody who answers so many questions and does so many deeds.
fn with(answers: u32, deeds: u32, fault: Option<&str>) -> (Run, Vec<String>) {
    let read = proofstand::sheet::read(&demo("film-winder.toml")).unwrap();
    let job = Job::new(read.file, read.text, read.sheet);
    let faults: Vec<Fault> = fault.iter().map(|f| Fault::parse(f).unwrap()).collect();
    let rehearsal = Rehearsal::new(&job.sheet, &faults, 1, TODAY).unwrap();
    let folder = tempfile::tempdir().unwrap();
    let mut folder = RunFolder::create(folder.path(), "run", true).unwrap();
    let mut client = Client::connect(rehearsal.link(), &mut folder).unwrap();
    let mut shy = Shy { person: rehearsal.operator(true), answers, deeds, named: true, told: Vec::new() };
    let asked = ["lines", "hand-turn", "nudge"].map(|id| checks::by_id(id).unwrap());
    let setting = Setting { today: TODAY, ..Setting::default() };
    let run = job.run(RunKind::Rehearsal, &asked, &setting, &mut client, &mut folder, &mut shy, &mut Quiet);
    (run, shy.told)
}

#[test]
fn a_turn_by_hand_gives_the_sense_of_the_counts_and_exactly_four_counts_a_pulse_both_ways() {
    let folder = tempfile::tempdir().unwrap();
    let (run, path) = Plan::film_winder().only("hand-turn").run_in(folder.path()).unwrap();
    let made = check(&run, "hand-turn").unwrap();
    assert_eq!(made.verdict, Verdict::Accepted, "{made:#?}");
    for id in ["hand-turn.one-way", "hand-turn.other-way"] {
        // The sheet's 2500 pulses are 10 000 counts: a pulse is four counts (quadrature, four edges a cycle).
        let row = row(&run, id).unwrap();
        assert_eq!((row.measured, row.expanded_uncertainty), (Some(10_000.0), Some(0.0)), "{row:#?}");
    }
    // Nothing was commanded or enabled meanwhile, and the shaft was turned more than two turns each way.
    let samples = read_samples(std::fs::File::open(path.join(SAMPLES)).unwrap()).unwrap().samples;
    assert!(samples.iter().all(|s| s.command.0 == 0 && s.segment == 255));
    let positions = || samples.iter().map(|s| s.position.0);
    assert!(positions().max().unwrap() - positions().min().unwrap() > 20_000);
}

#[test]
fn an_answer_is_asked_for_before_anything_is_said_about_which_way_it_should_have_gone() {
    let read = proofstand::sheet::read(&demo("film-winder.toml")).unwrap();
    let (run, told) = with(3, 9, None);
    assert!(run.checks.iter().all(|c| c.verdict == Verdict::Accepted), "{:#?}", run.checks);
    let prompts: Vec<&String> =
        run.checks.iter().flat_map(|c| &c.steps).map(|s| &s.what).chain(&told).chain(&run.cautions).collect();
    assert!(prompts.len() > 8);
    let expected = read.sheet.direction.positive_command.words();
    for prompt in prompts {
        assert!(!prompt.contains(expected) && !prompt.contains("clockwise"), "{prompt}");
    }
}

#[test]
fn a_hand_on_the_shaft_tells_reversed_counts_reversed_command_and_a_mirrored_axis_apart() {
    for (fault, cause, by_hand) in [
        ("encoder-swapped", "counts-reversed", Verdict::Rejected),
        ("command-reversed", "command-reversed", Verdict::Accepted),
        ("direction-mirrored", "direction-mirrored", Verdict::Rejected),
    ] {
        // Both questions about the turn by hand are answered; the one about the motion is not.
        let (run, _) = with(2, 9, Some(fault));
        assert_eq!(row(&run, "hand-turn.sign").unwrap().verdict, by_hand, "{fault}");
        assert_ne!(row(&run, "nudge.direction").unwrap().verdict, Verdict::Accepted, "{fault}");
        let first = run.diagnoses.first().map(|d| d.id.as_str());
        assert_eq!(first, Some(cause), "{fault}: {:#?}", run.diagnoses);
    }
}

#[test]
fn pulses_taken_for_counts_show_when_the_shaft_is_turned_by_hand() {
    for (fault, counts) in [("pulses-for-counts", 2_500.0), ("counts-for-pulses", 40_000.0)] {
        let run = Plan::film_winder().only("hand-turn").fault(fault).run().unwrap();
        let row = row(&run, "hand-turn.one-way").unwrap();
        assert_eq!((row.measured, row.verdict), (Some(counts), Verdict::Rejected), "{fault}: {row:#?}");
    }
}

#[test]
fn a_turn_that_could_not_be_made_is_not_done_and_motor_power_is_asked_for_again() {
    // The first deed is switching motor power off; the second, turning, can't be done.
    let (run, _) = with(3, 1, None);
    let hand = check(&run, "hand-turn").unwrap();
    assert_eq!(hand.verdict, Verdict::NotDone, "{hand:#?}");
    let whats: Vec<&str> = hand.steps.iter().map(|s| s.what.as_str()).collect();
    assert!(whats.last().unwrap().contains("motor power is switched on again"), "{whats:?}");
    assert!(!whats.iter().any(|w| w.contains("the other way")), "{whats:?}");
}

#[test]
fn before_each_check_that_moves_something_a_person_is_told_what_and_how_far() {
    let (run, told) = with(3, 9, None);
    assert_eq!(told.len(), 1, "one of the three checks moves: {told:?}");
    assert!(told[0].contains("turns") && told[0].contains("rpm"), "{told:?}");
    assert_eq!(run.acknowledged_by.as_deref(), Some("Kim"));
}

#[test]
fn cautions_that_nobody_puts_a_name_to_move_nothing() {
    let read = proofstand::sheet::read(&demo("film-winder.toml")).unwrap();
    let job = Job::new(read.file, read.text, read.sheet);
    let rehearsal = Rehearsal::new(&job.sheet, &[], 1, TODAY).unwrap();
    let folder = tempfile::tempdir().unwrap();
    let mut folder = RunFolder::create(folder.path(), "run", true).unwrap();
    let mut client = Client::connect(rehearsal.link(), &mut folder).unwrap();
    let mut shy =
        Shy { person: rehearsal.operator(true), answers: 9, deeds: 9, named: false, told: Vec::new() };
    let setting = Setting { today: TODAY, ..Setting::default() };
    let run =
        job.run(RunKind::Rehearsal, checks::ALL, &setting, &mut client, &mut folder, &mut shy, &mut Quiet);
    assert!(run.outcome.stopped.is_some());
    assert!(run.checks.iter().all(|c| c.verdict == Verdict::NotDone && c.steps.is_empty()));
}

#[test]
fn an_axis_without_separable_control_power_is_accepted_with_the_turn_by_hand_not_done() {
    let run = Plan { sheet: sheet("one-supply.toml"), ..Plan::film_winder() }.run().unwrap();
    let hand = check(&run, "hand-turn").unwrap();
    assert_eq!(hand.verdict, Verdict::NotDone);
    let reason = hand.not_done.as_ref().unwrap();
    assert!(reason.why.contains("no control power without motor power"), "{reason:?}");
    assert!(reason.would_allow.contains("control power alone"), "{reason:?}");
    assert!(reason.shown_also_by.as_ref().unwrap().contains("nudge"), "{reason:?}");
    assert_eq!(run.outcome.verdict, Verdict::Accepted, "{:#?}", run.outcome);
    assert!(run.outcome.sentence.contains("Not done: \"Turned by hand"), "{}", run.outcome.sentence);
    assert!(run.outcome.not_done >= 1);
}

#[test]
fn an_absolute_encoder_that_comes_alive_late_is_waited_for() {
    let folder = tempfile::tempdir().unwrap();
    let plan = Plan { sheet: sheet("late-encoder.toml"), ..Plan::film_winder() };
    let (run, path) = plan.run_in(folder.path()).unwrap();
    assert_eq!(run.outcome.verdict, Verdict::Accepted, "{:#?}", run.outcome);
    // Nothing was armed, and nobody asked to touch anything, in the three seconds that the sheet says.
    let first = run.checks.iter().flat_map(|c| &c.steps).map(|s| s.start_seconds).filter(|s| *s > 0.0);
    assert!(first.fold(f64::INFINITY, f64::min) > 3.0);
    let samples = read_samples(std::fs::File::open(path.join(SAMPLES)).unwrap()).unwrap().samples;
    assert!(samples.iter().filter(|s| s.at.0 < 3_000_000).all(|s| s.segment == 255 && s.speed.0 == 0));
}

#[test]
fn a_coupled_or_hanging_axis_refuses_what_needs_a_free_shaft_and_says_why() {
    let text = std::fs::read_to_string(demo("film-winder.toml")).unwrap();
    let folder = tempfile::tempdir().unwrap();
    for mounting in ["coupled", "vertical"] {
        let path = folder.path().join(format!("{mounting}.toml"));
        std::fs::write(&path, text.replace("\"free_shaft\"", &format!("\"{mounting}\""))).unwrap();
        let run = Plan { sheet: path, ..Plan::film_winder() }.run().unwrap();
        for id in ["hand-turn", "nudge", "speed-cap", "command-scale"] {
            let reason = check(&run, id).unwrap().not_done.as_ref().unwrap();
            assert!(reason.why.contains("coupled or carries a hanging load"), "{mounting}, {id}: {reason:?}");
            assert!(reason.would_allow.contains("uncouple"), "{mounting}, {id}: {reason:?}");
        }
        assert_ne!(run.outcome.verdict, Verdict::Accepted);
    }
}

#[test]
fn an_unattended_run_says_what_it_cannot_decide() {
    let run = Plan { attended: false, ..Plan::film_winder() }.run().unwrap();
    assert_eq!(check(&run, "hand-turn").unwrap().verdict, Verdict::NotDone);
    assert!(run.provenance.warnings.iter().any(|w| w.starts_with("Unattended")), "{:?}", run.provenance);
}
