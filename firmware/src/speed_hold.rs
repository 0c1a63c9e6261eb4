//! A slow, bounded, integer proportional-integral loop: holds a speed over a torque command, for counting lines.
//!
//! It is no drive. Its gains come from the planner, which keeps the bandwidth at or below 10 Hz; its bound keeps a loop
//! that is wired the wrong way round at a torque that was allowed.

use proofstand_protocol::program::Drive;
use proofstand_protocol::units::{Microvolts, MicrovoltsPerRpm, MicrovoltsPerRpmSecond, MilliRpm};

/// Slowest speed that can be held, either sign: below it a shaft sticks and slips (common practice, no source).
pub const SPEED_MIN: MilliRpm = MilliRpm(20_000);
/// Steepest proportional gain: full scale for 10 rpm.
pub const PROPORTIONAL_MAX: MicrovoltsPerRpm = MicrovoltsPerRpm(1_000_000);
/// Steepest integral gain: full scale for 1 rpm in a second.
pub const INTEGRAL_MAX: MicrovoltsPerRpmSecond = MicrovoltsPerRpmSecond(10_000_000);

/// Integral gain times milli-rpm, summed over millisecond ticks, is in millionths of a microvolt.
const INTEGRAL_UNIT: i64 = 1_000_000;
const MILLI: i64 = 1_000;

/// What to hold, and with what.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Setting {
    /// The speed.
    pub speed: MilliRpm,
    /// Largest command, either sign.
    pub bound: Microvolts,
    /// Proportional gain.
    pub proportional: MicrovoltsPerRpm,
    /// Integral gain.
    pub integral: MicrovoltsPerRpmSecond,
    /// The encoder counts up on a positive command.
    pub up_on_positive: bool,
}

impl Setting {
    /// What a drive asks for, if it holds a speed.
    pub fn of(drive: &Drive, up_on_positive: bool) -> Option<Self> {
        match *drive {
            Drive::HoldSpeed { speed, bound, proportional, integral } => {
                Some(Self { speed, bound, proportional, integral, up_on_positive })
            }
            Drive::Command { .. } => None,
        }
    }
}

/// The loop's memory.
#[derive(Debug, Default, Clone, Copy, PartialEq, Eq)]
pub struct SpeedHold {
    integral: i64,
}

impl SpeedHold {
    /// Starts from the command that stands, so that one hold passes into the next without a jump.
    pub fn new(command: Microvolts) -> Self {
        Self { integral: i64::from(command.0) * INTEGRAL_UNIT }
    }

    /// One tick: the command that the loop wants, within the bound.
    pub fn tick(&mut self, setting: &Setting, speed: MilliRpm) -> Microvolts {
        let bound = i64::from(setting.bound.magnitude().min(Microvolts::FULL_SCALE).0);
        let full = bound * INTEGRAL_UNIT;
        let error = i64::from(setting.speed.0) - i64::from(speed.0);
        let error = if setting.up_on_positive { error } else { -error };
        let proportional = i64::from(setting.proportional.0.min(PROPORTIONAL_MAX.0)) * error / MILLI;
        let step = i64::from(setting.integral.0.min(INTEGRAL_MAX.0)) * error;
        self.integral = self.integral.clamp(-full, full);
        let wanted = proportional + (self.integral + step) / INTEGRAL_UNIT;
        // At the bound the integral may only go back: else it would wind up, and the speed overshoot on release.
        let pushes = wanted.abs() > bound && wanted.signum() == step.signum();
        if !pushes {
            self.integral = (self.integral + step).clamp(-full, full);
        }
        let command = proportional + self.integral / INTEGRAL_UNIT;
        Microvolts(i32::try_from(command.clamp(-bound, bound)).unwrap_or(0))
    }
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;
    use crate::rotor::Rotor;

    fn setting(rpm: i32, up_on_positive: bool) -> Setting {
        Setting {
            speed: MilliRpm(rpm * 1_000),
            bound: Microvolts(1_000_000),
            proportional: MicrovoltsPerRpm(500),
            integral: MicrovoltsPerRpmSecond(3_000),
            up_on_positive,
        }
    }

    /// Runs the loop on a rotor that gains 100 rpm per ms and volt: with 500 µV/rpm the loop's crossover is
    /// 0.0005 V/rpm × 100 000 rpm/(s·V) = 50 rad/s, 8 Hz, and the integral's corner 6 rad/s.
    fn hold(setting: &Setting, rotor: &mut Rotor, ticks: u32) -> i64 {
        let mut hold = SpeedHold::new(Microvolts(0));
        let mut largest = 0;
        for _ in 0..ticks {
            let command = hold.tick(setting, rotor.speed());
            largest = largest.max(i64::from(command.0).abs());
            let signed = if setting.up_on_positive { command } else { Microvolts(-command.0) };
            rotor.tick(signed);
        }
        largest
    }

    #[test]
    fn it_settles_on_the_speed_within_two_seconds_against_friction_in_both_directions_and_wirings() {
        for rpm in [-600, -100, 50, 300] {
            for up in [true, false] {
                let mut rotor = Rotor::new(100_000, 20_000);
                let largest = hold(&setting(rpm, up), &mut rotor, 2_000);
                let error = i64::from(rotor.speed().0) - i64::from(rpm) * 1_000;
                assert!(error.abs() <= i64::from(rpm.abs()) * 20, "{rpm} rpm, up {up}: off by {error} mrpm");
                assert!((200_000..=1_000_000).contains(&largest), "friction needs 0.2 V: {largest} µV");
            }
        }
    }

    /// Friction takes 0.2 V of the 0.3 V, so the run-up lasts 0.3 s at the bound. An integral that went on meanwhile
    /// would stand at the bound and push (0.3 − 0.2) V / 500 µV per rpm = 200 rpm over.
    #[test]
    fn a_long_run_up_at_the_bound_does_not_wind_the_integral_up() {
        let setting = Setting { bound: Microvolts(300_000), ..setting(2_500, true) };
        let mut rotor = Rotor::new(100_000, 20_000);
        let mut hold = SpeedHold::new(Microvolts(0));
        let mut fastest = 0;
        for _ in 0..3_000 {
            let command = hold.tick(&setting, rotor.speed());
            rotor.tick(command);
            fastest = fastest.max(rotor.speed().0);
        }
        assert!((2_490_000..2_550_000).contains(&fastest), "{fastest} mrpm");
    }

    #[test]
    fn a_hold_takes_over_the_command_that_stands() {
        let mut hold = SpeedHold::new(Microvolts(200_000));
        assert_eq!(hold.tick(&setting(100, true), MilliRpm(100_000)), Microvolts(200_000));
    }

    proptest! {
        #[test]
        fn the_command_never_leaves_the_bound_whatever_speed_is_measured(
            speeds in prop::collection::vec(any::<i32>(), 1..200), target: i32, bound: i32,
            proportional: u32, integral: u32, up: bool, start: i32,
        ) {
            let setting = Setting {
                speed: MilliRpm(target),
                bound: Microvolts(bound),
                proportional: MicrovoltsPerRpm(proportional),
                integral: MicrovoltsPerRpmSecond(integral),
                up_on_positive: up,
            };
            let mut hold = SpeedHold::new(Microvolts(start));
            for speed in speeds {
                let command = hold.tick(&setting, MilliRpm(speed));
                prop_assert!(command.magnitude() <= Microvolts(bound).magnitude().min(Microvolts::FULL_SCALE));
            }
        }
    }
}
