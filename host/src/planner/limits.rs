//! What the fixture is told to enforce, from sheet and plan.

use proofstand_protocol::message::{CommandMode, Limits};
use proofstand_protocol::units::{Counts, CountsPerRev, Microvolts, MicrovoltsPerTick, Ticks};
use proofstand_units::{Rpm, Turns, Volts};

use super::segments::{microvolts, milli_rpm, slew, ticks};
use super::{CRAWL_RPM, Holding, MotionPlan, SLOW_TRIP};
use crate::checks::Context;
use crate::sheet::{FlagRole, Polarity};

/// Read-back may differ from the command by this much: the read-back's own error and the amplifier's load.
const READBACK: Volts = Volts::new(0.1);
/// For this long: a step of the command settles in less.
const READBACK_DWELL: Ticks = Ticks(5);
/// Motion the wrong way from standstill that trips, in degrees; never less than the first enable may move.
const WRONG_WAY_DEGREES: f64 = 15.0;
/// Speed gained against the command's sign that is a runaway.
const RUNAWAY: Rpm = Rpm::new(30.0);
/// No count for so long above breakaway: the shaft does not move.
const NO_COUNTS: Ticks = Ticks(800);
/// A command for this speed turns the shaft, whatever offset an amplifier's input may have; no motion uses less for long.
const SURELY_TURNS: Rpm = Rpm::new(CRAWL_RPM * 0.6);
/// Counts of an index interval may differ from the sheet by this much before the fixture trips.
const DISAGREEMENT_PERCENT: u8 = 3;
/// Armed for at most this long: the longest program, enabling before it, and coming to rest after it.
const ARMED: Ticks = Ticks(180_000);
/// No such input.
const NONE: u8 = 255;

/// What lets a step through in one tick, and no larger one: a little more, so that rounding never takes two.
fn by_one_step(step: Volts) -> MicrovoltsPerTick {
    slew((step * 1.001 + Volts::new(0.001)) * 1e3)
}

/// Limits for one kind of motion.
pub struct LimitsFor<'a> {
    motion: &'a MotionPlan,
    context: &'a Context<'a>,
    command: Volts,
    trip: Rpm,
    turns: Turns,
    steps: Option<Volts>,
}

impl<'a> LimitsFor<'a> {
    /// Below the gate: before counts are proven. No more than so many turns either way.
    #[must_use]
    pub fn slow(context: &'a Context<'a>, turns: Turns) -> Self {
        let motion = context.motion;
        let command = motion.hold.bound_at(motion.slow_speed).max(motion.nudge_command);
        Self { motion, context, command, trip: SLOW_TRIP, turns, steps: None }
    }

    /// Up to the cap and its overshoot, with no more command than the speed hold takes, and no more than so many turns either way.
    #[must_use]
    pub fn working(context: &'a Context<'a>, turns: Turns) -> Self {
        let motion = context.motion;
        Self { motion, context, command: motion.hold.bound(), trip: motion.axis.trip, turns, steps: None }
    }

    /// For a command of its own.
    #[must_use]
    pub fn command(mut self, command: Volts) -> Self {
        self.command = command.abs();
        self
    }

    /// The command may step by so much, where else it only ramps; meanwhile the fixture trips at this speed already. For
    /// small steps that a doubled scale does not bring to it.
    #[must_use]
    pub fn stepping(mut self, by: Volts, trip: Rpm) -> Self {
        self.trip = self.trip.min(trip);
        self.steps = Some(by.abs());
        self
    }

    /// The limits.
    #[must_use]
    pub fn limits(&self) -> Limits {
        let sheet = self.context.sheet;
        let axis = &self.motion.axis;
        let per_rev = axis.counts_per_rev.get();
        let counts = |turns: f64| Counts((turns * f64::from(per_rev)).ceil() as i64);
        let flag = |role| {
            sheet.flag(role).map_or((NONE, false), |f| (f.fixture_input, f.active == Polarity::Conducting))
        };
        let torque_on = flag(FlagRole::TorqueOn);
        let fault = flag(FlagRole::Fault);
        let wrong_way = WRONG_WAY_DEGREES.max(sheet.enable.first_may_move.get());
        // A level that is little above breakaway is watched as well.
        let breakaway = match self.motion.hold {
            Holding::ByTorque(_) => axis.volts_for(axis.breakaway) * 1.3,
            Holding::BySpeed(drive) => drive.volts_for(SURELY_TURNS),
        };
        let readout = sheet.speed_read_out.as_ref().map_or(0.0, |r| r.volts_per_thousand_rpm.get());
        Limits {
            // A little more than the program asks, so that rounding is never a trip.
            command: microvolts(self.command * 1.001 + Volts::new(0.001)),
            slew: self.steps.map_or_else(|| self.motion.hold.slew(), by_one_step),
            trip_speed: milli_rpm(self.trip),
            counts_per_rev: CountsPerRev(per_rev),
            travel: counts(self.turns.get()),
            armed_time: ARMED,
            beat: Ticks(100),
            mode: match self.motion.hold {
                Holding::ByTorque(_) => CommandMode::Torque,
                Holding::BySpeed(_) => CommandMode::Speed,
            },
            counts_up_on_positive: self.context.count_sign() > 0.0,
            wrong_way: counts(wrong_way / 360.0),
            runaway: milli_rpm(RUNAWAY),
            runaway_delay: ticks(axis.lag * 5.0 + proofstand_units::Seconds::from_millis(12.0)),
            breakaway: microvolts(breakaway.min(self.command)),
            no_counts: NO_COUNTS,
            readback: Microvolts((READBACK.get() * 1e6) as i32),
            readback_dwell: READBACK_DWELL,
            speed_disagreement_percent: DISAGREEMENT_PERCENT,
            speed_readout: Microvolts((readout * 1e6 * self.context.count_sign()).round() as i32),
            torque_on_input: torque_on.0,
            torque_on_conducting: torque_on.1,
            enable_delay: ticks(axis.enable_delay),
            fault_input: fault.0,
            fault_conducting: fault.1,
            guard_required: !self.context.attended,
        }
    }
}
