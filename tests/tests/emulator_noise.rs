//! Noise on the emulated board's cable: a few errors change no verdict, more of them stop the run safely, none turns a result
//! round, and a cable that is dumb for longer than a beat leaves the terminals at 0 V with enable open.

#![allow(clippy::unwrap_used)] // Only tests are built with this file.

use core::time::Duration;
use std::collections::BTreeMap;
use std::path::Path;

use proofstand::checks;
use proofstand::fixture::cause_in_words;
use proofstand::record::model::{Run, Verdict};
use proofstand::rehearsal::{Disturbed, Noise, NoisyLink};
use proofstand_protocol::message::TripCause;
use proofstand_tests::bench::Failure;
use proofstand_tests::emulator::{Axis, EmulatedFixture};

/// The fixture's ceiling for the beat, 100 ms (PROTOCOL.md), its contacts, and something to spare.
const SAFE_WITHIN: Duration = Duration::from_millis(150);

/// The slow line count and what it needs over a noisy cable: the run, or why there could be none, and what the noise did.
/// Whatever became of it, the board is then left alone, and must have made itself safe.
fn noisy(noise: Noise, seed: u64) -> (Result<Run, Failure>, Disturbed) {
    let sheet = Path::new(env!("CARGO_MANIFEST_DIR")).join("sheets/feed-roller.toml");
    let fixture = EmulatedFixture::start(Axis::read(&sheet, &[], 1).unwrap()).unwrap();
    let folder = tempfile::tempdir().unwrap();
    let mut link = NoisyLink::new(fixture.link(), noise, seed);
    let checks = checks::with_needs(&[checks::by_id("line-count-slow").unwrap()]);
    let run = fixture.accept_over(&mut link, &checks, folder.path());
    let disturbed = link.disturbed();
    let mut board = fixture.board.borrow_mut();
    board.run(SAFE_WITHIN).unwrap();
    let state = board.state().unwrap();
    assert!(
        !state.enable && !state.relay && state.terminal.abs() < 0.01,
        "not safe after the run: {state:?}"
    );
    assert!(state.faults.is_empty() && state.resets == 0, "{state:?}");
    (run, disturbed)
}

fn verdicts(run: &Run) -> BTreeMap<&str, Verdict> {
    run.checks.iter().flat_map(|c| &c.results).map(|r| (r.id.as_str(), r.verdict)).collect()
}

fn errors(disturbed: Disturbed) -> u64 {
    disturbed.flips + disturbed.losses + disturbed.doubles
}

#[test]
fn one_error_in_a_hundred_thousand_bytes_lets_the_run_finish_with_the_verdicts_of_a_quiet_cable() {
    let (quiet, none) = noisy(Noise::errors(0.0), 1);
    let (noisy, some) = noisy(Noise::errors(1e-5), 1);
    let (quiet, noisy) = (quiet.unwrap(), noisy.unwrap());
    assert_eq!(errors(none), 0);
    assert!(errors(some) >= 3, "{some:?} is too little to show anything");
    for run in [&quiet, &noisy] {
        assert_eq!((&run.outcome.stopped, run.diagnoses.len()), (&None, 0), "{:#?}", run.outcome);
        assert!(run.checks.iter().all(|c| c.verdict == Verdict::Accepted), "{:#?}", run.outcome);
    }
    assert_eq!(verdicts(&noisy), verdicts(&quiet));
}

#[test]
fn one_error_in_a_thousand_bytes_lets_it_finish_or_stops_it_and_rejects_nothing() {
    for seed in [1, 2] {
        let (run, disturbed) = noisy(Noise::errors(1e-3), seed);
        let run = run.unwrap();
        assert!(errors(disturbed) >= 50, "{disturbed:?}");
        let wrong = verdicts(&run).into_iter().filter(|(_, verdict)| *verdict == Verdict::Rejected).count();
        assert_eq!(wrong, 0, "seed {seed}: {run:#?}");
        // Not to have got to its end, without a word of why, is neither.
        let done = run.checks.iter().all(|c| c.verdict != Verdict::NotDone);
        assert_eq!(run.outcome.stopped.is_none(), done, "seed {seed}: {:#?}", run.outcome);
    }
}

#[test]
fn one_error_in_a_hundred_bytes_stops_it_safely() {
    let (run, disturbed) = noisy(Noise::errors(1e-2), 1);
    assert!(errors(disturbed) >= 50, "{disturbed:?}");
    if let Ok(run) = run {
        assert!(run.outcome.stopped.is_some(), "{:#?}", run.outcome);
        assert!(verdicts(&run).values().all(|verdict| *verdict != Verdict::Rejected), "{run:#?}");
    }
}

#[test]
fn a_cable_that_is_dumb_for_longer_than_a_beat_lets_the_board_stop_by_itself() {
    let stalls =
        Noise { long_stall: 1e-5, longest_long_stall: Duration::from_millis(300), ..Noise::errors(0.0) };
    let (run, disturbed) = noisy(stalls, 1);
    let run = run.unwrap();
    assert!(disturbed.long_stalls > 0 && errors(disturbed) == 0, "{disturbed:?}");
    let why = run.outcome.stopped.unwrap();
    assert!(why.contains(cause_in_words(TripCause::BeatLost)), "{why}");
}
