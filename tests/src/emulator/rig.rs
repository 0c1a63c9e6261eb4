//! An emulated fixture that is driven by hand: armed, enabled and turning, without plan or checks.

use core::time::Duration;

use proofstand::fixture::{Client, FixtureError, Numbered, Received, Tap};
use proofstand_protocol::message::{CommandMode, Event, Limits, Request, Sample, State, Trip};
use proofstand_protocol::program::{Drive, End, Next, Segment};
use proofstand_protocol::units::{
    Counts, CountsPerRev, Micros, Microvolts, MicrovoltsPerTick, MilliRpm, Ticks,
};
use serde_json::json;

use super::{Analog, EmulatedFixture, Emulator, EmulatorError, Lockstep, TraceEntry};
use crate::bench::Failure;

/// Keeps all that comes in.
#[derive(Debug, Default)]
pub struct Kept {
    /// Samples, in order.
    pub samples: Vec<Sample>,
    /// Samples that the fixture had to drop, by its own count.
    pub dropped: u32,
    /// Events, in order.
    pub events: Vec<Numbered>,
}

impl Tap for Kept {
    fn samples(&mut self, dropped: u32, samples: &[Sample]) -> std::io::Result<()> {
        self.dropped = dropped;
        self.samples.extend(samples);
        Ok(())
    }

    fn event(&mut self, event: &Numbered) -> std::io::Result<()> {
        self.events.push(*event);
        Ok(())
    }
}

impl Kept {
    /// Sequence numbers that are missing between the first and the last sample.
    #[must_use]
    pub fn gaps(&self) -> u32 {
        self.samples.windows(2).map(|pair| pair[1].sequence.wrapping_sub(pair[0].sequence) - 1).sum()
    }

    /// The last trip that latched.
    #[must_use]
    pub fn trip(&self) -> Option<Trip> {
        self.events.iter().rev().find_map(|event| match event.event {
            Event::Tripped(trip) => Some(trip),
            _ => None,
        })
    }
}

/// Lets a client take what comes for a time, beating meanwhile.
///
/// # Errors
/// As [`Client::next`].
pub fn attend<L: proofstand::link::Link>(
    client: &mut Client<L>,
    span: Duration,
    kept: &mut Kept,
) -> Result<(), FixtureError> {
    let until = client.now() + span;
    while client.now() < until {
        let left = until.saturating_sub(client.now());
        let _: Option<Received> = client.next(left, kept)?;
    }
    Ok(())
}

/// Limits for the short test axis (`tests/sheets/feed-roller.toml`), wide open: none of them trips a healthy one.
#[must_use]
pub const fn open_limits() -> Limits {
    Limits {
        command: Microvolts(4_000_000),
        slew: MicrovoltsPerTick(2_000_000),
        trip_speed: MilliRpm(2_500_000),
        counts_per_rev: CountsPerRev(1_200),
        travel: Counts(1_200 * 1_000),
        armed_time: Ticks(60_000),
        beat: Ticks(100),
        mode: CommandMode::Torque,
        counts_up_on_positive: true,
        wrong_way: Counts(60),
        runaway: MilliRpm(150_000),
        runaway_delay: Ticks(10),
        breakaway: Microvolts(0),
        no_counts: Ticks(200),
        readback: Microvolts(50_000),
        readback_dwell: Ticks(3),
        speed_disagreement_percent: 0,
        speed_readout: Microvolts(0),
        torque_on_input: 2,
        torque_on_conducting: true,
        enable_delay: Ticks(200),
        fault_input: 3,
        fault_conducting: false,
        guard_required: false,
    }
}

/// Holds a command for a time.
#[must_use]
pub const fn hold(target: Microvolts, time: Ticks) -> Segment {
    Segment {
        drive: Drive::Command { target, slew: MicrovoltsPerTick(2_000_000) },
        end: End::Time(time),
        next: Next::Finish,
        timeout: Ticks(time.0 + 100),
    }
}

/// Holds a speed for a time.
#[must_use]
pub const fn hold_speed(speed: MilliRpm, time: Ticks) -> Segment {
    use proofstand_protocol::units::{MicrovoltsPerRpm, MicrovoltsPerRpmSecond};
    Segment {
        drive: Drive::HoldSpeed {
            speed,
            bound: Microvolts(2_000_000),
            proportional: MicrovoltsPerRpm(2_000),
            integral: MicrovoltsPerRpmSecond(10_000),
        },
        end: End::Time(time),
        next: Next::Finish,
        timeout: Ticks(time.0 + 100),
    }
}

/// What a trip did, on the emulated board's clock.
#[derive(Debug, Clone)]
pub struct Tripped {
    /// The trip, as the fixture reported it.
    pub trip: Trip,
    /// The sample that showed it.
    pub sampled: Duration,
    /// From that sample to the enable pin going low. None if it was low all the time.
    pub enable: Option<Duration>,
    /// From that sample to the command's frame.
    pub command: Duration,
    /// Volts that this frame, and the last one, put out.
    pub volts: [f64; 2],
}

/// An emulated fixture with a client of its own.
pub struct Rig {
    /// The fixture.
    pub fixture: EmulatedFixture,
    /// The client.
    pub client: Client<Lockstep>,
    /// What came in.
    pub kept: Kept,
}

impl Rig {
    /// On a powered fixture.
    ///
    /// # Errors
    /// If host and fixture don't come together.
    pub fn new(fixture: EmulatedFixture) -> Result<Self, Failure> {
        let mut kept = Kept::default();
        let mut client = Client::connect(fixture.link(), &mut kept)?;
        client.done(Request::Stream { decimation: 1 }, &mut kept)?;
        fixture.board.borrow_mut().trace(&["trigger"])?;
        Ok(Self { fixture, client, kept })
    }

    /// Does something with the board.
    ///
    /// # Errors
    /// Whatever it says.
    pub fn board<R>(
        &self,
        act: impl FnOnce(&mut Emulator) -> Result<R, EmulatorError>,
    ) -> Result<R, EmulatorError> {
        act(&mut self.fixture.board.borrow_mut())
    }

    /// Takes what comes for a time.
    ///
    /// # Errors
    /// As [`attend`].
    pub fn attend(&mut self, span: Duration) -> Result<(), FixtureError> {
        attend(&mut self.client, span, &mut self.kept)
    }

    /// Arms, enables, waits for torque and starts a program of one segment.
    ///
    /// # Errors
    /// What the fixture refuses.
    pub fn start(&mut self, limits: Limits, segment: Segment) -> Result<(), Failure> {
        self.client.arm(limits, &mut self.kept)?;
        self.client.enable(&mut self.kept)?;
        for _ in 0..300 {
            self.attend(Duration::from_millis(2))?;
            if self.kept.samples.last().is_some_and(|sample| sample.state == State::Live) {
                self.client.load(&[segment], &mut self.kept)?;
                self.client.start(Ticks(60_000), &mut self.kept)?;
                return Ok(());
            }
            if let Some(trip) = self.kept.trip() {
                return Err(format!("tripped while enabling: {trip:?}").into());
            }
        }
        Err("torque never came on".into())
    }

    /// Waits for the trip that is to come, and measures its outputs.
    ///
    /// # Errors
    /// If none comes within a time, or its outputs can't be found.
    pub fn wait_for_trip(&mut self, patience: Duration, beating: bool) -> Result<Tripped, Failure> {
        let until = self.client.now() + patience;
        if !beating {
            self.board(|board| board.run(patience))?;
        }
        while self.kept.trip().is_none() {
            if beating && self.client.now() >= until {
                let last = self.kept.samples.last();
                return Err(format!("no trip came; the last sample is {last:?}").into());
            }
            if beating {
                self.attend(Duration::from_millis(1))?;
            } else {
                let status = self.client.status(&mut self.kept)?;
                let trip = status.trip.ok_or("no trip came of silence")?;
                return self.measure(trip);
            }
        }
        self.attend(Duration::from_millis(30))?;
        let trip = self.kept.trip().ok_or("no trip")?;
        self.measure(trip)
    }

    fn measure(&mut self, trip: Trip) -> Result<Tripped, Failure> {
        let sampled = self.on_board_clock(trip.at)?;
        let trace = self.board(|board| board.trace(&[]))?;
        let open = !self.board(Emulator::state)?.enable;
        measure(trip, sampled, &trace, open, &self.fixture.analog)
    }

    /// A time of the fixture's clock on the emulated board's, which begins at power-up.
    ///
    /// # Errors
    /// If the board is gone.
    pub fn on_board_clock(&self, at: Micros) -> Result<Duration, EmulatorError> {
        let state = self.board(|board| board.tell(&json!({"order": "state"})))?;
        let base = state["nanos"].as_f64().unwrap_or(0.0) / 1e3 - state["micros"].as_f64().unwrap_or(0.0);
        Ok(Duration::from_micros(at.0 + base.round() as u64))
    }

    /// Puts the bench in order, acknowledges the trip and waits until the shaft rests.
    ///
    /// # Errors
    /// What the fixture refuses.
    pub fn recover(&mut self) -> Result<(), Failure> {
        let healthy = json!({"order": "chain", "stop": true, "hold": true, "guard": true, "openPairs": 0});
        self.board(|board| board.tell(&healthy))?;
        let axis = json!({"order": "parts", "dac": true, "adc": true, "relay": true, "axisFlags": true});
        self.board(|board| board.tell(&axis))?;
        let status = self.client.status(&mut self.kept)?;
        if let Some(trip) = status.trip.filter(|trip| !trip.acknowledged) {
            self.client.done(Request::Acknowledge { trip: trip.number }, &mut self.kept)?;
        }
        for _ in 0..100 {
            self.attend(Duration::from_millis(100))?;
            if self.board(Emulator::state)?.rpm.abs() < 0.5 {
                break;
            }
        }
        self.kept = Kept::default();
        self.board(|board| board.trace(&[]))?;
        Ok(())
    }
}

/// What a trip did, from the trace of the outputs since before it. `open`: enable is open now.
///
/// # Errors
/// If the trace does not have it.
pub(super) fn measure(
    trip: Trip,
    sampled: Duration,
    trace: &[TraceEntry],
    open: bool,
    analog: &Analog,
) -> Result<Tripped, Failure> {
    let after = |what: &str, value: Option<u64>| -> Result<&TraceEntry, Failure> {
        let wanted = |entry: &&TraceEntry| {
            entry.what == what && entry.at >= sampled && value.is_none_or(|value| entry.value == value)
        };
        trace.iter().find(wanted).ok_or_else(|| format!("no {what} after the trip").into())
    };
    let never_closed = open && trace.iter().all(|entry| entry.what != "enable");
    let enable = if never_closed { None } else { Some(after("enable", Some(0))?.at - sampled) };
    let frame = after("frame", None)?;
    let last = trace.iter().rfind(|entry| entry.what == "frame").ok_or("no frame")?;
    let volts = [frame, last].map(|entry| analog.volts(entry.value.as_u64().unwrap_or(0) as u16));
    Ok(Tripped { trip, sampled, enable, command: frame.at - sampled, volts })
}
