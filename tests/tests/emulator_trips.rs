//! Every cause that can stop the axis, brought about on the emulated board: the right cause is named, and both outputs
//! are safe within the tick that saw it.
#![allow(clippy::unwrap_used, reason = "a test that cannot go on fails")]

use core::time::Duration;

use proofstand_protocol::message::TripCause;
use proofstand_tests::bench::Failure;
use proofstand_tests::emulator::measure::sheet;
use proofstand_tests::emulator::provoke::{CAUSES, provoke, stop_counter};
use proofstand_tests::emulator::rig::{Rig, Tripped};
use proofstand_tests::emulator::{Axis, EmulatedFixture, Emulator};

const TICK: Duration = Duration::from_millis(1);

fn safe_within_a_tick(tripped: &Tripped) {
    assert!(tripped.enable.is_none_or(|after| after < TICK), "{tripped:?}");
    assert!(tripped.command < TICK, "{tripped:?}");
    // A converter's step is 0.3 mV, and what calibration leaves is less than 1.
    assert!(tripped.volts.iter().all(|volts| volts.abs() < 0.002), "{tripped:?}");
}

fn causes(causes: &[TripCause]) -> Result<(), Failure> {
    let mut rig = Rig::new(EmulatedFixture::start(Axis::read(&sheet(), &[], 1)?)?)?;
    for &cause in causes {
        let tripped = provoke(&mut rig, cause).map_err(|e| format!("{cause:?}: {e}"))?;
        assert_eq!(tripped.trip.cause, cause, "{tripped:?}");
        safe_within_a_tick(&tripped);
        // A level for a meter stands with enable open; all others trip from a closed one.
        assert_eq!(tripped.enable.is_none(), cause == TripCause::AmplifierConnected, "{tripped:?}");
        rig.recover()?;
    }
    let state = rig.board(Emulator::state)?;
    assert_eq!(state.resets, 0);
    Ok(())
}

#[test]
fn outputs_are_safe_within_a_tick_of_what_the_bench_and_the_board_report() {
    causes(&CAUSES[..6]).unwrap();
}

#[test]
fn outputs_are_safe_within_a_tick_of_speeds_that_are_too_high_or_disagree() {
    causes(&CAUSES[6..10]).unwrap();
}

#[test]
fn outputs_are_safe_within_a_tick_of_motion_that_was_not_commanded() {
    causes(&CAUSES[10..15]).unwrap();
}

#[test]
fn outputs_are_safe_within_a_tick_of_a_relay_or_an_amplifier_that_fails_or_is_plugged_in() {
    causes(&CAUSES[15..]).unwrap();
}

#[test]
fn outputs_are_safe_within_a_tick_of_a_counter_that_is_found_to_stand_still() {
    let rig = Rig::new(EmulatedFixture::start(Axis::read(&sheet(), &[], 1).unwrap()).unwrap()).unwrap();
    let stopped = stop_counter(rig).unwrap();
    assert_eq!(stopped.tripped.trip.cause, TripCause::FirmwareFault, "{stopped:?}");
    assert!(stopped.tripped.enable.is_some(), "{stopped:?}");
    safe_within_a_tick(&stopped.tripped);
    assert!(stopped.found <= 5 * TICK, "{stopped:?}");
    // What found itself wrong no longer feeds its watchdog of 5 ms either.
    assert!(stopped.reset <= 6 * TICK, "{stopped:?}");
}
