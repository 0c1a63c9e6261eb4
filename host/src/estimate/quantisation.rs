//! What counting in whole counts does to an estimate that is a weighted sum of positions.
//!
//! The usual 1/√12 of a count on every sample holds only if the samples fall anywhere between two counts,
//! independently. A shaft at a steady speed near a whole number of counts a sample does not do that: the error then
//! beats slowly, and a fitted slope may be off by a count over the whole window. Written as a Fourier series, the error of
//! a count is −Σ sin(2πh·x)/(πh); with the phase unknown, harmonic h adds |Σ w·exp(2πi·h·x)|²/(2π²h²) to the variance.

use core::f64::consts::{PI, TAU};

/// Harmonics that are followed one by one; the rest is taken as independent from sample to sample.
const HARMONICS: usize = 16;
/// Samples that are followed together.
const SIDE_BY_SIDE: usize = 4;

/// How the fitted positions run against the counts.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Run {
    /// At one speed, known to ± a count over the window: the mean is taken over that.
    Even,
    /// At a speed that changes by many counts a sample from the beginning of the window to its end.
    Changing,
}

impl Run {
    /// Steps in which the fitted speed is varied.
    const fn drifts(self) -> usize {
        match self {
            Self::Even => 21,
            Self::Changing => 1,
        }
    }
}

/// Root mean square error, in counts times weight, of Σ wᵢ·countᵢ.
///
/// `fitted` are the positions in counts as fitted; `ramp` runs from −½ to ½ over the window.
pub(super) fn rms(weights: &[f64], fitted: &[f64], ramp: &[f64], run: Run) -> f64 {
    let drifts = run.drifts();
    let samples = weights.len().min(fitted.len()).min(ramp.len());
    let squares: f64 = weights.iter().map(|w| w * w).sum();
    let mut variance = 0.0;
    let mut followed = 0.0;
    let mut sums = [(0.0_f64, 0.0_f64); HARMONICS];
    for step in 0..drifts {
        let drift = if drifts > 1 { 2.0 * step as f64 / (drifts - 1) as f64 - 1.0 } else { 0.0 };
        sums.fill((0.0, 0.0));
        // A few samples side by side: the powers of one wait for each other. They are added in their order.
        for n in (0..samples).step_by(SIDE_BY_SIDE) {
            let (mut re, mut im) = ([0.0; SIDE_BY_SIDE], [0.0; SIDE_BY_SIDE]);
            let (mut sin, mut cos) = ([0.0; SIDE_BY_SIDE], [1.0; SIDE_BY_SIDE]);
            let lanes = SIDE_BY_SIDE.min(samples - n);
            for lane in 0..lanes {
                let place = fitted[n + lane] + drift * ramp[n + lane];
                (sin[lane], cos[lane]) = (TAU * (place - place.floor())).sin_cos();
                re[lane] = weights[n + lane];
            }
            for sum in &mut sums {
                for lane in 0..SIDE_BY_SIDE {
                    (re[lane], im[lane]) = (
                        re[lane] * cos[lane] - im[lane] * sin[lane],
                        re[lane] * sin[lane] + im[lane] * cos[lane],
                    );
                }
                for (re, im) in re.iter().zip(&im).take(lanes) {
                    sum.0 += re;
                    sum.1 += im;
                }
            }
        }
        for (h, (re, im)) in sums.iter().enumerate() {
            let order = (h + 1) as f64;
            variance += (re * re + im * im) / (2.0 * PI * PI * order * order) / drifts as f64;
        }
    }
    for h in 1..=HARMONICS {
        followed += 1.0 / (2.0 * PI * PI * (h * h) as f64);
    }
    (variance + (1.0 / 12.0 - followed) * squares).sqrt()
}

#[cfg(test)]
mod tests {
    use super::*;

    fn slope_weights(n: usize) -> (Vec<f64>, Vec<f64>) {
        let middle = (n - 1) as f64 / 2.0;
        let sum: f64 = (0..n).map(|i| (i as f64 - middle).powi(2)).sum();
        let ramp: Vec<f64> = (0..n).map(|i| (i as f64 - middle) / (n - 1) as f64).collect();
        ((0..n).map(|i| (i as f64 - middle) / sum).collect(), ramp)
    }

    /// Root mean square over many phases and over ±1 count of drift, by brute force.
    fn tried(weights: &[f64], per_sample: f64) -> f64 {
        let n = weights.len();
        let (mut sum, mut tries) = (0.0, 0.0);
        for d in 0..41 {
            let speed = per_sample + (f64::from(d) - 20.0) / 20.0 / n as f64;
            for p in 0..200 {
                let phase = f64::from(p) / 200.0;
                let error: f64 = weights
                    .iter()
                    .enumerate()
                    .map(|(i, w)| {
                        let x = speed * i as f64 + phase;
                        w * (x.floor() - x)
                    })
                    .sum();
                sum += error * error;
                tries += 1.0;
            }
        }
        (sum / tries).sqrt()
    }

    #[test]
    fn it_is_what_trying_every_phase_gives_at_any_speed() {
        // Check by exhaustion: floor() of exact positions at many phases.
        let (weights, ramp) = slope_weights(100);
        for per_sample in [66.618, 66.667, 66.5, 66.995, 67.0, 0.37] {
            let fitted: Vec<f64> = (0..100).map(|i| per_sample * f64::from(i)).collect();
            let (got, want) = (rms(&weights, &fitted, &ramp, Run::Even), tried(&weights, per_sample));
            assert!((got / want - 1.0).abs() < 0.05, "{per_sample}: {got} {want}");
        }
    }

    #[test]
    fn an_ordinary_speed_gives_a_twelfth_and_a_whole_number_of_counts_a_sample_gives_more() {
        let (weights, ramp) = slope_weights(100);
        let white = (weights.iter().map(|w| w * w).sum::<f64>() / 12.0).sqrt();
        let at = |per_sample: f64| {
            let fitted: Vec<f64> = (0..100).map(|i| per_sample * f64::from(i)).collect();
            rms(&weights, &fitted, &ramp, Run::Even) / white
        };
        // The golden ratio is the speed farthest from any beat.
        assert!((0.2..1.3).contains(&at(66.618_034)), "{}", at(66.618_034));
        assert!(at(67.0) > 2.0, "{}", at(67.0));
    }
}
