//! Gains near the limit: do the verdicts come as often as the decision rule foresees?
//!
//! JCGM 106:2012 describes a measurement by h(ηₘ | η), how measured values of a true value η scatter, and an acceptance
//! interval; the probability of a verdict for a known η is the integral of h over the interval of that verdict (clause 9,
//! where the producer's and the consumer's risks are such integrals). Here η is known: the simulated scale, less what was
//! taken from it. h is normal about it with the standard uncertainty that the run states; the acceptance interval is guarded
//! with w = U (ILAC-G8:09/2019, 4.2.3). A tool whose uncertainties are too small or too large, or whose guard band is
//! another, comes out with other shares.

use proofstand::record::model::Verdict;

use super::trial::Came;

/// What the simulated setting itself is beside the stated gain: its standard deviation, relative. A rehearsal draws it.
const SETTING: f64 = 0.003;
/// Chance of a sound tool to fall outside of a share's limit, each side. With 21 shares of two sides: 4 in a thousand.
const CHANCE: f64 = 1e-4;

/// Verdicts, in the order of the counts.
pub const VERDICTS: [&str; 3] = ["accepted", "undecided", "rejected"];

/// How often a verdict came, and how often it may.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Share {
    /// How often it came.
    pub seen: usize,
    /// How often it is foreseen, on average.
    pub foreseen: f64,
    /// Chance of as few, or fewer.
    pub as_few: f64,
    /// Chance of as many, or more.
    pub as_many: f64,
}

impl Share {
    /// It is no surprise.
    #[must_use]
    pub fn holds(&self) -> bool {
        self.as_few >= CHANCE && self.as_many >= CHANCE
    }

    /// Of trials that each have a chance of their own. The sum is distributed exactly as the chances say (a binomial
    /// distribution where they are all alike).
    fn of(seen: usize, chances: &[f64]) -> Self {
        let mut distribution = vec![1.0];
        for chance in chances {
            let mut next = vec![0.0; distribution.len() + 1];
            for (n, p) in distribution.iter().enumerate() {
                next[n] += p * (1.0 - chance);
                next[n + 1] += p * chance;
            }
            distribution = next;
        }
        let sum = |range: &[f64]| range.iter().sum::<f64>().min(1.0);
        Self {
            seen,
            foreseen: chances.iter().sum(),
            as_few: sum(&distribution[..=seen.min(chances.len())]),
            as_many: sum(&distribution[seen.min(chances.len())..]),
        }
    }
}

/// Verdicts on gains at a known distance from the limit, beside what the decision rule foresees.
#[derive(Debug, Clone, PartialEq)]
pub struct BorderlineScore {
    /// What of the command was lost, percent.
    pub loss: f64,
    /// Trials.
    pub tried: usize,
    /// Those that gave a gain.
    pub measured: usize,
    /// Accepted, undecided, rejected: of those that gave a gain.
    pub shares: [Share; 3],
}

impl BorderlineScore {
    /// Every share is as foreseen, and nearly all trials gave a gain; none: nothing was tried.
    #[must_use]
    pub fn holds(&self) -> Option<bool> {
        let enough = self.measured * 100 >= self.tried * 95;
        (self.tried > 0).then(|| enough && self.shares.iter().all(Share::holds))
    }
}

/// Scores gains near the limit.
#[must_use]
pub fn borderline(all: &[Came], losses: &[f64]) -> Vec<BorderlineScore> {
    losses.iter().map(|loss| one(all, *loss)).collect()
}

fn one(all: &[Came], loss: f64) -> BorderlineScore {
    let spec = format!("input-loaded={loss}");
    let of: Vec<&Came> = all.iter().filter(|c| c.trial.fault.as_ref() == Some(&spec)).collect();
    let gains: Vec<_> = of.iter().filter_map(|c| c.gain).collect();
    let mut chances: [Vec<f64>; 3] = Default::default();
    for gain in &gains {
        let spread = gain.standard_uncertainty.hypot(SETTING);
        let below = |value: f64| normal_below((value - (1.0 - loss / 100.0)) / spread);
        let inside = |lower: f64, upper: f64| (below(upper) - below(lower)).max(0.0);
        let u = gain.expanded_uncertainty;
        let accept = inside(gain.lower + u, gain.upper - u);
        let reject = 1.0 - inside(gain.lower - u, gain.upper + u);
        for (list, p) in chances.iter_mut().zip([accept, 1.0 - accept - reject, reject]) {
            list.push(p.clamp(0.0, 1.0));
        }
    }
    let count = |v: Verdict| gains.iter().filter(|g| g.verdict == v).count();
    let seen = [Verdict::Accepted, Verdict::Undecided, Verdict::Rejected].map(count);
    let [a, b, c] = &chances;
    BorderlineScore {
        loss,
        tried: of.len(),
        measured: gains.len(),
        shares: [Share::of(seen[0], a), Share::of(seen[1], b), Share::of(seen[2], c)],
    }
}

/// Probability that a standard normal quantity lies below `z`.
fn normal_below(z: f64) -> f64 {
    0.5 * statrs::function::erf::erfc(-z / core::f64::consts::SQRT_2)
}

#[cfg(test)]
mod tests {
    use super::super::trial::{Gain, Trial};
    use super::*;
    use proofstand_plant::Random;

    /// Trials of a tool that measures with `u`, says that it measures with `said`, and guards with `guard`·U.
    fn population(loss: f64, u: f64, said: f64, guard: f64) -> BorderlineScore {
        let mut random = Random::new(11);
        let trial = Trial { axis: 0, fault: Some(format!("input-loaded={loss}")), noise: 0.0, seed: 0 };
        let all: Vec<Came> = (0..400)
            .map(|_| {
                let value = 1.0 - loss / 100.0 + SETTING * random.normal() + u * random.normal();
                let w = guard * 2.0 * said;
                let verdict = match value - 0.95 {
                    inside if inside >= w => Verdict::Accepted,
                    outside if outside < -w => Verdict::Rejected,
                    _ => Verdict::Undecided,
                };
                let gain = Gain {
                    value,
                    standard_uncertainty: said,
                    expanded_uncertainty: 2.0 * said,
                    lower: 0.95,
                    upper: 1.05,
                    verdict,
                };
                Came { gain: Some(gain), ..Came::nothing(&trial) }
            })
            .collect();
        borderline(&all, &[loss]).remove(0)
    }

    const U: f64 = 0.005;

    #[test]
    fn a_tool_that_keeps_to_the_rule_holds_at_every_distance() {
        for loss in [3.5, 4.0, 4.5, 5.0, 5.5, 6.0, 6.5] {
            let score = population(loss, U, U, 1.0);
            assert_eq!(score.holds(), Some(true), "{score:?}");
        }
    }

    #[test]
    fn another_guard_band_or_another_scatter_than_the_stated_one_shows() {
        assert_eq!(population(5.0, U, U, 0.0).holds(), Some(false));
        assert_eq!(population(5.0, U, U, 0.5).holds(), Some(false));
        assert_eq!(population(4.0, U, U, 1.5).holds(), Some(false));
        assert_eq!(population(5.0, 2.0 * U, U, 1.0).holds(), Some(false));
        assert_eq!(population(4.4, 0.3 * U, U, 1.0).holds(), Some(false));
    }

    #[test]
    fn nothing_tried_is_nothing_held() {
        assert_eq!(borderline(&[], &[5.0])[0].holds(), None);
    }

    #[test]
    fn with_like_chances_the_distribution_is_the_binomial_one() {
        // Closed form: 10 trials of 1/2; 3 or fewer are 176 of 1024, 3 or more 968 of 1024.
        let share = Share::of(3, &[0.5; 10]);
        assert!((share.as_few - 176.0 / 1024.0).abs() < 1e-12);
        assert!((share.as_many - 968.0 / 1024.0).abs() < 1e-12);
    }
}
