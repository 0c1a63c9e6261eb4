//! A command that alternates about a working speed, for the step response.
//!
//! The shaft first turns, so that friction never changes its sign; then every change of the command is a step of the
//! torque that positions show.

use core::f64::consts::TAU;

use proofstand_units::{Percent, RadPerSec, Rpm, Seconds, Turns, Volts};

use super::levels::{within_energy, within_reaction};
use super::{AxisNumbers, CannotPlan};

/// Levels that are tried, the one that shows more first.
const LEVELS: [f64; 2] = [15.0, 10.0];
/// The command is held for so many of the amplifier's time constants: settled, with as much left to look at.
const HALF_LAGS: f64 = 12.0;
/// Shortest and longest time that it is held, in milliseconds.
const HALF_MS: (f64, f64) = (10.0, 40.0);
/// How long it alternates at least, in milliseconds: a burst of positions and what the host takes to order it.
const ALTERNATES_MS: f64 = 130.0;
/// Speed at which it begins, as a share of the cap.
const BEGIN_SHARE: f64 = 0.4;
/// The speed keeps at least this share of where it began.
const KEPT_SHARE: f64 = 0.25;

/// A planned alternation.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Alternation {
    /// Share of rated torque, either sign.
    pub level: Percent,
    /// The command for it, either sign.
    pub command: Volts,
    /// It begins to alternate at this speed.
    pub begin: Rpm,
    /// How long each command is held.
    pub half: Seconds,
    /// How often it changes.
    pub halves: u8,
    /// Time until it begins, friction at its bound.
    pub run_up: Seconds,
    /// How far the shaft turns in all.
    pub turns: Turns,
}

/// Plans an alternation.
///
/// # Errors
/// [`CannotPlan`] if the amplifier is too slow for it, or the rotor too quick.
pub fn alternation(axis: &AxisNumbers) -> Result<Alternation, CannotPlan> {
    let wanted = axis.lag.to_millis() * HALF_LAGS;
    if wanted > HALF_MS.1 {
        return Err(CannotPlan {
            why: format!(
                "with time constants of {:.1} ms together, a torque takes longer to settle than the command is held ({:.0} \
                 ms)",
                axis.lag.to_millis(),
                HALF_MS.1
            ),
            remedy: "shorter filters in the amplifier while it is accepted".to_owned(),
        });
    }
    let half = Seconds::from_millis(wanted.clamp(HALF_MS.0, HALF_MS.1).ceil());
    let planned: Vec<_> = LEVELS.iter().map(|l| at_level(axis, Percent::new(*l), half)).collect();
    let refused = planned.iter().find_map(|p| p.as_ref().err().cloned());
    planned.into_iter().find_map(Result::ok).ok_or_else(|| {
        refused.unwrap_or(CannotPlan {
            why: "no level fits".to_owned(),
            remedy: "a disc on the shaft".to_owned(),
        })
    })
}

fn at_level(axis: &AxisNumbers, level: Percent, half: Seconds) -> Result<Alternation, CannotPlan> {
    within_reaction(axis, level)?;
    let begin = axis.cap * BEGIN_SHARE;
    within_energy(axis, begin)?;
    let torque = axis.torque_at(level);
    let driving = axis.acceleration(torque - axis.friction()).get();
    if driving <= 0.0 {
        return Err(CannotPlan {
            why: format!("{:.0} % of rated torque does not get the shaft to turn", level.get()),
            remedy: "a lower bound of breakaway in the sheet, if the shaft really turns more easily"
                .to_owned(),
        });
    }
    let halves = (ALTERNATES_MS / half.to_millis()).ceil();
    let swing = axis.acceleration(torque).get() * half.get();
    let drift = axis.acceleration(axis.friction()).get() * half.get() * halves;
    let speed = begin.to_rad_per_sec().get();
    if swing + drift > speed * (1.0 - KEPT_SHARE) {
        return Err(CannotPlan {
            why: format!(
                "±{:.0} % of rated torque for {:.0} ms each swing this rotor by {:.0} rpm, and friction takes up to {:.0} \
                 rpm meanwhile: too much at {:.0} rpm",
                level.get(),
                half.to_millis(),
                RadPerSec::new(swing).to_rpm().get(),
                RadPerSec::new(drift).to_rpm().get(),
                begin.get()
            ),
            remedy: "a disc of known inertia on the shaft, or a higher cap".to_owned(),
        });
    }
    let run_up = speed / driving;
    let alternates = half.get() * halves;
    let braking = speed / driving;
    Ok(Alternation {
        level,
        command: axis.volts_for(level),
        begin,
        half,
        halves: halves as u8,
        run_up: Seconds::new(run_up),
        turns: Turns::new(speed * (0.5 * run_up + alternates + 0.5 * braking) / TAU),
    })
}
