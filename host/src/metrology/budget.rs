//! An uncertainty budget and its combination (JCGM 100:2008, clauses 5 and 6, annex G; JCGM 101:2008, clause 8).

use serde::{Deserialize, Serialize};

use super::contribution::{Contribution, DegreesOfFreedom, Kind};
use super::group::Group;
use super::propagation::{self, Part, Propagated};
use super::quantity::Quantity;
use super::student::{CoverageFactor, Level};
use crate::record::model::ContributionRow;

/// A measured value and everything that makes it uncertain.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Budget<Q> {
    /// The value.
    pub value: Q,
    /// Contributions that have nothing to do with one another.
    independent: Vec<Contribution>,
    /// Contributions that go together, group by group; groups are independent of one another.
    groups: Vec<Group>,
}

/// A contribution's share of the combined variance.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Share<Q> {
    /// Name of the contribution or the group.
    pub name: String,
    /// Its standard uncertainty in the result's unit.
    pub standard_uncertainty: Q,
    /// Its share of the combined variance, 0 to 1.
    pub share: f64,
}

/// How a coverage interval was had.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Interval {
    /// `t_p(ν)·u` (JCGM 100:2008, annex G), and the propagation of distributions agrees with it to half a unit of the
    /// second digit of u (JCGM 101:2008, clause 8).
    Gum,
    /// By propagation of distributions (JCGM 101:2008): the interval of the GUM is not valid there.
    Distributions,
}

/// What a budget comes to.
#[derive(Debug, Clone, PartialEq)]
pub struct Combined<Q> {
    /// The value.
    pub value: Q,
    /// Combined standard uncertainty.
    pub standard_uncertainty: Q,
    /// Effective degrees of freedom (Welch–Satterthwaite), not truncated.
    pub degrees_of_freedom: DegreesOfFreedom,
    /// Share of the distribution the expanded uncertainty holds.
    pub level: Level,
    /// Coverage factor, from the truncated degrees of freedom.
    pub coverage_factor: CoverageFactor,
    /// Expanded uncertainty.
    pub expanded: Q,
    /// How the interval ± `expanded` was had.
    pub interval: Interval,
    /// The largest contribution or group, if there is any.
    pub largest: Option<Share<Q>>,
    /// The distribution of the result: what the interval was made from or held against, and what the probability of
    /// conformity is taken from.
    pub(super) distribution: Propagated,
}

impl<Q: Quantity> Budget<Q> {
    /// A value without any contribution yet.
    #[must_use]
    pub const fn new(value: Q) -> Self {
        Self { value, independent: Vec::new(), groups: Vec::new() }
    }

    /// The budget with one more independent contribution.
    #[must_use]
    pub fn with(mut self, contribution: Contribution) -> Self {
        self.independent.push(contribution);
        self
    }

    /// The budget with more independent contributions.
    #[must_use]
    pub fn with_all(mut self, contributions: impl IntoIterator<Item = Contribution>) -> Self {
        self.independent.extend(contributions);
        self
    }

    /// The budget with a group of correlated contributions.
    #[must_use]
    pub fn with_group(mut self, group: Group) -> Self {
        self.groups.push(group);
        self
    }

    /// The independent contributions.
    #[must_use]
    pub fn independent(&self) -> &[Contribution] {
        &self.independent
    }

    /// The correlated groups.
    #[must_use]
    pub fn groups(&self) -> &[Group] {
        &self.groups
    }

    /// Combined at the 95 % level, the one used for every verdict here. The GUM's interval is compared with that of the
    /// distributions; where they differ by more than the numerical tolerance for two digits of u (JCGM 101:2008, 8.1), the
    /// interval of the distributions is given, and the coverage factor is what it comes to.
    #[must_use]
    pub fn combined(&self) -> Combined<Q> {
        let gum = self.combined_at(Level::P95);
        let u = gum.standard_uncertainty.number();
        let by_distributions = gum.distribution.half_width(Level::P95);
        let differ = (by_distributions - gum.expanded.number()).abs();
        if u > 0.0 && by_distributions.is_finite() && differ > propagation::tolerance(u) {
            return Combined {
                coverage_factor: CoverageFactor::new(by_distributions / u),
                expanded: Q::from_number(by_distributions),
                interval: Interval::Distributions,
                ..gum
            };
        }
        gum
    }

    /// Half-width of the interval that holds `level` of the result's distribution (JCGM 101:2008).
    #[must_use]
    pub fn interval_by_distributions(&self, level: Level) -> Q {
        Q::from_number(self.distribution().half_width(level))
    }

    /// Share of the result's distribution that an interval ± `half_width` about the value holds (JCGM 101:2008).
    #[must_use]
    pub fn coverage_by_distributions(&self, half_width: Q) -> Level {
        Level::new(self.distribution().share_within(half_width.number()))
    }

    fn distribution(&self) -> Propagated {
        let parts: Vec<Part> =
            self.independent.iter().map(Part::of).chain(self.groups.iter().map(Group::part)).collect();
        Propagated::of(&parts)
    }

    /// Combined at any level: equations 10 and 16 for the standard uncertainty, G.2b for the degrees of freedom (over
    /// independent contributions and whole groups), `U = t_p(ν)·u` with ν rounded down (G.4.1, JCGM 100:2008).
    ///
    /// Nothing is validated here; see [`combined`](Self::combined).
    #[must_use]
    pub fn combined_at(&self, level: Level) -> Combined<Q> {
        let terms = self.terms();
        let variance: f64 = terms.iter().map(|t| t.variance).sum();
        let u = variance.sqrt();
        let spread: f64 = terms
            .iter()
            .filter_map(|t| t.degrees_of_freedom.finite().map(|nu| t.variance * t.variance / nu))
            .sum();
        let degrees_of_freedom =
            DegreesOfFreedom::new(variance * variance / spread).unwrap_or(DegreesOfFreedom::INFINITE);
        let coverage_factor = CoverageFactor::student(level, degrees_of_freedom.truncated());
        let largest = terms.into_iter().max_by(|a, b| a.variance.total_cmp(&b.variance)).map(|t| Share {
            name: t.name.to_owned(),
            standard_uncertainty: Q::from_number(t.variance.sqrt()),
            share: if variance > 0.0 { t.variance / variance } else { 0.0 },
        });
        Combined {
            value: self.value,
            standard_uncertainty: Q::from_number(u),
            degrees_of_freedom,
            level,
            coverage_factor,
            expanded: Q::from_number(coverage_factor.get() * u),
            interval: Interval::Gum,
            largest,
            distribution: self.distribution(),
        }
    }

    /// The contributions as rows of the run model, largest first. A group is one row, its members named in it.
    #[must_use]
    pub fn rows(&self) -> Vec<ContributionRow> {
        let total: f64 = self.terms().iter().map(|t| t.variance).sum();
        let share = |variance: f64| if total > 0.0 { 100.0 * variance / total } else { 0.0 };
        let mut rows: Vec<ContributionRow> = self
            .independent
            .iter()
            .map(|c| ContributionRow {
                name: c.name.clone(),
                kind: c.kind.letter().to_owned(),
                distribution: c.distribution.name().to_owned(),
                input_uncertainty: Some(c.input_uncertainty()),
                input_unit: c.unit.clone(),
                sensitivity: Some(c.sensitivity().get()),
                standard_uncertainty: c.signed().abs(),
                degrees_of_freedom: c.degrees_of_freedom().finite(),
                share_percent: share(c.signed().powi(2)),
            })
            .chain(self.groups.iter().map(|g| {
                let names: Vec<&str> = g.members().iter().map(|m| m.name.as_str()).collect();
                let all_b = g.members().iter().all(|m| m.kind == Kind::B);
                ContributionRow {
                    name: format!("{} ({})", g.name, names.join(", ")),
                    kind: if all_b { "B" } else { "A" }.to_owned(),
                    distribution: "correlated".to_owned(),
                    input_uncertainty: None,
                    input_unit: String::new(),
                    sensitivity: None,
                    standard_uncertainty: g.variance().sqrt(),
                    degrees_of_freedom: g.degrees_of_freedom().finite(),
                    share_percent: share(g.variance()),
                }
            }))
            .collect();
        rows.sort_by(|a, b| b.share_percent.total_cmp(&a.share_percent));
        rows
    }

    fn terms(&self) -> Vec<Term<'_>> {
        let alone = self.independent.iter().map(|c| Term {
            name: &c.name,
            variance: c.signed().powi(2),
            degrees_of_freedom: c.degrees_of_freedom(),
        });
        let grouped = self.groups.iter().map(|g| Term {
            name: &g.name,
            variance: g.variance(),
            degrees_of_freedom: g.degrees_of_freedom(),
        });
        alone.chain(grouped).collect()
    }
}

struct Term<'a> {
    name: &'a str,
    variance: f64,
    degrees_of_freedom: DegreesOfFreedom,
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::metrology::contribution::Sensitivity;
    use crate::metrology::group::Pair;
    use crate::metrology::reference::{columns, digits, number, toml};
    use proofstand_units::{Degrees, Kilograms, Metres, Percent, Volts};

    fn nu(value: f64) -> DegreesOfFreedom {
        DegreesOfFreedom::new(value).unwrap()
    }

    /// JCGM 100:2008, H.1, in nanometres; kelvins and coefficients go in with their sensitivities.
    fn end_gauge() -> Budget<Metres> {
        let (length, theta, alpha) = (50_000_623.0, -0.1, 11.5e-6);
        let nm = Metres::new;
        let pooled = nm(13.0 / 5.0_f64.sqrt());
        let certificate = Contribution::expanded("standard", nm(75.0), CoverageFactor::new(3.0));
        // The certificate of the comparator states ±10 nm at 95 % from 6 replicates.
        let t = CoverageFactor::student(Level::P95, nu(5.0));
        let random =
            Contribution::expanded("comparator, random", nm(10.0), t).with_degrees_of_freedom(nu(5.0));
        let systematic = Contribution::expanded("comparator, systematic", nm(20.0), CoverageFactor::new(3.0))
            .with_degrees_of_freedom(DegreesOfFreedom::of_reliability(0.25).unwrap());
        Budget::new(nm(50_000_838.0))
            .with(certificate.with_degrees_of_freedom(nu(18.0)))
            .with(Contribution::type_a("repeated observations", pooled, nu(24.0)))
            .with(random)
            .with(systematic)
            .with(
                Contribution::rectangular("difference of expansion", Percent::new(1e-6))
                    .with_sensitivity(Sensitivity::new(-length * theta))
                    .with_degrees_of_freedom(DegreesOfFreedom::of_reliability(0.10).unwrap()),
            )
            .with(
                Contribution::rectangular("difference of temperature", Degrees::new(0.05))
                    .with_sensitivity(Sensitivity::new(-length * alpha))
                    .with_degrees_of_freedom(DegreesOfFreedom::of_reliability(0.50).unwrap()),
            )
            .with(
                Contribution::rectangular("expansion coefficient", Percent::new(2e-6))
                    .with_sensitivity(Sensitivity::new(0.0)),
            )
    }

    #[test]
    fn the_end_gauge_of_gum_h1_comes_out_unrounded() {
        // Source: JCGM 100:2008, Annex H.1 (unrounded recomputation; printed 32 nm, 16.7, 2.92). U is printed as 93 nm
        // because the guide multiplies the rounded 32 nm; unrounded it is 92.47 nm.
        let file = toml("gum-h1-end-gauge.toml");
        let want = |key: &str| number(&file["recomputed_unrounded"][key]);
        let got = end_gauge().combined_at(Level::P99);
        let u = got.standard_uncertainty.get();
        let effective = got.degrees_of_freedom.finite().unwrap();
        assert!(digits(u, want("combined_standard_uncertainty_nm")) > 9.0, "{u}");
        assert!(digits(got.coverage_factor.get(), want("t_99_16")) > 9.0);
        assert!(digits(got.expanded.get(), want("expanded_uncertainty_99_nm")) > 9.0);
        // The guide first combines the comparator's parts to 25.6 degrees of freedom; all at once is the same sum.
        assert!(digits(effective, want("effective_dof")) > 9.0, "{effective}");
        assert_eq!(got.degrees_of_freedom.truncated().finite(), Some(16.0));
        assert_eq!((format!("{u:.0}"), format!("{effective:.1}")), ("32".into(), "16.7".into()));
        assert_eq!(got.largest.unwrap().name, "standard");
    }

    #[test]
    fn the_products_of_second_order_in_gum_h1_raise_32_nm_to_34() {
        // Source: JCGM 100:2008, H.1.7: each product of two uncertainties is one more contribution.
        let file = toml("gum-h1-end-gauge.toml");
        let want = |key: &str| number(&file["recomputed_unrounded"][key]);
        let length = 50_000_623.0;
        let half = |w: f64| Contribution::rectangular("", Percent::new(w)).input_uncertainty();
        let u_theta = number(&file["input"][3]["recomputed_standard_uncertainty"]);
        let first = length * half(1e-6) * u_theta;
        let second = length * half(2e-6) * half(0.05);
        assert!(digits(first, want("second_order_term_dalpha_theta_nm")) > 9.0);
        assert!(digits(second, want("second_order_term_alphaS_dtheta_nm")) > 9.0);
        let budget = end_gauge()
            .with(Contribution::normal("expansion by temperature", Metres::new(first)))
            .with(Contribution::normal("coefficient by temperature", Metres::new(second)));
        let u = budget.combined().standard_uncertainty.get();
        assert!(digits(u, want("combined_standard_uncertainty_with_second_order_nm")) > 9.0, "{u}");
    }

    #[test]
    fn correlated_readings_of_gum_h2_combine_as_one_group() {
        // Source: JCGM 100:2008, Annex H.2, approach 1, from the raw readings: five simultaneous observations.
        let (file, c) = (toml("gum-h2-impedance.toml"), columns("gum-h2-impedance.csv"));
        let n = 5.0;
        let mean: Vec<f64> = c[1..].iter().map(|v| v.iter().sum::<f64>() / n).collect();
        let product = |a: usize, b: usize| -> f64 {
            let pairs = c[a + 1].iter().zip(&c[b + 1]);
            pairs.map(|(x, y)| (x - mean[a]) * (y - mean[b])).sum::<f64>() / (n * (n - 1.0))
        };
        let u: Vec<f64> = (0..3).map(|i| product(i, i).sqrt()).collect();
        let pair = |first: usize, second: usize| {
            let coefficient = product(first, second) / (u[first] * u[second]);
            Pair { first, second, coefficient }
        };
        let (v, i, phi) = (mean[0], mean[1] * 1e-3, mean[2]);
        let combined = |value: f64, by_v: f64, by_i: f64, by_phi: f64| {
            let of = |k: usize, by: f64| {
                Contribution::type_a("reading", Volts::new(u[k]), nu(4.0))
                    .with_sensitivity(Sensitivity::new(by))
            };
            let members = vec![of(0, by_v), of(1, by_i * 1e-3), of(2, by_phi)];
            let pairs = vec![pair(0, 1), pair(0, 2), pair(1, 2)];
            let group = Group::correlated("simultaneous readings", members, pairs).unwrap();
            Budget::new(Volts::new(value)).with_group(group).combined()
        };
        let r = combined(v / i * phi.cos(), phi.cos() / i, -v / (i * i) * phi.cos(), -v / i * phi.sin());
        let x = combined(v / i * phi.sin(), phi.sin() / i, -v / (i * i) * phi.sin(), v / i * phi.cos());
        let z = combined(v / i, 1.0 / i, -v / (i * i), 0.0);
        for (got, key) in [(&r, "R"), (&x, "X"), (&z, "Z")] {
            let want = |key: &str| number(&file["recomputed_outputs_approach_1"][key]);
            assert!(digits(got.value.get(), want(key)) > 12.0, "{key}");
            let u = got.standard_uncertainty.get();
            assert!(digits(u, want(&format!("u_{key}"))) > 9.0, "{key}: {u}");
            assert_eq!(got.degrees_of_freedom.finite(), Some(4.0), "n − 1, not a sum over correlated inputs");
        }
    }

    #[test]
    fn the_weight_of_ea_4_02_s2_is_the_root_of_its_squares() {
        // Source: EA-4/02 M:2022, Supplement S2 (recomputed from the unrounded inputs).
        let file = toml("ea-4-02-examples.toml");
        let want = number(&file["example"][0]["recomputed_standard_uncertainty"]);
        let mg = Kilograms::new; // Numbers of milligrams: the budget is the same for every unit.
        let budget = Budget::new(mg(10_000_025.0))
            .with(Contribution::expanded("standard", mg(45.0), CoverageFactor::new(2.0)))
            .with(Contribution::rectangular("drift", mg(15.0)))
            .with(Contribution::normal("comparison", mg(25.0 / 3.0_f64.sqrt())))
            .with(Contribution::rectangular("eccentric load and magnetism", mg(10.0)))
            .with(Contribution::rectangular("air buoyancy", mg(10.0)));
        assert!(digits(budget.combined().standard_uncertainty.get(), want) > 12.0);
        let rows = budget.rows();
        assert_eq!(rows[0].name, "standard");
        assert!((rows.iter().map(|r| r.share_percent).sum::<f64>() - 100.0).abs() < 1e-9);
    }

    #[test]
    fn where_one_resolution_rules_the_interval_is_that_of_the_distributions() {
        // Source: EA-4/02, Supplement S9: the dominant rectangular contribution makes k = 1.65, U = 0.0488 V (0.05 V
        // printed); there the smaller contributions are left out of the shape, which is worth 4 %.
        let file = toml("ea-4-02-examples.toml");
        let v = Volts::new;
        let budget = Budget::new(v(0.1))
            .with(Contribution::expanded("calibrator", v(0.002), CoverageFactor::new(2.0)))
            .with(Contribution::rectangular("calibrator drift", v(0.011)))
            .with(Contribution::rectangular("resolution", v(0.05)));
        let want = |key: &str| number(&file["example"][1][key]);
        let got = budget.combined();
        assert!(digits(got.standard_uncertainty.get(), want("recomputed_standard_uncertainty")) > 12.0);
        assert_eq!(got.interval, Interval::Distributions);
        let u95 = want("recomputed_expanded_uncertainty_k1_65");
        assert!((got.expanded.get() / u95 - 1.0).abs() < 0.04, "{:?}", got.expanded);
        assert_eq!(format!("{:.2}", got.expanded.get()), "0.05");
        assert!(
            (got.coverage_factor.get() * got.standard_uncertainty.get() - got.expanded.get()).abs() < 1e-15
        );
        // The GUM alone would have said 1.96.
        assert!((budget.combined_at(Level::P95).coverage_factor.get() - 1.959_963_984_540_054).abs() < 1e-12);
    }

    #[test]
    fn the_gum_is_validated_or_not_as_the_examples_of_jcgm_101_have_it() {
        // Source: JCGM 101:2008, 9.2.2 to 9.2.4 (which of them validate: from memory; the rest recomputed).
        let file = toml("jcgm-101-additive.toml");
        for example in file["example"].as_array().unwrap() {
            let of = |u: f64| match example["distribution"].as_str().unwrap() {
                "normal" => Contribution::normal("x", Volts::new(u)),
                _ => Contribution::rectangular("x", Volts::new(u * 3.0_f64.sqrt())),
            };
            let scales = example["standard_uncertainties"].as_array().unwrap();
            let budget = Budget::new(Volts::ZERO).with_all(scales.iter().map(|u| of(number(u))));
            let valid = example["gum_is_validated"].as_bool().unwrap();
            assert_eq!(budget.combined().interval == Interval::Gum, valid, "{example}");
            let gum = budget.combined_at(Level::P95).expanded.get();
            let printed = number(&example["published_gum_half_width"]);
            assert!((gum - printed).abs() < 0.05, "{gum} {printed}");
        }
    }

    #[test]
    fn an_empty_budget_has_no_uncertainty_and_names_no_one() {
        let got = Budget::new(Volts::new(1.0)).combined();
        assert_eq!(got.expanded, Volts::ZERO);
        assert_eq!(got.largest, None);
    }

    #[test]
    fn a_budget_survives_json() {
        let budget = end_gauge();
        let text = serde_json::to_string(&budget).unwrap();
        assert_eq!(serde_json::from_str::<Budget<Metres>>(&text).unwrap(), budget);
    }
}
