//! Which trials a campaign is made of.

use super::axes::AXES;
use super::faults::FAULTS;
use super::trial::Trial;

/// Seeds of a campaign begin here; those of the tests, on which rules are tuned, lie below.
pub const FIRST_SEED: u64 = 1_000_000;

/// A part of a campaign.
#[derive(Debug, Clone, Copy, PartialEq, Eq, clap::ValueEnum)]
pub enum Part {
    /// Every fault in every size on axes of the population.
    Faults,
    /// Axes with nothing wrong.
    Healthy,
    /// Gains around the limit: the verdicts' shares must be those of the decision rule.
    Borderline,
    /// Noise on the cable.
    Noise,
}

/// Every part.
pub const PARTS: [Part; 4] = [Part::Faults, Part::Healthy, Part::Borderline, Part::Noise];

/// How many trials of each kind.
#[derive(Debug, Clone, Copy)]
pub struct Size {
    /// Seeds for each fault in each size.
    pub seeds: u64,
    /// Healthy runs.
    pub healthy: u64,
    /// Runs for each gain near the limit.
    pub borderline: u64,
    /// Runs for each rate of noise.
    pub noise: u64,
}

impl Size {
    /// The whole campaign.
    pub const WHOLE: Self = Self { seeds: 30, healthy: 10_000, borderline: 200, noise: 340 };
    /// A slice that tells in a minute or two whether anything is broken.
    pub const SLICE: Self = Self { seeds: 1, healthy: 24, borderline: 0, noise: 4 };
}

/// What of the command gets lost in a borderline trial, percent: the limit of the population's sheets is 5 %.
pub const BORDERLINE: [f64; 7] = [3.5, 4.0, 4.5, 5.0, 5.5, 6.0, 6.5];
/// Errors a byte.
pub const NOISE: [f64; 3] = [1e-5, 1e-3, 1e-2];

/// The trials of a part, always in the same order.
#[must_use]
pub fn trials(part: Part, size: Size) -> Vec<Trial> {
    let seeded = |n: u64, fault: Option<String>, noise: f64| Trial {
        axis: (n % AXES as u64) as usize,
        fault,
        noise,
        seed: FIRST_SEED + n,
    };
    match part {
        Part::Faults => FAULTS
            .iter()
            .flat_map(|row| row.specs().map(|(spec, _)| (row.kind(), spec)))
            .enumerate()
            .flat_map(|(row, (kind, spec))| {
                // Each fault begins with another axis, so that a slice meets many.
                (0..size.seeds).map(move |n| {
                    let trial = seeded(n * 7 + row as u64 * 5, Some(spec.clone()), 0.0);
                    Trial { axis: kind.numbered(trial.axis), ..trial }
                })
            })
            .collect(),
        Part::Healthy => (0..size.healthy).map(|n| seeded(100_000 + n, None, 0.0)).collect(),
        Part::Borderline => BORDERLINE
            .iter()
            .flat_map(|loss| {
                (0..size.borderline)
                    .map(move |n| seeded(200_000 + n, Some(format!("input-loaded={loss}")), 0.0))
            })
            .collect(),
        Part::Noise => NOISE
            .iter()
            .flat_map(|rate| (0..size.noise).map(move |n| seeded(300_000 + n, None, *rate)))
            .collect(),
    }
}
