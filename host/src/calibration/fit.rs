//! From readings to a correction and its uncertainty.

use proofstand_units::{Celsius, PartsPerMillion, Volts};
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::assumed::{RANGE, STEP, board, temperature_range};
use super::linearity::Linearity;
use super::reading::Level;
use crate::metrology::correlated::{covariance_of, fit_correlated};
use crate::metrology::{DegreesOfFreedom, MetrologyError, VoltageUncertainty};

/// A table must take out at least so many times the noise to be worth more than a straight line. Common practice, no
/// source: with seventeen points, chance alone goes past twice the noise less than once in ten thousand boards.
const WORTH: f64 = 2.0;
/// Linear interpolation of a smooth curve errs with the square of the distance between points: a point that is left out
/// doubles that. Of a rough one it errs as much at any distance.
const SMOOTH: f64 = 4.0;

/// Nothing is divided by less than this.
const NOTHING: Volts = Volts::new(1e-12);

/// The meter's stated accuracy: half-widths of reading and of range.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Accuracy {
    /// Parts per million of the reading.
    pub of_reading_ppm: PartsPerMillion,
    /// Parts per million of the range.
    pub of_range_ppm: PartsPerMillion,
    /// The range, volts.
    pub range: Volts,
    /// Size of the last digit, volts.
    pub resolution: Volts,
}

impl Accuracy {
    /// Standard uncertainty of the meter's gain, relative (rectangular).
    #[must_use]
    pub fn gain(&self) -> f64 {
        self.of_reading_ppm.to_ratio() / 3.0_f64.sqrt()
    }

    /// Standard uncertainty of the meter's zero (rectangular).
    #[must_use]
    pub fn zero(&self) -> Volts {
        self.range * self.of_range_ppm.to_ratio() / 3.0_f64.sqrt()
    }
}

/// A line with its covariance matrix, as it stands in a record.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct LineRecord {
    /// Volts at 0 V asked.
    pub offset: Volts,
    /// Volts per volt.
    pub gain: f64,
    /// Standard uncertainty of the offset, volts: scatter and meter.
    pub offset_uncertainty: Volts,
    /// Standard uncertainty of the gain: scatter and meter.
    pub gain_uncertainty: f64,
    /// Covariance of the two, volts.
    pub covariance: Volts,
    /// Root mean square of the residuals, volts.
    pub residual: Volts,
}

/// Straight line or table, and why.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Choice {
    /// A table of all points is used; else two points, a straight line.
    pub table: bool,
    /// Why, for a reader.
    pub why: String,
    /// Root mean square of what a straight line leaves, volts.
    pub line_leaves: Volts,
    /// Root mean square of what a table leaves between its points, volts: what it leaves where a point is left out, over
    /// what doubling the distance once more makes of that (four of a smooth curve, no less than one).
    pub table_leaves: Volts,
    /// Standard deviation of a level's mean by the readings up and down, volts.
    pub noise: Volts,
}

/// A point of a correction: by the ideal line, and as the meter showed it. Volts.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct CorrectionPoint {
    /// By the ideal line.
    pub nominal: Volts,
    /// By the meter.
    pub actual: Volts,
}

/// What the readings came to.
#[derive(Debug, Clone, PartialEq)]
pub struct Fitted {
    /// The straight line.
    pub line: LineRecord,
    /// What each level lies above the line.
    pub residuals: Vec<Volts>,
    /// Non-linearity against the least-squares line.
    pub best_fit: Linearity,
    /// Non-linearity against the line through the ends.
    pub end_points: Linearity,
    /// Line or table.
    pub choice: Choice,
    /// The command's correction.
    pub command: Vec<CorrectionPoint>,
    /// The inputs' corrections, in the order of [`super::reading::INPUTS`].
    pub channels: [Vec<CorrectionPoint>; 4],
    /// Root mean square of what each input's correction leaves.
    pub channels_leave: [Volts; 4],
    /// The corrected command's uncertainty.
    pub uncertainty: VoltageUncertainty,
    /// Degrees of freedom of the readings' scatter: one a level. None where the meter's last digit says more than they do.
    pub scatter_freedom: Option<DegreesOfFreedom>,
}

impl Fitted {
    /// The same, with the uncertainty that a calibration made at a temperature has over [`super::assumed::TEMPERATURE`].
    #[must_use]
    pub const fn made_at(mut self, temperature: Celsius) -> Self {
        self.uncertainty.temperature_range = temperature_range(temperature);
        self
    }
}

/// Fits a correction to levels that rise, made in the middle of the temperatures; see [`Fitted::made_at`].
///
/// # Errors
/// As [`fit_correlated`]: too few levels, or levels that don't differ.
pub fn fit(levels: &[Level], accuracy: &Accuracy) -> Result<Fitted, MetrologyError> {
    let nominal: Vec<Volts> = levels.iter().map(|l| l.nominal).collect();
    let mean: Vec<Volts> = levels.iter().map(Level::mean).collect();
    let digit = last_digit(accuracy);
    let noise = noise(levels).max(digit);
    // The meter's gain and zero are the same at every level: they move the whole line.
    let common =
        [mean.iter().map(|v| v.get() * accuracy.gain()).collect(), vec![accuracy.zero().get(); mean.len()]];
    let v = covariance_of(&vec![noise.get(); mean.len()], &common);
    let fitted = fit_correlated(&numbers(&nominal), &numbers(&mean), &v)?;
    let residuals: Vec<Volts> = fitted.line.residuals.iter().copied().map(Volts::new).collect();
    let choice = choose(&nominal, &mean, &residuals, noise);
    let ends =
        |x: &[Volts]| [x.first().copied(), x.last().copied()].into_iter().flatten().collect::<Vec<_>>();
    let command = if choice.table {
        points(&nominal, &mean)
    } else {
        let x = ends(&nominal);
        let on_line = |x: &Volts| Volts::new(fitted.line.intercept) + *x * fitted.line.slope;
        let y: Vec<Volts> = x.iter().map(on_line).collect();
        points(&x, &y)
    };
    let between = if choice.table { choice.table_leaves } else { choice.line_leaves };
    // Half a step of the converter either way: the nearest code is not quite what was asked for.
    let step = STEP / 12.0_f64.sqrt();
    let residual = Volts::new(between.get().hypot(step.get()).hypot(noise.get()));
    let channels: [Vec<CorrectionPoint>; 4] = core::array::from_fn(|n| channel(levels, n));
    let channels_leave = core::array::from_fn(|n| leaves(levels, n, &channels[n]));
    Ok(Fitted {
        line: LineRecord {
            offset: Volts::new(fitted.line.intercept),
            gain: fitted.line.slope,
            offset_uncertainty: Volts::new(fitted.intercept_uncertainty),
            gain_uncertainty: fitted.slope_uncertainty,
            covariance: Volts::new(fitted.covariance),
            residual: rms(&residuals),
        },
        best_fit: Linearity::best_fit(&nominal, &mean, STEP)?,
        end_points: Linearity::end_points(&nominal, &mean, STEP)?,
        uncertainty: board(
            Volts::new(fitted.intercept_uncertainty),
            fitted.slope_uncertainty,
            fitted.correlation(),
            residual,
        ),
        residuals,
        scatter_freedom: (noise > digit).then(|| DegreesOfFreedom::of_fit(levels.len(), 0)),
        choice,
        command,
        channels,
        channels_leave,
    })
}

/// Standard deviation of a level's mean by the meter's last digit alone.
fn last_digit(accuracy: &Accuracy) -> Volts {
    accuracy.resolution / 12.0_f64.sqrt() / 2.0_f64.sqrt()
}

/// Standard deviation of a level's mean: from what the readings up and down differ by.
fn noise(levels: &[Level]) -> Volts {
    let differences: Vec<Volts> = levels.iter().map(|l| l.up.meter - l.down.meter).collect();
    // A difference of two readings has √2, their mean 1/√2 of one reading's deviation.
    rms(&differences) / 2.0
}

fn choose(nominal: &[Volts], mean: &[Volts], residuals: &[Volts], noise: Volts) -> Choice {
    let left = residuals.len().saturating_sub(2).max(1) as f64;
    let line_leaves = Volts::new((residuals.iter().map(|r| r.get() * r.get()).sum::<f64>() / left).sqrt());
    // The readings' scatter is in both too, which makes it a little larger, never smaller.
    let (near, far) = (left_out(nominal, mean, 1), left_out(nominal, mean, 2));
    let table_leaves = near / (far / near.max(NOTHING)).clamp(1.0, SMOOTH);
    let [line_uv, table_uv, noise_uv] = [line_leaves, table_leaves, noise].map(|v| v.get() * 1e6);
    let (table, why) = if line_leaves <= noise * WORTH {
        (
            false,
            format!(
                "A straight line leaves {line_uv:.0} µV, the readings scatter by {noise_uv:.0} µV: a table would copy \
                 the scatter."
            ),
        )
    } else if table_leaves >= line_leaves {
        (
            false,
            format!(
                "A straight line leaves {line_uv:.0} µV, a table between its points {table_uv:.0} µV: the steps from \
                 point to point are too rough for interpolation."
            ),
        )
    } else {
        (
            true,
            format!(
                "A straight line leaves {line_uv:.0} µV, {:.0} times the scatter of the readings ({noise_uv:.0} µV); a \
                 table leaves {table_uv:.0} µV between its points.",
                line_leaves / noise.max(NOTHING)
            ),
        )
    };
    Choice { table, why, line_leaves, table_leaves, noise }
}

/// Root mean square of what interpolation misses a point by, from its neighbours so many points away.
fn left_out(nominal: &[Volts], mean: &[Volts], away: usize) -> Volts {
    let x = |at: usize| nominal.get(at).copied().unwrap_or_default();
    let y = |at: usize| mean.get(at).copied().unwrap_or_default();
    let missed: Vec<Volts> = (away..nominal.len().saturating_sub(away))
        .map(|at| {
            let (low, high) = (at - away, at + away);
            let share = (x(at) - x(low)) / (x(high) - x(low));
            y(at) - (y(low) + (y(high) - y(low)) * share)
        })
        .collect();
    rms(&missed)
}

/// Nine points at most: the fixture keeps so many for an input.
fn channel(levels: &[Level], n: usize) -> Vec<CorrectionPoint> {
    let every = levels.len().saturating_sub(1).div_ceil(8).max(1);
    let last = levels.len().saturating_sub(1);
    let kept = levels.iter().enumerate().filter(|(at, _)| at % every == 0 || *at == last);
    kept.map(|(_, l)| CorrectionPoint { nominal: l.input(n), actual: l.mean() }).collect()
}

/// Root mean square of what a correction misses the levels by that are none of its points: through its points it goes anyhow.
fn leaves(levels: &[Level], n: usize, correction: &[CorrectionPoint]) -> Volts {
    let between = levels.iter().filter(|l| correction.iter().all(|p| p.nominal != l.input(n)));
    rms(&between.map(|l| corrected(correction, l.input(n)) - l.mean()).collect::<Vec<_>>())
}

/// Along a correction's points, the end segments going on.
#[must_use]
pub fn corrected(points: &[CorrectionPoint], nominal: Volts) -> Volts {
    let above = points.iter().position(|p| p.nominal >= nominal).unwrap_or(usize::MAX);
    let high = above.clamp(1, points.len().saturating_sub(1).max(1));
    let (Some(low), Some(high)) = (points.get(high - 1), points.get(high)) else { return nominal };
    let rise = high.actual - low.actual;
    low.actual + rise * (nominal - low.nominal).get() / (high.nominal - low.nominal).get()
}

fn points(nominal: &[Volts], actual: &[Volts]) -> Vec<CorrectionPoint> {
    nominal.iter().zip(actual).map(|(&nominal, &actual)| CorrectionPoint { nominal, actual }).collect()
}

/// Root mean square; 0 V of nothing.
#[must_use]
pub fn rms(values: &[Volts]) -> Volts {
    if values.is_empty() {
        return Volts::ZERO;
    }
    Volts::new((values.iter().map(|v| v.get() * v.get()).sum::<f64>() / values.len() as f64).sqrt())
}

/// Numbers of volts, for a fit that is the same in any unit.
pub(super) fn numbers(volts: &[Volts]) -> Vec<f64> {
    volts.iter().copied().map(Volts::get).collect()
}

/// Levels for a table of so many points: codes spaced evenly and symmetric about 0 V, by the ideal line.
#[must_use]
pub fn table_levels(points: usize) -> Vec<Volts> {
    let last = points.saturating_sub(1).max(1) as f64;
    (0..points).map(|n| STEP * (1.0 + (65_534.0 * n as f64 / last).round()) - RANGE).collect()
}

#[cfg(test)]
pub(super) mod tests {
    use super::*;
    use crate::calibration::reading::Reading;

    /// A bench meter of six and a half digits. Invented.
    pub(in crate::calibration) const METER: Accuracy = Accuracy {
        of_reading_ppm: PartsPerMillion::new(35.0),
        of_range_ppm: PartsPerMillion::new(5.0),
        range: Volts::new(10.0),
        resolution: Volts::new(10e-6),
    };

    fn board(actual: impl Fn(f64) -> f64, up_more: f64) -> Vec<Level> {
        let reading = |v: f64| Reading::of_one(Volts::new(v), [Volts::new(v * 1.001 + 0.004); 4]);
        table_levels(17)
            .into_iter()
            .enumerate()
            .map(|(n, nominal)| {
                let sign = if n % 2 == 0 { 0.5 } else { -0.5 };
                Level {
                    nominal,
                    up: reading(actual(nominal.get()) + sign * up_more),
                    down: reading(actual(nominal.get()) - sign * up_more),
                }
            })
            .collect()
    }

    #[test]
    fn levels_are_exact_codes_from_end_to_end_with_zero_in_the_middle() {
        for points in [17, 25, 33] {
            let (levels, step) = (numbers(&table_levels(points)), STEP.get());
            assert_eq!(levels.len(), points);
            assert_eq!(levels[points / 2], 0.0);
            assert!(
                (levels[0] + 10.0 - step).abs() < 1e-12 && (levels[points - 1] - 10.0 + step).abs() < 1e-12
            );
        }
    }

    #[test]
    fn a_straight_board_gets_two_points_and_a_curved_one_a_table_each_with_its_reason() {
        let straight = fit(&board(|v| 0.003 + 1.000_4 * v, 20e-6), &METER).unwrap();
        assert!(!straight.choice.table, "{}", straight.choice.why);
        assert_eq!(straight.command.len(), 2);
        assert!(
            (straight.line.offset.get() - 0.003).abs() < 1e-9 && (straight.line.gain - 1.000_4).abs() < 1e-9
        );
        let curved = fit(&board(|v| 0.003 + 1.000_4 * v + 4e-6 * v * v, 20e-6), &METER).unwrap();
        assert!(curved.choice.table, "{}", curved.choice.why);
        assert_eq!(curved.command.len(), 17);
        // A parabola of c·x² errs by c·h²/4 half way between points h apart; leaving one out: c·h².
        let h = 20.0 / 16.0;
        assert!((curved.choice.table_leaves.get() - 4e-6 * h * h / 4.0).abs() < 4e-7, "{:?}", curved.choice);
    }

    #[test]
    fn steps_from_point_to_point_that_no_table_follows_leave_two_points_and_say_so() {
        // By hand: every other point up by h. A point that is left out is missed by 2h, and by nothing from two points away:
        // the distance says nothing of the error, so that a table is trusted to no less than 2h where a line leaves h.
        const HEIGHT: Volts = Volts::new(200e-6);
        let mut levels = board(|v| v, 2e-6);
        for (n, level) in levels.iter_mut().enumerate() {
            let jump = if n % 2 == 0 { HEIGHT } else { -HEIGHT };
            level.up.meter = level.up.meter + jump;
            level.down.meter = level.down.meter + jump;
        }
        let rough = fit(&levels, &METER).unwrap();
        assert!((rough.choice.table_leaves / (HEIGHT * 2.0) - 1.0).abs() < 1e-6, "{:?}", rough.choice);
        assert!((rough.choice.line_leaves / HEIGHT - 1.0).abs() < 0.1, "{:?}", rough.choice);
        assert!(!rough.choice.table && rough.command.len() == 2, "{}", rough.choice.why);
        assert!(rough.choice.why.contains("too rough for interpolation"), "{}", rough.choice.why);
        // What the line leaves is what it states between its points.
        let [line, step, noise] = [rough.choice.line_leaves, STEP, rough.choice.noise].map(Volts::get);
        let stated = line.hypot(step / 12.0_f64.sqrt()).hypot(noise);
        assert!((rough.uncertainty.residual.get() / stated - 1.0).abs() < 1e-9);
    }

    #[test]
    fn the_meter_moves_the_whole_line_and_scatter_hardly_counts() {
        let fitted = fit(&board(|v| v, 20e-6), &METER).unwrap();
        // By hand: 35 ppm/√3 and 50 µV/√3, scatter a thirtieth of that.
        assert!((fitted.line.gain_uncertainty / (35e-6 / 3.0_f64.sqrt()) - 1.0).abs() < 0.01);
        assert!((fitted.line.offset_uncertainty.get() / (50e-6 / 3.0_f64.sqrt()) - 1.0).abs() < 0.01);
        assert!(fitted.channels.iter().all(|c| c.len() == 9));
        assert!(fitted.channels_leave.iter().all(|left| left.get() < 1e-6), "{:?}", fitted.channels_leave);
        let middle = corrected(&fitted.channels[0], Volts::new(1.001 * 2.0 + 0.004)).get();
        assert!((middle - 2.0).abs() < 1e-6);
    }
}
