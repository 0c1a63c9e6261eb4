//! What a campaign's trials add up to.

use proofstand::record::model::Verdict;

use super::faults::{Ends, FAULTS, FaultRow};
use super::trial::Came;

/// How a fault fared in one size.
#[derive(Debug, Clone, PartialEq)]
pub struct FaultScore {
    /// As on the command line.
    pub spec: String,
    /// The fault's row.
    pub family: &'static str,
    /// It must always be caught in this size.
    pub stated: bool,
    /// Trials.
    pub tried: usize,
    /// Rejected.
    pub caught: usize,
    /// The right cause stood first.
    pub first: usize,
    /// It stood among the first three.
    pub in_three: usize,
    /// Neither rejected nor accepted: the run stopped, or something is undecided.
    pub undecided: usize,
}

/// Scores of all faults in all sizes, in the table's order.
#[must_use]
pub fn faults(all: &[Came]) -> Vec<FaultScore> {
    let rows = FAULTS.iter().flat_map(|row| row.specs().map(move |(spec, stated)| (row, spec, stated)));
    rows.map(|(row, spec, stated)| {
        let of: Vec<&Came> = all.iter().filter(|c| c.trial.fault.as_ref() == Some(&spec)).collect();
        let count = |what: &dyn Fn(&Came) -> bool| of.iter().filter(|c| what(c)).count();
        FaultScore {
            family: row.family.word(),
            stated,
            tried: of.len(),
            caught: count(&|c| caught_as(row, c)),
            first: count(&|c| caught_as(row, c) && named(row, c, 1)),
            in_three: count(&|c| caught_as(row, c) && named(row, c, 3)),
            undecided: count(&|c| !caught_as(row, c) && c.verdict != Some(Verdict::Accepted)),
            spec,
        }
    })
    .collect()
}

/// It was rejected.
#[must_use]
pub fn caught(came: &Came) -> bool {
    came.verdict == Some(Verdict::Rejected)
}

/// What became of it is what must become of a run with this fault.
#[must_use]
pub fn caught_as(row: &FaultRow, came: &Came) -> bool {
    let stopped = came.stopped.is_some() && came.verdict != Some(Verdict::Accepted);
    let undecided = came.verdict == Some(Verdict::Undecided);
    caught(came)
        || match row.ends {
            Ends::Rejected => false,
            Ends::OrStopped => stopped,
            Ends::OrUndecided => undecided,
        }
}

/// One of the fault's causes is among the first.
#[must_use]
pub fn named(row: &FaultRow, came: &Came, among: usize) -> bool {
    came.causes.iter().take(among).any(|cause| row.causes.contains(&cause.as_str()))
}

/// How axes without a fault fared.
#[derive(Debug, Clone, PartialEq)]
pub struct HealthyScore {
    /// Trials.
    pub tried: usize,
    /// Accepted.
    pub accepted: usize,
    /// Rejected: false alarms.
    pub rejected: usize,
    /// The run stopped.
    pub stopped: usize,
    /// Undecided or not done.
    pub undecided: usize,
    /// Mean time of a run, seconds of one core.
    pub seconds: f64,
}

/// Scores axes without a fault.
#[must_use]
pub fn healthy(all: &[Came]) -> HealthyScore {
    let count = |what: &dyn Fn(&Came) -> bool| all.iter().filter(|c| what(c)).count();
    let stopped = |c: &Came| c.stopped.is_some() && !caught(c);
    HealthyScore {
        tried: all.len(),
        accepted: count(&|c| c.verdict == Some(Verdict::Accepted)),
        rejected: count(&caught),
        stopped: count(&stopped),
        undecided: count(&|c| !stopped(c) && !caught(c) && c.verdict != Some(Verdict::Accepted)),
        seconds: all.iter().map(|c| c.seconds).sum::<f64>() / all.len().max(1) as f64,
    }
}

/// The upper bound (95 %) of a probability that was met `times` times in `of` trials; for none it is the rule of
/// three, 3/n (Hanley and Lippman-Hand, 1983; from memory). For others the Wilson score bound (Wilson, 1927; from memory).
#[must_use]
pub fn upper_bound(times: usize, of: usize) -> f64 {
    if of == 0 {
        return 1.0;
    }
    let n = of as f64;
    if times == 0 {
        return (3.0 / n).min(1.0);
    }
    // One-sided 95 %.
    const Z: f64 = 1.644_853_626_951_472_2;
    let p = times as f64 / n;
    let centre = p + Z * Z / (2.0 * n);
    let spread = Z * (p * (1.0 - p) / n + Z * Z / (4.0 * n * n)).sqrt();
    (centre + spread) / (1.0 + Z * Z / n)
}

/// Verdicts on gains at a known distance from the limit, beside what the decision rule foresees.
#[derive(Debug, Clone, PartialEq)]
pub struct BorderlineScore {
    /// What of the command was lost, percent.
    pub loss: f64,
    /// Trials that gave a gain.
    pub tried: usize,
    /// Accepted, undecided, rejected.
    pub seen: [usize; 3],
    /// The same as foreseen.
    pub foreseen: [f64; 3],
}

/// Lower limit of the population's gain over the stated one.
const LIMIT: f64 = 0.95;
/// Standard deviation of the simulated settings' own gain, relative.
const SETTING: f64 = 0.003;

/// Scores gains near the limit. JCGM 106:2012 clause 7 gives the probability of conformity of a measured value; here it is
/// turned round: the true gain is known, and the measured one is spread by the standard uncertainty that the run stated.
#[must_use]
pub fn borderline(all: &[Came], losses: &[f64]) -> Vec<BorderlineScore> {
    let one = |loss: &f64| {
        let spec = format!("input-loaded={loss}");
        let of: Vec<(&Came, f64)> = all
            .iter()
            .filter(|c| c.trial.fault.as_ref() == Some(&spec))
            .filter_map(|c| Some((c, c.gain?.1)))
            .collect();
        let verdict = |c: &Came| {
            c.not_accepted
                .iter()
                .find(|(id, _)| id == "command-scale.gain")
                .map_or(Verdict::Accepted, |(_, v)| *v)
        };
        let count = |v| of.iter().filter(|(c, _)| verdict(c) == v).count();
        let mut foreseen = [0.0; 3];
        for (_, expanded) in &of {
            let gain = 1.0 - loss / 100.0;
            let spread = (expanded * expanded / 4.0 + SETTING * SETTING).sqrt();
            let below = |value: f64| normal_below((value - gain) / spread);
            let (reject, accept) = (below(LIMIT - expanded), 1.0 - below(LIMIT + expanded));
            for (sum, p) in foreseen.iter_mut().zip([accept, 1.0 - accept - reject, reject]) {
                *sum += p;
            }
        }
        BorderlineScore {
            loss: *loss,
            tried: of.len(),
            seen: [count(Verdict::Accepted), count(Verdict::Undecided), count(Verdict::Rejected)],
            foreseen,
        }
    };
    losses.iter().map(one).collect()
}

/// Probability that a standard normal quantity lies below `z`.
fn normal_below(z: f64) -> f64 {
    0.5 * statrs::function::erf::erfc(-z / core::f64::consts::SQRT_2)
}

/// How runs on a noisy cable fared.
#[derive(Debug, Clone, PartialEq)]
pub struct NoiseScore {
    /// Errors a byte.
    pub rate: f64,
    /// Trials.
    pub tried: usize,
    /// Errors that were made, all trials together.
    pub errors: u64,
    /// Came to their end with every result accepted.
    pub finished: usize,
    /// Stopped, and said why.
    pub stopped: usize,
    /// Came to their end with something not decided.
    pub undecided: usize,
    /// A result of a healthy axis was rejected.
    pub wrong: usize,
}

/// Scores runs on a noisy cable; the axes are healthy, so that any rejection is wrong.
#[must_use]
pub fn noise(all: &[Came], rates: &[f64]) -> Vec<NoiseScore> {
    let one = |rate: &f64| {
        let of: Vec<&Came> = all.iter().filter(|c| c.trial.noise == *rate).collect();
        let wrong = |c: &Came| c.decided.iter().any(|(_, v)| *v == Verdict::Rejected);
        let count = |what: &dyn Fn(&Came) -> bool| of.iter().filter(|c| what(c)).count();
        NoiseScore {
            rate: *rate,
            tried: of.len(),
            errors: of.iter().map(|c| c.errors).sum(),
            finished: count(&|c| c.stopped.is_none() && c.verdict == Some(Verdict::Accepted)),
            stopped: count(&|c| c.stopped.is_some() && !wrong(c)),
            undecided: count(&|c| c.stopped.is_none() && !wrong(c) && c.verdict != Some(Verdict::Accepted)),
            wrong: count(&wrong),
        }
    };
    rates.iter().map(one).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn bounds_are_those_of_the_rule_of_three_and_of_wilson() {
        assert_eq!(upper_bound(0, 300), 0.01);
        assert_eq!(upper_bound(0, 0), 1.0);
        // Wilson's interval for 1 of 10 at z = 1.645: upper end 0.3478 (statsmodels' proportion_confint with method
        // "wilson" and alpha 0.10 gives 0.348; from memory, recomputed by the formula).
        assert!((upper_bound(1, 10) - 0.348).abs() < 2e-3, "{}", upper_bound(1, 10));
    }
}
