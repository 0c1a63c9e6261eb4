//! Mean of an analog channel over a window.

use proofstand_protocol::message::Sample;
use proofstand_units::Volts;

use super::error::EstimateError;
use crate::metrology::{Contribution, DegreesOfFreedom};

/// An analog channel of a sample.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum Channel {
    /// Command as read back at the terminal.
    Readback,
    /// Torque read-out.
    Torque,
    /// Speed read-out.
    Speed,
}

impl Channel {
    /// The channel's value in a sample.
    #[must_use]
    pub fn of(self, sample: &Sample) -> Volts {
        let microvolts = match self {
            Self::Readback => sample.readback,
            Self::Torque => sample.torque,
            Self::Speed => sample.speed_readout,
        };
        Volts::new(1e-6 * f64::from(microvolts.0))
    }
}

/// Mean of a channel.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Mean {
    /// Mean.
    pub mean: Volts,
    /// Standard deviation of one sample.
    pub deviation: Volts,
    /// Standard uncertainty of the mean, with what neighbouring samples have in common taken into account.
    pub standard_uncertainty: Volts,
    /// How many independent samples the record is worth.
    pub independent: f64,
    /// Degrees of freedom: independent samples less one, at least one.
    pub degrees_of_freedom: DegreesOfFreedom,
    /// Samples.
    pub samples: usize,
}

impl Mean {
    /// Contributions to the mean's budget: its scatter, and the converter's step (± half of it), which averaging does
    /// not take out where the noise is smaller than the step. Calibration is for the caller to add.
    #[must_use]
    pub fn contributions(&self, name: &str, step: Volts) -> Vec<Contribution> {
        vec![
            Contribution::type_a(
                &format!("{name}, scatter"),
                self.standard_uncertainty,
                self.degrees_of_freedom,
            ),
            Contribution::rectangular(&format!("{name}, step of the converter"), step * 0.5),
        ]
    }
}

/// Mean of a channel over the samples given.
///
/// Neighbouring samples of a filtered signal resemble each other. With a correlation r between neighbours, n samples
/// are worth n·(1−r)/(1+r) independent ones (first-order process; JCGM 100:2008, 4.2.7 asks for such care); a negative r is not
/// put to advantage.
///
/// # Errors
/// Fewer than 3 samples.
pub fn mean(samples: &[Sample], channel: Channel) -> Result<Mean, EstimateError> {
    let n = samples.len();
    if n < 3 {
        return Err(EstimateError::TooFewSamples { what: "mean of a read-out", have: n, need: 3 });
    }
    let values: Vec<f64> = samples.iter().map(|s| channel.of(s).get()).collect();
    let mean = values.iter().sum::<f64>() / n as f64;
    let squares: f64 = values.iter().map(|v| (v - mean).powi(2)).sum();
    let products: f64 = values.windows(2).map(|p| (p[0] - mean) * (p[1] - mean)).sum();
    let r = if squares > 0.0 { (products / squares).clamp(0.0, 0.999) } else { 0.0 };
    let independent = (n as f64 * (1.0 - r) / (1.0 + r)).max(1.0);
    let deviation = (squares / (n - 1) as f64).sqrt();
    Ok(Mean {
        mean: Volts::new(mean),
        deviation: Volts::new(deviation),
        standard_uncertainty: Volts::new(deviation / independent.sqrt()),
        independent,
        degrees_of_freedom: DegreesOfFreedom::of_fit(independent as usize, 1),
        samples: n,
    })
}

#[cfg(test)]
mod tests {
    use super::super::synthetic::Noise;
    use super::*;
    use proofstand_protocol::units::Microvolts;

    fn record(values: impl Iterator<Item = f64>) -> Vec<Sample> {
        values.map(|v| Sample { torque: Microvolts(v.round() as i32), ..Sample::default() }).collect()
    }

    #[test]
    fn independent_samples_give_s_over_root_n() {
        // Source: JCGM 100:2008, 4.2.3: u = s/√n.
        let mut noise = Noise::new(5);
        let got = mean(&record((0..4000).map(|_| 2e6 + 1e4 * noise.normal())), Channel::Torque).unwrap();
        assert!((got.standard_uncertainty.get() / (0.01 / 4000.0_f64.sqrt()) - 1.0).abs() < 0.06, "{got:?}");
        assert!((got.mean.get() - 2.0).abs() < 4.0 * got.standard_uncertainty.get());
    }

    #[test]
    fn a_filtered_channel_is_worth_fewer_samples_and_its_mean_scatters_as_stated() {
        // Closed form of a first-order process with r = 0.9: variance of the mean is s²/n·(1+r)/(1−r), 19 times as much.
        let mut noise = Noise::new(9);
        let (mut error, mut stated, tries) = (0.0, 0.0, 300);
        for _ in 0..tries {
            let mut state = noise.normal() / (1.0 - 0.81_f64).sqrt();
            let samples = record((0..500).map(|_| {
                state = 0.9 * state + noise.normal();
                1e4 * state
            }));
            let got = mean(&samples, Channel::Torque).unwrap();
            error += got.mean.get().powi(2);
            stated += got.standard_uncertainty.get().powi(2);
        }
        assert!(((error / stated).sqrt() - 1.0).abs() < 0.15, "{}", (error / stated).sqrt());
    }

    #[test]
    fn a_channel_that_stands_still_keeps_the_step_of_the_converter() {
        let got = mean(&record(core::iter::repeat_n(5e5, 50)), Channel::Torque).unwrap();
        assert_eq!(got.standard_uncertainty, Volts::ZERO);
        let parts = got.contributions("torque read-out", Volts::new(3e-4));
        assert!((parts[1].input_uncertainty() - 1.5e-4 / 3.0_f64.sqrt()).abs() < 1e-18);
        assert!(mean(&[], Channel::Speed).is_err());
    }
}
