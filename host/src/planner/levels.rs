//! Levels: how far and how fast each may go on this axis.

use core::f64::consts::TAU;

use proofstand_units::{Percent, Rpm, Seconds, Turns, Volts};

use super::{AxisNumbers, CannotPlan, HoldGains};
use crate::targets::cap_levels;

/// Bandwidth of the speed hold: as slow as the rotor allows, so that no axis makes it swing.
const HOLD_HZ: (f64, f64) = (4.0, 10.0);
/// When the shaft breaks away, the torque it took is more than running takes; until the loop has answered, the speed
/// may rise by this much.
const BREAKAWAY_SURGE: Rpm = Rpm::new(50.0);
/// The speed hold may use this share of rated torque, or what friction needs if that is more.
const HOLD_PERCENT: f64 = 10.0;
/// And this share at working speeds (common practice, no source).
const FAST_HOLD_PERCENT: f64 = 20.0;
/// How long the held speed at the cap is measured.
pub(super) const CAP_WINDOW: Seconds = Seconds::new(0.4);

/// The limiter's time to settle begins at this share of the cap: a cap that droops further never gets there.
pub const NEAR_THE_CAP: f64 = 0.9;
/// What is left of the way to the cap from there takes so much of the run-up's time. With half as much again: drag grows
/// with speed.
pub(super) const LEFT_OF_RUN_UP: f64 = 1.5 * (1.0 - NEAR_THE_CAP);

/// A run into the cap and back.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct CapRun {
    /// Share of rated torque; with a speed command, share of the cap.
    pub level: Percent,
    /// The command for it.
    pub command: Volts,
    /// Time until the cap is reached, friction at its bound.
    pub run_up: Seconds,
    /// Time after which the level is given up. A scale that is half of what it should be still gets there, where friction is
    /// well below its bound; elsewhere the next level does.
    pub patience: Seconds,
    /// Time that the limiter is given to settle.
    pub settle: Seconds,
    /// Time over which the held speed is measured after that.
    pub window: Seconds,
    /// How far the shaft turns in all.
    pub turns: Turns,
}

/// Share of rated torque that the speed hold may use.
fn hold_share(breakaway: Percent) -> Percent {
    Percent::new(HOLD_PERCENT).max(breakaway * 2.0)
}

/// Share of rated torque that the first motions' ramps may come to: even a scale that is half of what it should be still
/// moves the shaft.
pub(super) fn nudge_share(breakaway: Percent) -> Percent {
    Percent::new(2.0).max(breakaway * 2.2)
}

/// The largest torque of any motion below the gate.
pub(super) fn largest_below_the_gate(breakaway: Percent) -> Percent {
    hold_share(breakaway).max(nudge_share(breakaway))
}

pub(super) fn hold_gains(axis: &AxisNumbers) -> HoldGains {
    let surge = axis.acceleration(axis.friction() - axis.running_friction).get().max(0.0);
    let bandwidth = (surge / BREAKAWAY_SURGE.to_rad_per_sec().get()).clamp(TAU * HOLD_HZ.0, TAU * HOLD_HZ.1);
    // PI on an inertia: proportional from the bandwidth; so little integral that the loop does not swing even where the
    // counts are a quarter of what they should be, and its gain with them.
    let per_rpm =
        axis.inertia.get() * bandwidth * Rpm::new(1.0).to_rad_per_sec().get() / axis.torque_per_volt().get();
    let microvolts = (per_rpm * 1e6).round().clamp(1.0, f64::from(u32::MAX));
    let integral = (per_rpm * 1e6 * bandwidth / 10.0).round().clamp(1.0, f64::from(u32::MAX));
    let share = hold_share(axis.breakaway);
    HoldGains {
        microvolts_per_rpm: microvolts as u32,
        microvolts_per_rpm_second: integral as u32,
        bound: axis.volts_for(share),
    }
}

/// For speeds that come after the cap is proven: no faster a loop, but quicker there and back, where the rotor allows it.
pub(super) fn fast_hold_gains(axis: &AxisNumbers) -> HoldGains {
    let gains = hold_gains(axis);
    let share = Percent::new(FAST_HOLD_PERCENT);
    match within_reaction(axis, share) {
        Ok(()) => HoldGains { bound: gains.bound.max(axis.volts_for(share)), ..gains },
        Err(_) => gains,
    }
}

pub(super) fn cap_runs(axis: &AxisNumbers) -> Vec<Result<CapRun, CannotPlan>> {
    cap_levels(axis.breakaway).into_iter().map(|level| cap_run(axis, level)).collect()
}

fn cap_run(axis: &AxisNumbers, level: Percent) -> Result<CapRun, CannotPlan> {
    within_reaction(axis, level)?;
    within_energy(axis, axis.cap)?;
    let driving = axis.acceleration(axis.torque_at(level) - axis.friction());
    let run_up = Seconds::new(axis.cap.to_rad_per_sec().get() / driving.get());
    let settle = Seconds::new((20.0 * axis.lag.get()).max(0.4)) + run_up * LEFT_OF_RUN_UP;
    let held = run_up + settle + CAP_WINDOW;
    let turns = Turns::new(axis.cap.get() / 60.0 * (held.get() + 1.0));
    let patience = run_up * 4.0 + Seconds::new(2.0);
    Ok(CapRun { level, command: axis.volts_for(level), run_up, patience, settle, window: CAP_WINDOW, turns })
}

pub(super) fn within_reaction(axis: &AxisNumbers, level: Percent) -> Result<(), CannotPlan> {
    let after = axis.speed_after_trip(axis.trip, level);
    if after <= axis.mechanical_maximum {
        return Ok(());
    }
    Err(CannotPlan {
        why: format!(
            "at {:.0} % of rated torque, and twice that if the scale is wrong, the rotor would reach {:.0} rpm before \
             the trip at {:.0} rpm takes effect ({:.0} ms); its highest mechanical speed is {:.0} rpm",
            level.get(),
            after.get(),
            axis.trip.get(),
            axis.reaction.to_millis(),
            axis.mechanical_maximum.get()
        ),
        remedy: "a lower level, a lower cap, or a disc of known inertia on the shaft".to_owned(),
    })
}

pub(super) fn within_energy(axis: &AxisNumbers, speed: Rpm) -> Result<(), CannotPlan> {
    let energy = 0.5 * axis.inertia.get() * speed.to_rad_per_sec().get().powi(2);
    match axis.braking_energy {
        Some(limit) if energy > limit.get() => Err(CannotPlan {
            why: format!(
                "braking from {:.0} rpm puts {energy:.1} J back into the amplifier, which can take {:.1} J",
                speed.get(),
                limit.get()
            ),
            remedy: "a brake resistor, a lower cap, or less added inertia".to_owned(),
        }),
        _ => Ok(()),
    }
}
