//! A speed command that alternates by small steps about a working speed, for the step response of a speed loop.

use core::f64::consts::TAU;

use proofstand_units::{RadPerSec, Rpm, Seconds, Turns, Volts};

use super::levels::within_energy;
use super::{AxisNumbers, CannotPlan, GAIN_DOUBT, SpeedCommand};

/// The speed about which it alternates, as a share of the cap: even with a doubled scale no step reaches the cap.
const BASE_SHARE: f64 = 0.4;
/// A step is no larger than this share of the cap.
const STEP_SHARE: f64 = 0.1;
/// A step asks for no more than rated torque beside friction, and than this share of peak torque: so that no torque limit
/// answers for the loop.
const OF_PEAK: f64 = 0.6;
/// A command is held for so many time constants: an integral part settles far more slowly than the loop answers.
const HALF_CONSTANTS: f64 = 20.0;
/// Shortest and longest time that it is held, in milliseconds.
const HALF_MS: (f64, f64) = (40.0, 2000.0);
/// Time for the host to read a burst and to order the next one.
const BETWEEN_BURSTS: Seconds = Seconds::new(0.3);
/// Time at the base speed before the first step.
const SETTLE: Seconds = Seconds::new(0.3);
/// Points of a burst: all that the fixture holds.
pub(crate) const POINTS: u16 = 1024;
/// Shortest time between two of them, in microseconds.
const PERIOD_LEAST_US: f64 = 100.0;

/// A planned alternation.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct SpeedSteps {
    /// The speed about which the command alternates.
    pub base: Rpm,
    /// A whole step, from the lower speed to the higher.
    pub step: Rpm,
    /// The time constant that is expected.
    pub expected: Seconds,
    /// How long each command is held.
    pub half: Seconds,
    /// How often it is held.
    pub halves: u8,
    /// The half in which the second burst begins; the first one begins in the first.
    pub second_burst: u8,
    /// Time between two points of a burst, microseconds: a burst spans two halves, or a little more.
    pub period_us: u16,
    /// Time to come up to the base speed and to settle there.
    pub run_up: Seconds,
    /// How far the shaft turns in all.
    pub turns: Turns,
}

impl SpeedSteps {
    /// The highest speed that is asked for.
    #[must_use]
    pub fn highest(&self) -> Rpm {
        self.base + self.step * 0.5
    }

    /// The fixture trips at this speed meanwhile: a doubled scale does not come to it.
    #[must_use]
    pub fn trip(&self) -> Rpm {
        self.highest() * (GAIN_DOUBT * 1.05)
    }

    /// The command in a segment, without its sign: 0 runs up to the base, then the higher and the lower speed in turn.
    #[must_use]
    pub fn command_in(&self, segment: u8, drive: &SpeedCommand) -> Volts {
        let off = match segment {
            0 => 0.0,
            n if n % 2 == 1 => 0.5,
            _ => -0.5,
        };
        drive.volts_for(self.base + self.step * off)
    }
}

/// Plans the steps.
///
/// # Errors
/// [`CannotPlan`] if the loop is too slow for it, or braking gives back too much energy.
pub fn speed_steps(axis: &AxisNumbers, drive: &SpeedCommand) -> Result<SpeedSteps, CannotPlan> {
    let expected = axis.speed_time_constant;
    let wanted = expected.to_millis() * HALF_CONSTANTS;
    if wanted > HALF_MS.1 {
        return Err(CannotPlan {
            why: format!(
                "with a time constant of {:.0} ms the speed takes longer to settle than a command is held ({:.0} ms)",
                expected.to_millis(),
                HALF_MS.1
            ),
            remedy: "a quicker speed loop".to_owned(),
        });
    }
    let half = Seconds::from_millis(wanted.max(HALF_MS.0).ceil());
    let base = axis.cap * BASE_SHARE;
    // A loop of that time constant first asks for J·Δω/τ.
    let torque = axis.rated_torque.min(axis.peak_torque * OF_PEAK);
    let by_torque = RadPerSec::new(axis.acceleration(torque).get() * expected.get()).to_rpm();
    let step = by_torque.min(axis.cap * STEP_SHARE);
    within_energy(axis, base + step * 0.5)?;
    let period_us = (2.0 * half.get() * 1e6 / f64::from(POINTS)).ceil().max(PERIOD_LEAST_US);
    let burst = period_us * 1e-6 * f64::from(POINTS);
    let apart = ((burst + BETWEEN_BURSTS.get()) / half.get()).ceil();
    // One more for the host to be late.
    let halves = apart + (burst / half.get()).ceil() + 1.0;
    let run_up = drive.time_to(base) + SETTLE;
    let turns = base.to_rad_per_sec().get() / TAU * (run_up * 2.0 + half * halves).get();
    Ok(SpeedSteps {
        base,
        step,
        expected,
        half,
        halves: halves as u8,
        second_burst: 1 + apart as u8,
        period_us: period_us as u16,
        run_up,
        turns: Turns::new(turns),
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::planner::MotionPlan;
    use crate::sheet::parse;
    use crate::targets::Targets;

    fn planned(text: &str) -> (MotionPlan, Result<SpeedSteps, CannotPlan>) {
        let sheet = parse("s.toml", text.as_bytes()).unwrap_or_else(|error| panic!("{error}"));
        let targets = Targets::compute(&sheet);
        let axis = AxisNumbers::from_sheet(&sheet, &targets).unwrap();
        let plan = MotionPlan::new(axis, &targets.command).unwrap();
        let steps = speed_steps(&plan.axis, &plan.hold.speed_command().unwrap());
        (plan, steps)
    }

    const SHEET: &str = include_str!("../../sheets/batch-auger.toml");

    /// Worked by hand: cap 1800 rpm, 2.4 N·m over 4.1e-4 kg·m² for 5 ms is 29.27 rad/s, 279.5 rpm: a tenth of the cap is less. On
    /// thrice the inertia it is 93.2 rpm.
    #[test]
    fn a_step_is_a_tenth_of_the_cap_or_what_rated_torque_makes_in_a_time_constant_if_that_is_less() {
        let heavy = planned(&SHEET.replace("= 4.1e-4", "= 1.23e-3")).1.unwrap();
        assert!((heavy.step.get() - 93.17).abs() < 0.05, "{heavy:?}");
        let (plan, steps) = planned(SHEET);
        let steps = steps.unwrap();
        assert!((steps.base.get() - 720.0).abs() < 1e-9);
        assert!((steps.step.get() - 180.0).abs() < 1e-9, "{steps:?}");
        assert!((steps.half.to_millis() - 100.0).abs() < 1e-9);
        assert_eq!((steps.period_us, steps.halves, steps.second_burst), (196, 10, 7));
        let drive = plan.hold.speed_command().unwrap();
        let volts: Vec<f64> = (0..4).map(|n| steps.command_in(n, &drive).get() * 250.0).collect();
        assert!((volts[0] - 720.0).abs() < 1e-9 && (volts[1] - volts[2] - steps.step.get()).abs() < 1e-9);
        assert!((volts[1] - volts[3]).abs() < 1e-12);
    }

    #[test]
    fn even_a_doubled_scale_stays_below_the_trip_and_the_trip_below_the_cap() {
        for slow in ["3.0", "5.0", "12.0", "25.0", "100.0"] {
            let text = SHEET.replace(
                "speed_time_constant_milliseconds = 5.0",
                &format!("speed_time_constant_milliseconds = {slow}"),
            );
            let (plan, steps) = planned(&text);
            let steps = steps.unwrap();
            assert!(steps.highest() * GAIN_DOUBT < steps.trip() && steps.trip() < plan.axis.cap, "{steps:?}");
            assert!(u32::from(steps.halves) + 3 < 32, "{steps:?}");
        }
    }

    #[test]
    fn a_loop_that_would_not_settle_while_a_command_is_held_is_refused() {
        let text = SHEET
            .replace("speed_time_constant_milliseconds = 5.0", "speed_time_constant_milliseconds = 160.0");
        assert!(planned(&text).1.unwrap_err().why.contains("160 ms"));
    }
}
