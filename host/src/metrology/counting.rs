//! Verdicts on whole numbers, and what a number of faults says about their rate.
//!
//! Counts are compared exactly: a count has no Gaussian spread, it is right or wrong.

use proofstand_protocol::units::Counts;
use serde::{Deserialize, Serialize};
use statrs::distribution::{ContinuousCDF, Gamma};

use super::decision::Conformity;
use super::student::Level;

/// Accepted if the counts are the same, rejected otherwise.
#[must_use]
pub fn exactly(measured: Counts, expected: Counts) -> Conformity {
    if measured == expected { Conformity::Accepted } else { Conformity::Rejected }
}

/// Accepted if every one of at least one count is as expected; undecided if there is none.
#[must_use]
pub fn all_exactly(measured: &[Counts], expected: Counts) -> Conformity {
    if measured.is_empty() {
        Conformity::Undecided
    } else if measured.iter().all(|m| *m == expected) {
        Conformity::Accepted
    } else {
        Conformity::Rejected
    }
}

/// Faults seen in a number of trials (revolutions, operations).
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
pub struct FaultCount {
    /// Trials that went wrong.
    pub faults: u64,
    /// All trials.
    pub trials: u64,
}

/// Faults per trial, 0 to 1.
#[derive(Debug, Clone, Copy, PartialEq, PartialOrd, Serialize, Deserialize)]
#[serde(transparent)]
pub struct FaultRate(f64);

impl FaultRate {
    /// Faults per trial.
    #[must_use]
    pub const fn per_trial(self) -> f64 {
        self.0
    }
}

impl FaultCount {
    /// The rate that is not exceeded with 95 % confidence: with no fault in n trials 3/n (rule of three, Hanley and
    /// Lippman-Hand 1983), with faults the one-sided upper limit of a Poisson mean (Garwood 1936). Never above 1;
    /// 1 with no trial.
    #[must_use]
    pub fn rate_at_most(self) -> FaultRate {
        if self.trials == 0 {
            return FaultRate(1.0);
        }
        let faults = if self.faults == 0 {
            3.0
        } else {
            // Upper limit of a Poisson mean: the quantile of a gamma distribution with shape faults + 1.
            match Gamma::new(self.faults as f64 + 1.0, 1.0) {
                Ok(gamma) => gamma.inverse_cdf(Level::P95.share()),
                Err(_) => f64::INFINITY,
            }
        };
        FaultRate((faults / self.trials as f64).min(1.0))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn no_fault_in_n_trials_bounds_the_exact_binomial_limit_from_above() {
        // Closed form: the exact one-sided 95 % limit is 1 − 0.05^(1/n); 3/n lies above it and, from 30 on, within 6 %.
        for n in [3_u64, 10, 30, 100, 1000, 100_000] {
            let exact = 1.0 - 0.05_f64.powf(1.0 / n as f64);
            let rate = FaultCount { faults: 0, trials: n }.rate_at_most().per_trial();
            assert!(rate >= exact, "{n}: {rate} {exact}");
            assert!(n < 30 || rate < 1.06 * exact, "{n}: {rate} {exact}");
        }
    }

    #[test]
    fn faults_raise_the_limit_as_tables_of_the_poisson_mean_say() {
        // One-sided 95 % upper limits of a Poisson mean for 1, 2 and 5 events: 4.744, 6.296, 10.513 (half the
        // chi-square quantiles 9.488, 12.592, 21.026 at 4, 6, 12 degrees of freedom; standard tables, from memory).
        for (faults, limit) in [(1, 4.744), (2, 6.296), (5, 10.513)] {
            let rate = FaultCount { faults, trials: 1000 }.rate_at_most().per_trial();
            assert!((rate * 1000.0 - limit).abs() < 1e-3, "{faults}: {rate}");
        }
    }

    #[test]
    fn nothing_tried_says_nothing() {
        assert_eq!(FaultCount { faults: 0, trials: 0 }.rate_at_most().per_trial(), 1.0);
        assert_eq!(all_exactly(&[], Counts(4)), Conformity::Undecided);
    }

    #[test]
    fn one_count_amiss_in_a_billion_is_amiss() {
        assert_eq!(exactly(Counts(4_000_000_000), Counts(4_000_000_000)), Conformity::Accepted);
        assert_eq!(exactly(Counts(3_999_999_999), Counts(4_000_000_000)), Conformity::Rejected);
        assert_eq!(all_exactly(&[Counts(8), Counts(7)], Counts(8)), Conformity::Rejected);
        assert_eq!(all_exactly(&[Counts(8), Counts(8)], Counts(8)), Conformity::Accepted);
    }
}
