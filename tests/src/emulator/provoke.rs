//! Brings every cause about that stops the axis, and measures what the outputs do.

use core::time::Duration;
use std::cell::RefCell;
use std::rc::Rc;

use proofstand::fixture::Client;
use proofstand_protocol::message::{Request, TripCause};
use proofstand_protocol::units::{Counts, CountsPerRev, Micros, Microvolts, MilliRpm, Ticks};
use serde_json::json;

use super::rig::{Rig, Tripped, hold, hold_speed, measure, open_limits};
use super::{Emulator, Lockstep, Nobody};
use crate::bench::Failure;

/// All causes but the firmware's own fault ([`stop_counter`]), in the order of the protocol.
pub const CAUSES: [TripCause; 19] = [
    TripCause::BeatLost,
    TripCause::FixtureStop,
    TripCause::HoldReleased,
    TripCause::GuardOpen,
    TripCause::ReadbackMismatch,
    TripCause::EncoderLine,
    TripCause::OverspeedCounts,
    TripCause::OverspeedIndex,
    TripCause::OverspeedReadout,
    TripCause::SpeedDisagreement,
    TripCause::Runaway,
    TripCause::WrongWay,
    TripCause::NoCounts,
    TripCause::Travel,
    TripCause::ArmedTime,
    TripCause::RelayMismatch,
    TripCause::TorqueOff,
    TripCause::AmplifierFault,
    TripCause::AmplifierConnected,
];

/// Brings a cause about on a rig that rests, and measures what the board does.
///
/// # Errors
/// If it does not trip at all.
pub fn provoke(rig: &mut Rig, cause: TripCause) -> Result<Tripped, Failure> {
    let turning = hold_speed(MilliRpm(300_000), Ticks(20_000));
    let mut limits = open_limits();
    let mut segment = turning;
    // What happens to the bench once the shaft turns.
    let mut order = None;
    match cause {
        TripCause::AmplifierConnected => return connect_amplifier(rig),
        TripCause::FixtureStop => order = Some(json!({"order": "chain", "stop": false})),
        TripCause::HoldReleased => order = Some(json!({"order": "chain", "hold": false})),
        TripCause::GuardOpen => {
            limits.guard_required = true;
            order = Some(json!({"order": "chain", "guard": false}));
        }
        TripCause::EncoderLine => order = Some(json!({"order": "chain", "openPairs": 1})),
        TripCause::ReadbackMismatch => order = Some(json!({"order": "parts", "adc": false})),
        TripCause::RelayMismatch => {
            // Without the amplifier's word that torque is on, which would go away first.
            limits.torque_on_input = 255;
            order = Some(json!({"order": "parts", "relay": false}));
        }
        TripCause::TorqueOff => order = Some(json!({"order": "flag", "input": 2, "conducting": false})),
        TripCause::AmplifierFault => order = Some(json!({"order": "flag", "input": 3, "conducting": false})),
        TripCause::OverspeedCounts => {
            limits.trip_speed = MilliRpm(200_000);
            segment = hold(Microvolts(600_000), Ticks(10_000));
        }
        TripCause::OverspeedIndex => {
            // Counts that are taken for four times as many to the turn show a quarter of the speed.
            (limits.counts_per_rev, limits.trip_speed) = (CountsPerRev(4_800), MilliRpm(250_000));
            segment = hold(Microvolts(600_000), Ticks(10_000));
        }
        TripCause::OverspeedReadout => {
            // A read-out that is taken for ten times the speed.
            (limits.speed_readout, limits.trip_speed) = (Microvolts(200_000), MilliRpm(2_000_000));
        }
        TripCause::SpeedDisagreement => {
            (limits.counts_per_rev, limits.speed_disagreement_percent) = (CountsPerRev(1_320), 5);
        }
        TripCause::Runaway => {
            (limits.counts_up_on_positive, limits.wrong_way) = (false, Counts(1_200));
            segment = hold(Microvolts(1_000_000), Ticks(10_000));
        }
        TripCause::WrongWay => {
            limits.counts_up_on_positive = false;
            segment = hold(Microvolts(600_000), Ticks(10_000));
        }
        TripCause::NoCounts => {
            (limits.breakaway, limits.no_counts) = (Microvolts(10_000), Ticks(50));
            segment = hold(Microvolts(50_000), Ticks(10_000));
        }
        TripCause::Travel => limits.travel = Counts(600),
        TripCause::ArmedTime => limits.armed_time = Ticks(900),
        _ => {}
    }
    rig.start(limits, segment)?;
    if order.is_some() || cause == TripCause::BeatLost {
        rig.attend(Duration::from_millis(200))?;
    }
    if let Some(order) = order {
        rig.board(|board| board.tell(&order))?;
    }
    rig.wait_for_trip(Duration::from_secs(5), cause != TripCause::BeatLost)
}

/// A level for a meter stands at the terminals, and one wire of an amplifier makes contact.
fn connect_amplifier(rig: &mut Rig) -> Result<Tripped, Failure> {
    let pairs = |open: u8| json!({"order": "chain", "openPairs": open});
    rig.board(|board| board.tell(&pairs(0b111)))?;
    rig.attend(Duration::from_millis(150))?;
    let epoch = rig.client.status(&mut rig.kept)?.epoch;
    let level = Microvolts(5_000_000);
    rig.client.done(Request::MeterLevel { epoch, level, corrected: false }, &mut rig.kept)?;
    rig.attend(Duration::from_millis(200))?;
    let state = rig.board(Emulator::state)?;
    if state.enable || (state.terminal - 5.0).abs() > 0.05 {
        return Err(format!("the level does not stand: {state:?}").into());
    }
    rig.board(|board| board.tell(&pairs(0b110)))?;
    rig.wait_for_trip(Duration::from_secs(1), true)
}

/// What a counter did that stopped in motion.
#[derive(Debug, Clone)]
pub struct CounterStopped {
    /// From the stop to the sample that showed it.
    pub found: Duration,
    /// What the trip did. The board keeps it through the watchdog's reset and reports it afterwards.
    pub tripped: Tripped,
    /// From the sample to the watchdog's reset.
    pub reset: Duration,
}

/// Stops the counter while the axis turns, and measures what the board does. It resets, and the rig is gone with it.
///
/// # Errors
/// If the board does not trip, or does not reset.
pub fn stop_counter(mut rig: Rig) -> Result<CounterStopped, Failure> {
    rig.start(open_limits(), hold_speed(MilliRpm(300_000), Ticks(20_000)))?;
    rig.attend(Duration::from_millis(300))?;
    let began = rig.on_board_clock(Micros(0))?;
    rig.board(|board| board.trace(&[]))?;
    let stopped = rig.board(Emulator::state)?.now;
    rig.board(|board| board.tell(&json!({"order": "stop-counter"})))?;
    rig.board(|board| board.run(Duration::from_millis(20)))?;
    let trace = rig.board(|board| board.trace(&[]))?;
    let state = rig.board(Emulator::state)?;
    if state.terminal.abs() > 0.01 {
        return Err(format!("a command stands: {state:?}").into());
    }
    let Rig { fixture, client, .. } = rig;
    drop(client);
    let analog = fixture.analog;
    let board = Rc::new(RefCell::new(fixture.into_board()?));
    let mut client = Client::connect(Lockstep::new(board), &mut Nobody)?;
    let trip = client.status(&mut Nobody)?.trip.ok_or("no trip was kept")?;
    let sampled = began + Duration::from_micros(trip.at.0);
    let reset = trace.iter().find(|entry| entry.what == "reset").ok_or("no reset came")?;
    let before = |what: &&super::TraceEntry| what.at <= sampled && what.what == "trigger" && what.value == 1;
    let sample = trace.iter().rfind(before).ok_or_else(|| format!("no sample at {sampled:?}: {trip:?}"))?;
    if sampled - sample.at > Duration::from_micros(2) {
        return Err(format!("the trip's time {sampled:?} is no sample's, {:?}", sample.at).into());
    }
    // After it the board is another start's, with the converter's ideal 0 V and the terminals off it.
    let until = trace.iter().take_while(|entry| entry.what != "reset").cloned().collect::<Vec<_>>();
    let tripped = measure(trip, sampled, &until, !state.enable, &analog)?;
    Ok(CounterStopped { found: sampled - stopped, tripped, reset: reset.at - sampled })
}
