//! Quantiles of Student's t and of the normal distribution, and the coverage factors made from them.

use serde::{Deserialize, Serialize};
use statrs::distribution::{ContinuousCDF, Normal, StudentsT};

use super::contribution::DegreesOfFreedom;

/// Above so many degrees of freedom the expansion about the normal quantile is used: there its error is below 1e-13,
/// while the numerical inversion of the distribution loses digits as the degrees of freedom grow.
const EXPANSION_ABOVE: f64 = 1000.0;

/// Share of a distribution that a coverage interval holds.
#[derive(Debug, Clone, Copy, PartialEq, PartialOrd, Serialize, Deserialize)]
#[serde(transparent)]
pub struct Level(f64);

impl Level {
    /// 95 %, the level of all expanded uncertainties here (with infinite degrees of freedom k = 1.960).
    pub const P95: Self = Self(0.95);
    /// The share within two standard deviations of a normal distribution, 95.45 % (k = 2).
    pub const TWO_SIGMA: Self = Self(0.954_499_736_103_641_6);
    /// 99 %.
    pub const P99: Self = Self(0.99);

    /// From a share above 0 and below 1; anything else is moved just inside.
    #[must_use]
    pub const fn new(share: f64) -> Self {
        // Written so that a share that is not a number ends at the low end too.
        if share >= 1.0 {
            Self(1.0 - f64::EPSILON)
        } else if share > 0.0 {
            Self(share)
        } else {
            Self(f64::MIN_POSITIVE)
        }
    }

    /// The share, 0 to 1.
    #[must_use]
    pub const fn share(self) -> f64 {
        self.0
    }
}

/// How many standard uncertainties make the expanded uncertainty.
#[derive(Debug, Clone, Copy, PartialEq, PartialOrd, Serialize, Deserialize)]
#[serde(transparent)]
pub struct CoverageFactor(f64);

impl CoverageFactor {
    /// From the factor itself, as certificates state it.
    #[must_use]
    pub const fn new(factor: f64) -> Self {
        Self(factor)
    }

    /// The factor.
    #[must_use]
    pub const fn get(self) -> f64 {
        self.0
    }

    /// `t_p(ν)` so that ±k holds `level` of the distribution (JCGM 100:2008, G.3.4, Table G.2).
    #[must_use]
    pub fn student(level: Level, degrees_of_freedom: DegreesOfFreedom) -> Self {
        Self(t_quantile(0.5 + 0.5 * level.0, degrees_of_freedom))
    }
}

/// Quantile of Student's t: the value that is exceeded with probability 1 − `probability`.
///
/// A probability outside 0 to 1 gives NaN.
#[must_use]
pub fn t_quantile(probability: f64, degrees_of_freedom: DegreesOfFreedom) -> f64 {
    let Some(nu) = degrees_of_freedom.finite() else { return normal_quantile(probability) };
    if nu > EXPANSION_ABOVE {
        return expanded_t(normal_quantile(probability), nu);
    }
    match StudentsT::new(0.0, 1.0, nu) {
        Ok(t) if (0.0..=1.0).contains(&probability) => t.inverse_cdf(probability),
        _ => f64::NAN,
    }
}

/// Probability that Student's t is at most `x`.
#[must_use]
pub fn t_probability(x: f64, degrees_of_freedom: DegreesOfFreedom) -> f64 {
    let Some(nu) = degrees_of_freedom.finite() else { return normal_probability(x) };
    match StudentsT::new(0.0, 1.0, nu) {
        Ok(t) => t.cdf(x),
        Err(_) => f64::NAN,
    }
}

/// Quantile of the standard normal distribution; NaN outside 0 to 1.
#[must_use]
pub fn normal_quantile(probability: f64) -> f64 {
    if (0.0..=1.0).contains(&probability) { Normal::standard().inverse_cdf(probability) } else { f64::NAN }
}

/// Probability that a standard normal variable is at most `x`; good to 1e-10.
#[must_use]
pub fn normal_probability(x: f64) -> f64 {
    Normal::standard().cdf(x)
}

/// Expected largest of `n` independent standard normal variables, after Blom (1958), within 0.03 of the exact value
/// (0.01 from n = 8 on). 0 for fewer than two.
#[must_use]
pub fn expected_maximum(n: usize) -> f64 {
    if n < 2 {
        return 0.0;
    }
    let n = n as f64;
    normal_quantile((n - 0.375) / (n + 0.25))
}

/// Expansion of the t quantile about the normal one (Abramowitz and Stegun, 26.7.5).
fn expanded_t(x: f64, nu: f64) -> f64 {
    let x2 = x * x;
    let g1 = x * (x2 + 1.0) / 4.0;
    let g2 = x * ((5.0 * x2 + 16.0) * x2 + 3.0) / 96.0;
    let g3 = x * (((3.0 * x2 + 19.0) * x2 + 17.0) * x2 - 15.0) / 384.0;
    let g4 = x * ((((79.0 * x2 + 776.0) * x2 + 1482.0) * x2 - 1920.0) * x2 - 945.0) / 92_160.0;
    x + (g1 + (g2 + (g3 + g4 / nu) / nu) / nu) / nu
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::metrology::reference;

    #[test]
    fn every_entry_of_gum_table_g2_is_met_to_nine_digits_and_as_printed() {
        // Source: JCGM 100:2008, Table G.2; exact columns recomputed with mpmath. (35; 90 %) is left out of the
        // comparison with the printed column: it is remembered as 1.70 where 1.6896 is exact.
        let rows = reference::rows("gum-table-g2-student-t.csv");
        let exact_share = |percent: &str| match percent {
            "68.27" => 0.682_689_492_137_085_9,
            "95.45" => 0.954_499_736_103_641_6,
            "99.73" => 0.997_300_203_936_739_8,
            other => other.parse::<f64>().unwrap() / 100.0,
        };
        let mut printed = 0;
        for row in &rows {
            let nu = match row[0].as_str() {
                "inf" => DegreesOfFreedom::INFINITE,
                text => DegreesOfFreedom::new(text.parse().unwrap()).unwrap(),
            };
            let k = CoverageFactor::student(Level::new(exact_share(&row[1])), nu).get();
            let exact: f64 = row[3].parse().unwrap();
            assert!((k / exact - 1.0).abs() < 2e-11, "{row:?}: {k}");
            if (row[0].as_str(), row[1].as_str()) != ("35", "90") {
                let decimals = row[2].len() - row[2].find('.').unwrap() - 1;
                assert_eq!(format!("{k:.decimals$}"), row[2], "{row:?}");
                printed += 1;
            }
        }
        assert_eq!((rows.len(), printed), (168, 167));
    }

    #[test]
    fn the_expansion_and_the_inversion_agree_where_they_meet() {
        for p in [0.6, 0.975, 0.9995] {
            let nu = DegreesOfFreedom::new(EXPANSION_ABOVE).unwrap();
            let (inverted, expanded) = (t_quantile(p, nu), expanded_t(normal_quantile(p), EXPANSION_ABOVE));
            assert!((inverted / expanded - 1.0).abs() < 5e-12, "{p}: {inverted} {expanded}");
        }
    }

    #[test]
    fn a_million_degrees_of_freedom_are_all_but_normal() {
        // Closed form: t = z + (z³ + z)/4ν + O(ν⁻²), z = 1.959963984540054.
        let t = t_quantile(0.975, DegreesOfFreedom::new(1e6).unwrap());
        assert!((t - 1.959_966_356_7).abs() < 1e-9, "{t}");
    }

    #[test]
    fn two_degrees_of_freedom_follow_the_closed_form_and_inversion_undoes_probability() {
        // Closed form for ν = 2: F(t) = 1/2 + t / (2·√(2 + t²)).
        let nu = DegreesOfFreedom::new(2.0).unwrap();
        for t in [-3.0, -0.2, 0.7, 12.0_f64] {
            let p = t_probability(t, nu);
            assert!((p - (0.5 + t / (2.0 * (2.0 + t * t).sqrt()))).abs() < 1e-14);
            assert!((t_quantile(p, nu) / t - 1.0).abs() < 1e-9);
        }
    }

    #[test]
    fn the_normal_quantile_meets_the_one_sided_values_of_jcgm_106() {
        // Source: JCGM 106:2012, 7.3, Table 1 (recomputed to 17 digits).
        let file = reference::toml("conformity-jcgm106-examples.toml");
        for row in file["z_one_sided"].as_array().unwrap() {
            let z = normal_quantile(reference::number(&row["pc"]));
            assert!((z - reference::number(&row["z"])).abs() < 1e-12, "{row}: {z}");
        }
    }

    #[test]
    fn the_expected_maximum_is_half_the_control_chart_constant_d2() {
        // d2 for 2, 5, 10, 25: 1.128, 2.326, 3.078, 3.931 (control-chart constants, from memory).
        for (n, d2, within) in [(2, 1.128, 0.03), (5, 2.326, 0.02), (10, 3.078, 0.01), (25, 3.931, 0.01)] {
            assert!((expected_maximum(n) - d2 / 2.0).abs() < within, "{n}");
        }
        assert_eq!(expected_maximum(1), 0.0);
    }

    #[test]
    fn nonsense_gives_no_number() {
        assert!(normal_quantile(1.5).is_nan());
        assert!(t_quantile(-0.1, DegreesOfFreedom::new(3.0).unwrap()).is_nan());
        assert!(Level::new(f64::NAN).share() > 0.0);
    }
}
