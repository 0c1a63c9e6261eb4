//! Propagation of distributions (JCGM 101:2008) for a budget, and the comparison with the GUM's interval (its clause 8).
//!
//! A budget is a sum of independent, symmetric contributions, so that the distribution of the result can be computed
//! instead of sampled: the characteristic function of a sum is the product of those of its parts, and
//! `P(|Y| ≤ y) = 2/π·∫ φ(t)·sin(ty)/t dt` (Gil-Pelaez 1951). It is what a Monte Carlo run comes to with ever more
//! trials, in some ten thousand operations and the same every time. The tests hold it against Monte Carlo runs.

use core::f64::consts::{FRAC_PI_2, FRAC_PI_4, PI, TAU};

use super::contribution::{Contribution, DegreesOfFreedom, Distribution, whole};
use super::student::{Level, t_probability, t_quantile};

/// Most steps of the integral.
const STEPS_MAX: usize = 40_000;
/// The integral ends where what is left of it is below this.
const REST: f64 = 1e-6;

/// An independent part of a result: its standard uncertainty there, and its distribution.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Part {
    /// Standard uncertainty in the result's unit; of a t distribution its scale.
    pub(super) scale: f64,
    /// Its distribution.
    pub(super) distribution: Distribution,
    /// Degrees of freedom: finite ones make a normal distribution a scaled t (JCGM 101:2008, 6.4.9).
    pub(super) degrees_of_freedom: DegreesOfFreedom,
}

impl Part {
    pub(super) fn of(contribution: &Contribution) -> Self {
        Self {
            scale: contribution.signed().abs(),
            distribution: contribution.distribution,
            degrees_of_freedom: contribution.degrees_of_freedom(),
        }
    }

    /// Whole degrees of freedom if it is a t distribution.
    pub(super) fn student(&self) -> Option<u32> {
        let nu = self.degrees_of_freedom.finite()?;
        let bell = matches!(self.distribution, Distribution::Normal | Distribution::StudentT);
        // Beyond this a t is a normal distribution to six digits.
        (bell && nu < 2000.0).then_some(whole(nu).max(1.0) as u32)
    }

    /// Characteristic function at a frequency, and the bound under which it stays from there on.
    fn characteristic(&self, t: f64) -> (f64, f64) {
        let s = self.scale * t;
        if let Some(nu) = self.student() {
            let value = student(nu, s);
            return (value, value);
        }
        match self.distribution {
            Distribution::Normal | Distribution::StudentT => {
                let value = (-0.5 * s * s).exp();
                (value, value)
            }
            Distribution::Rectangular => {
                let x = 3.0_f64.sqrt() * s;
                (sinc(x), (1.0 / x).min(1.0))
            }
            Distribution::Triangular => {
                let x = 6.0_f64.sqrt() * s / 2.0;
                (sinc(x).powi(2), (1.0 / x).min(1.0).powi(2))
            }
            Distribution::UShaped => {
                let x = core::f64::consts::SQRT_2 * s;
                (bessel_j0(x), (2.0 / (PI * x)).sqrt().min(1.0))
            }
        }
    }

    /// Period, in units of the part's scale, beyond which hardly anything of it lies.
    fn reach(&self) -> f64 {
        match self.student() {
            Some(1) => 4000.0,
            Some(2) => 400.0,
            Some(3) => 120.0,
            Some(4) => 70.0,
            Some(5..=8) => 50.0,
            _ => 24.0,
        }
    }
}

/// The distribution of a result about its value: that of a sum of independent, symmetric parts. The interval and the
/// probability of conformity are both taken from it.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Propagated {
    /// Root of the sum of squares of the parts' scales; the unit of what follows.
    total: f64,
    /// Weights of the integral.
    weights: Vec<f64>,
    /// Its step.
    step: f64,
    /// Degrees of freedom of the one part there is, where that is normal or a scaled t: closed forms hold.
    bell: Option<DegreesOfFreedom>,
}

impl Propagated {
    /// Of a sum of parts. Without parts all of it lies at the value.
    pub(super) fn of(parts: &[Part]) -> Self {
        let parts = merged(parts);
        let total = parts.iter().map(|p| p.scale * p.scale).sum::<f64>().sqrt();
        let real = total > 0.0 && total.is_finite();
        let (weights, step) = if real { integral(&parts, total) } else { (Vec::new(), 1.0) };
        let bell = match parts.as_slice() {
            [one] if matches!(one.distribution, Distribution::Normal | Distribution::StudentT) => {
                let whole = one.student().map(f64::from).and_then(|nu| DegreesOfFreedom::new(nu).ok());
                Some(whole.unwrap_or(DegreesOfFreedom::INFINITE))
            }
            _ => None,
        };
        Self { total, weights, step, bell }
    }

    /// Half-width of the interval about the value that holds `level` of it.
    pub(super) fn half_width(&self, level: Level) -> f64 {
        if self.weights.is_empty() {
            return self.total;
        }
        self.total * quantile(&self.weights, self.step, level.share(), 0.5 * TAU / self.step)
    }

    /// Share of it within ± a half-width of the value.
    pub(super) fn share_within(&self, half_width: f64) -> f64 {
        if self.weights.is_empty() {
            return if half_width >= 0.0 { 1.0 } else { 0.0 };
        }
        // Beyond half the period the sum repeats itself; nothing of the distribution lies there.
        let y = (half_width / self.total).clamp(0.0, 0.5 * TAU / self.step);
        inside(&self.weights, self.step, y).clamp(0.0, 1.0)
    }

    /// Probability that the true value lies more than `distance` above the measured one; a negative distance lies below
    /// it. One normal or t distribution alone by its closed form, a sum to some 1e-5, a bound
    /// alone to some 1e-3 near its edge.
    pub(super) fn beyond(&self, distance: f64) -> f64 {
        if self.weights.is_empty() {
            return if distance < 0.0 { 1.0 } else { 0.0 };
        }
        if let Some(nu) = self.bell {
            // From below, so that small probabilities keep their digits.
            return t_probability(-distance / self.total, nu);
        }
        let tail = 0.5 * (1.0 - self.share_within(distance.abs()));
        if distance >= 0.0 { tail } else { 1.0 - tail }
    }

    /// The distance that is exceeded upwards with a probability of at most one half.
    pub(super) fn exceeded_with(&self, probability: f64) -> f64 {
        match self.bell {
            Some(nu) if !self.weights.is_empty() => t_quantile(1.0 - probability, nu) * self.total,
            _ => self.half_width(Level::new(1.0 - 2.0 * probability)),
        }
    }
}

/// Weights and step of the integral, in units of the combined standard uncertainty.
fn integral(parts: &[Part], total: f64) -> (Vec<f64>, f64) {
    let parts: Vec<Part> = parts.iter().map(|p| Part { scale: p.scale / total, ..*p }).collect();
    let period = 24.0 + parts.iter().map(|p| p.scale * p.reach()).fold(0.0, f64::max);
    let step = TAU / period;
    let mut weights = Vec::new();
    for i in 0..STEPS_MAX {
        let t = (i as f64 + 0.5) * step;
        let (mut value, mut bound) = (1.0, 1.0);
        for part in &parts {
            let (v, b) = part.characteristic(t);
            value *= v;
            bound *= b;
        }
        weights.push(value / t * step / FRAC_PI_2);
        if bound / t < REST {
            break;
        }
    }
    (weights, step)
}

/// Parts of normal distribution are one; what adds nothing is left out.
fn merged(parts: &[Part]) -> Vec<Part> {
    let bell = |p: &Part| {
        matches!(p.distribution, Distribution::Normal | Distribution::StudentT) && p.student().is_none()
    };
    let normal = parts.iter().filter(|p| bell(p)).map(|p| p.scale * p.scale).sum::<f64>().sqrt();
    let normal = Part {
        scale: normal,
        distribution: Distribution::Normal,
        degrees_of_freedom: DegreesOfFreedom::INFINITE,
    };
    parts
        .iter()
        .copied()
        .filter(|p| !bell(p))
        .chain(core::iter::once(normal))
        .filter(|p| p.scale > 0.0)
        .collect()
}

/// Where the distribution function of |Y| comes to `share`: secant steps inside a bracket.
fn quantile(weights: &[f64], step: f64, share: f64, most: f64) -> f64 {
    let short = |y: f64| inside(weights, step, y) - share;
    let (mut low, mut high) = (0.0, 2.0_f64.min(most));
    while short(high) < 0.0 && high < most {
        low = high;
        high = (1.5 * high).min(most);
    }
    let (mut at_low, mut at_high) = (short(low), short(high));
    for _ in 0..60 {
        if high - low < 1e-9 * high {
            break;
        }
        // Illinois: a secant step; the end that stays twice counts half.
        let between = if at_high > at_low {
            (low * at_high - high * at_low) / (at_high - at_low)
        } else {
            0.5 * (low + high)
        };
        let at = short(between);
        if at < 0.0 {
            (low, at_low) = (between, at);
            at_high *= 0.5;
        } else {
            (high, at_high) = (between, at);
            at_low *= 0.5;
        }
        if at.abs() < 1e-10 {
            return between;
        }
    }
    0.5 * (low + high)
}

/// P(|Y| ≤ y): Σ wᵢ·sin(tᵢ·y) at tᵢ = (i + ½)·step, the sines by rotation.
fn inside(weights: &[f64], step: f64, y: f64) -> f64 {
    let (turn_sin, turn_cos) = (step * y).sin_cos();
    let (mut sin, mut cos) = (0.5 * step * y).sin_cos();
    let mut sum = 0.0;
    for w in weights {
        sum += w * sin;
        (sin, cos) = (sin * turn_cos + cos * turn_sin, cos * turn_cos - sin * turn_sin);
    }
    sum
}

fn sinc(x: f64) -> f64 {
    if x.abs() < 1e-4 { 1.0 - x * x / 6.0 } else { x.sin() / x }
}

/// Bessel function J₀ (Abramowitz and Stegun, 9.4.1 and 9.4.3; error below 1e-7).
fn bessel_j0(x: f64) -> f64 {
    let x = x.abs();
    if x <= 3.0 {
        let z = (x / 3.0).powi(2);
        return polynomial(
            z,
            &[1.0, -2.249_999_7, 1.265_620_8, -0.316_386_6, 0.044_447_9, -0.003_944_4, 0.000_21],
        );
    }
    let z = 3.0 / x;
    let f = polynomial(
        z,
        &[
            0.797_884_56,
            -0.000_000_77,
            -0.005_527_4,
            -0.000_095_12,
            0.001_372_37,
            -0.000_728_05,
            0.000_144_76,
        ],
    );
    let theta = x - FRAC_PI_4
        + polynomial(
            z,
            &[0.0, -0.041_663_97, -0.000_039_54, 0.002_625_73, -0.000_541_25, -0.000_293_33, 0.000_135_58],
        );
    f * theta.cos() / x.sqrt()
}

/// Characteristic function of Student's t, `x^μ·K_μ(x)/(2^(μ−1)·Γ(μ))` with μ = ν/2, x = √ν·|s|. From the recurrence of K:
/// `f(μ+1) = f(μ) + x²/(4μ(μ−1))·f(μ−1)`.
fn student(nu: u32, s: f64) -> f64 {
    let x = f64::from(nu).sqrt() * s.abs();
    if x < 1e-9 {
        return 1.0;
    }
    let (mut before, mut here, mut mu) = if nu % 2 == 1 {
        let e = (-x).exp();
        // f(1/2) and f(3/2).
        (e, e * (1.0 + x), 1.5)
    } else {
        let (k0, k1) = bessel_k01(x);
        // f(1) and f(2).
        (x * k1, 0.5 * x * x * k0 + x * k1, 2.0)
    };
    let wanted = f64::from(nu) / 2.0;
    if wanted < mu {
        return before;
    }
    while mu < wanted {
        (before, here) = (here, here + x * x / (4.0 * mu * (mu - 1.0)) * before);
        mu += 1.0;
    }
    here
}

/// Bessel functions K₀ and K₁ (Abramowitz and Stegun, 9.8.1 to 9.8.8; relative error below 1e-6).
fn bessel_k01(x: f64) -> (f64, f64) {
    if x <= 2.0 {
        let t = (x / 3.75).powi(2);
        let i0 = polynomial(
            t,
            &[1.0, 3.515_622_9, 3.089_942_4, 1.206_749_2, 0.265_973_2, 0.036_076_8, 0.004_581_3],
        );
        let i1 = x * polynomial(
            t,
            &[0.5, 0.878_905_94, 0.514_988_69, 0.150_849_34, 0.026_587_33, 0.003_015_32, 0.000_324_11],
        );
        let z = x * x / 4.0;
        let log = (x / 2.0).ln();
        let k0 = -log * i0
            + polynomial(
                z,
                &[
                    -0.577_215_66,
                    0.422_784_2,
                    0.230_697_56,
                    0.034_885_9,
                    0.002_626_98,
                    0.000_107_5,
                    0.000_007_4,
                ],
            );
        let k1 = log * i1
            + polynomial(
                z,
                &[
                    1.0,
                    0.154_431_44,
                    -0.672_785_79,
                    -0.181_568_97,
                    -0.019_194_02,
                    -0.001_104_04,
                    -0.000_046_86,
                ],
            ) / x;
        return (k0, k1);
    }
    let z = 2.0 / x;
    let scale = (-x).exp() / x.sqrt();
    let k0 = polynomial(
        z,
        &[1.253_314_14, -0.078_323_58, 0.021_895_68, -0.010_624_46, 0.005_878_72, -0.002_515_4, 0.000_532_08],
    );
    let k1 = polynomial(
        z,
        &[1.253_314_14, 0.234_986_19, -0.036_556_2, 0.015_042_68, -0.007_803_53, 0.003_256_14, -0.000_682_45],
    );
    (scale * k0, scale * k1)
}

fn polynomial(x: f64, coefficients: &[f64]) -> f64 {
    coefficients.iter().rev().fold(0.0, |sum, c| sum * x + c)
}

/// Numerical tolerance of a standard uncertainty stated to two significant digits: half a unit of the second digit
/// (JCGM 101:2008, 7.9.2).
#[must_use]
pub fn tolerance(standard_uncertainty: f64) -> f64 {
    if standard_uncertainty > 0.0 && standard_uncertainty.is_finite() {
        // Rounded to two digits first: 9.96 is 10.
        let digit = standard_uncertainty.log10().floor() - 1.0;
        let rounded = (standard_uncertainty / 10_f64.powf(digit)).round() * 10_f64.powf(digit);
        0.5 * 10_f64.powf((rounded.log10() + 1e-12).floor() - 1.0)
    } else {
        0.0
    }
}

#[cfg(test)]
mod tests;
