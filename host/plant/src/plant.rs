//! The plant: amplifier, motor, encoder and wiring advanced together.

mod disturbance;
mod seen;

use core::f64::consts::TAU;

use proofstand_units::{Hertz, Joules, NewtonMetres, RadPerSec, Rpm, Turns, Volts};

use crate::amplifier::Amplifier;
use crate::check::{SetupError, check};
use crate::coefficients::Steps;
use crate::encoder::Encoder;
use crate::flags::FlagLines;
use crate::history::{History, Piece};
use crate::motor::{Acting, Motor};
use crate::operator::{HandTurn, Operator};
use crate::random::Random;
use crate::setup::{PairNoise, PlantSetup};
use crate::time::{PlantTime, nanos};

use disturbance::{Dip, Loss, Warmth};

/// What the fixture drives, held from one call of [`Plant::advance`] to its end.
#[derive(Debug, Default, Clone, Copy, PartialEq)]
pub struct Drive {
    /// Command between the pair's terminals.
    pub command: Volts,
    /// The enable contact is closed.
    pub enable: bool,
    /// The clear-fault contact is closed; its closing clears, while enable is open.
    pub clear_fault: bool,
    /// The end switch in the positive direction is closed: not reached.
    pub end_plus_closed: bool,
    /// The end switch in the negative direction is closed: not reached.
    pub end_minus_closed: bool,
}

/// What no fixture can see: for tests of the plant and of what is built on it.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Truth {
    /// Shaft speed, clockwise positive.
    pub speed: Rpm,
    /// Motor torque on the shaft, clockwise positive, mean over the last step.
    pub torque: NewtonMetres,
    /// Shaft angle, clockwise positive, not wrapped.
    pub angle: Turns,
    /// Work done on the shaft by the motor's torque since set-up.
    pub work: Joules,
    /// Braking energy held by the bus.
    pub bus: Joules,
    /// The amplifier is in fault.
    pub fault: bool,
    /// Torque is on.
    pub torque_on: bool,
    /// Counts lost between the lines and the fixture's counter.
    pub counts_lost: i64,
}

/// A simulated axis.
#[derive(Debug, Clone)]
pub struct Plant {
    pub(crate) now: u64,
    step: u64,
    steps: Steps,
    pub(crate) amplifier: Amplifier,
    pub(crate) motor: Motor,
    encoder: Encoder,
    pub(crate) flags: FlagLines,
    history: History,
    random: Random,
    drive: Drive,
    command_factor: f64,
    output_drift: f64,
    ends_swapped: bool,
    encoder_connected: bool,
    pair_reported: bool,
    alarm_above: Option<f64>,
    alarm: bool,
    pair_noise: Option<PairNoise>,
    /// Time in which reflections die away, seconds.
    ringing: Option<f64>,
    illegal: u32,
    ends_unwired: bool,
    pub(crate) motor_power_absent: bool,
    brake_unwired: bool,
    has_brake: bool,
    live: bool,
    index_noise: f64,
    /// One of those things is wrong that have to be looked at in every step.
    disturbed: bool,
    loss: Option<Loss>,
    dip: Option<Dip>,
    warmth: Option<Warmth>,
    work: f64,
    after_power_cycle: Option<Box<PlantSetup>>,
    pub(crate) hand: Option<HandTurn>,
    pub(crate) strap: f64,
    pub(crate) mark: f64,
    pub(crate) smallest_seen: f64,
    pub(crate) fastest_by_hand: f64,
}

impl Plant {
    /// Sets up an axis at standstill at time zero. The seed fixes every random draw.
    ///
    /// # Errors
    /// The first quantity of the setup that describes nothing.
    pub fn new(setup: PlantSetup, seed: u64) -> Result<Self, SetupError> {
        check(&setup)?;
        let step = nanos(setup.longest_step);
        let amplifier = Amplifier::new(&setup);
        let mut flags = FlagLines::new(&setup.wiring, setup.operator.control_power);
        amplifier.preset(&mut flags);
        let output_drift = setup.wiring.output_drift.get() / 100.0;
        let kept = (1.0 - setup.wiring.command_loss.get() / 100.0) * (1.0 + output_drift);
        let motor = Motor::new(&setup);
        Ok(Self {
            now: 0,
            step,
            steps: Steps::new(&setup, step),
            live: amplifier.outputs_live() && setup.wiring.encoder_connected,
            amplifier,
            mark: motor.angle,
            motor,
            encoder: Encoder::new(&setup, seed),
            flags,
            history: History::new(),
            random: Random::new(seed),
            drive: Drive::default(),
            command_factor: if setup.wiring.command_swapped { -kept } else { kept },
            output_drift,
            ends_swapped: setup.wiring.end_switches_swapped,
            encoder_connected: setup.wiring.encoder_connected,
            pair_reported: setup.wiring.dead_pair.is_some_and(|dead| dead.reported),
            alarm_above: setup.wiring.alarm_above.map(Hertz::get),
            alarm: false,
            pair_noise: setup.wiring.pair_noise,
            ringing: setup.wiring.ringing.map(|decay| decay.get()),
            illegal: 0,
            ends_unwired: setup.wiring.end_switches_unwired,
            motor_power_absent: setup.wiring.motor_power_absent,
            dip: setup.amplifier.dips_after.map(|after| Dip { left: after.get(), ends: None }),
            warmth: Warmth::new(&setup),
            brake_unwired: setup.wiring.brake_unwired,
            has_brake: setup.motor.brake.is_some(),
            index_noise: setup.wiring.index_noise.get(),
            disturbed: setup.wiring.count_loss.is_some()
                || setup.wiring.alarm_above.is_some()
                || setup.wiring.pair_noise.is_some()
                || setup.wiring.ringing.is_some()
                || setup.wiring.index_noise.get() > 0.0
                || setup.amplifier.dips_after.is_some()
                || setup.motor.heating.get() > 0.0,
            loss: setup.wiring.count_loss.map(|loss| Loss {
                above: loss.above.get(),
                share: loss.share.get() / 100.0,
                lost: 0,
            }),
            work: 0.0,
            after_power_cycle: setup.after_power_cycle,
            hand: None,
            strap: 0.0,
            smallest_seen: setup.operator.smallest_seen.get(),
            fastest_by_hand: setup.operator.fastest_by_hand.get(),
        })
    }

    /// Now.
    #[must_use]
    pub const fn now(&self) -> PlantTime {
        PlantTime::from_nanos(self.now)
    }

    /// What the fixture's own output gives beyond what it is taken to give, as a share: whoever reads it back sees it.
    #[must_use]
    pub const fn output_drift(&self) -> f64 {
        self.output_drift
    }

    /// Advances to a moment, with the fixture driving as given all the way; does nothing but note `drive` when that
    /// moment is not in the future. The last step is shortened to end there.
    pub fn advance(&mut self, to: PlantTime, drive: &Drive) {
        self.drive = *drive;
        self.settle();
        let command = drive.command.get() * self.command_factor;
        let ends = if self.ends_unwired {
            [false; 2]
        } else if self.ends_swapped {
            [drive.end_minus_closed, drive.end_plus_closed]
        } else {
            [drive.end_plus_closed, drive.end_minus_closed]
        };
        let to = to.nanos();
        let mut change = self.amplifier.next_change();
        while self.now < to {
            let next = (self.now + self.step).min(to).min(change.max(self.now + 1));
            self.step_to(next, command, ends);
            if !self.amplifier.is_settled(next, change) {
                self.settle();
                change = self.amplifier.next_change();
            }
        }
    }

    /// Brings states that change by themselves, or by the contacts, up to now.
    #[inline]
    pub(crate) fn settle(&mut self) {
        self.amplifier.settle(self.now, self.drive.enable, self.drive.clear_fault, &mut self.flags);
        let live = self.amplifier.outputs_live() && self.encoder_connected;
        if live != self.live {
            self.live = live;
            if live {
                self.encoder.restart(self.motor.angle);
            }
        }
    }

    #[inline]
    fn step_to(&mut self, next: u64, command: f64, ends: [bool; 2]) {
        let braking = self.amplifier.braking();
        let length = next - self.now;
        let brake_closed = self.brake_closed();
        let (inertia, viscous) = (self.steps.inertia(), self.steps.viscous(braking));
        let c = self.steps.of(length, braking);
        let torque = self.amplifier.drive(c, command, ends, &mut self.random);
        let (start, live) = (self.now, self.live);
        let before = self.motor.angle;
        let count_before = if self.disturbed { self.encoder.counter() } else { 0 };
        let (history, encoder) = (&mut self.history, &mut self.encoder);
        let keep = |mut piece: Piece| {
            piece.step_start = start;
            piece.live = live;
            history.push(piece);
            if live {
                encoder.follow(&piece);
            }
        };
        let work = match self.hand {
            Some(hand) if !self.amplifier.gate_on() => {
                self.motor.lead(c.step, hand.speed(next), keep);
                if next >= hand.end {
                    self.hand = None;
                }
                0.0
            }
            _ => {
                self.hand = None;
                let acting = Acting { torque, strap: self.strap, brake_closed, inertia, viscous };
                self.motor.step(c.step, &c.motion, &acting, keep)
            }
        };
        self.work += work;
        self.now = next;
        let mean_speed = (self.motor.angle - before) * TAU / c.step;
        let c = if self.disturbed {
            let step = c.step;
            self.disturb(start, step, before, count_before);
            self.steps.of(length, braking)
        } else {
            c
        };
        self.amplifier.observe(
            c,
            mean_speed,
            self.motor.speed,
            work,
            next,
            &mut self.random,
            &mut self.flags,
        );
    }

    /// Switches control power. What was entered and waits for a power cycle comes into force, what was not stored is gone.
    /// Before any time has passed it is no cycle: the axis is only switched on.
    pub(crate) fn set_control_power(&mut self, on: bool) {
        if on
            && !self.control_power()
            && self.now > 0
            && let Some(setup) = self.after_power_cycle.take()
        {
            self.amplifier.adopt(&setup);
            self.encoder.adopt(&setup, self.motor.angle);
        }
        self.amplifier.set_control_power(on, self.now, &mut self.flags);
        self.settle();
    }

    pub(crate) const fn torque_on(&self) -> bool {
        self.amplifier.gate_on()
    }

    pub(crate) const fn brake_closed(&self) -> bool {
        self.has_brake && (self.brake_unwired || !self.amplifier.brake_released())
    }

    /// Control power is on, whether or not start-up is over.
    #[must_use]
    pub const fn control_power(&self) -> bool {
        self.amplifier.control_power()
    }

    /// The person beside the bench.
    pub const fn operator(&mut self) -> Operator<'_> {
        Operator { plant: self }
    }

    /// What no fixture can see. For tests.
    #[must_use]
    pub fn truth(&self) -> Truth {
        Truth {
            speed: RadPerSec::new(self.motor.speed).to_rpm(),
            torque: NewtonMetres::new(self.amplifier.torque_clockwise()),
            angle: Turns::new(self.motor.angle),
            work: Joules::new(self.work),
            bus: Joules::new(self.amplifier.bus_energy()),
            fault: self.amplifier.fault(),
            torque_on: self.torque_on(),
            counts_lost: self.loss.as_ref().map_or(0, |loss| loss.lost),
        }
    }
}
