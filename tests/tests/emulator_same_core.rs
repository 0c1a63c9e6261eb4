//! What the image decided, decided again by the same core compiled for this computer.
#![allow(clippy::unwrap_used, clippy::panic, reason = "a test that cannot go on fails")]

use core::time::Duration;

use proofstand::checks;
use proofstand_firmware::fixture::Identity;
use proofstand_protocol::message::{BurstKind, Request, State, TripCause};
use proofstand_tests::bench::Failure;
use proofstand_tests::emulator::measure::sheet;
use proofstand_tests::emulator::provoke::provoke;
use proofstand_tests::emulator::replay::{Replayed, replay};
use proofstand_tests::emulator::rig::Rig;
use proofstand_tests::emulator::{Axis, EmulatedFixture};

fn recorded() -> Result<EmulatedFixture, Failure> {
    EmulatedFixture::start_recorded(Axis::read(&sheet(), &[], 1)?)
}

/// Who the image said it is; the rest of the greeting follows from the core.
fn identity(fixture: &EmulatedFixture) -> Result<Identity, Failure> {
    let hello = proofstand::fixture::identify(fixture.link())?;
    Ok(Identity {
        capabilities: hello.capabilities,
        firmware: hello.firmware,
        simulated: hello.simulated,
        controller_serial: hello.controller_serial,
        analog_serial: hello.analog_serial,
    })
}

fn replayed(fixture: &EmulatedFixture) -> Result<Replayed, Failure> {
    let identity = identity(fixture)?;
    fixture.board.borrow_mut().run(Duration::from_millis(20))?;
    let recorded = fixture.board.borrow_mut().recorded()?;
    Ok(replay(&recorded, identity)?)
}

#[test]
fn an_acceptance_gives_the_same_codes_contacts_and_bytes_in_the_native_core() {
    let fixture = recorded().unwrap();
    let folder = tempfile::tempdir().unwrap();
    let wanted = checks::with_needs(&[checks::by_id("nudge").unwrap()]);
    fixture.accept(&wanted, folder.path()).unwrap();
    let done = replayed(&fixture).unwrap();
    assert!(done.ticks > 5_000 && done.bytes > 100_000 && done.received > 1_000, "{done:?}");
    assert!(done.codes > 50, "the command moved: {done:?}");
    for state in [State::Safe, State::Armed, State::Enabling, State::Live] {
        assert!(done.states.contains(&state), "{done:?}");
    }
}

#[test]
fn trips_and_bursts_do_so_too() {
    let mut rig = Rig::new(recorded().unwrap()).unwrap();
    for cause in [TripCause::FixtureStop, TripCause::OverspeedCounts, TripCause::AmplifierFault] {
        let tripped = provoke(&mut rig, cause).unwrap();
        assert_eq!(tripped.trip.cause, cause);
        rig.recover().unwrap();
    }
    for (kind, period_us) in [(BurstKind::Position, 100), (BurstKind::ReadOuts, 40), (BurstKind::Lines, 10)] {
        rig.client.done(Request::StartBurst { kind, period_us, points: 300 }, &mut rig.kept).unwrap();
        rig.attend(Duration::from_millis(60)).unwrap();
        rig.client.request(Request::ReadBurst { offset: 0 }, &mut rig.kept).unwrap();
    }
    let Rig { fixture, client, .. } = rig;
    drop(client);
    let done = replayed(&fixture).unwrap();
    assert_eq!(done.states.iter().filter(|state| **state == State::Tripped).count(), 3, "{done:?}");
}

/// A replay that could not fail would prove nothing.
#[test]
fn a_record_that_was_tampered_with_is_found_out() {
    let fixture = recorded().unwrap();
    let identity = identity(&fixture).unwrap();
    fixture.board.borrow_mut().run(Duration::from_millis(20)).unwrap();
    let sound = fixture.board.borrow_mut().recorded().unwrap();
    replay(&sound, identity).unwrap();
    let entries = sound["entries"].as_array().unwrap();
    let at = entries.iter().rposition(|entry| entry[0] == "tick").unwrap();
    let mut spoilt = sound.clone();
    spoilt["entries"][at][5][0] = 1.into();
    assert!(replay(&spoilt, identity).unwrap_err().contains("code, enable and contacts"));
    let mut spoilt = sound;
    let text = spoilt["sent"].as_str().unwrap().to_owned();
    let (head, tail) = text.split_at(text.len() / 4 * 2);
    let other = if tail.starts_with('0') { '1' } else { '0' };
    spoilt["sent"] = format!("{head}{other}{}", &tail[1..]).into();
    assert!(replay(&spoilt, identity).unwrap_err().contains("for the host differs"));
}
