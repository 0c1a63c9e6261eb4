//! Reversals: how fast the shaft turns round, and how often.

use core::f64::consts::TAU;

use proofstand_units::{Percent, RadPerSec, RadPerSec2, Rpm, Seconds, Turns, Volts};

use super::levels::{within_energy, within_reaction};
use super::{AxisNumbers, CannotPlan};
use crate::metrology::DegreesOfFreedom;
use crate::metrology::student::t_quantile;
use crate::targets::{TURN_ROUND_SHARE, WINDOW_SAMPLES, WINDOW_TURNS};

/// The window of a reversal's fit, as shares of the turn-round speed. Around zero friction changes its sign; near
/// the turn-round the torque is still building up.
pub(super) const WINDOW: (f64, f64) = (0.25, 0.85);
/// Turns in the shortest window from which on a faster turn-round shows nothing more (common practice, no source).
const WANTED_TURNS: f64 = 1.5;
/// Reversals at a level: two tell a scatter at all.
const CYCLES_LEAST: u8 = 2;
const CYCLES_MOST: u8 = 4;
/// The torque of a level is to repeat within this, expanded at 95 %.
const REPEATABLE: Percent = Percent::new(0.1);
/// Cogging, in percent of rated torque, and its periods in a turn (common practice, no source).
const COGGING: Percent = Percent::new(1.0);
const COGGING_PER_TURN: f64 = 6.0;

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
    /// What a single reversal's torque is expected to scatter by, as a share of it: one standard deviation.
    pub scatter: Percent,
    /// One cycle's time.
    pub cycle_time: Seconds,
    /// How far the shaft turns one way.
    pub turns: Turns,
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
    let braking = axis.acceleration(torque + axis.friction());
    let driving = axis.acceleration(torque - axis.friction());
    let turn_round = turn_round(axis, braking);
    within_energy(axis, turn_round)?;
    let speed = turn_round.to_rad_per_sec();
    let (low, high) = (speed * WINDOW.0, speed * WINDOW.1);
    enough_samples(axis, level, low, high, braking)?;
    let over = |a: RadPerSec2| speed.get() / a.get();
    let scatter = scatter(axis, level, low, high);
    Ok(ReversalLevel {
        level,
        command: axis.volts_for(level),
        turn_round,
        window: (turn_round * WINDOW.0, turn_round * WINDOW.1),
        cycles: cycles(scatter),
        scatter,
        cycle_time: Seconds::new(2.0 * (over(braking) + over(driving))),
        turns: Turns::new(0.5 * speed.get() * (over(braking) + over(driving)) / TAU),
    })
}

/// As fast as the cap allows, but no faster than it takes to see enough of a turn in the shortest window.
fn turn_round(axis: &AxisNumbers, braking: RadPerSec2) -> Rpm {
    let shares = WINDOW.1.powi(2) - WINDOW.0.powi(2);
    let enough = RadPerSec::new((2.0 * braking.get() * TAU * WANTED_TURNS / shares).sqrt());
    (axis.cap * TURN_ROUND_SHARE).min(enough.to_rpm())
}

/// What one reversal's torque scatters by: counts in its four windows, and what cogging leaves in them.
///
/// Curvature of a quadratic least-squares fit to n even samples over τ: `u(α) = u(θ)·√(720/n)/τ²`; the torque is the mean
/// of four. The same fit weighs accelerations over the window by `(15/16)·(1−s²)²`: of a ripple with phase `k·s` it leaves
/// at most `15/k³`, by two integrations by parts.
fn scatter(axis: &AxisNumbers, level: Percent, low: RadPerSec, high: RadPerSec) -> Percent {
    let alpha = axis.acceleration(axis.torque_at(level)).get();
    let passage = (high.get() - low.get()) / alpha;
    let samples = (passage * 1000.0).max(1.0);
    let place = TAU / f64::from(axis.counts_per_rev.get()) / 12f64.sqrt();
    let counts = place * (720.0 / samples).sqrt() / passage.powi(2) / alpha / 2.0;
    let turns = (high.get().powi(2) - low.get().powi(2)) / (2.0 * alpha) / TAU;
    let phase = 0.5 * TAU * turns * COGGING_PER_TURN;
    let cogging = COGGING / level * (15.0 / phase.powi(3)).min(1.0) / core::f64::consts::SQRT_2;
    Percent::new(100.0 * counts.hypot(cogging))
}

/// The fewest reversals whose mean is expected to be known well enough.
fn cycles(scatter: Percent) -> u8 {
    let expanded = |n: u8| {
        let t = t_quantile(0.975, DegreesOfFreedom::of_fit(usize::from(n), 1));
        t * scatter.get() / f64::from(n).sqrt()
    };
    (CYCLES_LEAST..CYCLES_MOST).find(|n| expanded(*n) <= REPEATABLE.get()).unwrap_or(CYCLES_MOST)
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

#[cfg(test)]
mod tests {
    use super::*;
    use crate::checks::tests::with_film_winder;

    #[test]
    fn long_windows_need_two_reversals_and_short_ones_more() {
        // t(1) = 12.71, t(2) = 4.30 (JCGM 100:2008, table G.2, 95 %): two do up to 0.1·√2/12.71 = 0.0111 %, three up to
        // 0.1·√3/4.30 = 0.0403 %.
        assert_eq!(cycles(Percent::new(0.0110)), 2);
        assert_eq!(cycles(Percent::new(0.0112)), 3);
        assert_eq!(cycles(Percent::new(0.0402)), 3);
        assert_eq!(cycles(Percent::new(0.0404)), 4);
        assert_eq!(cycles(Percent::new(5.0)), 4);
    }

    #[test]
    fn low_levels_turn_round_as_soon_as_they_have_seen_enough_of_a_turn() {
        with_film_winder(|context| {
            let axis = &context.motion.axis;
            let level = |percent: f64| reversal(axis, Percent::new(percent)).unwrap();
            let turns = |l: &ReversalLevel| {
                let (low, high) = (l.window.0.to_rad_per_sec().get(), l.window.1.to_rad_per_sec().get());
                let braking = axis.acceleration(axis.torque_at(l.level) + axis.friction()).get();
                (high * high - low * low) / (2.0 * braking) / TAU
            };
            let (low, high) = (level(5.0), level(30.0));
            assert!((turns(&low) - WANTED_TURNS).abs() < 1e-9, "{low:?}");
            assert!(low.turn_round < high.turn_round, "{low:?} {high:?}");
            assert!(turns(&high) >= WINDOW_TURNS, "{high:?}");
            assert!(high.turn_round <= axis.cap * TURN_ROUND_SHARE);
        });
    }
}
