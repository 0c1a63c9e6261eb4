//! Angular acceleration over a window.

use proofstand_protocol::message::Sample;
use proofstand_protocol::units::Micros;
use proofstand_units::{CountsPerRev, RadPerSec, RadPerSec2, Rpm, Seconds, Turns};

use super::error::EstimateError;
use super::quantisation;
use super::track::Track;
use crate::metrology::polynomial::{self, PolynomialFit};
use crate::metrology::{Contribution, DegreesOfFreedom};

/// How the position is taken to run over the window.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub enum Shape {
    /// Constant acceleration.
    Quadratic,
    /// Acceleration that changes evenly, as under friction that grows with speed. In the middle of the window it costs
    /// nothing over the quadratic.
    #[default]
    Cubic,
}

impl Shape {
    const fn degree(self) -> usize {
        match self {
            Self::Quadratic => 2,
            Self::Cubic => 3,
        }
    }
}

/// Acceleration at a moment of a window.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct AccelerationEstimate {
    /// Acceleration.
    pub acceleration: RadPerSec2,
    /// Speed at the same moment.
    pub speed: RadPerSec,
    /// The moment.
    pub at: Micros,
    /// Standard uncertainty, the larger of the two below.
    pub standard_uncertainty: RadPerSec2,
    /// From the residuals of the fit.
    pub from_residuals: RadPerSec2,
    /// From counting in whole counts.
    pub from_quantisation: RadPerSec2,
    /// Degrees of freedom of `standard_uncertainty`.
    pub degrees_of_freedom: DegreesOfFreedom,
    /// Samples in the window.
    pub samples: usize,
    /// Length of the window.
    pub duration: Seconds,
    /// Way made in the window, start to end.
    pub turns: Turns,
}

impl AccelerationEstimate {
    /// The contribution of the fit to the budget of the acceleration.
    #[must_use]
    pub fn contribution(&self, name: &str) -> Contribution {
        if self.from_residuals >= self.from_quantisation {
            Contribution::type_a(name, self.standard_uncertainty, self.degrees_of_freedom)
        } else {
            Contribution::normal(name, self.standard_uncertainty)
        }
    }
}

/// Standard uncertainty of an acceleration to be expected of `samples` samples over `duration`:
/// `u(α) = u(θ)·√(720/n)/τ²` with `u(θ) = (2π/4N)/√12`. For planning; holds in the middle of a quadratic or cubic fit.
#[must_use]
pub fn expected_uncertainty(counts_per_rev: CountsPerRev, samples: usize, duration: Seconds) -> RadPerSec2 {
    let u_theta = core::f64::consts::TAU / f64::from(counts_per_rev.get()) / 12.0_f64.sqrt();
    let tau = duration.get();
    RadPerSec2::new(u_theta * (720.0 / samples as f64).sqrt() / (tau * tau))
}

/// Acceleration in the middle of the samples given.
///
/// # Errors
/// Fewer than 3 samples more than the fit has coefficients, samples out of order, no counts per revolution.
pub fn acceleration(
    samples: &[Sample],
    counts_per_rev: CountsPerRev,
    shape: Shape,
) -> Result<AccelerationEstimate, EstimateError> {
    let (track, fit) = fitted(samples, counts_per_rev, shape)?;
    Ok(estimate(&track, &fit, fit.centre()))
}

/// Acceleration at the moment of the window at which the fitted speed is `speed`; none if it is not passed there.
///
/// # Errors
/// As [`acceleration`].
pub fn acceleration_at_speed(
    samples: &[Sample],
    counts_per_rev: CountsPerRev,
    shape: Shape,
    speed: Rpm,
) -> Result<Option<AccelerationEstimate>, EstimateError> {
    let (track, fit) = fitted(samples, counts_per_rev, shape)?;
    let short = |t: f64| speed.get() - track.rpm(fit.derivative(1, t).0).get();
    let (mut low, mut high) = (track.micros[0], track.micros[track.len() - 1]);
    if short(low) * short(high) > 0.0 {
        return Ok(None);
    }
    // Bisection; the speed is all but a straight line here. So many halvings bring a window of minutes well below a
    // microsecond, and end whatever the record holds.
    for _ in 0..50 {
        let middle = 0.5 * (low + high);
        if short(low) * short(middle) <= 0.0 {
            high = middle;
        } else {
            low = middle;
        }
    }
    Ok(Some(estimate(&track, &fit, 0.5 * (low + high))))
}

fn fitted(
    samples: &[Sample],
    counts_per_rev: CountsPerRev,
    shape: Shape,
) -> Result<(Track, PolynomialFit), EstimateError> {
    let track = Track::new("acceleration", samples, counts_per_rev, shape.degree() + 4)?;
    let fit = polynomial::fit(&track.micros, &track.counts, shape.degree())?;
    Ok((track, fit))
}

fn estimate(track: &Track, fit: &PolynomialFit, at: f64) -> AccelerationEstimate {
    // Counts per microsecond squared.
    let to_rad = |value: f64| RadPerSec2::new(value * 1e12 * track.radians());
    let (value, u) = fit.derivative(2, at);
    let smooth: Vec<f64> = track.counts.iter().zip(&fit.residuals).map(|(c, r)| c - r).collect();
    let by_counting = quantisation::rms(
        &fit.derivative_weights(2, at),
        &smooth,
        &track.ramp(),
        quantisation::Run::Changing,
    );
    let (from_residuals, from_quantisation) = (to_rad(u), to_rad(by_counting));
    AccelerationEstimate {
        acceleration: to_rad(value),
        speed: track.rad_per_sec(fit.derivative(1, at).0),
        at: track.at(at),
        standard_uncertainty: from_residuals.max(from_quantisation),
        from_residuals,
        from_quantisation,
        degrees_of_freedom: if from_residuals >= from_quantisation {
            fit.degrees_of_freedom
        } else {
            DegreesOfFreedom::INFINITE
        },
        samples: track.len(),
        duration: track.duration(),
        turns: track.turns(),
    }
}

#[cfg(test)]
mod tests {
    use super::super::synthetic::{Noise, positions};
    use super::*;
    use core::f64::consts::TAU;

    const CPR: CountsPerRev = CountsPerRev::new(8192);

    #[test]
    fn the_scatter_of_many_windows_is_what_the_closed_form_says() {
        // Closed form: u(α) = u(θ)·√(720/n)/τ² with u(θ) one count/√12, against 1500 simulated windows of 50 samples.
        let (alpha, tries) = (400.0, 1500);
        let mut noise = Noise::new(11);
        let (mut sum, mut stated) = (0.0, 0.0);
        for _ in 0..tries {
            let (start, place) = (60.0 + 20.0 * noise.uniform(), noise.uniform());
            let samples = positions(50, CPR, |t| (start * t + 0.5 * alpha * t * t) / TAU + place / 8192.0);
            let got = acceleration(&samples, CPR, Shape::Cubic).unwrap();
            sum += (got.acceleration.get() - alpha).powi(2);
            stated += got.standard_uncertainty.get().powi(2);
        }
        let scatter = (sum / f64::from(tries)).sqrt();
        let stated = (stated / f64::from(tries)).sqrt();
        let theory = expected_uncertainty(CPR, 50, Seconds::new(0.049)).get();
        // For 50 samples the exact sum differs from the limit for many by a few percent.
        assert!((scatter / theory - 1.0).abs() < 0.1, "{scatter} {theory}");
        assert!((stated / scatter - 1.0).abs() < 0.15, "{scatter} {stated}");
    }

    #[test]
    fn an_acceleration_that_fades_with_speed_is_had_at_the_speed_asked_for() {
        // Closed form: ω = ω∞·(1 − e^(−t/T)), α = ω∞/T·e^(−t/T), so α(ω) = (ω∞ − ω)/T.
        let (end, t_m) = (400.0, 0.5);
        let samples = positions(120, CountsPerRev::new(1_000_000), |t| {
            end * (t - t_m * (1.0 - (-t / t_m).exp())) / TAU
        });
        let speed = RadPerSec::new(50.0);
        let got = acceleration_at_speed(&samples, CountsPerRev::new(1_000_000), Shape::Cubic, speed.to_rpm());
        let got = got.unwrap().unwrap();
        assert!((got.speed.get() - 50.0).abs() < 1e-3);
        assert!((got.acceleration.get() / ((end - 50.0) / t_m) - 1.0).abs() < 2e-3, "{got:?}");
        let beyond =
            acceleration_at_speed(&samples, CountsPerRev::new(1_000_000), Shape::Cubic, Rpm::new(5000.0));
        assert_eq!(beyond.unwrap(), None);
    }

    #[test]
    fn too_short_a_window_is_refused() {
        let samples = positions(6, CPR, |t| t);
        let error = acceleration(&samples, CPR, Shape::Cubic).unwrap_err();
        assert!(matches!(error, EstimateError::TooFewSamples { have: 6, need: 7, .. }));
        assert!(acceleration(&samples, CPR, Shape::Quadratic).is_ok());
    }
}
