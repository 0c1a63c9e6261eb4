//! Motion of an axis that takes a speed command: volts for rpm, changed no faster than the axis can be caught.

use proofstand_units::{Percent, RadPerSec, RadPerSec2, Rpm, RpmPerVolt, Seconds, Turns, Volts};

use super::levels::{CAP_WINDOW, CapRun, NEAR_THE_CAP, within_energy};
use super::{AxisNumbers, CannotPlan, GAIN_DOUBT, GATE_RPM};
use crate::targets::CommandTargets;

/// How an axis is driven to a speed by its command.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct SpeedCommand {
    /// Speed per volt, as the sheet says.
    pub per_volt: RpmPerVolt,
    /// How fast the speed asked for may change.
    pub slope: RadPerSec2,
    /// The largest command that any speed short of the cap needs.
    pub bound: Volts,
    /// +1 if the counts rise on a positive command, −1 if they fall.
    pub count_sign: f64,
}

impl SpeedCommand {
    /// The command for a speed, counted as the command counts: positive for a positive command.
    #[must_use]
    pub fn volts_for(&self, speed: Rpm) -> Volts {
        Volts::new(speed.get() / self.per_volt.get())
    }

    /// How fast the command may change, volts in a second.
    #[must_use]
    pub fn volts_per_second(&self) -> Volts {
        self.volts_for(RadPerSec::new(self.slope.get()).to_rpm())
    }

    /// Time from rest to a speed.
    #[must_use]
    pub fn time_to(&self, speed: Rpm) -> Seconds {
        Seconds::new(speed.to_rad_per_sec().get().abs() / self.slope.get())
    }
}

/// The torque that speeding up may take, in percent of rated torque, friction included: no overload, and the speed
/// follows the command although the torque limit may be set lower than the sheet's peak torque.
const SPEED_UP: Percent = Percent::new(50.0);
/// What is left for speeding up where friction alone takes nearly as much.
const SPEED_UP_LEAST: Percent = Percent::new(20.0);
/// A run-up that takes longer is none.
const RUN_UP_MOST: Seconds = Seconds::new(30.0);
/// Commands above the cap, as shares of the cap: the lower one shows a cap that is not there without coming near the trip
/// speed; the higher one, that the cap does not give way.
pub const ABOVE_CAP: [f64; 2] = [1.08, 1.25];
/// Speeds of the scale, as shares of the cap: up to where no cap, even a low one, cuts in.
const SCALE: [f64; 5] = [0.10, 0.25, 0.45, 0.65, 0.85];
/// Speed of the slow line count, as a share of what a doubled scale would bring to the gate.
const SLOW_SHARE: f64 = 0.9;

/// The slow line count of a speed command: so slow that a doubled scale stays below the gate.
pub(super) const SLOW_COMMANDED: Rpm = Rpm::new(GATE_RPM / GAIN_DOUBT * SLOW_SHARE);

/// How the axis is driven, or why it can't be bounded.
///
/// A speed command's torque is the amplifier's to choose, and its limit is the motor's peak. A loop with the wrong sign,
/// a wrong phase, shows at once: the first motion must still be caught with peak torque. From then on the loop is known
/// to hold, and what the fixture must catch is a scale in doubt: the speed rises no faster than the command.
pub(super) fn drive(axis: &AxisNumbers, per_volt: RpmPerVolt) -> Result<SpeedCommand, CannotPlan> {
    let share = SPEED_UP.max(axis.breakaway + SPEED_UP_LEAST);
    let by_torque = axis.acceleration(axis.torque_at(share) - axis.friction());
    let room = (axis.mechanical_maximum - axis.trip).to_rad_per_sec().get();
    let by_margin = RadPerSec2::new(room / (GAIN_DOUBT * axis.reaction.get()));
    let slope = by_torque.min(by_margin).min(axis.ramp.unwrap_or(by_torque));
    let cap = axis.cap.to_rad_per_sec().get();
    if slope.get() * RUN_UP_MOST.get() < cap {
        return Err(CannotPlan {
            why: format!(
                "the speed may change by {:.0} rpm in a second at most, and would take more than {:.0} s to the cap of \
                 {:.0} rpm",
                RadPerSec::new(slope.get()).to_rpm().get().max(0.0),
                RUN_UP_MOST.get(),
                axis.cap.get()
            ),
            remedy: "a lower cap, a shorter ramp in the amplifier, or less added inertia".to_owned(),
        });
    }
    Ok(SpeedCommand {
        per_volt,
        slope,
        bound: Volts::new(axis.cap.get() / per_volt.get()),
        count_sign: axis.count_sign,
    })
}

/// Runs into the cap by commanding more, lowest first.
pub(super) fn cap_runs(
    axis: &AxisNumbers,
    drive: &SpeedCommand,
    command: &CommandTargets,
) -> Vec<Result<CapRun, CannotPlan>> {
    let range = match command {
        CommandTargets::Speed { gain, largest, .. } => Volts::new(largest.get() / gain.get()),
        CommandTargets::Torque { .. } => Volts::ZERO,
    };
    ABOVE_CAP.into_iter().map(|times| cap_run(axis, drive, range, times)).collect()
}

fn cap_run(axis: &AxisNumbers, drive: &SpeedCommand, range: Volts, times: f64) -> Result<CapRun, CannotPlan> {
    let level = Percent::new(100.0 * times);
    let command = drive.volts_for(axis.cap * times);
    if command > range {
        return Err(CannotPlan {
            why: format!(
                "{:.0} % of the cap of {:.0} rpm needs {:.2} V; the command ends at ±{:.1} V",
                level.get(),
                axis.cap.get(),
                command.get(),
                range.get()
            ),
            remedy: "a lower cap for the acceptance, or more rpm per volt".to_owned(),
        });
    }
    within_energy(axis, axis.cap)?;
    let run_up = drive.time_to(axis.cap);
    let settle =
        Seconds::new((20.0 * axis.lag.get()).max(0.4)) + drive.time_to(axis.cap * (times - NEAR_THE_CAP));
    let turns = Turns::new(axis.cap.get() / 60.0 * (run_up + settle + CAP_WINDOW).get());
    // A scale that is a little low gets there later, by the same slope.
    let patience = run_up * 2.0 + Seconds::new(2.0);
    Ok(CapRun { level, command, run_up, patience, settle, window: CAP_WINDOW, turns })
}

/// Speeds at which the scale is measured, lowest first.
pub(super) fn scale_speeds(axis: &AxisNumbers) -> Vec<Rpm> {
    SCALE.iter().map(|&share| axis.cap * share).collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::planner::MotionPlan;
    use crate::sheet::parse;
    use crate::targets::Targets;

    const SHEET: &str = include_str!("../../sheets/batch-auger.toml");

    fn planned(text: &str) -> Result<MotionPlan, CannotPlan> {
        let sheet = parse("s.toml", text.as_bytes()).unwrap_or_else(|error| panic!("{error}"));
        let targets = Targets::compute(&sheet);
        AxisNumbers::from_sheet(&sheet, &targets).and_then(|axis| MotionPlan::new(axis, &targets.command))
    }

    fn commanded(plan: &MotionPlan) -> SpeedCommand {
        plan.hold.speed_command().unwrap()
    }

    /// The auger, worked by hand: 6 V = 1500 rpm, cap 1800 rpm, 2.4 N·m rated, 4.1e-4 kg·m².
    #[test]
    fn the_auger_is_driven_by_the_volts_and_the_slope_worked_by_hand() {
        let plan = planned(SHEET).unwrap();
        let drive = commanded(&plan);
        assert!((drive.volts_for(Rpm::new(450.0)).get() - 1.8).abs() < 1e-12); // 450 / 250
        // 50 % less 4 % of 2.4 N·m is 1.104 N·m; / 4.1e-4 = 2692.7 rad/s².
        assert!((drive.slope.get() - 2692.683).abs() < 1e-3, "{drive:?}");
        // 1800 rpm is 188.496 rad/s: 70.0 ms.
        assert!((drive.time_to(plan.axis.cap).get() - 0.070_003).abs() < 1e-6);
        let first = plan.cap_runs[0].as_ref().unwrap();
        assert!((first.command.get() - 1.08 * 7.2).abs() < 1e-12, "{first:?}");
        assert!(plan.reversals.is_empty());
        // Twice the slow speed is still below the gate.
        assert!((plan.slow_speed.get() * GAIN_DOUBT) < GATE_RPM);
    }

    #[test]
    fn the_speed_rises_no_faster_than_a_trip_can_catch_it_even_if_the_scale_is_doubled() {
        for maximum in [2400, 3000, 4500] {
            let text = SHEET
                .replace("maximum_rpm = 5000", &format!("maximum_rpm = {maximum}"))
                .replace("rated_rpm = 3000", "rated_rpm = 2000")
                .replace("peak_torque_newton_metres = 4.8", "peak_torque_newton_metres = 2.5");
            let plan = planned(&text).unwrap();
            let gained = commanded(&plan).slope.get() * GAIN_DOUBT * plan.axis.reaction.get();
            let highest = plan.axis.trip + RadPerSec::new(gained).to_rpm();
            assert!(highest.get() <= f64::from(maximum) + 1e-9, "{maximum}: {highest:?}");
        }
    }

    #[test]
    fn a_rotor_that_peak_torque_would_carry_away_before_a_trip_is_refused_with_a_remedy() {
        let light = SHEET.replace("square_metres = 4.1e-4", "square_metres = 2.0e-5");
        let refused = planned(&light).unwrap_err();
        assert!(refused.why.contains("peak torque"), "{refused:?}");
        assert!(refused.remedy.contains("disc"), "{refused:?}");
    }

    #[test]
    fn the_amplifiers_own_ramp_bounds_the_slope_and_one_that_is_too_slow_is_refused() {
        let ramped = |millis: &str| {
            let line = format!("[amplifier]\nramp_milliseconds_per_thousand_rpm = {millis}");
            planned(
                &SHEET.replace("[amplifier]", &line).replace("speed_time_constant_milliseconds = 5.0", ""),
            )
        };
        // 1000 rpm, 104.7198 rad/s, in 400 ms.
        let plan = ramped("400").unwrap();
        assert!((commanded(&plan).slope.get() - 261.799).abs() < 1e-3);
        assert!(ramped("20000").unwrap_err().remedy.contains("ramp"));
    }

    #[test]
    fn a_cap_that_no_command_reaches_leaves_no_level() {
        let plan = planned(&SHEET.replace("[cap]\nrpm = 1800", "[cap]\nrpm = 2400")).unwrap();
        assert!(plan.cap_runs.iter().all(Result::is_err), "{:?}", plan.cap_runs);
    }
}
