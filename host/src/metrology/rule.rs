//! The rule by which a measured value becomes a verdict: what is to be agreed with the customer beforehand.

use serde::{Deserialize, Serialize};

use super::budget::Combined;
use super::decision::{Calibration, Limits};
use super::error::MetrologyError;
use super::quantity::Quantity;
use crate::record::model::AgreedRule;

/// A probability of a wrong acceptance that is put up with: above 0, at most one half.
#[derive(Debug, Clone, Copy, PartialEq, PartialOrd, Serialize, Deserialize)]
#[serde(transparent)]
pub struct Risk(f64);

impl Risk {
    /// From a share, 0.05 for 5 %.
    ///
    /// # Errors
    /// [`MetrologyError::NotPositive`] for a share that is not above 0, or above one half: such a rule would accept
    /// what is more likely outside than inside.
    pub fn new(share: f64) -> Result<Self, MetrologyError> {
        if share > 0.0 && share <= 0.5 {
            Ok(Self(share))
        } else {
            Err(MetrologyError::NotPositive { what: "a risk (and at most one half)", value: share })
        }
    }

    /// The share.
    #[must_use]
    pub const fn share(self) -> f64 {
        self.0
    }

    /// In percent, as it was stated: 7, not 7.000 000 000 000 001.
    #[must_use]
    pub fn percent(self) -> f64 {
        (self.0 * 1e11).round() / 1e9
    }
}

/// The rule (JCGM 106:2012; ILAC-G8:09/2019, 4.2).
#[derive(Debug, Clone, Copy, Default, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum DecisionRule {
    /// Guard band w = U on both sides of each limit: accepted inside by U, rejected outside by U, else undecided. The
    /// risk of a wrong acceptance is at most 2.5 % at each limit.
    #[default]
    Guarded,
    /// Simple acceptance: inside is accepted, outside is rejected. The risk at a limit is 50 %; undecided where U is
    /// as large as half of the tolerance, but for what lies outside by more than U.
    Simple,
    /// Accepted where the probability of being outside is at most this, rejected where that of being inside is at most
    /// this, else undecided (specific risk; JCGM 106:2012, 7 and 8.3).
    SpecificRisk(Risk),
}

impl DecisionRule {
    /// In words, for a report.
    #[must_use]
    pub fn words(self) -> String {
        match self {
            Self::Guarded => "guard band w = U on both sides of each limit".to_owned(),
            Self::Simple => "simple acceptance, no guard band".to_owned(),
            Self::SpecificRisk(risk) => format!("specific risk of at most {} %", risk.percent()),
        }
    }

    /// What a value has to be inside a limit by to be accepted, in the result's unit. For a specific risk and two limits
    /// there is no such width: both count together.
    pub(super) fn guard_band<Q: Quantity>(self, measured: &Combined<Q>, limits: &Limits<Q>) -> Option<f64> {
        match self {
            Self::Guarded => Some(measured.expanded.number()),
            Self::Simple => Some(0.0),
            Self::SpecificRisk(risk) => {
                limits.half_width().is_none().then(|| measured.distribution.exceeded_with(risk.share()))
            }
        }
    }
}

impl From<DecisionRule> for AgreedRule {
    fn from(rule: DecisionRule) -> Self {
        match rule {
            DecisionRule::Guarded => Self::Guarded,
            DecisionRule::Simple => Self::Simple,
            DecisionRule::SpecificRisk(risk) => Self::SpecificRisk { risk_percent: risk.percent() },
        }
    }
}

/// By what a value is judged: the rule, and the state of the calibrations it rests on.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Judging {
    /// The rule.
    pub rule: DecisionRule,
    /// The calibrations.
    pub calibration: Calibration,
}

impl From<Calibration> for Judging {
    fn from(calibration: Calibration) -> Self {
        Self { rule: DecisionRule::default(), calibration }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::metrology::budget::Budget;
    use crate::metrology::contribution::Contribution;
    use crate::metrology::decision::{Conformity, Reason, decide};
    use crate::metrology::reference::{number, rows, toml};
    use proofstand_units::{Rpm, Volts};

    fn measured(value: f64, u: f64) -> Combined<Volts> {
        Budget::new(Volts::new(value)).with(Contribution::normal("x", Volts::new(u))).combined()
    }

    fn by(rule: DecisionRule) -> Judging {
        Judging { rule, calibration: Calibration::InForce }
    }

    fn risk(share: f64) -> DecisionRule {
        DecisionRule::SpecificRisk(Risk::new(share).unwrap())
    }

    #[test]
    fn simple_acceptance_falls_as_ilac_g8_has_it() {
        // Source: ILAC-G8:09/2019, 4.2.1 (binary statement, w = 0).
        let case = toml("conformity-decision-rules.toml")["check_case"].clone();
        let limits = Limits::AtMost(Volts::new(number(&case["T_U"])));
        for row in case["cases"].as_array().unwrap() {
            let want = match row["non_binary"].as_str().unwrap() {
                "pass" | "conditional pass" => Conformity::Accepted,
                _ => Conformity::Rejected,
            };
            let got = decide(&measured(number(&row["y"]), 0.2), &limits, by(DecisionRule::Simple));
            assert_eq!((got.conformity, got.guard_band), (want, Some(0.0)), "{row}");
        }
    }

    #[test]
    fn simple_acceptance_decides_nothing_where_u_fills_the_tolerance() {
        let limits = Limits::around(Volts::new(5.0), Volts::new(1.0)).unwrap();
        let got = decide(&measured(5.0, 0.6), &limits, by(DecisionRule::Simple));
        assert_eq!((got.conformity, got.reason), (Conformity::Undecided, Reason::NotCapable));
        assert_eq!(got.largest_contribution.as_deref(), Some("x"));
        // Twice as much as is asked for is wrong, however wide U is.
        let twice = decide(&measured(10.0, 0.6), &limits, by(DecisionRule::Simple));
        assert_eq!((twice.conformity, twice.reason), (Conformity::Rejected, Reason::OutsideGuarded));
    }

    #[test]
    fn a_specific_risk_moves_one_limit_by_the_normal_quantile() {
        // Source: JCGM 106:2012, 7.3, Table 1: z for a required probability of conformity.
        let file = toml("conformity-jcgm106-examples.toml");
        let limits = Limits::AtMost(Volts::ZERO);
        for row in file["z_one_sided"].as_array().unwrap() {
            let (pc, z) = (number(&row["pc"]), number(&row["z"]));
            let rule = risk(1.0 - pc);
            let at = |value: f64| decide(&measured(value, 1.0), &limits, by(rule));
            assert!((at(0.0).guard_band.unwrap() - z).abs() < 1e-9, "{row}");
            assert_eq!(at(-z - 1e-6).conformity, Conformity::Accepted, "{row}");
            assert_eq!(at(-z + 1e-6).reason, Reason::InsideWithinGuardBand, "{row}");
            assert_eq!(at(z - 1e-6).reason, Reason::OutsideWithinGuardBand, "{row}");
            assert_eq!(at(z + 1e-6).conformity, Conformity::Rejected, "{row}");
        }
    }

    #[test]
    fn the_guard_bands_of_ilac_g8_table_1_are_met_from_their_risks() {
        // Source: ILAC-G8:09/2019, Table 1: multiples r of U (k = 2) and the specific risk they leave.
        let limits = Limits::AtMost(Volts::ZERO);
        for row in rows("conformity-ilac-g8-guard-bands.csv") {
            let (r, share): (f64, f64) = (row[2].parse().unwrap(), row[4].parse().unwrap());
            if r < 0.0 {
                // A limit moved outward accepts what is more likely outside than inside.
                assert!(Risk::new(share).is_err());
                continue;
            }
            let got = decide(&measured(0.0, 1.0), &limits, by(risk(share))).guard_band.unwrap();
            assert!((got - 2.0 * r).abs() < 1e-6, "{row:?}: {got}");
        }
    }

    #[test]
    fn the_two_sided_oil_of_jcgm_106_is_accepted_at_a_risk_of_40_percent_and_not_at_30() {
        // Source: JCGM 106:2012, 7.4: probability of conformity 66 %, so the risk of acceptance is 34 %.
        let file = toml("conformity-jcgm106-examples.toml");
        let row = file["example"].as_array().unwrap().iter().find(|e| e["id"].as_str() == Some("motor-oil"));
        let row = row.unwrap();
        let v = |key: &str| Volts::new(number(&row[key]));
        let limits = Limits::between(v("T_L"), v("T_U")).unwrap();
        let of = |share: f64| decide(&measured(v("y").get(), v("u").get()), &limits, by(risk(share)));
        assert_eq!(of(0.4).conformity, Conformity::Accepted);
        assert_eq!(of(0.3).conformity, Conformity::Undecided);
        assert_eq!(of(0.3).guard_band, None);
    }

    #[test]
    fn speed_enforcement_of_jcgm_106_rejects_above_107_kilometres_an_hour() {
        // Source: JCGM 106:2012, 8.3.3: guarded rejection, u = 0.02·v, 99.9 % that the limit of 100 is exceeded; the limit
        // printed is 107, exact 106.5876.
        let file = toml("conformity-jcgm106-examples.toml");
        let examples = file["example"].as_array().unwrap();
        let row = examples.iter().find(|e| e["id"].as_str() == Some("speed-enforcement")).unwrap();
        let exact = number(&row["recomputed_limit_with_u_at_v"]);
        let rule = risk(1.0 - number(&row["pc_required"]));
        let limits = Limits::AtMost(Rpm::new(number(&row["T_U"])));
        let at = |v: f64| {
            let u = Contribution::normal("u", Rpm::new(number(&row["relative_u"]) * v));
            decide(&Budget::new(Rpm::new(v)).with(u).combined(), &limits, by(rule)).conformity
        };
        assert_eq!((at(exact - 1e-4), at(exact + 1e-4)), (Conformity::Undecided, Conformity::Rejected));
        assert_eq!(at(number(&row["published_acceptance_limit"])), Conformity::Rejected);
    }

    #[test]
    fn the_consumer_s_risk_of_jcgm_106_resistors_is_what_guarding_by_w_leaves() {
        // Source: JCGM 106:2012, 9.5 (global risk): a process of known spread, measured and accepted between the limits
        // moved inward by w; the part that is accepted and outside, by quadrature over the measured value.
        let file = toml("conformity-jcgm106-examples.toml");
        for id in ["resistor", "resistor-simple-acceptance"] {
            let row = file["example"].as_array().unwrap().iter().find(|e| e["id"].as_str() == Some(id));
            let row = row.unwrap();
            let n = |key: &str| number(&row[key]);
            let limits = Limits::between(Volts::new(n("T_L")), Volts::new(n("T_U"))).unwrap();
            let (s0, sm) = (n("u0"), n("u_m"));
            // Given a measured value the true one is normal about a weighted mean.
            let weight = s0 * s0 / (s0 * s0 + sm * sm);
            let (u, spread) = (weight.sqrt() * sm, s0.hypot(sm));
            let (from, to, steps) = (n("A_L"), n("A_U"), 4000);
            let h = (to - from) / f64::from(steps);
            let risk: f64 = (0..steps)
                .map(|i| {
                    let y = from + (f64::from(i) + 0.5) * h;
                    let z = (y - n("y0")) / spread;
                    let density = (-0.5 * z * z).exp() / (spread * (2.0 * core::f64::consts::PI).sqrt());
                    let posterior = n("y0") + weight * (y - n("y0"));
                    let got = decide(&measured(posterior, u), &limits, by(DecisionRule::Guarded));
                    density * (1.0 - got.probability.get()) * h
                })
                .sum();
            let want = n("recomputed_global_consumer_risk");
            assert!((risk / want - 1.0).abs() < 1e-5, "{id}: {risk} {want}");
        }
    }

    #[test]
    fn the_ball_bearings_of_jcgm_106_pass_wrongly_as_often_as_printed() {
        // Source: JCGM 106:2012, 9.5.4: radial error motion in µm by a gamma distribution of shape 4 and rate 4, measured with
        // u = 0.25 µm, at most 2 µm allowed. Printed: 4.2 % of the bearings do not conform, simple acceptance passes 0.8 %
        // wrongly, and 1.67 µm as the limit 0.1 %. Given a true value the chance of acceptance is that of a reading at most at
        // the limit: the probability of conformity of the decision, with true value and reading exchanged.
        let file = toml("conformity-jcgm106-examples.toml");
        let examples = file["example"].as_array().unwrap();
        let row = examples.iter().find(|e| e["id"].as_str() == Some("ball-bearing")).unwrap();
        let n = |key: &str| number(&row[key]);
        let (rate, u, tolerance) = (n("gamma_rate"), n("u_m"), n("T_U"));
        assert!((n("gamma_shape") - 4.0).abs() < 1e-12);
        let prior = |x: f64| rate.powi(4) * x.powi(3) * (-rate * x).exp() / 6.0;
        let passes = |x: f64, limit: f64| {
            let by = decide(&measured(x, u), &Limits::AtMost(Volts::new(limit)), by(DecisionRule::Simple));
            by.probability.get()
        };
        let over = |from: f64, to: f64, of: &dyn Fn(f64) -> f64| {
            let steps = 40_000;
            let h = (to - from) / f64::from(steps);
            (0..steps).map(|i| h * of(from + (f64::from(i) + 0.5) * h)).sum::<f64>()
        };
        let near = |got: f64, key: &str| assert!((got / n(key) - 1.0).abs() < 1e-5, "{key}: {got}");
        let bad = over(tolerance, 12.0, &prior);
        near(bad, "recomputed_nonconforming_fraction");
        let consumer = |limit: f64| over(tolerance, 12.0, &|x| prior(x) * passes(x, limit));
        let producer = |limit: f64| over(0.0, tolerance, &|x| prior(x) * (1.0 - passes(x, limit)));
        near(consumer(tolerance), "recomputed_consumer_risk_A_equals_T");
        near(producer(tolerance), "recomputed_producer_risk_A_equals_T");
        let limit = n("recomputed_acceptance_limit");
        assert!((consumer(limit) / n("target_consumer_risk") - 1.0).abs() < 1e-5, "{}", consumer(limit));
        near(producer(limit), "recomputed_producer_risk_at_limit");
        let printed = (100.0 * bad, 100.0 * consumer(tolerance), limit);
        assert_eq!(format!("{:.1} {:.1} {:.2}", printed.0, printed.1, printed.2), "4.2 0.8 1.67");
    }

    #[test]
    fn a_rule_goes_into_the_record_with_its_risk_as_it_was_stated() {
        let recorded = |rule: DecisionRule| AgreedRule::from(rule);
        assert_eq!(recorded(DecisionRule::Guarded), AgreedRule::Guarded);
        assert_eq!(recorded(DecisionRule::Simple), AgreedRule::Simple);
        // 100 · 0.07 is no 7 in binary digits.
        assert_eq!(recorded(risk(0.07)), AgreedRule::SpecificRisk { risk_percent: 7.0 });
        assert_eq!(risk(0.07).words(), "specific risk of at most 7 %");
    }

    #[test]
    fn a_risk_above_one_half_or_none_is_refused() {
        for share in [0.0, -0.1, 0.51, f64::NAN] {
            assert!(Risk::new(share).is_err(), "{share}");
        }
    }
}
