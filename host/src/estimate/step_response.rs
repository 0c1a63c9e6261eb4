//! How fast a torque follows its command, from bursts taken while the command alternates.
//!
//! Positions show a torque only through its second integral: what is sharp in them is the mean delay T, since long after
//! a step the shaft runs where an instant torque would have brought it T earlier. For one first-order lag T is its time
//! constant; for lags and dead times in a row it is their sum. Read-outs show the response itself: when it passes 63.2 %,
//! and how long it takes from 10 to 90 %.

use proofstand_protocol::units::Micros;
use proofstand_units::Seconds;

use super::error::EstimateError;
use crate::fixture::Burst;
use crate::metrology::linear::{self, LinearFit, Scatter};
use crate::metrology::{Contribution, DegreesOfFreedom};

/// Share of its step that a first-order lag has made after its time constant, 1 − 1/e.
pub const AT_TIME_CONSTANT: f64 = 1.0 - 0.367_879_441_171_442_33;
/// Time from 10 to 90 % of a first-order lag over its time constant, ln 9.
pub const RISE_10_90: f64 = 2.197_224_577_336_219_4;

/// Response of a first-order lag to a step, as a share of it.
#[must_use]
pub fn first_order(time_over_constant: f64) -> f64 {
    if time_over_constant > 0.0 { -(-time_over_constant).exp_m1() } else { 0.0 }
}

/// A change of the command.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct CommandStep {
    /// When the command changed at the terminals.
    pub at: Micros,
    /// From what.
    pub from: f64,
    /// To what, in the same unit.
    pub to: f64,
}

/// The mean delay of torque behind command, from positions.
#[derive(Debug, Clone, PartialEq)]
pub struct DelayEstimate {
    /// The delay.
    pub delay: Seconds,
    /// Its standard uncertainty from the scatter of the positions about the fit.
    pub scatter: Seconds,
    /// Degrees of freedom of the scatter.
    pub degrees_of_freedom: DegreesOfFreedom,
    /// Acceleration by one unit of command, counts per second².
    pub gain: f64,
    /// Standard deviation of a position about the fit, counts.
    pub residual: f64,
    /// Time since the last change of command in seconds, and how far the shaft was behind an instant response to it, in
    /// counts per unit of change: each point of the burst.
    pub behind: Vec<[f64; 2]>,
    /// The same as fitted, without its place in time: delay, and what is left of the transient.
    pub fitted: [f64; 2],
}

/// Points that were fitted: times in seconds from the first point, counts from the first point.
struct Track {
    t: Vec<f64>,
    y: Vec<f64>,
}

fn track(burst: &Burst) -> Track {
    let period = f64::from(burst.order.period_us) * 1e-6;
    let mut last = None;
    let mut count = 0_i64;
    let mut y = Vec::new();
    for position in burst.positions() {
        if let Some(last) = last {
            count += i64::from(position.wrapping_sub(last) as i32);
        }
        last = Some(position);
        y.push(count as f64);
    }
    Track { t: (0..y.len()).map(|n| n as f64 * period).collect(), y }
}

/// Columns of the fit at a time: constant, speed, acceleration and its change; then an instant response to all steps,
/// the speed that a delay takes from it, and what the transient leaves behind.
fn columns(t: f64, steps: &[(f64, f64)]) -> [f64; 7] {
    let (mut instant, mut speed, mut left) = (0.0, 0.0, 0.0);
    for (at, size) in steps {
        let x = t - at;
        if x > 0.0 {
            instant += size * 0.5 * x * x;
            speed += size * x;
            left += size;
        }
    }
    [1.0, t, t * t, t * t * t, instant, speed, left]
}

/// Steps in seconds from a time, with their sizes.
fn relative(steps: &[CommandStep], origin: f64) -> Vec<(f64, f64)> {
    steps.iter().map(|s| (s.at.0 as f64 * 1e-6 - origin, s.to - s.from)).collect()
}

/// Time since the last step before `t`; none before the first.
fn since(t: f64, steps: &[(f64, f64)]) -> Option<(f64, f64)> {
    steps.iter().rev().find(|(at, _)| *at <= t).map(|(at, size)| (t - at, *size))
}

fn regress(t: &[f64], y: &[f64], steps: &[(f64, f64)], settle: f64) -> Result<LinearFit, EstimateError> {
    let settled = |t: f64| since(t, steps).is_none_or(|(x, _)| x >= settle);
    let kept: Vec<(f64, f64)> =
        t.iter().copied().zip(y.iter().copied()).filter(|(t, _)| settled(*t)).collect();
    const NEED: usize = 40;
    if kept.len() < NEED {
        return Err(EstimateError::TooFewSamples {
            what: "delay of the torque, settled points",
            have: kept.len(),
            need: NEED,
        });
    }
    let rows: Vec<[f64; 7]> = kept.iter().map(|(t, _)| columns(*t, steps)).collect();
    let matrix: Vec<Vec<f64>> =
        (0..7).map(|n| rows.iter().map(|r| r.get(n).copied().unwrap_or(0.0)).collect()).collect();
    let values: Vec<f64> = kept.iter().map(|(_, y)| *y).collect();
    Ok(linear::fit(&matrix, &values, Scatter::Residuals)?)
}

/// Standard uncertainty to be expected of a delay from one burst: steps of ±`change` (counts per second², the whole
/// change) every `half` seconds, points of standard deviation `deviation` counts.
#[must_use]
pub fn expected_scatter(
    period: f64,
    points: usize,
    half: f64,
    settle: f64,
    change: f64,
    deviation: f64,
) -> Option<Seconds> {
    let t: Vec<f64> = (0..points).map(|n| n as f64 * period).collect();
    let number = (points as f64 * period / half).ceil() as usize;
    let steps: Vec<(f64, f64)> =
        (0..number).map(|n| ((n as f64 + 0.5) * half, if n % 2 == 0 { 1.0 } else { -1.0 })).collect();
    // Any residuals will do: what counts is how uncertain they make the delay.
    let noise: Vec<f64> = (0..points).map(|n| if n % 2 == 0 { 1.0 } else { -1.0 }).collect();
    let fit = regress(&t, &noise, &steps, settle).ok()?;
    Some(Seconds::new(fit.uncertainty(5) / fit.residual_deviation * deviation / change.abs()))
}

/// Finds the mean delay in a burst of positions. Points until `settle` after each step are left out of the fit: there the
/// form of the response shows, of which nothing is assumed.
///
/// # Errors
/// [`EstimateError::TooFewSamples`] where too little is settled, or the steps don't show.
pub fn delay(burst: &Burst, steps: &[CommandStep], settle: Seconds) -> Result<DelayEstimate, EstimateError> {
    let Track { t, y } = track(burst);
    let origin = burst.at_us(0) as f64 * 1e-6;
    let steps = relative(steps, origin);
    let fit = regress(&t, &y, &steps, settle.get())?;
    let factor = |n: usize| fit.parameters.get(n).copied().unwrap_or(0.0);
    let gain = factor(4);
    // A gain that is not told from nothing gives no delay.
    if gain.abs() <= 5.0 * fit.uncertainty(4) {
        return Err(EstimateError::TooFewSamples {
            what: "delay of the torque, steps that show",
            have: 0,
            need: 1,
        });
    }
    let delay = -factor(5) / gain;
    // Both the delay's factor and the gain's are uncertain, and not independently.
    let mut weights = vec![0.0; 7];
    if let [_, _, _, _, g, d, _] = weights.as_mut_slice() {
        (*g, *d) = (-delay / gain, -1.0 / gain);
    }
    let (_, scatter) = fit.combination(&weights);
    let behind = t
        .iter()
        .zip(&y)
        .filter_map(|(t, y)| {
            let (x, size) = since(*t, &steps)?;
            // All but what the last step's own delay makes: older ones have settled.
            let [c0, c1, c2, c3, instant, speed, left] = columns(*t, &steps);
            let rest = c0 * factor(0)
                + c1 * factor(1)
                + c2 * factor(2)
                + c3 * factor(3)
                + instant * gain
                + (speed - size * x) * factor(5)
                + (left - size) * factor(6);
            Some([x, (y - rest) / size])
        })
        .collect();
    Ok(DelayEstimate {
        delay: Seconds::new(delay),
        scatter: Seconds::new(scatter),
        degrees_of_freedom: fit.degrees_of_freedom,
        gain,
        residual: fit.residual_deviation,
        behind,
        fitted: [factor(5), factor(6)],
    })
}

/// The response itself, averaged over steps.
#[derive(Debug, Clone, PartialEq)]
pub struct ResponseEstimate {
    /// From the command's step to 63.2 % of the response.
    pub to_63: Seconds,
    /// From 10 to 90 % of the response.
    pub rise: Seconds,
    /// Standard uncertainty of a crossing from the noise of the averaged response: at 63.2 %, and of the rise.
    pub scatter: [Seconds; 2],
    /// Steps averaged.
    pub steps: usize,
    /// Time since the step in seconds, share of the step: the averaged response.
    pub averaged: Vec<[f64; 2]>,
}

impl ResponseEstimate {
    /// The time constant of the first-order lag that would pass 63.2 % at that time, and what is uncertain about it.
    #[must_use]
    pub fn contributions(&self) -> Vec<Contribution> {
        vec![Contribution::normal("noise of the averaged response", self.scatter[0])]
    }
}

/// Averages the responses to the steps inside a burst, and finds where the average passes 10, 63.2 and 90 %.
///
/// `values` are the points of the burst in any unit. Only steps with a settled stretch of `half` before and after them are
/// used.
///
/// # Errors
/// [`EstimateError::TooFewSamples`] if no whole step lies in the burst, or its response never passes those shares.
pub fn response(
    burst: &Burst,
    values: &[f64],
    steps: &[CommandStep],
    half: Seconds,
) -> Result<ResponseEstimate, EstimateError> {
    let period = f64::from(burst.order.period_us) * 1e-6;
    let steps = relative(steps, burst.at_us(0) as f64 * 1e-6);
    let width = (half.get() / period).floor() as usize;
    let quarter = (width / 4).max(1);
    let mut sum = vec![0.0; width];
    let mut plateau = Vec::new();
    let mut used = 0_usize;
    for (at, _) in &steps {
        // The first point behind the step; the step lies part of a period before it.
        let first = (at / period).ceil();
        if first < quarter as f64 {
            continue;
        }
        let first = first as usize;
        let (Some(before), Some(after)) =
            (values.get(first - quarter..first), values.get(first..first + width + 1))
        else {
            continue;
        };
        let (low, high) = (mean(before), mean(after.get(width - quarter..width).unwrap_or(&[])));
        if !(high - low).is_normal() {
            continue;
        }
        let part = first as f64 - at / period;
        let share = |v: f64| (v - low) / (high - low);
        for (n, total) in sum.iter_mut().enumerate() {
            // Onto a grid that begins at the step: between the point before and the point behind.
            let behind = after.get(n).copied().unwrap_or(high);
            let ahead = if n == 0 { low } else { after.get(n - 1).copied().unwrap_or(low) };
            *total += share(behind + (ahead - behind) * part);
        }
        plateau.extend(after.iter().skip(width - quarter).map(|v| share(*v) - 1.0));
        used += 1;
    }
    let too_few = EstimateError::TooFewSamples {
        what: "response to a step, whole steps in the burst",
        have: used,
        need: 1,
    };
    if used == 0 {
        return Err(too_few);
    }
    let averaged: Vec<[f64; 2]> =
        sum.iter().enumerate().map(|(n, v)| [n as f64 * period, v / used as f64]).collect();
    let noise =
        (plateau.iter().map(|v| v * v).sum::<f64>() / plateau.len().max(1) as f64 / used as f64).sqrt();
    let at = |share: f64| crossing(&averaged, share);
    let (Some(ten), Some(middle), Some(ninety)) = (at(0.1), at(AT_TIME_CONSTANT), at(0.9)) else {
        return Err(too_few);
    };
    let by = |(_, slope): (f64, f64)| noise / slope;
    Ok(ResponseEstimate {
        to_63: Seconds::new(middle.0),
        rise: Seconds::new(ninety.0 - ten.0),
        scatter: [Seconds::new(by(middle)), Seconds::new(by(ten).hypot(by(ninety)))],
        steps: used,
        averaged,
    })
}

fn mean(values: &[f64]) -> f64 {
    values.iter().sum::<f64>() / values.len().max(1) as f64
}

/// Where a response first passes a share, and its slope there, over two points either side.
fn crossing(curve: &[[f64; 2]], share: f64) -> Option<(f64, f64)> {
    let n = curve.windows(2).position(|p| matches!(p, [a, b] if a[1] < share && b[1] >= share))?;
    let (a, b) = (curve.get(n)?, curve.get(n + 1)?);
    let at = a[0] + (b[0] - a[0]) * (share - a[1]) / (b[1] - a[1]);
    let (first, last) = (curve.get(n.saturating_sub(1))?, curve.get((n + 2).min(curve.len() - 1))?);
    Some((at, ((last[1] - first[1]) / (last[0] - first[0])).max(f64::MIN_POSITIVE)))
}

#[cfg(test)]
mod tests {
    use proofstand_protocol::message::BurstKind;

    use super::*;
    use crate::fixture::BurstOrder;
    use crate::metrology::reference::{columns as table, number, toml};

    fn burst(kind: BurstKind, period_us: u16, bytes: Vec<u8>) -> Burst {
        let order = BurstOrder { kind, period_us, points: (bytes.len() / 4) as u16 };
        Burst { number: 1, order, first: Some(Micros(1_000_000)), bytes }
    }

    /// `tests/reference/first-order-step.csv` and `first-order.toml`: closed form, recomputed to 40 digits.
    #[test]
    fn the_first_order_lag_is_that_of_the_closed_form() {
        let rows = table("first-order-step.csv");
        for (x, y) in rows[0].iter().zip(&rows[1]) {
            assert!((first_order(*x) - y).abs() < 1e-15, "{x}");
        }
        let constants = toml("first-order.toml");
        assert!((AT_TIME_CONSTANT - number(&constants["value_at_tau"])).abs() < 1e-16);
        assert!((RISE_10_90 - number(&constants["rise_time_10_90_over_tau"])).abs() < 1e-15);
    }

    fn square(half_us: u64, number: u64, first_us: u64) -> Vec<CommandStep> {
        (0..number)
            .map(|n| {
                let to = if n % 2 == 0 { 1.0 } else { -1.0 };
                CommandStep { at: Micros(first_us + n * half_us), from: -to, to }
            })
            .collect()
    }

    /// Torque from −1 to 1 and back behind lags in a row, integrated to positions in counts, finely.
    fn positions(steps: &[CommandStep], lags: &[f64], gain: f64, points: usize, period: f64) -> Vec<u8> {
        const FINE: f64 = 1e-6;
        let (mut speed, mut position) = (90_000.0_f64, 0.3_f64);
        let mut states = vec![-1.0; lags.len()];
        let mut bytes = Vec::new();
        let per_point = (period / FINE).round() as usize;
        for n in 0..points * per_point {
            if n % per_point == 0 {
                bytes.extend(position.floor().to_le_count());
            }
            let now = 1.0 + n as f64 * FINE;
            let command =
                steps.iter().rev().find(|s| s.at.0 as f64 * 1e-6 <= now + 1e-9).map_or(-1.0, |s| s.to);
            let mut input = command;
            for (state, lag) in states.iter_mut().zip(lags) {
                *state += (input - *state) * -(-FINE / lag).exp_m1();
                input = *state;
            }
            speed += (gain * input - 30_000.0) * FINE;
            position += speed * FINE;
        }
        bytes
    }

    trait Count {
        fn to_le_count(self) -> [u8; 4];
    }

    impl Count for f64 {
        fn to_le_count(self) -> [u8; 4] {
            (self as i64 as u32).to_le_bytes()
        }
    }

    #[test]
    fn the_delay_is_the_time_constant_of_one_lag_and_the_sum_of_two() {
        for (lags, expected) in
            [(&[1.1e-3][..], 1.1e-3), (&[0.5e-3, 0.6e-3][..], 1.1e-3), (&[2e-3][..], 2e-3)]
        {
            // Long enough for what is left after five time constants: a fit over less scatters more.
            let half = (expected * 12.7e6) as u64;
            let steps = square(half, 98_000 / half, 1_004_300);
            let bytes = positions(&steps, lags, 600_000.0, 1024, 1e-4);
            let got =
                delay(&burst(BurstKind::Position, 100, bytes), &steps, Seconds::new(5.0 * expected)).unwrap();
            let error = got.delay.get() - expected;
            // e⁻⁵ of the transient is still to come where the fit begins.
            assert!(error.abs() < 4.0 * got.scatter.get() + 0.005 * expected, "{lags:?}: {got:?}");
            assert!(got.scatter.get() < 25e-6, "{}", got.scatter.get());
            assert!((got.gain / 600_000.0 - 1.0).abs() < 0.02, "{}", got.gain);
            assert!((0.2..0.45).contains(&got.residual), "quantisation is 0.29 counts: {}", got.residual);
        }
    }

    #[test]
    fn the_scatter_expected_is_the_scatter_that_comes() {
        let steps = square(14_000, 7, 1_004_300);
        let bytes = positions(&steps, &[1.1e-3], 600_000.0, 1024, 1e-4);
        let got = delay(&burst(BurstKind::Position, 100, bytes), &steps, Seconds::new(5.5e-3)).unwrap();
        let expected =
            expected_scatter(1e-4, 1024, 14e-3, 5.5e-3, 1_200_000.0, 12f64.sqrt().recip()).unwrap();
        let ratio = expected.get() / got.scatter.get();
        assert!((0.6..1.6).contains(&ratio), "{ratio}");
    }

    #[test]
    fn a_response_passes_the_shares_of_the_closed_form_when_it_does() {
        for (lag, part) in [(1e-3, 0), (1e-3, 17), (1.5e-3, 33)] {
            let steps = square(16_000, 3, 1_005_000 + part);
            let points = 1024;
            let values: Vec<f64> = (0..points)
                .map(|n| {
                    let now = 1.0 + f64::from(n) * 40e-6;
                    steps.iter().fold(-0.3, |v, s| {
                        let x = (now - s.at.0 as f64 * 1e-6) / lag;
                        v + 0.3 * (s.to - s.from) * first_order(x)
                    })
                })
                .collect();
            let bytes = vec![0; 4 * points as usize];
            let got = response(&burst(BurstKind::ReadOuts, 40, bytes), &values, &steps, Seconds::new(15e-3))
                .unwrap();
            assert!((got.to_63.get() / lag - 1.0).abs() < 2e-3, "{lag} {part}: {got:?}");
            assert!((got.rise.get() / lag / RISE_10_90 - 1.0).abs() < 3e-3, "{lag} {part}: {:?}", got.rise);
        }
    }

    #[test]
    fn a_burst_without_steps_is_refused() {
        let still = burst(BurstKind::Position, 100, vec![0; 4 * 1024]);
        assert!(delay(&still, &square(14_000, 7, 1_004_000), Seconds::new(5e-3)).is_err());
        assert!(delay(&still, &[], Seconds::new(5e-3)).is_err());
        assert!(
            response(&still, &vec![0.0; 1024], &square(14_000, 7, 1_004_000), Seconds::new(13e-3)).is_err()
        );
        assert!(response(&still, &[], &[], Seconds::new(13e-3)).is_err());
    }
}
