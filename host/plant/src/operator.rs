//! The person beside the bench.

use core::f64::consts::TAU;

use proofstand_units::{NewtonMetres, Percent, Seconds, Turns};

use crate::plant::Plant;
use crate::setup::Rotation;
use crate::time::nanos;

/// What a person saw of the shaft.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Turned {
    /// It turned this way, seen from the shaft end.
    This(Rotation),
    /// Too little to tell.
    TooLittle,
}

/// What a person can't do.
#[derive(Debug, Clone, Copy, PartialEq, thiserror::Error)]
pub enum OperatorError {
    /// Torque is on: nobody touches the shaft.
    #[error("torque is on: open enable before the shaft is turned by hand")]
    TorqueOn,
    /// The holding brake is closed.
    #[error("the holding brake is closed: release it before the shaft is turned by hand")]
    BrakeClosed,
    /// The hand is still turning the shaft, or the shaft turns by itself.
    #[error("the shaft is moving: wait for standstill")]
    Moving,
    /// Faster than a hand turns a shaft, or in no time at all.
    #[error(
        "that is {asked:.0} rpm at its fastest, and a hand turns at most {most:.0} rpm: give it more time"
    )]
    TooFast {
        /// Fastest speed of the turn asked for.
        asked: f64,
        /// Fastest by hand.
        most: f64,
    },
}

/// A turn by hand under way: speed is a raised cosine, so it starts and ends gently.
#[derive(Debug, Clone, Copy)]
pub(crate) struct HandTurn {
    pub(crate) start: u64,
    pub(crate) end: u64,
    turns: f64,
}

impl HandTurn {
    /// Speed in rad/s at a time.
    pub(crate) fn speed(&self, now: u64) -> f64 {
        if now <= self.start || now >= self.end {
            return 0.0;
        }
        let span = (self.end - self.start) as f64 * 1e-9;
        let share = (now - self.start) as f64 * 1e-9 / span;
        self.turns * TAU / span * (1.0 - (TAU * share).cos())
    }
}

/// The person, with hands on one plant.
#[derive(Debug)]
pub struct Operator<'a> {
    pub(crate) plant: &'a mut Plant,
}

impl Operator<'_> {
    /// Starts turning the shaft by `turns` (clockwise positive) over `time`; it happens as the plant advances, and the
    /// hand lets go should torque come on.
    ///
    /// # Errors
    /// Torque on, brake closed, shaft moving, or faster than a hand turns.
    pub fn turn(&mut self, turns: Turns, time: Seconds) -> Result<(), OperatorError> {
        let plant = &mut *self.plant;
        if plant.torque_on() {
            return Err(OperatorError::TorqueOn);
        }
        if plant.brake_closed() {
            return Err(OperatorError::BrakeClosed);
        }
        if plant.hand.is_some() || plant.motor.speed != 0.0 {
            return Err(OperatorError::Moving);
        }
        // A raised cosine peaks at twice its mean.
        let asked = 2.0 * turns.get().abs() / time.get() * 60.0;
        let most = plant.fastest_by_hand;
        if !(time.get() > 0.0 && asked <= most) {
            return Err(OperatorError::TooFast { asked, most });
        }
        plant.hand =
            Some(HandTurn { start: plant.now, end: plant.now + nanos(time).max(1), turns: turns.get() });
        Ok(())
    }

    /// A turn by hand is under way.
    #[must_use]
    pub fn is_turning(&self) -> bool {
        self.plant.hand.is_some()
    }

    /// Lays a strap round the shaft that drags with this torque, or takes it off with zero; its sign is ignored.
    pub fn strap(&mut self, drag: NewtonMetres) {
        self.plant.strap = drag.get().abs();
    }

    /// Remembers where the shaft stands.
    pub fn mark(&mut self) {
        self.plant.mark = self.plant.motor.angle;
    }

    /// Which way the shaft has turned since the mark, as seen from the shaft end.
    #[must_use]
    pub fn turned_since_mark(&self) -> Turned {
        let turns = self.plant.motor.angle - self.plant.mark;
        if turns.abs() < self.plant.smallest_seen || turns == 0.0 {
            Turned::TooLittle
        } else if turns > 0.0 {
            Turned::This(Rotation::Clockwise)
        } else {
            Turned::This(Rotation::CounterClockwise)
        }
    }

    /// What the amplifier's display shows now as torque; a dark display shows nothing.
    #[must_use]
    pub fn display(&self) -> Option<Percent> {
        let amplifier = &self.plant.amplifier;
        amplifier.outputs_live().then(|| Percent::new(amplifier.display()))
    }

    /// Switches the amplifier's control power. Off: flags open, encoder output and read-outs dead, faults forgotten.
    /// On: the same until start-up is over.
    pub fn control_power(&mut self, on: bool) {
        self.plant.set_control_power(on);
    }

    /// Switches motor power; without it the amplifier is not ready.
    pub fn motor_power(&mut self, on: bool) {
        let on = on && !self.plant.motor_power_absent;
        self.plant.amplifier.set_motor_power(on);
        self.plant.settle();
    }
}
