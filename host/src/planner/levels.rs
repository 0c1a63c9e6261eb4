//! Levels: how far and how fast each may go on this axis.

use core::f64::consts::TAU;

use proofstand_units::{Percent, RadPerSec, RadPerSec2, Rpm, Seconds, Turns, Volts};

use super::{AxisNumbers, CannotPlan, HoldGains};
use crate::targets::{TURN_ROUND_SHARE, WINDOW_SAMPLES, WINDOW_TURNS};

/// Bandwidth of the speed hold: as slow as the rotor allows, so that no axis makes it swing.
const HOLD_HZ: (f64, f64) = (4.0, 10.0);
/// When the shaft breaks away, the torque it took is more than running takes; until the loop has answered, the speed
/// may rise by this much.
const BREAKAWAY_SURGE: Rpm = Rpm::new(50.0);
/// The speed hold may use this share of rated torque, or what friction needs if that is more.
const HOLD_PERCENT: f64 = 10.0;
/// The window of a reversal's fit, as shares of the turn-round speed. Around zero friction changes its sign; near
/// the turn-round the torque is still building up.
pub(super) const WINDOW: (f64, f64) = (0.25, 0.85);
/// Reversals at each level.
const CYCLES: u8 = 4;
/// How long the held speed at the cap is measured.
pub(super) const CAP_WINDOW: Seconds = Seconds::new(0.4);

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

/// A reversal level of the command scale.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct ReversalLevel {
    /// Share of rated torque.
    pub level: Percent,
    /// The command for it, either sign.
    pub command: Volts,
    /// The command turns round when this speed is crossed.
    pub turn_round: Rpm,
    /// Speeds between which accelerations are fitted, either sign.
    pub window: (Rpm, Rpm),
    /// Reversals (from +V to −V and back).
    pub cycles: u8,
    /// One cycle's time.
    pub cycle_time: Seconds,
    /// How far the shaft turns one way.
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

pub(super) fn cap_runs(axis: &AxisNumbers) -> Vec<Result<CapRun, CannotPlan>> {
    // Even a scale that is half of what it should be still moves the shaft.
    let lowest = Percent::new(5.0).max(axis.breakaway * 2.2);
    [1.0, 2.0, 4.0].into_iter().map(|times| cap_run(axis, lowest * times)).collect()
}

fn cap_run(axis: &AxisNumbers, level: Percent) -> Result<CapRun, CannotPlan> {
    within_reaction(axis, level)?;
    within_energy(axis, axis.cap)?;
    let driving = axis.acceleration(axis.torque_at(level) - axis.friction());
    let run_up = Seconds::new(axis.cap.to_rad_per_sec().get() / driving.get());
    let settle = Seconds::new((20.0 * axis.lag.get()).max(0.4));
    let held = run_up + settle + CAP_WINDOW;
    let turns = Turns::new(axis.cap.get() / 60.0 * (held.get() + 1.0));
    let patience = run_up * 4.0 + Seconds::new(2.0);
    Ok(CapRun { level, command: axis.volts_for(level), run_up, patience, settle, window: CAP_WINDOW, turns })
}

/// Plans a reversal at a share of rated torque.
pub(super) fn reversal(axis: &AxisNumbers, level: Percent) -> Result<ReversalLevel, CannotPlan> {
    let torque = axis.torque_at(level);
    if torque <= axis.friction() * 1.15 {
        return Err(CannotPlan {
            why: format!(
                "{:.0} % of rated torque is not safely above breakaway (up to {:.1} %)",
                level.get(),
                axis.breakaway.get()
            ),
            remedy: "a higher level, or a lower bound of breakaway in the sheet if the shaft really turns more easily"
                .to_owned(),
        });
    }
    within_reaction(axis, level)?;
    let turn_round = axis.cap * TURN_ROUND_SHARE;
    within_energy(axis, turn_round)?;
    let braking = axis.acceleration(torque + axis.friction());
    let driving = axis.acceleration(torque - axis.friction());
    let speed = turn_round.to_rad_per_sec();
    let (low, high) = (speed * WINDOW.0, speed * WINDOW.1);
    enough_samples(axis, level, low, high, braking)?;
    let over = |a: RadPerSec2| speed.get() / a.get();
    Ok(ReversalLevel {
        level,
        command: axis.volts_for(level),
        turn_round,
        window: (turn_round * WINDOW.0, turn_round * WINDOW.1),
        cycles: CYCLES,
        cycle_time: Seconds::new(2.0 * (over(braking) + over(driving))),
        turns: Turns::new(0.5 * speed.get() * (over(braking) + over(driving)) / TAU),
    })
}

/// The fastest passage of the window must still give enough samples over enough of a turn, once the torque has built
/// up after the turn-round.
fn enough_samples(
    axis: &AxisNumbers,
    level: Percent,
    low: RadPerSec,
    high: RadPerSec,
    braking: RadPerSec2,
) -> Result<(), CannotPlan> {
    let passage = (high.get() - low.get()) / braking.get();
    let turn = high.get() / WINDOW.1;
    let build_up = (turn - high.get()) / braking.get();
    let lost = (5.0 * axis.lag.get() - build_up).max(0.0);
    let samples = (passage - lost) * 1000.0;
    let turns = (high.get().powi(2) - low.get().powi(2)) / (2.0 * braking.get()) / TAU;
    let remedy = || "a disc of known inertia on the shaft, a lower level, or a higher cap".to_owned();
    if samples < WINDOW_SAMPLES {
        return Err(CannotPlan {
            why: format!(
                "at {:.0} % the rotor passes the measuring window in {:.1} ms, of which {:.1} ms go to the amplifier's \
                 lag: {:.0} samples of the {WINDOW_SAMPLES:.0} needed",
                level.get(),
                passage * 1e3,
                lost * 1e3,
                samples.max(0.0)
            ),
            remedy: remedy(),
        });
    }
    if turns < WINDOW_TURNS {
        return Err(CannotPlan {
            why: format!(
                "at {:.0} % the measuring window is {turns:.2} turn, of which {WINDOW_TURNS} are needed for cogging to \
                 average out",
                level.get()
            ),
            remedy: remedy(),
        });
    }
    Ok(())
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
