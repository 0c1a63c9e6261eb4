//! Whole acceptances on the emulated board image: a healthy axis is accepted, each fault is rejected and named, and what
//! has to stop the axis stops it.

use core::time::Duration;
use std::path::{Path, PathBuf};

use proofstand::checks;
use proofstand::record::model::{Run, Verdict};
use proofstand_tests::bench::{Failure, check};
use proofstand_tests::emulator::{Axis, EmulatedFixture, TraceEntry};
use serde_json::json;

fn sheet() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("sheets/feed-roller.toml")
}

fn fixture(faults: &[&str]) -> Result<EmulatedFixture, Failure> {
    EmulatedFixture::start(Axis::read(&sheet(), faults, 1)?)
}

/// Makes an acceptance: all of it, or one check and those it needs.
fn accept(fixture: &EmulatedFixture, only: Option<&str>) -> Result<Run, Failure> {
    let folder = tempfile::tempdir()?;
    let checks = match only {
        Some(id) => checks::with_needs(&[checks::by_id(id).ok_or("no such check")?]),
        None => checks::ALL.to_vec(),
    };
    let run = fixture.accept(&checks, folder.path())?;
    let state = fixture.board.borrow_mut().state()?;
    if !state.faults.is_empty() {
        return Err(format!("the converters were told wrongly: {:?}", state.faults).into());
    }
    if state.resets != 0 {
        return Err("the board was reset".into());
    }
    if state.enable || state.relay || state.terminal.abs() > 0.01 {
        return Err(format!("not safe after the run: {state:?}").into());
    }
    Ok(run)
}

/// Makes an acceptance with a fault, up to the check that must reject it. Gives the check's verdict, that of the whole
/// run, and the cause that is named first.
fn with_fault(fault: &str, rejecting: &str) -> Result<(Verdict, Verdict, String), Failure> {
    let run = accept(&fixture(&[fault])?, Some(rejecting))?;
    let made = check(&run, rejecting).ok_or("the check was not made")?;
    let named = run.diagnoses.first().map(|d| d.id.clone()).unwrap_or_default();
    Ok((made.verdict, run.outcome.verdict, named))
}

fn rejected(cause: &str) -> (Verdict, Verdict, String) {
    (Verdict::Rejected, Verdict::Rejected, cause.to_owned())
}

#[test]
fn a_healthy_axis_is_accepted_in_all_of_it() {
    let run = accept(&fixture(&[]).unwrap(), None).unwrap();
    for made in &run.checks {
        assert_eq!(made.verdict, Verdict::Accepted, "{made:#?}");
    }
    assert_eq!((run.outcome.verdict, &run.outcome.stopped), (Verdict::Accepted, &None));
    assert!(run.diagnoses.is_empty(), "{:#?}", run.diagnoses);
    let read = proofstand::sheet::read(&sheet()).unwrap();
    assert_eq!(run.checks.len(), checks::for_axis(checks::ALL, &read.sheet).len());
}

#[test]
fn swapped_phases_are_rejected_and_named() {
    assert_eq!(with_fault("encoder-swapped", "nudge").unwrap(), rejected("counts-reversed"));
}

#[test]
fn a_reversed_command_is_rejected_and_named() {
    assert_eq!(with_fault("command-reversed", "nudge").unwrap(), rejected("command-reversed"));
}

#[test]
fn pulses_taken_for_counts_are_rejected_and_named() {
    assert_eq!(with_fault("pulses-for-counts", "line-count-slow").unwrap(), rejected("pulses-for-counts"));
}

#[test]
fn a_flag_on_another_terminal_is_rejected_and_named() {
    assert_eq!(with_fault("flag-elsewhere", "cap-flag").unwrap(), rejected("flag-elsewhere"));
}

#[test]
fn a_dead_cap_ends_in_an_overspeed_trip_and_a_clean_reject() {
    let fixture = fixture(&["cap-not-set"]).unwrap();
    fixture.board.borrow_mut().trace(&["trigger"]).unwrap();
    let run = accept(&fixture, Some("speed-cap")).unwrap();
    let made = check(&run, "speed-cap").unwrap();
    assert_eq!(made.verdict, Verdict::Rejected, "{made:#?}");
    assert_eq!(run.diagnoses.first().map(|d| d.id.as_str()), Some("cap-not-set"), "{:#?}", run.diagnoses);
    assert!(made.steps.iter().any(|step| step.ended.contains("overspeed")), "{:#?}", made.steps);
    // Opened and at 0 V in the tick that saw it: enable by the main loop, the command at that tick's output time.
    let trace = fixture.board.borrow_mut().trace(&[]).unwrap();
    let opened = trace.iter().rposition(|entry| entry.what == "enable" && entry.value == 0).unwrap();
    let sampled = trace[..opened].iter().rfind(|entry| entry.what == "trigger" && entry.value == 1).unwrap();
    let zeroed = trace[opened..].iter().find(|entry| entry.what == "command").unwrap();
    assert!(trace[opened].at - sampled.at < Duration::from_millis(1), "enable");
    assert!(zeroed.at - sampled.at < Duration::from_millis(1), "command");
}

/// When the last event of a kind came.
fn last<'a>(trace: &'a [TraceEntry], what: &str) -> Option<&'a TraceEntry> {
    trace.iter().rfind(|entry| entry.what == what)
}

/// Changes the stop chain in the middle of the first motion. Gives the run, and how long after the change the board
/// asked for the relay to be opened and the command was at 0 V.
fn stopped_in_motion(
    fixture: &EmulatedFixture,
    chain: &serde_json::Value,
) -> Result<(Run, Duration, Duration), Failure> {
    let at = fixture.board.borrow_mut().now() + Duration::from_secs(3);
    fixture
        .board
        .borrow_mut()
        .tell(&json!({"order": "chain-at", "at": at.as_nanos() as u64, "chain": chain}))?;
    fixture.board.borrow_mut().trace(&[])?;
    let run = accept(fixture, Some("nudge"))?;
    let trace = fixture.board.borrow_mut().trace(&[])?;
    let enable = last(&trace, "enable").filter(|entry| entry.value == 0).ok_or("enable was never opened")?;
    let command = last(&trace, "command").ok_or("the command never changed")?;
    Ok((run, enable.at.saturating_sub(at), command.at.saturating_sub(at)))
}

#[test]
fn the_stop_button_ends_a_motion_within_two_ticks() {
    let fixture = fixture(&[]).unwrap();
    let (run, enable, command) = stopped_in_motion(&fixture, &json!({"stop": false})).unwrap();
    let why = run.outcome.stopped.unwrap();
    assert!(why.contains("stop button"), "{why}");
    // Seen at the next tick's sample, put out half a tick later.
    assert!(enable > Duration::ZERO && enable <= Duration::from_millis(2), "{enable:?}");
    assert!(command > Duration::ZERO && command <= Duration::from_millis(2), "{command:?}");
}

#[test]
fn an_opened_guard_ends_an_unattended_motion() {
    let mut fixture = fixture(&[]).unwrap();
    fixture.attended = false;
    let (run, enable, command) = stopped_in_motion(&fixture, &json!({"guard": false})).unwrap();
    let why = run.outcome.stopped.unwrap();
    assert!(why.contains("guard"), "{why}");
    // The guard comes in through the shift register, after one tick's output and for the next tick: one tick more.
    assert!(enable > Duration::ZERO && enable <= Duration::from_millis(3), "{enable:?}");
    assert!(command > Duration::ZERO && command <= Duration::from_millis(3), "{command:?}");
}

#[test]
fn a_broken_encoder_pair_ends_a_motion() {
    let fixture = fixture(&[]).unwrap();
    let (run, enable, _) = stopped_in_motion(&fixture, &json!({"openPairs": 1})).unwrap();
    let why = run.outcome.stopped.unwrap_or_default();
    assert!(why.contains("encoder pair"), "{why:?}: {:#?}", run.checks);
    assert!(enable > Duration::ZERO && enable <= Duration::from_millis(2), "{enable:?}");
}
