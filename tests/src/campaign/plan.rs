//! Which trials a campaign is made of.

use proofstand::rehearsal::{Fault, simulated_axis};

use super::axes::{AXES, OF_TORQUE, axis};
use super::faults::{Ends, FAULTS, FaultRow};
use super::trial::Trial;
use crate::bench::Failure;

/// Seeds of a campaign begin here; those on which rules are tuned lie below 1 000 000, and those between were looked at once.
pub const FIRST_SEED: u64 = 6_000_000;

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
    /// Some minutes: shows every figure, with wide bounds.
    pub const MEDIUM: Self = Self { seeds: 5, healthy: 240, borderline: 50, noise: 48 };
    /// A slice that tells in a minute or two whether anything is broken: every fault, every axis.
    pub const SLICE: Self = Self { seeds: 1, healthy: 30, borderline: 8, noise: 6 };
}

/// What of the command gets lost in a borderline trial, percent: the limit of the population's sheets is 5 %.
pub const BORDERLINE: [f64; 7] = [3.5, 4.0, 4.5, 5.0, 5.5, 6.0, 6.5];
/// Errors a byte.
pub const NOISE: [f64; 3] = [1e-5, 1e-3, 1e-2];

/// The trials of a part, always in the same order. Their seeds begin at `first`: [`FIRST_SEED`] for what is scored, less
/// than 600 000 for tuning.
///
/// # Errors
/// Those of the tables' own axes and faults, which are faults of the tables.
pub fn trials(part: Part, size: Size, first: u64) -> Result<Vec<Trial>, Failure> {
    let trial = |axis: usize, n: u64, fault: Option<String>, noise: f64| Trial {
        axis,
        fault,
        noise,
        seed: first + n,
    };
    let in_turn = |n: u64| (n % AXES as u64) as usize;
    let specs = || FAULTS.iter().flat_map(FaultRow::specs);
    let mut all = Vec::new();
    match part {
        Part::Faults => {
            for (row, (spec, _)) in specs().enumerate() {
                let axes = axes_with(&spec, row)?;
                let seeds = if axes.is_empty() { 0 } else { size.seeds };
                let of = |n: u64| {
                    trial(axes[n as usize % axes.len()], 500 * row as u64 + n, Some(spec.clone()), 0.0)
                };
                all.extend((0..seeds).map(of));
            }
        }
        Part::Healthy => all.extend((0..size.healthy).map(|n| trial(in_turn(n), 100_000 + n, None, 0.0))),
        Part::Borderline => {
            for loss in BORDERLINE {
                let spec = format!("input-loaded={loss}");
                // Only a torque command has a gain with an inertia in it.
                let of = |n: u64| trial(n as usize % OF_TORQUE, 200_000 + n, Some(spec.clone()), 0.0);
                all.extend((0..size.borderline).map(of));
            }
        }
        Part::Noise => {
            // Noise must turn neither a healthy axis nor a faulty one.
            let rejected = |spec: &String| FaultRow::of(spec).is_some_and(|row| row.ends == Ends::Rejected);
            let stated: Vec<String> =
                specs().filter(|(spec, stated)| *stated && rejected(spec)).map(|(spec, _)| spec).collect();
            for rate in NOISE {
                for n in 0..size.noise {
                    let fault = stated.get((n / 3) as usize % stated.len().max(1)).filter(|_| n % 3 == 2);
                    let axis = match fault {
                        Some(spec) => axes_with(spec, n as usize)?.first().copied(),
                        None => Some(in_turn(n)),
                    };
                    all.extend(axis.map(|axis| trial(axis, 300_000 + n, fault.cloned(), rate)));
                }
            }
        }
    }
    Ok(all)
}

/// The axes that can have a fault, in an order of the fault's own, so that few trials of each meet many axes.
fn axes_with(spec: &str, row: usize) -> Result<Vec<usize>, Failure> {
    let fault = Fault::parse(spec)?;
    let mut axes = Vec::new();
    for n in 0..AXES {
        // Seven has no divisor in common with the number of axes.
        let number = (n * 7 + row * 5) % AXES;
        let sheet = axis(number)?.2;
        let shows = FaultRow::of(spec).is_none_or(|row| row.is_for(&sheet));
        if shows && simulated_axis(&sheet, &[fault], 1).is_ok() {
            axes.push(number);
        }
    }
    Ok(axes)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_fault_is_tried_on_many_axes_and_every_seed_is_one_fault_s_own() {
        let all = trials(Part::Faults, Size::WHOLE, FIRST_SEED).unwrap();
        for (spec, _) in FAULTS.iter().flat_map(FaultRow::specs) {
            let of: Vec<_> = all.iter().filter(|t| t.fault.as_ref() == Some(&spec)).collect();
            let mut axes: Vec<usize> = of.iter().map(|t| t.axis).collect();
            axes.sort_unstable();
            axes.dedup();
            assert!(of.len() >= 30 && axes.len() >= 3, "{spec}: {} trials on {axes:?}", of.len());
        }
        let mut seeds: Vec<u64> = all.iter().map(|t| t.seed).collect();
        seeds.sort_unstable();
        seeds.dedup();
        assert_eq!(seeds.len(), all.len());
        assert!(seeds[0] >= FIRST_SEED && seeds[seeds.len() - 1] < FIRST_SEED + 100_000);
    }

    #[test]
    fn the_whole_campaign_is_as_large_as_was_promised() {
        let count = |part| trials(part, Size::WHOLE, FIRST_SEED).unwrap().len();
        assert!(count(Part::Healthy) >= 10_000 && count(Part::Noise) >= 1000);
    }
}
