//! How fast a speed follows small steps of its command, from bursts of positions taken while the command alternates.
//!
//! Nothing is assumed of the form of the response but that it is the same after every step and over before the next one.
//! It is taken as a line through knots; positions are linear in its values there, so that one least-squares fit gives them
//! with their covariance. Its last value is the whole step. Terms as in IEC 60050-351: step response, time constant as the
//! time to 63.2 %, rise time from 10 to 90 %, overshoot as the most by which the whole step is passed.

use proofstand_units::{Percent, Seconds};

use super::error::EstimateError;
use super::step_response::{AT_TIME_CONSTANT, CommandStep};
use crate::fixture::Burst;
use crate::metrology::linear::{self, LinearFit, Scatter};
use crate::metrology::student::expected_maximum;
use crate::metrology::{Contribution, DegreesOfFreedom};

/// Knots, in time constants that are expected: dense where the response is quick.
const KNOTS: [f64; 20] = [
    0.2, 0.4, 0.6, 0.8, 1.0, 1.25, 1.5, 1.75, 2.0, 2.5, 3.0, 3.5, 4.0, 5.0, 6.0, 8.0, 10.0, 13.0, 16.0, 20.0,
];
/// Parameters of a fit before those of the knots: place and speed.
const FIRST: usize = 2;
/// A response that moves by more than this from the last knot but two on had not settled.
const SETTLED: f64 = 0.05;

/// A response at the knots, from one burst or the mean of several.
#[derive(Debug, Clone, PartialEq)]
pub struct SpeedResponse {
    /// Times of the knots after the step, seconds; the response begins with 0 at 0.
    times: Vec<f64>,
    /// Speed there, in counts per second for one step.
    values: Vec<f64>,
    /// Covariance of the values.
    covariance: Vec<Vec<f64>>,
    /// Degrees of freedom of the covariance.
    pub degrees_of_freedom: DegreesOfFreedom,
    /// Standard deviation of a position about the fit, counts; the largest of all bursts.
    pub residual: f64,
    /// Bursts in it.
    pub bursts: usize,
}

/// A number of a response, with what is uncertain about it.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Read<Q> {
    /// The number.
    pub value: Q,
    /// Its standard uncertainty by the scatter of the positions.
    pub scatter: Q,
    /// The most that lines between the knots can be off by.
    pub lines: Q,
    /// What a part of the response that was still to come at the next step makes of it, at most.
    pub rest: Q,
}

impl<Q: crate::metrology::Quantity> Read<Q> {
    /// Contributions to a budget.
    #[must_use]
    pub fn contributions(&self, degrees_of_freedom: DegreesOfFreedom) -> Vec<Contribution> {
        vec![
            Contribution::type_a("scatter of the positions", self.scatter, degrees_of_freedom),
            Contribution::rectangular("straight lines between the knots of the response", self.lines),
            Contribution::rectangular("response still to come at the next step", self.rest),
        ]
    }
}

/// The overshoot of a response.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct StepOvershoot {
    /// Beyond the whole step, in percent of it; half of the most that noise adds to a maximum is taken off.
    pub percent: Read<Percent>,
    /// The most by which noise raises the largest of so many values.
    pub most_bias: Percent,
    /// When.
    pub at: Seconds,
}

impl StepOvershoot {
    /// Contributions to a budget.
    #[must_use]
    pub fn contributions(&self, degrees_of_freedom: DegreesOfFreedom) -> Vec<Contribution> {
        let mut all = self.percent.contributions(degrees_of_freedom);
        all.push(Contribution::rectangular("bias of a maximum by noise", self.most_bias * 0.5));
        all
    }
}

/// What a response of this shape is at a time, and its integral from 0: between `before` and `after` it rises from 0 to 1
/// and then falls to 0 at `end`; without an end it stays.
fn hat(x: f64, before: f64, after: f64, end: Option<f64>) -> f64 {
    // Integral of a ramp from 0 at `a` to 1 at `b`, that stays at 1 behind.
    let ramp = |a: f64, b: f64| {
        if x <= a {
            0.0
        } else if x < b {
            0.5 * (x - a) * (x - a) / (b - a)
        } else {
            0.5 * (b - a) + (x - b)
        }
    };
    ramp(before, after) - end.map_or(0.0, |end| ramp(after, end))
}

/// Columns of the fit: place and speed, then what each knot's value makes of all steps.
fn columns(t: &[f64], steps: &[(f64, f64)], knots: &[f64]) -> Vec<Vec<f64>> {
    let mut all = vec![vec![1.0; t.len()], t.to_vec()];
    for (n, knot) in knots.iter().enumerate() {
        let before = if n == 0 { 0.0 } else { knots.get(n - 1).copied().unwrap_or(0.0) };
        let end = knots.get(n + 1).copied();
        let place = |t: &f64| {
            steps.iter().map(|(at, size)| size * hat((t - at).max(0.0), before, *knot, end)).sum::<f64>()
        };
        all.push(t.iter().map(place).collect());
    }
    all
}

fn fit(t: &[f64], y: &[f64], steps: &[(f64, f64)], knots: &[f64]) -> Result<LinearFit, EstimateError> {
    let need = 4 * (FIRST + knots.len());
    if t.len() < need {
        return Err(EstimateError::TooFewSamples {
            what: "response of the speed, points between two steps",
            have: t.len(),
            need,
        });
    }
    Ok(linear::fit(&columns(t, steps, knots), y, Scatter::Residuals)?)
}

fn knots(expected: Seconds, half: Seconds) -> Vec<f64> {
    // None beyond the next step, and one just there.
    let mut all: Vec<f64> =
        KNOTS.iter().map(|k| k * expected.get()).filter(|k| *k < 0.9 * half.get()).collect();
    all.push(half.get());
    all
}

/// The response that a burst shows. `steps` are all steps of the motion, before and within the burst, in any unit of which
/// a whole step is one; points from `until` on (microseconds on the fixture's clock) are left out.
///
/// # Errors
/// [`EstimateError::TooFewSamples`] where too few points are left, or the steps don't show.
pub fn speed_response(
    burst: &Burst,
    steps: &[CommandStep],
    until: u64,
    expected: Seconds,
    half: Seconds,
) -> Result<SpeedResponse, EstimateError> {
    let origin = burst.at_us(0);
    let mut last: Option<u32> = None;
    let mut count = 0_i64;
    let (mut t, mut y) = (Vec::new(), Vec::new());
    for (n, position) in burst.positions().enumerate() {
        if let Some(last) = last {
            count += i64::from(position.wrapping_sub(last) as i32);
        }
        last = Some(position);
        if burst.at_us(n) < until {
            t.push((burst.at_us(n) - origin) as f64 * 1e-6);
            y.push(count as f64);
        }
    }
    let steps: Vec<(f64, f64)> =
        steps.iter().map(|s| ((s.at.0 as f64 - origin as f64) * 1e-6, s.to - s.from)).collect();
    let times = knots(expected, half);
    let fit = fit(&t, &y, &steps, &times)?;
    let widening = fit.widening().powi(2);
    let values: Vec<f64> = fit.parameters.iter().skip(FIRST).copied().collect();
    let covariance: Vec<Vec<f64>> = fit
        .covariance
        .iter()
        .skip(FIRST)
        .map(|row| row.iter().skip(FIRST).map(|v| v * widening).collect())
        .collect();
    let response = SpeedResponse {
        times,
        values,
        covariance,
        degrees_of_freedom: fit.degrees_of_freedom,
        residual: fit.residual_deviation,
        bursts: 1,
    };
    let (whole, u) = response.whole();
    if whole.abs() <= 5.0 * u {
        return Err(EstimateError::TooFewSamples {
            what: "response of the speed, steps that show",
            have: 0,
            need: 1,
        });
    }
    Ok(response)
}

/// Mean of responses at the same knots; none of none.
#[must_use]
pub fn mean(all: &[SpeedResponse]) -> Option<SpeedResponse> {
    let first = all.first()?;
    let n = all.len() as f64;
    let mut sum = first.clone();
    for other in all.iter().skip(1).filter(|r| r.times == first.times) {
        for (total, value) in sum.values.iter_mut().zip(&other.values) {
            *total += value;
        }
        for (row, more) in sum.covariance.iter_mut().zip(&other.covariance) {
            for (total, value) in row.iter_mut().zip(more) {
                *total += value;
            }
        }
        sum.residual = sum.residual.max(other.residual);
        sum.bursts += other.bursts;
    }
    sum.values.iter_mut().for_each(|v| *v /= n);
    sum.covariance.iter_mut().flatten().for_each(|v| *v /= n * n);
    Some(sum)
}

impl SpeedResponse {
    /// The whole step, counts per second, and its standard uncertainty.
    #[must_use]
    pub fn whole(&self) -> (f64, f64) {
        let last = self.values.len().saturating_sub(1);
        let variance = self.covariance.get(last).and_then(|row| row.get(last)).copied();
        (self.values.last().copied().unwrap_or(0.0), variance.unwrap_or(f64::INFINITY).max(0.0).sqrt())
    }

    /// Time since the step in seconds, share of the step, its standard uncertainty: from 0 on, a row a knot.
    #[must_use]
    pub fn curve(&self) -> Vec<[f64; 3]> {
        let whole = self.whole().0;
        let last = self.values.len().saturating_sub(1);
        let mut curve = vec![[0.0; 3]];
        for (n, (time, value)) in self.times.iter().zip(&self.values).enumerate() {
            let share = value / whole;
            let mut weights = vec![0.0; self.values.len()];
            if let Some(w) = weights.get_mut(n) {
                *w += 1.0 / whole;
            }
            if let Some(w) = weights.get_mut(last) {
                *w -= share / whole;
            }
            curve.push([*time, share, self.deviation(&weights)]);
        }
        curve
    }

    /// Standard deviation of a weighted sum of the values.
    fn deviation(&self, weights: &[f64]) -> f64 {
        let row = |row: &Vec<f64>| row.iter().zip(weights).map(|(c, w)| c * w).sum::<f64>();
        self.covariance.iter().zip(weights).map(|(r, w)| w * row(r)).sum::<f64>().max(0.0).sqrt()
    }

    /// By how much a line may lie beside the response in the span before a knot: an eighth of the bend about it.
    fn bend(curve: &[[f64; 3]], knot: usize) -> f64 {
        let second = |n: usize| {
            let (a, b, c) = (curve.get(n.checked_sub(1)?)?, curve.get(n)?, curve.get(n + 1)?);
            let slopes = ((b[1] - a[1]) / (b[0] - a[0]), (c[1] - b[1]) / (c[0] - b[0]));
            Some(2.0 * (slopes.1 - slopes.0).abs() / (c[0] - a[0]))
        };
        let span = match (knot.checked_sub(1).and_then(|n| curve.get(n)), curve.get(knot)) {
            (Some(a), Some(b)) => b[0] - a[0],
            _ => 0.0,
        };
        // At the step itself the response may begin with a corner: that bend is none of a curve.
        let most = [knot.saturating_sub(1), knot].into_iter().filter_map(second).fold(0.0, f64::max);
        most * span * span / 8.0
    }

    /// What was still to come when the last value was taken for the whole step, as a share of it: what came last. A slow part
    /// that dies away by itself moves by about as much again.
    fn rest(&self) -> f64 {
        self.curve().iter().rev().nth(1).map_or(0.0, |p| (p[1] - 1.0).abs())
    }

    /// When a share of the step is first passed; its weights on the values; what lines between knots may be off by, and what
    /// the rest of the response.
    fn crossing(&self, share: f64) -> Option<(f64, Vec<f64>, f64, f64)> {
        let curve = self.curve();
        let n = curve.windows(2).position(|p| matches!(p, [a, b] if a[1] < share && b[1] >= share))?;
        let (a, b) = (curve.get(n)?, curve.get(n + 1)?);
        let slope = (b[1] - a[1]) / (b[0] - a[0]);
        let part = (share - a[1]) / (b[1] - a[1]);
        let whole = self.whole().0;
        let mut weights = vec![0.0; self.values.len()];
        // The values begin behind the 0 at the step.
        for (place, weight) in
            [(n.checked_sub(1), 1.0 - part), (Some(n), part), (self.values.len().checked_sub(1), -share)]
        {
            if let Some(w) = place.and_then(|p| weights.get_mut(p)) {
                *w -= weight / (slope * whole);
            }
        }
        Some((
            a[0] + part * (b[0] - a[0]),
            weights,
            Self::bend(&curve, n + 1) / slope,
            self.rest() * share / slope,
        ))
    }

    /// From the step to 63.2 % of it; none if it is never passed.
    #[must_use]
    pub fn to_63(&self) -> Option<Read<Seconds>> {
        let (time, weights, lines, rest) = self.crossing(AT_TIME_CONSTANT)?;
        let [value, scatter, lines, rest] = [time, self.deviation(&weights), lines, rest].map(Seconds::new);
        Some(Read { value, scatter, lines, rest })
    }

    /// From 10 to 90 % of the step; none if either is never passed.
    #[must_use]
    pub fn rise(&self) -> Option<Read<Seconds>> {
        let ((ten, early, a, _), (ninety, late, b, rest)) = (self.crossing(0.1)?, self.crossing(0.9)?);
        let weights: Vec<f64> = late.iter().zip(&early).map(|(l, e)| l - e).collect();
        let [value, scatter, lines, rest] =
            [ninety - ten, self.deviation(&weights), a + b, rest].map(Seconds::new);
        Some(Read { value, scatter, lines, rest })
    }

    /// The most by which the whole step is passed. None below it: a response that never passes it overshoots by about nothing.
    #[must_use]
    pub fn overshoot(&self) -> StepOvershoot {
        let curve = self.curve();
        // The last knot is the whole step itself.
        let looked_at = curve.len().saturating_sub(1);
        let highest = curve.iter().take(looked_at).enumerate().max_by(|a, b| a.1[1].total_cmp(&b.1[1]));
        let (place, [at, share, u]) = highest.map_or((0, [0.0; 3]), |(n, p)| (n, *p));
        // Only knots that come near the peak can be taken for it by noise.
        let near = curve.iter().take(looked_at).filter(|p| p[1] > share - 3.0 * u).count();
        let most_bias = Percent::new(100.0 * u * expected_maximum(near));
        let lines = Self::bend(&curve, place).max(Self::bend(&curve, place + 1));
        let value = Percent::new(100.0 * (share - 1.0)) - most_bias * 0.5;
        let [scatter, lines, rest] = [u, lines, self.rest() * share].map(|part| Percent::new(100.0 * part));
        let percent = Read { value, scatter, lines, rest };
        StepOvershoot { percent, most_bias, at: Seconds::new(at) }
    }

    /// The response was over before the next step.
    #[must_use]
    pub fn settled(&self) -> bool {
        self.curve().iter().rev().take(3).all(|p| (p[1] - 1.0).abs() < SETTLED + 2.0 * p[2])
    }
}

/// Standard uncertainties to be expected of the time to 63.2 % and of the overshoot (percent), of a first-order response of
/// that time constant: a step of `change` counts per second every `half`, points of standard deviation `deviation` counts,
/// so many bursts.
#[must_use]
pub fn expected_scatter(
    (period, points): (f64, usize),
    (expected, half): (Seconds, Seconds),
    change: f64,
    deviation: f64,
    bursts: usize,
) -> Option<(Seconds, Percent)> {
    let t: Vec<f64> = (0..points).map(|n| n as f64 * period).collect();
    let number = (points as f64 * period / half.get()).ceil() as usize;
    let steps: Vec<(f64, f64)> =
        (0..=number).map(|n| ((n as f64 - 0.5) * half.get(), if n % 2 == 0 { 1.0 } else { -1.0 })).collect();
    let times = knots(expected, half);
    // Any residuals will do: what counts is how uncertain they make the values.
    let noise: Vec<f64> = (0..points).map(|n| if n % 2 == 0 { 1.0 } else { -1.0 }).collect();
    let fit = fit(&t, &noise, &steps, &times).ok()?;
    let scale = (deviation / fit.residual_deviation).powi(2) / bursts.max(1) as f64;
    let response = SpeedResponse {
        values: times
            .iter()
            .map(|t| change.abs() * super::step_response::first_order(t / expected.get()))
            .collect(),
        covariance: fit
            .covariance
            .iter()
            .skip(FIRST)
            .map(|row| row.iter().skip(FIRST).map(|v| v * scale).collect())
            .collect(),
        times,
        degrees_of_freedom: fit.degrees_of_freedom,
        residual: deviation,
        bursts,
    };
    // Where a maximum can lie: no loop passes the whole step before it has made most of it.
    let peak = |p: &&[f64; 3]| p[0] >= expected.get();
    let late = response.curve().iter().filter(peak).map(|p| p[2]).fold(0.0, f64::max);
    Some((response.to_63()?.scatter, Percent::new(100.0 * late)))
}

#[cfg(test)]
mod tests {
    use core::f64::consts::PI;

    use proofstand_protocol::message::BurstKind;
    use proofstand_protocol::units::Micros;

    use super::super::step_response::{RISE_10_90, first_order};
    use super::*;
    use crate::fixture::BurstOrder;
    use crate::metrology::reference::columns as table;

    const HALF: f64 = 0.1;
    const PERIOD_US: u16 = 196;
    const EXPECTED: Seconds = Seconds::new(5e-3);

    fn alternating() -> Vec<CommandStep> {
        let at = |n: u64| Micros(900_037 + n * 100_000);
        let level = |n: u64| if n.is_multiple_of(2) { 0.5 } else { -0.5 };
        (0..6)
            .map(|n| CommandStep { at: at(n), from: if n == 0 { 0.0 } else { level(n - 1) }, to: level(n) })
            .collect()
    }

    /// Positions in whole counts: 49 000 counts/s, and steps of `change` of them with the integral `way` of the response.
    fn burst(change: f64, place: f64, way: impl Fn(f64) -> f64) -> Burst {
        let order = BurstOrder { kind: BurstKind::Position, period_us: PERIOD_US, points: 1024 };
        let mut bytes = Vec::new();
        for n in 0..1024_u64 {
            let now = 1_000_000.0 + (n * u64::from(PERIOD_US)) as f64;
            let steps: f64 = alternating()
                .iter()
                .map(|s| (s.to - s.from) * way(((now - s.at.0 as f64) * 1e-6).max(0.0)))
                .sum();
            let counts = (place + 49_000.0 * now * 1e-6 + change * steps).floor();
            bytes.extend((counts as i64 as u32).to_le_bytes());
        }
        Burst { number: 1, order, first: Some(Micros(1_000_000)), bytes }
    }

    fn averaged(change: f64, way: impl Fn(f64) -> f64) -> SpeedResponse {
        let one = |n: u32| {
            let burst = burst(change, 0.37 * f64::from(n), &way);
            speed_response(&burst, &alternating(), u64::MAX, EXPECTED, Seconds::new(HALF)).unwrap()
        };
        mean(&[one(0), one(1), one(2), one(3)]).unwrap()
    }

    /// Of the reading and its standard uncertainty, three of it; and the lines' share.
    fn room<Q: crate::metrology::Quantity>(read: &Read<Q>) -> f64 {
        3.0 * read.scatter.number() + read.lines.number() + read.rest.number()
    }

    #[test]
    fn of_a_first_order_lag_come_its_time_constant_its_rise_time_and_no_overshoot() {
        // Closed form: `tests/reference/first-order-step.csv` holds it, and `first-order.toml` that 10 to 90 % take ln 9 of τ.
        let rows = table("first-order-step.csv");
        for tau in [3e-3, 5e-3, 8e-3] {
            let got = averaged(7000.0, |t| t - tau * first_order(t / tau));
            let (to_63, rise) = (got.to_63().unwrap(), got.rise().unwrap());
            assert!((to_63.value.get() - tau).abs() < room(&to_63), "{tau}: {to_63:?}");
            assert!((rise.value.get() - RISE_10_90 * tau).abs() < room(&rise), "{tau}: {rise:?}");
            assert!(to_63.scatter.get() < 0.05 * tau && to_63.lines.get() < 0.05 * tau, "{tau}: {to_63:?}");
            let over = got.overshoot();
            assert!(over.percent.value.get().abs() < 3.0 * over.percent.scatter.get() + 0.1, "{over:?}");
            // The whole curve lies on the table's rows.
            for (x, y) in rows[0].iter().zip(&rows[1]).filter(|(x, _)| **x * tau < 0.05) {
                let curve = got.curve();
                let n = curve.windows(2).position(|p| p[0][0] <= x * tau && x * tau < p[1][0]).unwrap();
                let part = (x * tau - curve[n][0]) / (curve[n + 1][0] - curve[n][0]);
                let line = curve[n][1] + part * (curve[n + 1][1] - curve[n][1]);
                let room = 4.0 * curve[n][2].max(curve[n + 1][2]) + 0.01;
                assert!((line - y).abs() < room && room < 0.1, "{tau} {x}: {line} for {y}, {room}");
            }
        }
    }

    #[test]
    fn of_a_second_order_loop_come_the_textbooks_overshoot_and_times() {
        // Closed form of the standard second-order system (K. Ogata, Modern Control Engineering, 5th ed., section 5-3; from
        // memory, and worked by hand): overshoot e^(−πζ/√(1−ζ²)), first peak at π/(ω·√(1−ζ²)).
        for (zeta, omega) in [(0.4_f64, 300.0_f64), (0.6, 350.0), (0.707, 300.0)] {
            let root = (1.0 - zeta * zeta).sqrt();
            let (decay, ring) = (zeta * omega, root * omega);
            let response =
                |t: f64| 1.0 - (-decay * t).exp() * ((ring * t).cos() + decay / ring * (ring * t).sin());
            let way = |t: f64| {
                let (sin, cos) = (ring * t).sin_cos();
                let e = (-decay * t).exp();
                let a = (decay * (1.0 - e * cos) + ring * e * sin) / (omega * omega);
                let b = (ring * (1.0 - e * cos) - decay * e * sin) / (omega * omega);
                t - a - decay / ring * b
            };
            let passes = |share: f64| {
                let (mut low, mut high) = (0.0, PI / ring);
                for _ in 0..60 {
                    let middle = 0.5 * (low + high);
                    if response(middle) < share { low = middle } else { high = middle }
                }
                low
            };
            let got = averaged(7000.0, way);
            let (to_63, rise, over) = (got.to_63().unwrap(), got.rise().unwrap(), got.overshoot());
            assert!((to_63.value.get() - passes(AT_TIME_CONSTANT)).abs() < room(&to_63), "{zeta}: {to_63:?}");
            assert!((rise.value.get() - passes(0.9) + passes(0.1)).abs() < room(&rise), "{zeta}: {rise:?}");
            let want = 100.0 * (-PI * zeta / root).exp();
            let room = room(&over.percent) + over.most_bias.get();
            assert!((over.percent.value.get() - want).abs() < room, "{zeta}: {over:?} for {want}");
            assert!(room < 0.2 * want + 2.0, "{zeta}: {over:?}");
            assert!((over.at.get() - PI / ring).abs() < 2.5e-3, "{zeta}: {over:?}");
        }
    }

    #[test]
    fn the_scatter_expected_is_the_scatter_that_comes() {
        let tau = EXPECTED.get();
        let got = averaged(7000.0, |t| t - tau * first_order(t / tau));
        let expected = expected_scatter(
            (f64::from(PERIOD_US) * 1e-6, 1024),
            (EXPECTED, Seconds::new(HALF)),
            7000.0,
            12f64.sqrt().recip(),
            4,
        );
        let ratio = expected.unwrap().0.get() / got.to_63().unwrap().scatter.get();
        assert!((0.5..1.6).contains(&ratio), "{ratio}");
    }

    #[test]
    fn a_slow_response_is_not_settled_and_a_quick_one_is() {
        for (tau, settled) in [(5e-3, true), (60e-3, false)] {
            let got = averaged(7000.0, |t: f64| t - tau * first_order(t / tau));
            assert_eq!(got.settled(), settled, "{tau}: {:?}", got.curve());
        }
    }

    #[test]
    fn a_burst_without_steps_is_refused() {
        let still = burst(0.0, 0.0, |t| t);
        let half = Seconds::new(HALF);
        assert!(speed_response(&still, &alternating(), u64::MAX, EXPECTED, half).is_err());
        assert!(speed_response(&still, &[], u64::MAX, EXPECTED, half).is_err());
        assert!(speed_response(&still, &alternating(), 0, EXPECTED, half).is_err());
        assert!(mean(&[]).is_none());
    }
}
