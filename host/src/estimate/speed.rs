//! Speed over a window, and when a speed is reached.

use proofstand_protocol::message::Sample;
use proofstand_protocol::units::Micros;
use proofstand_units::{CountsPerRev, PartsPerMillion, Rpm, Seconds, Turns};

use super::error::EstimateError;
use super::quantisation;
use super::track::{Track, signed_micros};
use crate::metrology::line::{self, Weights};
use crate::metrology::{Contribution, DegreesOfFreedom};

/// Mean speed over a window: the slope of a straight line through positions over time.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct SpeedEstimate {
    /// Mean speed.
    pub speed: Rpm,
    /// Middle of the window.
    pub at: Micros,
    /// Standard uncertainty, the larger of the two below. (The residuals contain the quantisation, so they are not added.)
    pub standard_uncertainty: Rpm,
    /// From the residuals of the line.
    pub from_residuals: Rpm,
    /// From counting in whole counts, with the beat between counts and samples.
    pub from_quantisation: Rpm,
    /// Degrees of freedom of `standard_uncertainty`.
    pub degrees_of_freedom: DegreesOfFreedom,
    /// Standard deviation of the position about the line.
    pub residual: Turns,
    /// Samples in the window.
    pub samples: usize,
    /// Length of the window.
    pub duration: Seconds,
    /// Way made in the window.
    pub turns: Turns,
}

impl SpeedEstimate {
    /// What the record alone makes uncertain about the speed.
    #[must_use]
    pub fn of_the_record(&self) -> Contribution {
        if self.from_residuals >= self.from_quantisation {
            Contribution::type_a(
                "scatter of the position",
                self.standard_uncertainty,
                self.degrees_of_freedom,
            )
        } else {
            Contribution::normal("quantisation of the position", self.standard_uncertainty)
        }
    }

    /// The contributions to the speed's budget: the line, and the fixture's clock known to ± `clock`.
    #[must_use]
    pub fn contributions(&self, clock: PartsPerMillion) -> Vec<Contribution> {
        let line = self.of_the_record();
        vec![line, Contribution::rectangular("clock of the fixture", self.speed * (clock.get() * 1e-6))]
    }
}

/// Mean speed over all the samples given.
///
/// # Errors
/// Fewer than 3 samples, samples out of order, no counts per revolution.
pub fn speed(samples: &[Sample], counts_per_rev: CountsPerRev) -> Result<SpeedEstimate, EstimateError> {
    let track = Track::new("speed", samples, counts_per_rev, 3)?;
    let fit = line::fit(&track.micros, &track.counts, Weights::Equal)?;
    let mean = track.micros.iter().sum::<f64>() / track.len() as f64;
    let spread: f64 = track.micros.iter().map(|t| (t - mean).powi(2)).sum();
    let weights: Vec<f64> = track.micros.iter().map(|t| (t - mean) / spread).collect();
    let fitted: Vec<f64> = track.counts.iter().zip(&fit.residuals).map(|(c, r)| c - r).collect();
    let from_quantisation =
        track.rpm(quantisation::rms(&weights, &fitted, &track.ramp(), quantisation::Run::Even));
    let from_residuals = track.rpm(fit.slope_uncertainty);
    let by_residuals = from_residuals >= from_quantisation;
    Ok(SpeedEstimate {
        speed: track.rpm(fit.slope),
        at: track.at(mean),
        standard_uncertainty: from_residuals.max(from_quantisation),
        from_residuals,
        from_quantisation,
        degrees_of_freedom: if by_residuals { fit.degrees_of_freedom } else { DegreesOfFreedom::INFINITE },
        residual: Turns::new(fit.residual_deviation / f64::from(counts_per_rev.get())),
        samples: track.len(),
        duration: track.duration(),
        turns: track.turns(),
    })
}

/// Speed around one moment.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct LocalSpeed {
    /// The moment: middle of the short window.
    pub at: Micros,
    /// Speed there.
    pub speed: Rpm,
}

/// Speeds over short windows of `width` samples, one beginning at every `step`-th sample.
///
/// A short window rounds off what is shorter than itself: a peak of the speed with curvature c is lowered by about c·T²/40.
///
/// # Errors
/// `width` below 3 or above the number of samples, samples out of order, no counts per revolution.
pub fn local_speeds(
    samples: &[Sample],
    counts_per_rev: CountsPerRev,
    width: usize,
    step: usize,
) -> Result<Vec<LocalSpeed>, EstimateError> {
    let track = Track::new("speed over short windows", samples, counts_per_rev, width.max(3))?;
    let width = width.max(3);
    (0..=track.len() - width)
        .step_by(step.max(1))
        .map(|first| {
            let window = first..first + width;
            let micros = &track.micros[window.clone()];
            let fit = line::fit(micros, &track.counts[window], Weights::Equal)?;
            let middle = micros.iter().sum::<f64>() / width as f64;
            Ok(LocalSpeed { at: track.at(middle), speed: track.rpm(fit.slope) })
        })
        .collect()
}

/// Standard uncertainty of one speed over `width` samples at `period`, from 1/√12 count on each:
/// `√(12/n)/(√12·T)` counts a second for n samples over T.
#[must_use]
pub fn local_noise(counts_per_rev: CountsPerRev, width: usize, period: Seconds) -> Rpm {
    let n = width.max(2) as f64;
    let spread = n * (n * n - 1.0) / 12.0;
    let counts_per_second = (1.0 / 12.0 / spread).sqrt() / period.get();
    Rpm::new(60.0 * counts_per_second / f64::from(counts_per_rev.get()))
}

/// When a speed is reached.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Crossing {
    /// At this moment, between two local speeds.
    At {
        /// The moment, interpolated.
        at: Micros,
        /// Its standard uncertainty: noise of a local speed over the slope there, and the length of a step.
        standard_uncertainty: Seconds,
    },
    /// The record begins beyond the level already.
    AlreadyBeyond,
    /// The level is not reached.
    Never,
}

/// The first moment at which the speed reaches `level`, going away from zero on the level's own side.
///
/// # Errors
/// As [`local_speeds`].
pub fn first_crossing(
    samples: &[Sample],
    counts_per_rev: CountsPerRev,
    level: Rpm,
    width: usize,
) -> Result<Crossing, EstimateError> {
    let speeds = local_speeds(samples, counts_per_rev, width, 1)?;
    let side = 1.0_f64.copysign(level.get());
    let short = |s: &LocalSpeed| side * (level.get() - s.speed.get());
    let Some(beyond) = speeds.iter().position(|s| short(s) <= 0.0) else { return Ok(Crossing::Never) };
    let Some(before) = beyond.checked_sub(1) else { return Ok(Crossing::AlreadyBeyond) };
    let (a, b) = (&speeds[before], &speeds[beyond]);
    let step = signed_micros(b.at, a.at);
    let share = short(a) / (short(a) - short(b));
    let noise = local_noise(counts_per_rev, width, Seconds::new(1e-6 * step));
    // The slope over a whole window: two neighbours differ by little more than their noise.
    let (first, last) = (before.saturating_sub(width / 2), (beyond + width / 2).min(speeds.len() - 1));
    let rise = (side * (speeds[last].speed - speeds[first].speed).get()).max(noise.get());
    let seconds_per_rpm = 1e-6 * signed_micros(speeds[last].at, speeds[first].at) / rise;
    Ok(Crossing::At {
        at: super::track::offset(a.at, share * step),
        standard_uncertainty: Seconds::new(seconds_per_rpm * noise.get()),
    })
}

#[cfg(test)]
mod tests {
    use super::super::synthetic::{Noise, positions};
    use super::*;

    const CPR: CountsPerRev = CountsPerRev::new(4000);

    /// Samples at 1 kHz of a shaft at a place given in turns, each floored to a count.
    fn at_speed(rpm: f64, n: usize, phase: f64) -> Vec<Sample> {
        positions(n, CPR, |t| rpm / 60.0 * t + phase / 4000.0)
    }

    #[test]
    fn a_hundred_samples_give_the_speed_to_a_tenth_of_a_count_over_the_window() {
        // Closed form: u(slope) = √(12/n)/(√12·T) = 1/(√n·T) counts a second; at 1000 pulses, 1000 rpm, 100 ms 15 ppm.
        let mut errors = 0.0;
        let mut noise = Noise::new(7);
        for _ in 0..2000 {
            let rpm = 1000.0 + 20.0 * noise.uniform();
            let got = speed(&at_speed(rpm, 100, noise.uniform()), CPR).unwrap();
            errors += ((got.speed.get() - rpm) / rpm).powi(2);
            // At worst a line is tilted by one step in its middle: 1.5 counts over the window.
            assert!((got.speed.get() - rpm).abs() < 1.6 * 60.0 / 4000.0 / 0.099, "{rpm}: {got:?}");
        }
        let ppm = 1e6 * (errors / 2000.0_f64).sqrt();
        assert!((ppm / 15.0 - 1.0).abs() < 0.25, "{ppm}");
    }

    #[test]
    fn the_stated_uncertainty_covers_the_error_near_a_beat_and_away_from_it() {
        // Held against known speeds: the root mean square of error over stated uncertainty is about 1, and never do
        // the residuals alone, which show nothing at all when no beat falls into the window, stand for it.
        let mut noise = Noise::new(3);
        for centre in [975.0, 990.0, 1000.3, 1020.0, 1013.7] {
            let (mut ratio, tries) = (0.0, 400);
            for _ in 0..tries {
                // Within a quarter of a count over the window: 975 and 990 and 1020 are whole counts a sample.
                let rpm = centre + 0.04 * (noise.uniform() - 0.5);
                let got = speed(&at_speed(rpm, 100, noise.uniform()), CPR).unwrap();
                ratio += ((got.speed.get() - rpm) / got.standard_uncertainty.get()).powi(2);
            }
            let ratio = (ratio / f64::from(tries)).sqrt();
            assert!(ratio < 1.3, "{centre}: {ratio}");
        }
    }

    #[test]
    fn the_clock_is_a_contribution_of_its_own() {
        let got = speed(&at_speed(-3000.0, 200, 0.3), CPR).unwrap();
        let parts = got.contributions(PartsPerMillion::new(50.0));
        assert!((parts[1].input_uncertainty() - 3000.0 * 50e-6 / 3.0_f64.sqrt()).abs() < 1e-6);
        assert!((got.speed.get() + 3000.0).abs() < 0.2 && got.turns.get() > 9.9);
    }

    #[test]
    fn the_moment_of_reaching_a_speed_lies_within_a_fraction_of_a_sample() {
        // Closed form: at constant acceleration the speed v is reached at v/a.
        let samples = positions(300, CPR, |t| 0.5 * 60.0 * t * t); // 60 turns/s², 3600 rpm/s
        for level in [180.0, 500.0, 1000.0] {
            let Crossing::At { at, standard_uncertainty } =
                first_crossing(&samples, CPR, Rpm::new(level), 11).unwrap()
            else {
                panic!("not crossed");
            };
            let error = at.0 as f64 * 1e-6 - level / 3600.0;
            assert!(error.abs() < 4.0 * standard_uncertainty.get() && error.abs() < 5e-4, "{level}: {error}");
        }
        let of = |level: f64| first_crossing(&samples, CPR, Rpm::new(level), 11).unwrap();
        assert_eq!(of(2000.0), Crossing::Never);
        assert_eq!(of(-10.0), Crossing::Never);
        assert_eq!(of(5.0), Crossing::AlreadyBeyond);
    }

    #[test]
    fn local_noise_is_the_uncertainty_of_a_line_through_rounded_positions() {
        // Closed form beside metrology::line: equal u on evenly spaced points.
        let t: Vec<f64> = (0..20).map(|i| 1e-3 * f64::from(i)).collect();
        let u = vec![1.0 / 12.0_f64.sqrt(); 20];
        let fit = line::fit(&t, &t, Weights::Uncertainties(&u)).unwrap();
        let want = fit.slope_uncertainty * 60.0 / 4000.0;
        assert!((local_noise(CPR, 20, Seconds::new(1e-3)).get() / want - 1.0).abs() < 1e-12);
    }
}
