//! The command's scale by each of its ways, with what is uncertain: percent of rated torque per volt.
//!
//! What all levels of a way have in common (inertia, calibration, clock, the scale of a read-out) is propagated after the line is
//! fitted. The level of a command is what the fixture reads back at its terminals; that input's calibration is shared by all
//! ways, so that it cancels where two of them are compared. Levels are half the difference of a positive and a negative
//! command: the input's offset cancels in them, its gain moves the slope as a whole, and its curve is each level's own.

use proofstand_protocol::message::Sample;
use proofstand_units::{
    KilogramSquareMetres, NewtonMetres, PartsPerMillion, Percent, PercentPerVolt, Seconds, Volts,
};

use super::cycle::CycleMean;
use super::error::EstimateError;
use super::readout::{self, Channel};
use super::reversal::{ReversalEstimate, SETTLING_TIME_CONSTANTS};
use super::torque_line::{LevelPoint, TorqueLine, torque_line};
use super::track::{segments, signed_micros};
use crate::metrology::compare::Way;
use crate::metrology::line::{self, Weights};
use crate::metrology::voltage::InSlope;
use crate::metrology::{Budget, Contribution, CoverageFactor, DegreesOfFreedom, KnownVoltage, Sensitivity};

/// Stated uncertainties are expanded ones, k = 2.
const K2: CoverageFactor = CoverageFactor::new(2.0);
/// The way by the amplifier's torque read-out.
pub const READ_OUT: &str = "read-out";
/// What is left of a change of the command when a window begins, as budgets name it.
pub const BUILDING_UP: &str = "torque still building up after a turn-round";
/// What all ways share.
const COMMAND: &str = "command, read back at the terminals";
/// Two readings, each with a curve and a step of its own, halved: by so much their half difference (or sum) is surer.
const HALVED: f64 = core::f64::consts::FRAC_1_SQRT_2;

/// What is known beside the samples.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct ScaleInputs {
    /// Torque that is 100 %.
    pub rated_torque: NewtonMetres,
    /// Inertia of all that turns.
    pub inertia: KilogramSquareMetres,
    /// Its expanded uncertainty, k = 2.
    pub inertia_uncertainty: KilogramSquareMetres,
    /// The command as it is read back at the terminals.
    pub terminal: KnownVoltage,
    /// The voltage at the torque read-out's input.
    pub torque_read_out: KnownVoltage,
    /// Largest relative error of the fixture's clock.
    pub clock: PartsPerMillion,
    /// Command filter and torque build-up together, as one time constant.
    pub lag: Seconds,
    /// +1 if counts rise on a positive command, −1 if they fall.
    pub count_sign: f64,
}

impl ScaleInputs {
    /// Percent of rated torque in a newton metre.
    #[must_use]
    pub fn percent_per_torque(&self) -> f64 {
        100.0 / self.rated_torque.get()
    }

    /// Friction by reversal in percent of rated torque, with scatter, inertia and clock. It is taken as alike both ways.
    #[must_use]
    pub fn friction(&self, drag: &CycleMean) -> Budget<Percent> {
        let per = self.percent_per_torque();
        let value = Percent::new(drag.torque(self.inertia).get() * per);
        let inertia_u = self.inertia_uncertainty * 0.5;
        let parts = drag.torque_contributions(self.inertia, inertia_u).into_iter().map(|part| {
            let sensitivity = Sensitivity::new(part.sensitivity().get() * per);
            part.with_sensitivity(sensitivity)
        });
        Budget::new(value)
            .with_all(parts)
            .with(Contribution::rectangular("clock of the fixture", value * (2.0 * self.clock.to_ratio())))
    }

    /// What the levels make uncertain about a gain.
    fn levels(&self, line: &TorqueLine, highest: Volts) -> InSlope {
        let gain = self.gain_of(line);
        self.terminal.in_slope(COMMAND, gain, highest, gain.get() * line.gain_spread * HALVED)
    }

    /// What one level makes uncertain about the torque there, percent of rated, beside gain and offset of all.
    #[must_use]
    pub fn one_level(&self, gain: PercentPerVolt) -> Contribution {
        self.terminal.curve(COMMAND, gain.get() * HALVED)
    }

    /// What the levels make uncertain about the line at 0 V, percent of rated torque.
    #[must_use]
    pub fn line_at_zero(&self, line: &TorqueLine) -> Contribution {
        self.terminal.curve(COMMAND, self.gain_of(line).get() * line.intercept_spread * HALVED)
    }

    fn gain_of(&self, line: &TorqueLine) -> PercentPerVolt {
        PercentPerVolt::new(line.gain.get() * self.percent_per_torque())
    }

    fn line_scatter(&self, name: &str, line: &TorqueLine) -> Contribution {
        let scatter = PercentPerVolt::new(line.gain_scatter.get() * self.percent_per_torque());
        Contribution::type_a(name, scatter, line.gain_degrees_of_freedom)
    }
}

/// The torque by the command alone at one level, from its reversals.
#[must_use]
pub fn reversal_point(estimate: &ReversalEstimate, inputs: &ScaleInputs) -> LevelPoint {
    LevelPoint {
        level: estimate.level,
        torque: estimate.gain.torque(inputs.inertia) * inputs.count_sign,
        scatter: NewtonMetres::new(estimate.gain.standard_uncertainty.get() * inputs.inertia.get()),
        degrees_of_freedom: estimate.gain.degrees_of_freedom,
    }
}

/// The scale from the torque at one level alone, as if the command's effect were straight through 0 V: an offset cancels
/// between the directions, a dead band does not; so far as the sheet allows the line to miss zero, it is allowed for.
#[must_use]
pub fn of_one_level(
    point: &LevelPoint,
    inputs: &ScaleInputs,
    zero_allowed: Percent,
) -> Budget<PercentPerVolt> {
    let per_volt = |torque: NewtonMetres| {
        PercentPerVolt::new(torque.get() * inputs.percent_per_torque() / point.level.get())
    };
    let gain = per_volt(point.torque);
    let between = gain.get() * HALVED / point.level.get();
    Budget::new(gain)
        .with_all(inputs.terminal.in_slope(COMMAND, gain, point.level, between).all())
        .with(
            Contribution::expanded("inertia", inputs.inertia_uncertainty, K2)
                .with_sensitivity(Sensitivity::of(gain, inputs.inertia)),
        )
        .with(Contribution::rectangular("clock of the fixture", gain * (2.0 * inputs.clock.to_ratio())))
        .with(Contribution::type_a("scatter of the level", per_volt(point.scatter), point.degrees_of_freedom))
        .with(Contribution::rectangular(
            "zero of the line, as far as it is allowed",
            PercentPerVolt::new(zero_allowed.get() / point.level.get()),
        ))
        .with(Contribution::rectangular(BUILDING_UP, gain * (2.0 * (-SETTLING_TIME_CONSTANTS).exp())))
}

/// The scale from accelerations of the known inertia.
///
/// The curve of the command is this way's own: another way weights the same levels in its own proportions, and how much of the
/// curve is then common is not known. To take none for common is on the safe side.
#[must_use]
pub fn by_reversal(
    line: &TorqueLine,
    levels: &[&ReversalEstimate],
    inputs: &ScaleInputs,
) -> Way<PercentPerVolt> {
    let gain = inputs.gain_of(line);
    let highest = levels.iter().map(|l| l.level).fold(Volts::ZERO, Volts::max);
    let of_levels = inputs.levels(line, highest);
    let mut own = vec![
        inputs.line_scatter("scatter of the levels about the line", line),
        Contribution::expanded("inertia", inputs.inertia_uncertainty, K2)
            .with_sensitivity(Sensitivity::of(gain, inputs.inertia)),
        // An acceleration goes with the square of time.
        Contribution::rectangular("clock of the fixture", gain * (2.0 * inputs.clock.to_ratio())),
        Contribution::rectangular(BUILDING_UP, gain * build_up(levels, inputs.lag)),
    ];
    own.extend(of_levels.own);
    Way { name: "reversal", value: gain, own, shared: of_levels.shared }
}

/// Share of the torque that is missing on average in the window after a turn-round: twice the command changes, of which
/// e⁻⁵ is still to come when the window may begin, and fades with the lag over the window.
#[must_use]
pub fn build_up(levels: &[&ReversalEstimate], lag: Seconds) -> f64 {
    let shortest = levels
        .iter()
        .flat_map(|l| &l.cycles)
        .map(|c| c.minus_forward.duration.min(c.plus_backward.duration))
        .fold(Seconds::new(f64::INFINITY), Seconds::min);
    2.0 * (-SETTLING_TIME_CONSTANTS).exp() * (lag / shortest).min(1.0)
}

/// Offset at 0 V in percent of rated torque, the part that the fixture's own command made taken out. Holds if friction is
/// the same both ways; a load that pulls one way looks the same.
#[must_use]
pub fn offset(levels: &[&ReversalEstimate], gain: PercentPerVolt, inputs: &ScaleInputs) -> Budget<Percent> {
    let (inertia, percent) = (inputs.inertia, inputs.percent_per_torque());
    let of = |l: &&ReversalEstimate| {
        l.offset.torque(inertia).get() * inputs.count_sign * percent - gain.get() * l.level_offset.get()
    };
    let offsets: Vec<f64> = levels.iter().map(of).collect();
    let n = offsets.len().max(1) as f64;
    let mean = offsets.iter().sum::<f64>() / n;
    let variance = offsets.iter().map(|o| (o - mean).powi(2)).sum::<f64>() / (n - 1.0).max(1.0);
    let fit =
        |l: &&ReversalEstimate| (l.offset.standard_uncertainty.get() * inertia.get() * percent / n).powi(2);
    let fits = levels.iter().map(fit).sum::<f64>().sqrt();
    // Three levels agree better than they are known now and then: then the fits are believed, with their own degrees of
    // freedom (Welch-Satterthwaite; JCGM 100:2008, G.4).
    let spread = (variance / n).sqrt();
    let scatter = if spread >= fits {
        let nu = DegreesOfFreedom::of_fit(offsets.len(), 1);
        Contribution::type_a("scatter over the levels", Percent::new(spread), nu)
    } else {
        let nu =
            DegreesOfFreedom::of_sum(levels.iter().map(|l| (fit(l).sqrt(), l.offset.degrees_of_freedom)));
        Contribution::type_a("scatter within the levels", Percent::new(fits), nu)
    };
    let value = Percent::new(mean);
    Budget::new(value)
        .with(scatter)
        .with(
            Contribution::expanded("inertia", inputs.inertia_uncertainty, K2)
                .with_sensitivity(Sensitivity::of(value, inertia)),
        )
        .with_all(inputs.terminal.at_zero(COMMAND, gain.get(), gain.get() * HALVED / n.sqrt()))
}

/// The torque at one level as the read-out shows it: half the difference between positive and negative commands, free of
/// the read-out's offset and of the command's.
///
/// Uses what comes later than `settle` after each change of the command, and one half-cycle as good as another.
///
/// # Errors
/// [`EstimateError::NoReversal`] without one pair of neighbouring segments of opposite command that are long enough.
pub fn read_out_point(
    samples: &[Sample],
    settle: Seconds,
    volts_at_rated: Volts,
    rated_torque: NewtonMetres,
) -> Result<LevelPoint, EstimateError> {
    let mut halves = Vec::new();
    for run in segments(samples) {
        let Some(first) = run.samples.first() else { continue };
        let from = run.samples.partition_point(|s| 1e-6 * signed_micros(s.at, first.at) < settle.get());
        let settled = &run.samples[from..];
        let steady = settled.iter().all(|s| s.command == settled[0].command && s.command.0 != 0);
        if settled.len() < 10 || !steady {
            continue;
        }
        let torque = readout::mean(settled, Channel::Torque)?;
        let command = readout::mean(settled, Channel::Readback)?;
        let noise = (torque.standard_uncertainty.get(), torque.degrees_of_freedom);
        halves.push((command.mean.get(), torque.mean.get(), noise));
    }
    let pairs: Vec<_> = halves
        .chunks_exact(2)
        .filter(|p| p[0].0 * p[1].0 < 0.0)
        .map(|p| {
            let sign = p[0].0.signum();
            (sign * (p[0].0 - p[1].0) / 2.0, sign * (p[0].1 - p[1].1) / 2.0, [p[0].2, p[1].2])
        })
        .collect();
    if pairs.is_empty() {
        return Err(EstimateError::NoReversal { segments: halves.len() });
    }
    let n = pairs.len() as f64;
    let level = pairs.iter().map(|p| p.0).sum::<f64>() / n;
    let shown = pairs.iter().map(|p| p.1).sum::<f64>() / n;
    let spread = if pairs.len() > 1 {
        (pairs.iter().map(|p| (p.1 - shown).powi(2)).sum::<f64>() / (n - 1.0) / n).sqrt()
    } else {
        0.0
    };
    let noises = || pairs.iter().flat_map(|p| p.2);
    let noise = noises().map(|(u, _)| u * u).sum::<f64>().sqrt() / 2.0 / n;
    let torque = |volts: f64| rated_torque * (volts / volts_at_rated.get());
    Ok(LevelPoint {
        level: Volts::new(level),
        torque: torque(shown),
        scatter: torque(spread.max(noise)),
        degrees_of_freedom: if spread >= noise && pairs.len() > 1 {
            DegreesOfFreedom::of_fit(pairs.len(), 1)
        } else {
            DegreesOfFreedom::of_sum(noises())
        },
    })
}

/// The scale from the amplifier's torque read-out.
///
/// The read-out's input has its own calibration. It was made with the same meter as that of the terminals' input, so that
/// the meter's share would cancel between them; it is counted twice instead, which is on the safe side and far below what the
/// scale of a read-out is known to.
///
/// # Errors
/// Fewer than three levels, or a line that can't be fitted.
pub fn by_read_out(
    points: &[LevelPoint],
    volts_at_rated: Volts,
    scale_uncertainty: Percent,
    inputs: &ScaleInputs,
) -> Result<Way<PercentPerVolt>, EstimateError> {
    let line = torque_line(points)?;
    let gain = inputs.gain_of(&line);
    let highest = points.iter().map(|p| p.level).fold(Volts::ZERO, Volts::max);
    let shown = Volts::new(gain.get() * highest.get() / 100.0 * volts_at_rated.get());
    // Of a volt at the input: percent of rated torque, and by the line percent of rated torque per volt of command.
    let percent_per_volt = 100.0 / volts_at_rated.get();
    let input = inputs.torque_read_out.in_slope(
        "read-out at the fixture's input",
        gain,
        shown,
        percent_per_volt * line.gain_spread * HALVED,
    );
    let mut own = vec![
        inputs.line_scatter("scatter of the read-out about the line", &line),
        Contribution::expanded("scale of the read-out", gain * (scale_uncertainty.get() / 100.0), K2),
    ];
    own.extend(input.all());
    let of_levels = inputs.levels(&line, highest);
    own.extend(of_levels.own);
    Ok(Way { name: READ_OUT, value: gain, own, shared: of_levels.shared })
}

/// What a person read at one level, with either sign.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct DisplayReading {
    /// Half the difference of the two commands.
    pub level: Volts,
    /// Half the difference of the two numbers, in percent of rated torque.
    pub shown: Percent,
    /// Half the sum of the two commands.
    pub middle: Volts,
    /// Half the sum of the two numbers.
    pub shown_middle: Percent,
}

/// The scale from a person's reading of the amplifier's own display, which shows steps of `step`.
///
/// # Errors
/// Fewer than three levels, or a line that can't be fitted.
pub fn by_display(
    readings: &[DisplayReading],
    step: Percent,
    inputs: &ScaleInputs,
) -> Result<Way<PercentPerVolt>, EstimateError> {
    // A number is right to half a step, evenly; half the difference of two is right to step/√24.
    let u = step.get() / 24.0_f64.sqrt();
    let torque = |percent: f64| inputs.rated_torque * (percent / 100.0);
    let points: Vec<LevelPoint> = readings
        .iter()
        .map(|r| LevelPoint {
            level: r.level,
            torque: torque(r.shown.get()),
            scatter: torque(u),
            degrees_of_freedom: DegreesOfFreedom::INFINITE,
        })
        .collect();
    let line = torque_line(&points)?;
    let gain = inputs.gain_of(&line);
    let highest = readings.iter().map(|r| r.level).fold(Volts::ZERO, Volts::max);
    let volts: Vec<f64> = points.iter().map(|p| p.level.get()).collect();
    let shown: Vec<f64> = readings.iter().map(|r| r.shown.get()).collect();
    let fit = line::fit(&volts, &shown, Weights::Uncertainties(&vec![u; volts.len()]))?;
    let (deviation, freedom) = about_the_line(readings, &fit);
    // The steps are known; readings that lie farther from the line than they allow widen them in proportion (Birge 1932), and
    // then it is their scatter that is stated.
    let name = "steps of the display, and readings about the line";
    let of_slope = |u: f64| PercentPerVolt::new(u * fit.slope_spread);
    let rounding = if deviation > u {
        Contribution::type_a(name, of_slope(deviation), freedom)
    } else {
        Contribution::normal(name, of_slope(u))
    };
    // Other levels than those of the other ways: each has a place of its own on the curve.
    let of_levels = inputs.levels(&line, highest);
    let own = core::iter::once(rounding).chain(of_levels.own).collect();
    Ok(Way { name: "display", value: gain, own, shared: of_levels.shared })
}

/// Standard deviation of the readings, in percent of rated torque, and its degrees of freedom. Half the difference and half
/// the sum of two numbers scatter alike; the former lie about the line, the latter about one offset. Together they tell more
/// than three points about a line do, which leave one degree of freedom (a pooled variance; JCGM 100:2008, 4.2.4).
fn about_the_line(readings: &[DisplayReading], fit: &line::LineFit) -> (f64, DegreesOfFreedom) {
    let middles: Vec<f64> =
        readings.iter().map(|r| r.shown_middle.get() - fit.slope * r.middle.get()).collect();
    let n = readings.len();
    let mean = middles.iter().sum::<f64>() / n as f64;
    let squares = fit.residuals.iter().map(|r| r * r).sum::<f64>()
        + middles.iter().map(|m| (m - mean).powi(2)).sum::<f64>();
    let left = (2 * n).saturating_sub(3).max(1);
    ((squares / left as f64).sqrt(), DegreesOfFreedom::of_fit(2 * n, 3))
}

/// The torque that an inertia and an acceleration mean can't be more than the motor's peak; if it is, the inertia stated
/// is too large. The smallest share by which it must be: none where all is possible.
#[must_use]
pub fn impossible_inertia(
    levels: &[&ReversalEstimate],
    peak_torque: NewtonMetres,
    inputs: &ScaleInputs,
) -> Option<f64> {
    let largest = levels.iter().map(|l| l.gain.torque(inputs.inertia).get().abs()).fold(0.0, f64::max);
    let surely = largest * (1.0 - inputs.inertia_uncertainty / inputs.inertia);
    (surely > peak_torque.get()).then(|| surely / peak_torque.get() - 1.0)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::estimate::synthetic::{Motor, reversals};
    use crate::estimate::{ReversalWindow, Shape, reversal::reversal};
    use crate::metrology::{Kind, VoltageUncertainty};
    use proofstand_protocol::units::Microvolts;
    use proofstand_units::{CountsPerRev, Kelvins, PerKelvin, VoltsPerKelvin};

    fn inputs() -> ScaleInputs {
        ScaleInputs {
            rated_torque: NewtonMetres::new(1.6),
            inertia: KilogramSquareMetres::new(1.25e-3),
            inertia_uncertainty: KilogramSquareMetres::new(2.5e-5),
            terminal: CALIBRATED,
            torque_read_out: CALIBRATED,
            clock: PartsPerMillion::new(50.0),
            lag: Seconds::from_millis(1.0),
            count_sign: 1.0,
        }
    }

    /// As a calibration of the day would state it.
    const CALIBRATED: KnownVoltage = KnownVoltage {
        stated: VoltageUncertainty {
            offset: Volts::new(30e-6),
            gain: 20e-6,
            correlation: 0.0,
            residual: Volts::new(95e-6),
            drift: 25e-6,
            gain_per_kelvin: PerKelvin::new(3e-6),
            offset_per_kelvin: VoltsPerKelvin::new(5e-6),
            temperature_range: Kelvins::new(5.0),
            contact_and_load: 0.0,
        },
        age_days: 100.0,
        calibrated: true,
    };

    const MOTOR: Motor =
        Motor { inertia: 1.25e-3, gain: 0.08, offset: 0.05, coulomb: 0.02, viscous: 0.0, lag: 0.0 };

    fn estimates() -> Vec<ReversalEstimate> {
        let rpm = |omega: f64| proofstand_units::RadPerSec::new(omega).to_rpm();
        let window = ReversalWindow {
            low: rpm(25.0),
            high: rpm(80.0),
            settle: Seconds::from_millis(5.0),
            shape: Shape::Cubic,
            smoothing: 9,
        };
        [1.0, 2.0, 4.0]
            .map(|v| {
                let samples = reversals(MOTOR, v, 100.0, 9, CountsPerRev::new(10_000));
                reversal(&samples, CountsPerRev::new(10_000), &window).unwrap()
            })
            .to_vec()
    }

    #[test]
    fn reversal_and_read_out_find_the_scale_of_a_motor_that_is_known_exactly() {
        // Closed form: 0.08 N·m/V of 1.6 N·m is 5 %/V; the offset of 0.05 V at the input is 0.25 % of rated torque.
        let (inputs, all) = (inputs(), estimates());
        let levels: Vec<&ReversalEstimate> = all.iter().collect();
        let points: Vec<LevelPoint> = levels.iter().map(|l| reversal_point(l, &inputs)).collect();
        let way = by_reversal(&torque_line(&points).unwrap(), &levels, &inputs);
        let got = way.budget().combined();
        assert!((got.value.get() - 5.0).abs() < got.expanded.get() && (got.value.get() - 5.0).abs() < 0.01);
        // The inertia's 1 % (k = 1) rules: u = 0.05 %/V.
        assert!((got.standard_uncertainty.get() / 0.05 - 1.0).abs() < 0.05, "{got:?}");
        assert_eq!(got.largest.unwrap().name, "inertia");
        let offset = offset(&levels, way.value, &inputs).combined();
        assert!((offset.value.get() - 0.25).abs() < offset.expanded.get(), "{offset:?}");

        // A read-out of 4 V at rated torque with an offset of its own.
        let shown: Vec<LevelPoint> = [1.0, 2.0, 4.0]
            .map(|v| {
                let mut samples = reversals(MOTOR, v, 100.0, 9, CountsPerRev::new(10_000));
                for s in &mut samples {
                    s.torque = Microvolts((f64::from(s.command.0) * 0.08 / 1.6 * 4.0) as i32 + 7000);
                }
                read_out_point(&samples, Seconds::from_millis(5.0), Volts::new(4.0), inputs.rated_torque)
                    .unwrap()
            })
            .to_vec();
        let other = by_read_out(&shown, Volts::new(4.0), Percent::new(2.0), &inputs).unwrap();
        assert!((other.value.get() - 5.0).abs() < 1e-4, "{other:?}");
        // Compared, the command's calibration cancels; inertia and read-out scale (1 % each) stay.
        let difference = way.less(&other).combined();
        assert!((difference.standard_uncertainty.get() / (0.05 * 2.0_f64.sqrt()) - 1.0).abs() < 0.05);
    }

    #[test]
    fn the_curve_of_the_command_does_not_cancel_between_ways_that_weight_the_levels_differently() {
        // By hand: the curve moves each slope by g·spread·u/√2, and two slopes apart by the root of the sum of the squares.
        let mut inputs = inputs();
        inputs.terminal.stated.residual = Volts::new(1.0);
        let all = estimates();
        let levels: Vec<&ReversalEstimate> = all.iter().collect();
        let points: Vec<LevelPoint> = levels.iter().map(|l| reversal_point(l, &inputs)).collect();
        let line = torque_line(&points).unwrap();
        let reversal = by_reversal(&line, &levels, &inputs);
        let even: Vec<LevelPoint> =
            points.iter().map(|p| LevelPoint { scatter: NewtonMetres::new(1e-6), ..*p }).collect();
        let read_out = by_read_out(&even, Volts::new(4.0), Percent::new(2.0), &inputs).unwrap();
        let spreads = line.gain_spread.hypot(torque_line(&even).unwrap().gain_spread);
        let u = reversal.less(&read_out).combined().standard_uncertainty.get();
        assert!((u / (reversal.value.get() * spreads * HALVED) - 1.0).abs() < 0.01, "{u}");
    }

    #[test]
    fn a_coarse_display_is_as_uncertain_as_its_steps() {
        // Closed form: half a difference of two numbers rounded to 1 % is uncertain by 1/√24 %; the slope through 1, 2, 4 V
        // (Sxx = 14/3) by that over √Sxx.
        let reading = |v: f64| DisplayReading {
            level: Volts::new(v),
            shown: Percent::new((5.0 * v).round()),
            middle: Volts::ZERO,
            shown_middle: Percent::ZERO,
        };
        let way = by_display(&[1.0, 2.0, 4.0].map(reading), Percent::new(1.0), &inputs()).unwrap();
        let u = way.own[0].input_uncertainty();
        assert!((u / ((1.0 / 24.0_f64.sqrt()) / (14.0_f64 / 3.0).sqrt()) - 1.0).abs() < 1e-9, "{u}");
        assert!((way.value.get() - 5.0).abs() < 1e-9);
    }

    #[test]
    fn readings_that_scatter_more_than_the_steps_allow_are_type_a_with_the_degrees_of_freedom_of_all_of_them()
    {
        // By hand: on the line at 1, 2, 3 V but for a second difference of 0.6 %, residuals 0.1, −0.2, 0.1; half sums about
        // 2 % by 0.3, −0.3, 0 beside 5 %/V of 0.1 V. s² = (0.06 + 0.18)/3, three degrees of freedom, Sxx = 2.
        let reading = |v: f64, shown: f64, apart: f64| DisplayReading {
            level: Volts::new(v),
            shown: Percent::new(shown),
            middle: Volts::new(0.1),
            shown_middle: Percent::new(2.5 + apart),
        };
        let all = [reading(1.0, 5.0, 0.3), reading(2.0, 9.7, -0.3), reading(3.0, 15.0, 0.0)];
        let way = by_display(&all, Percent::new(0.1), &inputs()).unwrap();
        let own = &way.own[0];
        assert!((own.input_uncertainty() - 0.08_f64.sqrt() / 2.0_f64.sqrt()).abs() < 1e-9, "{own:?}");
        assert_eq!((own.kind, own.degrees_of_freedom().finite()), (Kind::A, Some(3.0)));
        // A coarser display explains them: then the steps are what is uncertain, and they are known.
        let coarse = by_display(&all, Percent::new(2.0), &inputs()).unwrap();
        assert_eq!((coarse.own[0].kind, coarse.own[0].degrees_of_freedom().finite()), (Kind::B, None));
    }

    #[test]
    fn an_inertia_that_means_more_than_the_peak_torque_is_impossible() {
        // Worked by hand: 4 V make 0.32 N·m; with U = 2 % of the inertia surely 0.3136 N·m.
        let all = estimates();
        let levels: Vec<&ReversalEstimate> = all.iter().collect();
        assert_eq!(impossible_inertia(&levels, NewtonMetres::new(0.32), &inputs()), None);
        let by = impossible_inertia(&levels, NewtonMetres::new(0.28), &inputs()).unwrap();
        assert!((by - 0.12).abs() < 0.005, "{by}");
    }

    #[test]
    fn a_record_without_a_pair_has_no_read_out_point() {
        let samples = reversals(MOTOR, 2.0, 100.0, 1, CountsPerRev::new(10_000));
        let got = read_out_point(&samples, Seconds::ZERO, Volts::new(4.0), NewtonMetres::new(1.6));
        assert!(matches!(got, Err(EstimateError::NoReversal { segments: 1 })), "{got:?}");
    }
}
