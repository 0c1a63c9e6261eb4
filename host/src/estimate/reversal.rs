//! Torque per volt without a torque transducer: reversal between +V and −V past the same speeds.
//!
//! With T = G·V at the shaft, friction F(ω) and inertia J, four accelerations are met at the same |ω|: α₁(+V, +ω),
//! α₂(−V, +ω), α₃(+V, −ω), α₄(−V, −ω). At one speed and direction friction is the same whatever the command, so
//! `G·V = J·(α₁−α₂)/2 = J·(α₃−α₄)/2` is free of friction of any form and of any offset. Only if friction is the same
//! both ways do `J·(α₁+α₂+α₃+α₄)/4` give the offset torque (a load such as gravity looks like it) and
//! `J·((α₃+α₄)−(α₁+α₂))/4` the drag at that speed. A pair gives the mean gain of both signs, not one for each.

use proofstand_protocol::message::Sample;
use proofstand_units::{CountsPerRev, KilogramSquareMetres, NewtonMetresPerVolt, Rpm, Seconds, Volts};

use super::acceleration::{AccelerationEstimate, Shape, acceleration_at_speed};
use super::cycle::{Cycle, CycleMean};
use super::error::EstimateError;
use super::speed::local_speeds;
use super::track::{SegmentRun, segments, signed_micros};

/// Filter time constants to leave out after a change of command: e⁻⁵ of the change, 0.7 %, is then still to come, and
/// fades through the window.
pub const SETTLING_TIME_CONSTANTS: f64 = 5.0;

/// Where accelerations are taken.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct ReversalWindow {
    /// Lower end, as a magnitude; well above zero, where friction changes its sign.
    pub low: Rpm,
    /// Upper end, as a magnitude; below the turn-round by what the settling takes.
    pub high: Rpm,
    /// Time left out after the command has reached its value: [`SETTLING_TIME_CONSTANTS`] of the slowest filter.
    pub settle: Seconds,
    /// How the position is taken to run.
    pub shape: Shape,
    /// Samples of the short windows by which the speed is found. An odd number, 7 to 15.
    pub smoothing: usize,
}

impl ReversalWindow {
    /// The common speed, as a magnitude: the middle of the window.
    #[must_use]
    pub fn middle(&self) -> Rpm {
        (self.low + self.high) * 0.5
    }
}

/// What the reversals at one level come to.
#[derive(Debug, Clone, PartialEq)]
pub struct ReversalEstimate {
    /// The common speed, as a magnitude.
    pub speed: Rpm,
    /// Half the difference of the read-back commands: what the gain belongs to.
    pub level: Volts,
    /// Half the sum of the read-back commands: the part of the offset that the fixture itself made.
    pub level_offset: Volts,
    /// The reversals.
    pub cycles: Vec<Cycle>,
    /// Segments of constant command that belong to no full reversal: the first one from rest, one cut short.
    pub passed_over: usize,
    /// Acceleration by the command alone; times J it is G·V.
    pub gain: CycleMean,
    /// The same from positive speeds only.
    pub gain_forward: CycleMean,
    /// The same from negative speeds only; a difference to the other is a fault of the method, not of the amplifier.
    pub gain_backward: CycleMean,
    /// Acceleration by offset and load, if friction is the same both ways.
    pub offset: CycleMean,
    /// Deceleration by friction at the common speed, if it is the same both ways.
    pub drag: CycleMean,
}

impl ReversalEstimate {
    /// Torque per volt for an inertia.
    #[must_use]
    pub fn torque_per_volt(&self, inertia: KilogramSquareMetres) -> NewtonMetresPerVolt {
        NewtonMetresPerVolt::new(self.gain.torque(inertia).get() / self.level.get())
    }
}

/// Evaluates a record of segments of constant command, alternately +V and −V, that turn round beyond the window.
///
/// Segments of changing or no command are passed over, and so is the first one, which starts from rest. A segment that
/// belongs to no full reversal is left out; if there is no full reversal at all, the reason is given.
///
/// # Errors
/// No full reversal; a window that no segment passes; a window too short for the fit; a damaged record.
pub fn reversal(
    samples: &[Sample],
    counts_per_rev: CountsPerRev,
    window: &ReversalWindow,
) -> Result<ReversalEstimate, EstimateError> {
    let mut halves = Vec::new();
    let (mut constant, mut why_not) = (0, None);
    for run in segments(samples) {
        match half(&run, counts_per_rev, window) {
            Ok(Some(half)) => {
                constant += 1;
                halves.push(Some(half));
            }
            Ok(None) => halves.push(None),
            Err(error) => {
                // The first segment starts from rest and the last may be cut short: only if nothing is left does a
                // reason matter, and then the latest full segment's.
                constant += 1;
                why_not = Some(error);
                halves.push(None);
            }
        }
    }
    let usable = halves.iter().flatten().count();
    let mut cycles = Vec::new();
    let mut next = 0;
    while next + 1 < halves.len() {
        match (&halves[next], &halves[next + 1]) {
            (Some(a), Some(b)) if a.command.get() * b.command.get() < 0.0 => {
                cycles.push(cycle(a, b));
                next += 2;
            }
            _ => next += 1,
        }
    }
    if cycles.is_empty() {
        return Err(why_not.unwrap_or(EstimateError::NoReversal { segments: usable }));
    }
    let n = cycles.len() as f64;
    let plus = cycles.iter().map(|c| c.plus_command.get()).sum::<f64>() / n;
    let minus = cycles.iter().map(|c| c.minus_command.get()).sum::<f64>() / n;
    // All four fits count with 1/4 in gain, offset and drag; two of them with 1/2 in the one-sided gains, which is √2
    // times as much when all are alike.
    let root_two = core::f64::consts::SQRT_2;
    Ok(ReversalEstimate {
        speed: window.middle(),
        level: Volts::new((plus - minus) / 2.0),
        level_offset: Volts::new((plus + minus) / 2.0),
        gain: CycleMean::of(&cycles, Cycle::gain, 1.0),
        gain_forward: CycleMean::of(&cycles, Cycle::gain_forward, root_two),
        gain_backward: CycleMean::of(&cycles, Cycle::gain_backward, root_two),
        offset: CycleMean::of(&cycles, Cycle::offset, 1.0),
        drag: CycleMean::of(&cycles, Cycle::drag, 1.0),
        passed_over: constant - 2 * cycles.len(),
        cycles,
    })
}

/// One segment of constant command.
struct Half {
    command: Volts,
    forward: AccelerationEstimate,
    backward: AccelerationEstimate,
}

fn cycle(a: &Half, b: &Half) -> Cycle {
    let (plus, minus) = if a.command.get() > 0.0 { (a, b) } else { (b, a) };
    Cycle {
        plus_forward: plus.forward,
        minus_forward: minus.forward,
        plus_backward: plus.backward,
        minus_backward: minus.backward,
        plus_command: plus.command,
        minus_command: minus.command,
    }
}

fn half(
    run: &SegmentRun<'_>,
    counts_per_rev: CountsPerRev,
    window: &ReversalWindow,
) -> Result<Option<Half>, EstimateError> {
    let Some(last) = run.samples.last() else { return Ok(None) };
    // A ramp at the beginning is left out; what holds to the end counts.
    let held = run.samples.iter().rposition(|s| s.command != last.command).map_or(0, |i| i + 1);
    let held = &run.samples[held..];
    if last.command.0 == 0 || held.len() < run.samples.len() / 2 || held.len() < window.smoothing.max(3) {
        return Ok(None);
    }
    let Some(first) = held.first() else { return Ok(None) };
    let settled = held.partition_point(|s| 1e-6 * signed_micros(s.at, first.at) < window.settle.get());
    let settled = &held[settled..];
    let not_passed = || EstimateError::SpeedNotPassed {
        start_us: first.at.0,
        low_rpm: window.low.get(),
        high_rpm: window.high.get(),
        settle_ms: window.settle.to_millis(),
    };
    if settled.len() < window.smoothing.max(3) {
        return Err(not_passed());
    }
    let speeds = local_speeds(settled, counts_per_rev, window.smoothing, 1)?;
    let lead = window.smoothing.max(3) / 2;
    let at_speed = |sign: f64| -> Result<AccelerationEstimate, EstimateError> {
        let inside = |speed: Rpm| (window.low.get()..=window.high.get()).contains(&(sign * speed.get()));
        let from = speeds.iter().position(|s| inside(s.speed)).ok_or_else(not_passed)?;
        let to = speeds.iter().rposition(|s| inside(s.speed)).ok_or_else(not_passed)?;
        let part = &settled[from + lead..=to + lead];
        let middle = window.middle() * sign;
        acceleration_at_speed(part, counts_per_rev, window.shape, middle)?.ok_or_else(not_passed)
    };
    // The first read-back may still be of the command before.
    let read = settled.get(1..).unwrap_or(settled);
    let command = read.iter().map(|s| f64::from(s.readback.0) * 1e-6).sum::<f64>() / read.len() as f64;
    Ok(Some(Half { command: Volts::new(command), forward: at_speed(1.0)?, backward: at_speed(-1.0)? }))
}

#[cfg(test)]
mod tests {
    use super::super::synthetic::{Motor, reversals};
    use super::*;
    use crate::metrology::reference::{number, toml};
    use proofstand_units::RadPerSec;

    const CPR: CountsPerRev = CountsPerRev::new(10_000);

    fn window(low: f64, high: f64, settle_ms: f64) -> ReversalWindow {
        let rpm = |omega: f64| RadPerSec::new(omega).to_rpm();
        ReversalWindow {
            low: rpm(low),
            high: rpm(high),
            settle: Seconds::from_millis(settle_ms),
            shape: Shape::Cubic,
            smoothing: 9,
        }
    }

    const MOTOR: Motor =
        Motor { inertia: 1.25e-3, gain: 0.08, offset: 0.0, coulomb: 0.02, viscous: 0.0, lag: 0.0 };

    #[test]
    fn coulomb_friction_cancels_in_the_cases_worked_by_hand() {
        // Source: tests/reference/mechanics-examples.toml, coulomb_cancellation (closed form): +T then −T past the same
        // speed. From those two accelerations the torque and the friction come back; ignoring friction does not do.
        let file = toml("mechanics-examples.toml");
        for case in file["coulomb_cancellation"]["case"].as_array().unwrap() {
            let of = |key: &str| number(&case[key]);
            let (j, torque, friction) = (of("J_kg_m2"), of("T_N_m"), of("Tf_N_m"));
            let motor = Motor { inertia: j, gain: torque, coulomb: friction, ..MOTOR };
            let samples = reversals(motor, 1.0, 130.0, 6, CPR);
            let got = reversal(&samples, CPR, &window(30.0, 110.0, 0.0)).unwrap();
            let inertia = KilogramSquareMetres::new(j);
            for (c, a) in got.cycles.iter().flat_map(|c| {
                [(of("alpha_acc_rad_s2"), c.plus_forward), (of("alpha_dec_rad_s2"), c.minus_forward)]
            }) {
                assert!((a.acceleration.get() / c - 1.0).abs() < 2e-3, "{a:?} {c}");
            }
            assert!((got.gain.torque(inertia).get() / torque - 1.0).abs() < 1e-3);
            assert!((got.drag.torque(inertia).get() / friction - 1.0).abs() < 1e-2);
            let naive = torque / got.cycles[0].plus_forward.acceleration.get();
            assert!((naive / of("J_naive") - 1.0).abs() < 2e-3);
        }
    }

    #[test]
    fn gain_offset_and_drag_come_back_from_lag_friction_and_whole_counts() {
        // Closed form: at |ω| the command gives G·V/J, an offset V₀ gives G·V₀/J, friction (Tc + B·ω)/J.
        let motor = Motor { offset: 0.12, viscous: 2e-4, lag: 1.0e-3, ..MOTOR };
        let (level, window) = (3.0, window(40.0, 120.0, 6.0));
        let samples = reversals(motor, level, 160.0, 9, CPR);
        let got = reversal(&samples, CPR, &window).unwrap();
        let j = KilogramSquareMetres::new(motor.inertia);
        assert_eq!((got.cycles.len(), got.passed_over), (4, 1));
        assert!((got.level.get() - level).abs() < 1e-9 && got.level_offset.get().abs() < 1e-9);
        // What a cubic can't follow: α fades as e^(−B·t/J), which falsifies it by (h·B/J)²/14 over a window ±h.
        let h = 40.0 * motor.inertia / (motor.gain * level - motor.coulomb);
        let cubic = (h * motor.viscous / motor.inertia).powi(2) / 14.0 * motor.gain * level;
        let within = |mean: &CycleMean, want: f64, name: &str| {
            let error = mean.torque(j).get() - want;
            let u = mean.standard_uncertainty.get() * j.get();
            assert!(error.abs() < 4.0 * u + 1.5 * cubic, "{name}: {error} beside u = {u} and {cubic}");
            assert!(u + cubic < 1e-3 * motor.gain * level, "{name}: u = {u} and {cubic} say nothing");
        };
        within(&got.gain, motor.gain * level, "gain");
        within(&got.gain_forward, motor.gain * level, "gain forward");
        within(&got.gain_backward, motor.gain * level, "gain backward");
        within(&got.offset, motor.gain * motor.offset, "offset");
        within(&got.drag, motor.coulomb + motor.viscous * 80.0, "drag");
        assert!((got.torque_per_volt(j).get() / motor.gain - 1.0).abs() < 5e-3);
    }

    #[test]
    fn counts_that_run_the_other_way_turn_the_sign_of_the_gain() {
        let mut samples = reversals(MOTOR, 2.0, 160.0, 5, CPR);
        samples.iter_mut().for_each(|s| s.position.0 = -s.position.0);
        let got = reversal(&samples, CPR, &window(40.0, 120.0, 0.0)).unwrap();
        let want = -MOTOR.gain * 2.0 / MOTOR.inertia;
        assert!((got.gain.mean.get() / want - 1.0).abs() < 5e-3, "{:?}", got.gain);
        assert!((got.drag.mean.get() * MOTOR.inertia / MOTOR.coulomb - 1.0).abs() < 0.05, "{:?}", got.drag);
    }

    #[test]
    fn without_settling_a_slow_filter_falsifies_the_gain() {
        // The control of the settling rule: with no time left out the window after the turn-round is still partly under
        // the old command.
        let motor = Motor { inertia: 1e-4, lag: 6e-3, ..MOTOR };
        let samples = reversals(motor, 3.0, 130.0, 7, CPR);
        let j = KilogramSquareMetres::new(motor.inertia);
        let error = |settle: f64, low: f64, high: f64| {
            let got = reversal(&samples, CPR, &window(low, high, settle)).unwrap();
            (got.gain.torque(j).get() / 0.24 - 1.0).abs()
        };
        let (hasty, patient) = (error(0.0, 60.0, 125.0), error(30.0, 20.0, 90.0));
        assert!(hasty > 0.01 && patient < 0.003, "{hasty} {patient}");
    }

    #[test]
    fn a_window_that_is_not_passed_is_refused_with_its_numbers() {
        let samples = reversals(MOTOR, 2.0, 100.0, 5, CPR);
        let error = reversal(&samples, CPR, &window(110.0, 150.0, 0.0)).unwrap_err();
        assert!(matches!(error, EstimateError::SpeedNotPassed { .. }), "{error}");
        assert!(matches!(
            reversal(&[], CPR, &window(1.0, 2.0, 0.0)),
            Err(EstimateError::NoReversal { segments: 0 })
        ));
        // One command only: no reversal.
        let one = reversals(MOTOR, 2.0, 160.0, 1, CPR);
        assert!(reversal(&one, CPR, &window(40.0, 120.0, 0.0)).is_err());
    }

    #[test]
    fn the_stated_uncertainty_covers_the_error_over_many_runs() {
        // Held against known torque: 60 runs of two reversals each at slightly different levels, so that counts and
        // samples fall differently; the root mean square of error over stated uncertainty is about 1.
        let (mut ratio, runs) = (0.0, 60);
        for run in 0..runs {
            let level = 4.0 + 0.003 * f64::from(run);
            let motor = Motor { inertia: 3e-4, ..MOTOR };
            let samples = reversals(motor, level, 160.0, 5, CountsPerRev::new(4096));
            let got = reversal(&samples, CountsPerRev::new(4096), &window(40.0, 120.0, 0.0)).unwrap();
            let error = got.gain.mean.get() - motor.gain * level / motor.inertia;
            ratio += (error / got.gain.standard_uncertainty.get()).powi(2) / f64::from(runs);
        }
        assert!((0.7..1.3).contains(&ratio.sqrt()), "{}", ratio.sqrt());
    }
}
