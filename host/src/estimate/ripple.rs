//! How evenly a speed is held, and how far it shot over.

use proofstand_protocol::message::Sample;
use proofstand_protocol::units::Micros;
use proofstand_units::{CountsPerRev, Rpm, Seconds};

use super::error::EstimateError;
use super::speed::{local_noise, local_speeds};
use super::track::signed_micros;
use crate::metrology::Contribution;
use crate::metrology::student::expected_maximum;

/// Unevenness of a held speed, from speeds over short windows that don't overlap.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Ripple {
    /// Mean of the short windows' speeds.
    pub mean: Rpm,
    /// Standard deviation of the speed, the estimator's own noise taken out in quadrature; never below zero.
    pub rms: Rpm,
    /// Highest less lowest, noise still in it.
    pub peak_to_peak: Rpm,
    /// What noise alone would make of a perfectly even speed, peak to peak (d₂ times the noise).
    pub noise_peak_to_peak: Rpm,
    /// Standard deviation of one short window's speed from counting in whole counts.
    pub noise: Rpm,
    /// Short windows.
    pub windows: usize,
    /// Length of a short window. Ripple that is quicker is not seen.
    pub window: Seconds,
}

/// Ripple of a held speed over windows of `width` samples each.
///
/// # Errors
/// Fewer than 3 windows, windows of fewer than 3 samples, samples out of order, no counts per revolution.
pub fn ripple(
    samples: &[Sample],
    counts_per_rev: CountsPerRev,
    width: usize,
) -> Result<Ripple, EstimateError> {
    let width = width.max(3);
    if samples.len() < 3 * width {
        let (have, need) = (samples.len(), 3 * width);
        return Err(EstimateError::TooFewSamples { what: "ripple", have, need });
    }
    let speeds = local_speeds(samples, counts_per_rev, width, width)?;
    let count = speeds.len();
    let mean = speeds.iter().map(|s| s.speed.get()).sum::<f64>() / count as f64;
    let variance = speeds.iter().map(|s| (s.speed.get() - mean).powi(2)).sum::<f64>() / (count - 1) as f64;
    let (low, high) = speeds
        .iter()
        .fold((f64::INFINITY, f64::NEG_INFINITY), |(l, h), s| (l.min(s.speed.get()), h.max(s.speed.get())));
    let period = period(samples);
    let noise = local_noise(counts_per_rev, width, period);
    Ok(Ripple {
        mean: Rpm::new(mean),
        rms: Rpm::new((variance - noise.get().powi(2)).max(0.0).sqrt()),
        peak_to_peak: Rpm::new(high - low),
        noise_peak_to_peak: noise * (2.0 * expected_maximum(count)),
        noise,
        windows: count,
        window: period * (width - 1) as f64,
    })
}

/// How far the speed went beyond a level, on the level's own side of zero.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Overshoot {
    /// Highest speed less level, with half of the most that noise can have added taken off and what the short window
    /// rounded off added. Negative: the level was not reached.
    pub overshoot: Rpm,
    /// Highest speed over a short window, as it was found; it has the level's sign.
    pub extreme: Rpm,
    /// When.
    pub at: Micros,
    /// The most that noise raises the largest of so many values by: what it does if all of them are truly alike. A sharp
    /// peak is raised by less.
    pub most_bias: Rpm,
    /// What the short window takes off a peak as curved as this one; found from the speeds a window before and after.
    pub rounding: Rpm,
    /// Standard deviation of one short window's speed from counting in whole counts.
    pub noise: Rpm,
}

impl Overshoot {
    /// Contributions to the budget of the overshoot: noise of the value; the bias that lies anywhere from none to the
    /// most, of which half has been taken off; half of what was added for the rounding.
    #[must_use]
    pub fn contributions(&self) -> Vec<Contribution> {
        vec![
            Contribution::normal("quantisation of the highest speed", self.noise),
            Contribution::rectangular("bias of a maximum by noise", self.most_bias * 0.5),
            Contribution::rectangular("rounding of the peak by the window", self.rounding * 0.5),
        ]
    }
}

/// Overshoot beyond `level`, from speeds over windows of `width` samples that begin at every sample.
///
/// # Errors
/// As [`local_speeds`].
pub fn overshoot(
    samples: &[Sample],
    counts_per_rev: CountsPerRev,
    level: Rpm,
    width: usize,
) -> Result<Overshoot, EstimateError> {
    let width = width.max(3);
    let speeds = local_speeds(samples, counts_per_rev, width, 1)?;
    let side = 1.0_f64.copysign(level.get());
    let too_few = EstimateError::TooFewSamples { what: "overshoot", have: samples.len(), need: width };
    let (place, highest) = speeds
        .iter()
        .enumerate()
        .max_by(|(_, a), (_, b)| (side * a.speed.get()).total_cmp(&(side * b.speed.get())))
        .ok_or(too_few)?;
    let noise = local_noise(counts_per_rev, width, period(samples));
    let most_bias = noise * expected_maximum(speeds.len());
    let rounding = match (place.checked_sub(width).and_then(|i| speeds.get(i)), speeds.get(place + width)) {
        (Some(before), Some(after)) => {
            let fall = side * (highest.speed * 2.0 - before.speed - after.speed).get();
            highest.speed.abs().min(Rpm::new((fall * rounded_share(width)).max(0.0)))
        }
        _ => Rpm::ZERO,
    };
    Ok(Overshoot {
        overshoot: (highest.speed - level) * side - most_bias * 0.5 + rounding,
        extreme: highest.speed,
        at: highest.at,
        most_bias,
        rounding,
        noise,
    })
}

/// A line through `width` = 2m + 1 positions lowers a parabolic peak of the speed by (3m² + 3m − 1)/30 of what the speed
/// falls by in its second difference per sample squared; here per `width` squared.
fn rounded_share(width: usize) -> f64 {
    let (n, m) = (width as f64, (width as f64 - 1.0) / 2.0);
    (3.0 * m * m + 3.0 * m - 1.0) / 30.0 / (n * n)
}

/// Mean time between samples.
fn period(samples: &[Sample]) -> Seconds {
    match (samples.first(), samples.last()) {
        (Some(first), Some(last)) if samples.len() > 1 => {
            Seconds::new(1e-6 * signed_micros(last.at, first.at) / (samples.len() - 1) as f64)
        }
        _ => Seconds::ZERO,
    }
}

#[cfg(test)]
mod tests {
    use super::super::synthetic::positions;
    use super::*;
    use core::f64::consts::TAU;

    const CPR: CountsPerRev = CountsPerRev::new(10_000);

    #[test]
    fn a_sine_on_the_speed_comes_back_with_its_amplitude_over_root_two() {
        // Closed form: speed 1000 + 30·sin(2π·4t) rpm; rms 30/√2, peak to peak 60; a window of 10 ms takes off 0.8 %.
        let (amplitude, f) = (30.0, 4.0);
        let samples = positions(1000, CPR, |t| {
            (1003.7 * t + amplitude / (TAU * f) * (1.0 - (TAU * f * t).cos())) / 60.0
        });
        let got = ripple(&samples, CPR, 10).unwrap();
        assert!((got.rms.get() / (amplitude / 2.0_f64.sqrt()) - 1.0).abs() < 0.02, "{got:?}");
        assert!((got.peak_to_peak.get() / 60.0 - 1.0).abs() < 0.03, "{got:?}");
        assert!((got.mean.get() - 1003.7).abs() < 0.1, "{got:?}");
        assert_eq!(got.windows, 100);
    }

    #[test]
    fn a_perfectly_even_speed_has_no_more_ripple_than_the_noise_explains() {
        let samples = positions(2000, CPR, |t| 1234.567 / 60.0 * t);
        let got = ripple(&samples, CPR, 10).unwrap();
        assert!(got.rms < got.noise, "{got:?}");
        assert!(got.peak_to_peak.get() < 1.5 * got.noise_peak_to_peak.get(), "{got:?}");
    }

    #[test]
    fn the_overshoot_of_a_second_order_step_is_the_textbook_share() {
        // Closed form (second-order step response): overshoot e^(−πζ/√(1−ζ²)), at t = π/(ω·√(1−ζ²)).
        let (zeta, omega, level) = (0.4_f64, 60.0_f64, -900.0);
        let root = (1.0 - zeta * zeta).sqrt();
        let (decay, ring) = (zeta * omega, root * omega);
        // The integral of 1 − e^(−dt)·(cos rt + (d/r)·sin rt), with d² + r² = ω².
        let way = |t: f64| {
            let (sin, cos) = (ring * t).sin_cos();
            let envelope = (-decay * t).exp();
            let a = (decay * (1.0 - envelope * cos) + ring * envelope * sin) / (omega * omega);
            let b = (ring * (1.0 - envelope * cos) - decay * envelope * sin) / (omega * omega);
            t - a - decay / ring * b
        };
        let samples = positions(200, CPR, |t| level / 60.0 * way(t));
        let got = overshoot(&samples, CPR, Rpm::new(level), 7).unwrap();
        let want = 900.0 * (-core::f64::consts::PI * zeta / root).exp();
        let u: f64 = got.contributions().iter().map(|c| c.input_uncertainty().powi(2)).sum::<f64>().sqrt();
        assert!((got.overshoot.get() - want).abs() < 2.0 * u, "{got:?} {want} {u}");
        assert!((got.at.0 as f64 * 1e-6 - core::f64::consts::PI / ring).abs() < 4e-3);
        // Without the rounding added the result would be below the truth by more than twice its uncertainty.
        assert!(got.extreme < Rpm::new(level) && got.rounding.get() > 0.5, "{got:?}");
    }

    #[test]
    fn an_even_speed_overshoots_by_no_more_than_its_own_uncertainty() {
        let samples = positions(1500, CPR, |t| 1234.567 / 60.0 * t);
        let got = overshoot(&samples, CPR, Rpm::new(1234.567), 10).unwrap();
        assert!(got.overshoot.get().abs() <= got.most_bias.get(), "{got:?}");
    }

    #[test]
    fn a_record_too_short_for_three_windows_is_refused() {
        let samples = positions(29, CPR, |t| t);
        assert!(matches!(ripple(&samples, CPR, 10), Err(EstimateError::TooFewSamples { need: 30, .. })));
    }
}
