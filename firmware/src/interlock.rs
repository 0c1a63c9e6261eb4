//! Safe, armed, enabling, live, tripped, calibrating: a pure state machine over booleans and tick counts.
//!
//! All comparisons with measured values are made outside ([`crate::fixture`]); time-outs are parameters. So the machine
//! has few states, and the tests walk through every one that can be reached.

use proofstand_protocol::message::{State, TripCause};

/// Time-outs, in ticks.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub struct Timeouts {
    /// Longest time without a valid beat.
    pub beat: u32,
    /// Longest time from arming to disarming.
    pub armed: u32,
    /// Longest wait for torque, or the wait itself where no flag tells.
    pub torque: u32,
    /// Longest time a relay contact may take to follow.
    pub contact: u32,
    /// How long read-back and command may differ.
    pub readback: u32,
    /// How long no count may come above breakaway.
    pub no_counts: u32,
}

/// What was seen on one tick. The default is an unbroken fixture at rest with nothing pressed but the beat missing.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub struct Seen {
    /// The stop button is not pressed.
    pub stop_closed: bool,
    /// The hold-to-run control is held.
    pub hold_closed: bool,
    /// The guard is closed, or nobody requires it.
    pub guard_closed: bool,
    /// The enable relay reads closed.
    pub relay_closed: bool,
    /// A valid beat came since the last tick.
    pub beat: bool,
    /// The torque-on flag; none where there is no such flag.
    pub torque_on: Option<bool>,
    /// Read-back and command differ by more than the tolerance.
    pub readback_off: bool,
    /// Command above breakaway, and the shaft has not got on by more than a count.
    pub stuck: bool,
    /// An amplifier may be plugged in: the encoder pairs are not all open, or were not just before, or the board can't tell.
    pub amplifier: bool,
    /// A cause that trips at once. See [`Causes`].
    pub causes: Causes,
}

impl Default for Seen {
    fn default() -> Self {
        Self {
            stop_closed: true,
            hold_closed: true,
            guard_closed: true,
            relay_closed: false,
            beat: false,
            torque_on: None,
            readback_off: false,
            stuck: false,
            amplifier: false,
            causes: Causes::NONE,
        }
    }
}

/// Causes that trip at once, each found true or false outside the machine.
#[derive(Debug, Default, Clone, Copy, PartialEq, Eq, Hash)]
pub struct Causes(u32);

impl Causes {
    /// None of them.
    pub const NONE: Self = Self(0);
    /// Those that may stand here, the most telling first: when several come in one tick, the first is reported.
    pub const ORDER: [TripCause; 10] = [
        TripCause::FirmwareFault,
        TripCause::EncoderLine,
        TripCause::WrongWay,
        TripCause::Runaway,
        TripCause::OverspeedCounts,
        TripCause::OverspeedIndex,
        TripCause::OverspeedReadout,
        TripCause::SpeedDisagreement,
        TripCause::Travel,
        TripCause::AmplifierFault,
    ];

    /// These and, if it is so, one more.
    #[must_use]
    pub const fn with(self, cause: TripCause, so: bool) -> Self {
        if so { Self(self.0 | Self::bit(cause)) } else { self }
    }

    /// Whether a cause is among them.
    pub const fn has(self, cause: TripCause) -> bool {
        self.0 & Self::bit(cause) != 0
    }

    /// The one to report.
    pub fn first(self) -> Option<TripCause> {
        Self::ORDER.into_iter().find(|cause| self.has(*cause))
    }

    const fn bit(cause: TripCause) -> u32 {
        1 << cause as u32
    }
}

/// What is demanded of the machine. Whether a quoted epoch or trip number is the present one is decided outside.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum Demand {
    /// Become armed.
    Arm {
        /// The quoted epoch is the present one.
        current: bool,
    },
    /// Close the enable relay.
    Enable {
        /// The quoted epoch is the present one.
        current: bool,
    },
    /// Put a level onto the terminals for a reference meter, enable open.
    Calibrate {
        /// The quoted epoch is the present one.
        current: bool,
    },
    /// Back to safe.
    Disarm,
    /// Open the enable relay, and let the command stand for a time.
    Open {
        /// The quoted epoch is the present one.
        current: bool,
        /// For so many ticks.
        keep: u32,
    },
    /// Acknowledge the trip.
    Acknowledge {
        /// The quoted number is the latched trip's.
        matching: bool,
    },
}

/// Why a demand was denied.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum Denial {
    /// The quoted epoch or trip is not the present one.
    Stale,
    /// Not allowed in this state.
    WrongState,
    /// This would trip at once.
    NotReady(TripCause),
}

/// The state machine. `Default` is safe with nothing latched.
#[derive(Debug, Default, Clone, Copy, PartialEq, Eq, Hash)]
pub struct Interlock {
    state: State,
    since_beat: u32,
    since_arming: u32,
    since_enabling: u32,
    relay_wrong: u32,
    readback_wrong: u32,
    stuck: u32,
    /// Ticks for which the command still stands after enable was opened.
    keep: u32,
}

impl Interlock {
    /// As it starts: safe, or tripped if a trip is still latched from before the reset.
    pub fn new(latched: bool) -> Self {
        Self { state: if latched { State::Tripped } else { State::Safe }, ..Self::default() }
    }

    /// The state.
    pub const fn state(&self) -> State {
        self.state
    }

    /// The enable relay must be closed.
    pub const fn enable(&self) -> bool {
        matches!(self.state, State::Enabling | State::Live)
    }

    /// The command must be connected to its terminal.
    pub const fn connect(&self) -> bool {
        self.enable() || self.calibrating() || matches!(self.state, State::Opened)
    }

    /// A level for a reference meter may stand at the terminal.
    pub const fn calibrating(&self) -> bool {
        matches!(self.state, State::Calibrating)
    }

    /// A program may run: the command may differ from 0 V with enable closed.
    pub const fn may_command(&self) -> bool {
        matches!(self.state, State::Live | State::Opened)
    }

    /// Does what is demanded, or says why not.
    ///
    /// # Errors
    /// [`Denial`]; the machine is then unchanged.
    pub fn demand(&mut self, demand: Demand, seen: &Seen) -> Result<(), Denial> {
        match (demand, self.state) {
            (Demand::Acknowledge { matching: false }, State::Tripped) => return Err(Denial::Stale),
            (Demand::Acknowledge { matching: true }, State::Tripped) => self.state = State::Safe,
            (Demand::Acknowledge { .. }, _) | (Demand::Disarm, State::Tripped) => {
                return Err(Denial::WrongState);
            }
            (Demand::Disarm, _) => self.state = State::Safe,
            (
                Demand::Arm { current: false }
                | Demand::Enable { current: false }
                | Demand::Calibrate { current: false }
                | Demand::Open { current: false, .. },
                _,
            ) => return Err(Denial::Stale),
            (Demand::Calibrate { .. }, State::Safe) => {
                if let Some(cause) = Self::refuses_meter(seen) {
                    return Err(Denial::NotReady(cause));
                }
                let relay_wrong = self.relay_wrong;
                *self = Self { state: State::Calibrating, relay_wrong, ..Self::default() };
            }
            // Another level: somebody is there, and the time counts anew.
            (Demand::Calibrate { .. }, State::Calibrating) => self.since_arming = 0,
            (Demand::Arm { .. }, State::Safe) => {
                if let Some(cause) = Self::refuses(seen) {
                    return Err(Denial::NotReady(cause));
                }
                let relay_wrong = self.relay_wrong;
                *self = Self { state: State::Armed, relay_wrong, ..Self::default() };
            }
            (Demand::Enable { .. }, State::Armed) => {
                if let Some(cause) = Self::refuses(seen) {
                    return Err(Denial::NotReady(cause));
                }
                self.state = State::Enabling;
                (self.since_enabling, self.relay_wrong) = (0, 0);
            }
            (Demand::Open { keep, .. }, State::Live) => {
                self.state = State::Opened;
                (self.keep, self.relay_wrong, self.stuck) = (keep, 0, 0);
            }
            (
                Demand::Arm { .. } | Demand::Enable { .. } | Demand::Open { .. } | Demand::Calibrate { .. },
                _,
            ) => {
                return Err(Denial::WrongState);
            }
        }
        Ok(())
    }

    /// One tick. Returns the cause if this tick trips.
    pub fn tick(&mut self, seen: &Seen, timeouts: &Timeouts) -> Option<TripCause> {
        let enable = self.enable();
        count(&mut self.relay_wrong, seen.relay_closed != enable, timeouts.contact);
        let cause = match self.state {
            State::Tripped => return None,
            State::Safe => self.trips_when_safe(seen, timeouts),
            State::Calibrating => self.trips_when_calibrating(seen, timeouts),
            State::Armed | State::Enabling | State::Live | State::Opened => {
                self.trips_when_armed(seen, timeouts)
            }
        };
        if cause.is_some() {
            self.state = State::Tripped;
        } else if self.state == State::Enabling && seen.relay_closed && self.torque_is_on(seen, timeouts) {
            self.state = State::Live;
        } else if self.state == State::Opened {
            match self.keep.checked_sub(1) {
                Some(left) => self.keep = left,
                None => self.state = State::Safe,
            }
        }
        cause
    }

    /// The cause for which arming is refused: what would trip at once, and an enable relay that is not open.
    fn refuses(seen: &Seen) -> Option<TripCause> {
        chain(seen)
            .or_else(|| seen.causes.first())
            .or_else(|| seen.readback_off.then_some(TripCause::ReadbackMismatch))
            .or_else(|| seen.relay_closed.then_some(TripCause::RelayMismatch))
    }

    /// The cause for which a level for a meter is refused. Broken encoder pairs are what a meter's plug has, and no cause.
    fn refuses_meter(seen: &Seen) -> Option<TripCause> {
        chain(seen)
            .or_else(|| seen.causes.has(TripCause::FirmwareFault).then_some(TripCause::FirmwareFault))
            .or_else(|| seen.amplifier.then_some(TripCause::AmplifierConnected))
            .or_else(|| seen.relay_closed.then_some(TripCause::RelayMismatch))
    }

    fn torque_is_on(&self, seen: &Seen, timeouts: &Timeouts) -> bool {
        seen.torque_on.unwrap_or(self.since_enabling >= timeouts.torque)
    }

    /// Safe is no reason to keep silent about a relay that stays closed, or about firmware that is wrong.
    fn trips_when_safe(&self, seen: &Seen, timeouts: &Timeouts) -> Option<TripCause> {
        if seen.causes.has(TripCause::FirmwareFault) {
            return Some(TripCause::FirmwareFault);
        }
        (self.relay_wrong > timeouts.contact).then_some(TripCause::RelayMismatch)
    }

    fn trips_when_calibrating(&mut self, seen: &Seen, timeouts: &Timeouts) -> Option<TripCause> {
        count(&mut self.since_beat, !seen.beat, timeouts.beat);
        count(&mut self.since_arming, true, timeouts.armed);
        count(&mut self.readback_wrong, seen.readback_off, timeouts.readback);
        chain(seen)
            .or_else(|| seen.causes.has(TripCause::FirmwareFault).then_some(TripCause::FirmwareFault))
            .or_else(|| seen.amplifier.then_some(TripCause::AmplifierConnected))
            .or_else(|| (self.since_beat >= timeouts.beat).then_some(TripCause::BeatLost))
            .or_else(|| (self.readback_wrong > timeouts.readback).then_some(TripCause::ReadbackMismatch))
            .or_else(|| (self.relay_wrong > timeouts.contact).then_some(TripCause::RelayMismatch))
            .or_else(|| (self.since_arming >= timeouts.armed).then_some(TripCause::ArmedTime))
    }

    fn trips_when_armed(&mut self, seen: &Seen, timeouts: &Timeouts) -> Option<TripCause> {
        // With enable open no torque is wanted: that there is none, and that the shaft stands, is then no trip.
        let (enable, live) = (self.enable(), self.state == State::Live);
        count(&mut self.since_beat, !seen.beat, timeouts.beat);
        count(&mut self.since_arming, true, timeouts.armed);
        count(&mut self.readback_wrong, seen.readback_off, timeouts.readback);
        count(&mut self.stuck, seen.stuck && live, timeouts.no_counts);
        count(&mut self.since_enabling, enable, timeouts.torque);
        let torque_late = self.state == State::Enabling && self.since_enabling >= timeouts.torque;
        let torque_needed = self.state == State::Live || torque_late;
        chain(seen)
            .or_else(|| seen.causes.first())
            .or_else(|| (self.since_beat >= timeouts.beat).then_some(TripCause::BeatLost))
            .or_else(|| (self.readback_wrong > timeouts.readback).then_some(TripCause::ReadbackMismatch))
            .or_else(|| (self.relay_wrong > timeouts.contact).then_some(TripCause::RelayMismatch))
            .or_else(|| (torque_needed && seen.torque_on == Some(false)).then_some(TripCause::TorqueOff))
            .or_else(|| (self.stuck >= timeouts.no_counts.max(1)).then_some(TripCause::NoCounts))
            .or_else(|| (self.since_arming >= timeouts.armed).then_some(TripCause::ArmedTime))
    }
}

/// What of the fixture's own hardware chain is open.
fn chain(seen: &Seen) -> Option<TripCause> {
    if !seen.stop_closed {
        return Some(TripCause::FixtureStop);
    }
    if !seen.guard_closed {
        return Some(TripCause::GuardOpen);
    }
    (!seen.hold_closed).then_some(TripCause::HoldReleased)
}

/// Counts ticks on which something is so, from 0 again when it is not. Stops one above the limit: no overflow, and
/// finitely many states.
fn count(counter: &mut u32, so: bool, limit: u32) {
    *counter = if so { counter.saturating_add(1).min(limit.saturating_add(1)) } else { 0 };
}

#[cfg(test)]
mod tests;
