//! From a measured value with its uncertainty to a verdict.
//!
//! By the rule that is agreed ([`DecisionRule`]); unless told guarded both ways with w = U (ILAC-G8:09/2019, 4.2.3;
//! JCGM 106:2012): accepted inside the limits by at least U, rejected outside by more than U, undecided between.

use serde::{Deserialize, Serialize};

use super::budget::Combined;
use super::contribution::DegreesOfFreedom;
use super::error::MetrologyError;
use super::quantity::Quantity;
use super::rule::{DecisionRule, Judging};
use super::student::t_probability;
use crate::record::model::Verdict;

/// What a value must keep to.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Limits<Q> {
    /// Not below the one, not above the other.
    Between {
        /// Lower tolerance limit.
        lower: Q,
        /// Upper tolerance limit.
        upper: Q,
    },
    /// Not above this.
    AtMost(Q),
    /// Not below this.
    AtLeast(Q),
}

impl<Q: Quantity> Limits<Q> {
    /// Two limits.
    ///
    /// # Errors
    /// [`MetrologyError::LimitsCrossed`] if the lower one is not below the upper one.
    pub fn between(lower: Q, upper: Q) -> Result<Self, MetrologyError> {
        if lower < upper {
            Ok(Self::Between { lower, upper })
        } else {
            Err(MetrologyError::LimitsCrossed {
                lower: lower.number(),
                upper: upper.number(),
                unit: Q::SYMBOL,
            })
        }
    }

    /// A target, plus or minus a tolerance.
    ///
    /// # Errors
    /// [`MetrologyError::LimitsCrossed`] if the tolerance is not above zero.
    pub fn around(target: Q, tolerance: Q) -> Result<Self, MetrologyError> {
        Self::between(
            Q::from_number(target.number() - tolerance.number()),
            Q::from_number(target.number() + tolerance.number()),
        )
    }

    /// The lower limit, if any.
    #[must_use]
    pub const fn lower(&self) -> Option<Q> {
        match self {
            Self::Between { lower, .. } | Self::AtLeast(lower) => Some(*lower),
            Self::AtMost(_) => None,
        }
    }

    /// The upper limit, if any.
    #[must_use]
    pub const fn upper(&self) -> Option<Q> {
        match self {
            Self::Between { upper, .. } | Self::AtMost(upper) => Some(*upper),
            Self::AtLeast(_) => None,
        }
    }

    /// Half of the way from the lower limit to the upper one, if there are both.
    #[must_use]
    pub fn half_width(&self) -> Option<f64> {
        Some(0.5 * (self.upper()?.number() - self.lower()?.number()))
    }

    /// How far inside the nearest limit a value lies; negative outside.
    pub(super) fn inside_by(&self, value: f64) -> f64 {
        let below = self.upper().map_or(f64::INFINITY, |upper| upper.number() - value);
        let above = self.lower().map_or(f64::INFINITY, |lower| value - lower.number());
        below.min(above)
    }
}

/// What may be said about a value and its limits.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Conformity {
    /// Inside the limits by at least the guard band.
    Accepted,
    /// Within the guard band of a limit, or the means don't suffice.
    Undecided,
    /// Outside the limits by more than the guard band.
    Rejected,
}

impl From<Conformity> for Verdict {
    fn from(conformity: Conformity) -> Self {
        match conformity {
            Conformity::Accepted => Self::Accepted,
            Conformity::Undecided => Self::Undecided,
            Conformity::Rejected => Self::Rejected,
        }
    }
}

/// State of the calibrations that a budget rests on.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Calibration {
    /// All in force, or none needed (counts, directions, flags).
    InForce,
    /// One is missing or out of date: no verdict better than undecided.
    MissingOrOutOfDate,
    /// The fixture's is in force, but has no table for an input that the value was read by: no verdict better than undecided.
    InputWithout,
}

/// Why a verdict is what it is.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Reason {
    /// Inside by at least the guard band.
    InsideGuarded,
    /// Inside, but by less than the guard band.
    InsideWithinGuardBand,
    /// Outside, but by no more than the guard band.
    OutsideWithinGuardBand,
    /// Outside by more than the guard band.
    OutsideGuarded,
    /// The uncertainty takes up all of the tolerance: guarded nothing could be accepted, and simple acceptance would be a
    /// coin toss.
    NotCapable,
    /// It would be accepted, but a calibration is missing or out of date.
    CalibrationMissing,
    /// It lies inside, but the calibration has no table for the input that it was read by.
    InputNotCalibrated,
    /// The value or its uncertainty is not a number, or the uncertainty is not stated.
    NoNumber,
}

/// Probability, 0 to 1.
#[derive(Debug, Clone, Copy, PartialEq, PartialOrd, Serialize, Deserialize)]
#[serde(transparent)]
pub struct Probability(f64);

impl Probability {
    /// The number, 0 to 1.
    #[must_use]
    pub const fn get(self) -> f64 {
        self.0
    }
}

/// A verdict and what it rests on.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Decision {
    /// The rule it was made by.
    pub rule: DecisionRule,
    /// What a value had to be inside a limit by, in the result's unit; none where both limits count together.
    pub guard_band: Option<f64>,
    /// The verdict.
    pub conformity: Conformity,
    /// Why.
    pub reason: Reason,
    /// Probability that the true value keeps to the limits, given the measurement (JCGM 106:2012, clause 7).
    pub probability: Probability,
    /// The contribution to blame for the uncertainty, where the verdict is undecided for it.
    pub largest_contribution: Option<String>,
}

/// Judges a measured value by a rule; a [`Calibration`] alone stands for the guarded rule.
///
/// A calibration that is missing or out of date turns accepted into undecided; rejected stays rejected.
#[must_use]
pub fn decide<Q: Quantity>(measured: &Combined<Q>, limits: &Limits<Q>, by: impl Into<Judging>) -> Decision {
    let Judging { rule, calibration } = by.into();
    let value = measured.value.number();
    let expanded = measured.expanded.number();
    let u = measured.standard_uncertainty.number();
    let real = value.is_finite() && expanded.is_finite() && expanded >= 0.0;
    let probability = if real { conformance(value, u, measured.degrees_of_freedom, limits) } else { 0.0 };
    let reason = if !real {
        Reason::NoNumber
    } else {
        match rule {
            // Only what would be undecided anyway; a calibration without the input's table is what is to be named then.
            DecisionRule::Guarded => match guarded(value, expanded, limits) {
                Reason::InsideWithinGuardBand | Reason::OutsideWithinGuardBand
                    if calibration != Calibration::InputWithout
                        && limits.half_width().is_some_and(|half| expanded >= half) =>
                {
                    Reason::NotCapable
                }
                reason => reason,
            },
            DecisionRule::Simple if limits.half_width().is_some_and(|half| expanded >= half) => {
                Reason::NotCapable
            }
            DecisionRule::Simple => guarded(value, 0.0, limits),
            DecisionRule::SpecificRisk(risk) => by_risk(value, probability, risk.share(), limits),
        }
    };
    let (conformity, reason) = match (reason, calibration) {
        (Reason::InsideGuarded, Calibration::InForce) => (Conformity::Accepted, reason),
        (Reason::InsideGuarded, Calibration::MissingOrOutOfDate) => {
            (Conformity::Undecided, Reason::CalibrationMissing)
        }
        // Where nearness to a limit leaves it undecided, the missing table is what makes its uncertainty so large.
        (Reason::InsideGuarded | Reason::InsideWithinGuardBand, Calibration::InputWithout) => {
            (Conformity::Undecided, Reason::InputNotCalibrated)
        }
        (Reason::OutsideGuarded, _) => (Conformity::Rejected, reason),
        _ => (Conformity::Undecided, reason),
    };
    let blamed =
        matches!(reason, Reason::InsideWithinGuardBand | Reason::OutsideWithinGuardBand | Reason::NotCapable);
    Decision {
        rule,
        guard_band: if real { rule.guard_band(measured, limits) } else { None },
        conformity,
        reason,
        probability: Probability(probability),
        largest_contribution: measured
            .largest
            .as_ref()
            .filter(|_| blamed)
            .map(|largest| largest.name.clone()),
    }
}

/// Accepted where the probability of being outside is no more than the risk, rejected where that of being inside is.
fn by_risk<Q: Quantity>(value: f64, inside: f64, risk: f64, limits: &Limits<Q>) -> Reason {
    if 1.0 - inside <= risk {
        Reason::InsideGuarded
    } else if inside <= risk {
        Reason::OutsideGuarded
    } else if limits.inside_by(value) >= 0.0 {
        Reason::InsideWithinGuardBand
    } else {
        Reason::OutsideWithinGuardBand
    }
}

/// The limit moved by the guard band is compared with the value itself, as the rule is written: a value on the moved
/// limit is accepted, and a value on the limit moved outward is not yet rejected.
fn guarded<Q: Quantity>(value: f64, guard: f64, limits: &Limits<Q>) -> Reason {
    let upper = limits.upper().map_or(f64::INFINITY, Quantity::number);
    let lower = limits.lower().map_or(f64::NEG_INFINITY, Quantity::number);
    if value > upper + guard || value < lower - guard {
        Reason::OutsideGuarded
    } else if value <= upper - guard && value >= lower + guard {
        Reason::InsideGuarded
    } else if value <= upper && value >= lower {
        Reason::InsideWithinGuardBand
    } else {
        Reason::OutsideWithinGuardBand
    }
}

fn conformance<Q: Quantity>(value: f64, u: f64, nu: DegreesOfFreedom, limits: &Limits<Q>) -> f64 {
    if u <= 0.0 {
        return if limits.inside_by(value) >= 0.0 { 1.0 } else { 0.0 };
    }
    // Both tails from below, so that small probabilities keep their digits.
    let above = limits.upper().map_or(0.0, |upper| t_probability((value - upper.number()) / u, nu));
    let below = limits.lower().map_or(0.0, |lower| t_probability((lower.number() - value) / u, nu));
    (1.0 - above - below).clamp(0.0, 1.0)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::metrology::budget::Budget;
    use crate::metrology::contribution::Contribution;
    use crate::metrology::reference::{number, rows, toml};
    use crate::metrology::student::{CoverageFactor, Level};
    use proofstand_units::Volts;

    fn measured(value: f64, u: f64, k: f64) -> Combined<Volts> {
        Combined {
            value: Volts::new(value),
            standard_uncertainty: Volts::new(u),
            degrees_of_freedom: DegreesOfFreedom::INFINITE,
            level: Level::TWO_SIGMA,
            coverage_factor: CoverageFactor::new(k),
            expanded: Volts::new(k * u),
            interval: crate::metrology::Interval::Gum,
            largest: None,
        }
    }

    fn verdict(value: f64, u: f64, limits: &Limits<Volts>) -> Conformity {
        decide(&measured(value, u, 2.0), limits, Calibration::InForce).conformity
    }

    #[test]
    fn the_upper_limit_cases_fall_as_the_non_binary_rule_of_ilac_g8_has_them() {
        // Source: ILAC-G8:09/2019, 4.2.3: pass, conditional pass and conditional fail, fail.
        let case = toml("conformity-decision-rules.toml")["check_case"].clone();
        let limits = Limits::AtMost(Volts::new(number(&case["T_U"])));
        for row in case["cases"].as_array().unwrap() {
            let (conformity, reason) = match row["non_binary"].as_str().unwrap() {
                "pass" => (Conformity::Accepted, Reason::InsideGuarded),
                "conditional pass" => (Conformity::Undecided, Reason::InsideWithinGuardBand),
                "conditional fail" => (Conformity::Undecided, Reason::OutsideWithinGuardBand),
                _ => (Conformity::Rejected, Reason::OutsideGuarded),
            };
            let got = decide(&measured(number(&row["y"]), 0.2, 2.0), &limits, Calibration::InForce);
            assert_eq!((got.conformity, got.reason), (conformity, reason), "{row}");
            // The mirror image, with a lower limit.
            let mirrored = Limits::AtLeast(Volts::new(-number(&case["T_U"])));
            assert_eq!(verdict(-number(&row["y"]), 0.2, &mirrored), conformity, "{row}");
        }
        for row in case["pc_at"].as_array().unwrap() {
            let got = decide(&measured(number(&row["y"]), 0.2, 2.0), &limits, Calibration::InForce);
            assert!(
                (got.probability.get() - number(&row["pc"])).abs() < 1e-10,
                "{row} {:?}",
                got.probability
            );
        }
    }

    #[test]
    fn conformance_probabilities_are_those_of_jcgm_106_clause_7() {
        // Source: JCGM 106:2012, 7.3 examples 1 and 2, 7.4 (arithmetic recomputed at 40 digits).
        let file = toml("conformity-jcgm106-examples.toml");
        let volts = |row: &toml::Value, key: &str| row.get(key).map(|v| Volts::new(number(v)));
        let mut seen = 0;
        for row in file["example"].as_array().unwrap() {
            let (Some(y), Some(u), Some(pc)) = (row.get("y"), row.get("u"), row.get("recomputed_pc")) else {
                continue;
            };
            let limits = match (volts(row, "T_L"), volts(row, "T_U")) {
                (Some(lower), Some(upper)) => Limits::between(lower, upper).unwrap(),
                (None, Some(upper)) => Limits::AtMost(upper),
                (Some(lower), None) => Limits::AtLeast(lower),
                (None, None) => panic!("{row}"),
            };
            let got = decide(&measured(number(y), number(u), 2.0), &limits, Calibration::InForce);
            assert!((got.probability.get() - number(pc)).abs() < 1e-11, "{row}: {:?}", got.probability);
            seen += 1;
        }
        assert_eq!(seen, 3);
    }

    #[test]
    fn the_risk_at_the_acceptance_limit_is_that_of_ilac_g8_table_1() {
        // Source: ILAC-G8:09/2019, Table 1 (k = 2, normal): probability of being outside at a distance of r·U.
        let limits = Limits::AtMost(Volts::ZERO);
        for row in rows("conformity-ilac-g8-guard-bands.csv") {
            let (r, risk): (f64, f64) = (row[2].parse().unwrap(), row[4].parse().unwrap());
            let got = decide(&measured(-2.0 * r, 1.0, 2.0), &limits, Calibration::InForce);
            assert!((1.0 - got.probability.get() - risk).abs() < 5e-10, "{row:?}");
            assert_eq!(got.conformity == Conformity::Accepted, r >= 1.0, "{row:?}");
        }
    }

    #[test]
    fn an_uncertainty_wider_than_the_tolerance_accepts_nothing_and_still_rejects() {
        let limits = Limits::around(Volts::new(5.0), Volts::new(1.0)).unwrap();
        for value in [4.0, 5.0, 6.0, 7.0] {
            assert_eq!(verdict(value, 0.6, &limits), Conformity::Undecided, "{value}");
            let why = decide(&measured(value, 0.6, 2.0), &limits, Calibration::InForce).reason;
            assert_eq!(why, Reason::NotCapable, "{value}");
        }
        assert_eq!(verdict(7.3, 0.6, &limits), Conformity::Rejected);
        assert_eq!(verdict(2.7, 0.6, &limits), Conformity::Rejected);
        assert_eq!(verdict(5.0, 0.4, &limits), Conformity::Accepted);
    }

    #[test]
    fn a_missing_calibration_takes_acceptance_away_but_not_rejection() {
        let limits = Limits::AtMost(Volts::new(10.0));
        let of = |value: f64| decide(&measured(value, 0.1, 2.0), &limits, Calibration::MissingOrOutOfDate);
        assert_eq!((of(5.0).conformity, of(5.0).reason), (Conformity::Undecided, Reason::CalibrationMissing));
        assert_eq!(of(11.0).conformity, Conformity::Rejected);
        assert_eq!(of(9.9).reason, Reason::InsideWithinGuardBand);
        // An input that the calibration has no table for is named, wherever inside the value lies.
        let of = |value: f64| decide(&measured(value, 0.1, 2.0), &limits, Calibration::InputWithout);
        for value in [5.0, 9.9] {
            let got = of(value);
            assert_eq!((got.conformity, got.reason), (Conformity::Undecided, Reason::InputNotCalibrated));
        }
        assert_eq!(of(11.0).conformity, Conformity::Rejected);
    }

    #[test]
    fn undecided_names_the_largest_contribution_and_accepted_names_none() {
        let limits = Limits::AtMost(Volts::new(10.0));
        let budget = |value: f64| {
            Budget::new(Volts::new(value))
                .with(Contribution::normal("inertia", Volts::new(0.3)))
                .with(Contribution::normal("clock", Volts::new(0.01)))
                .combined()
        };
        let undecided = decide(&budget(9.8), &limits, Calibration::InForce);
        assert_eq!(undecided.largest_contribution.as_deref(), Some("inertia"));
        assert_eq!(decide(&budget(5.0), &limits, Calibration::InForce).largest_contribution, None);
    }

    #[test]
    fn what_is_not_a_number_is_never_accepted_nor_rejected() {
        let limits = Limits::AtMost(Volts::new(10.0));
        for (value, u) in
            [(f64::NAN, 0.1), (1.0, f64::NAN), (f64::INFINITY, 0.1), (1.0, f64::INFINITY), (1.0, -1.0)]
        {
            let got = decide(&measured(value, u, 2.0), &limits, Calibration::InForce);
            assert_eq!(
                (got.conformity, got.reason),
                (Conformity::Undecided, Reason::NoNumber),
                "{value} {u}"
            );
        }
    }

    #[test]
    fn few_degrees_of_freedom_make_the_same_margin_less_probable() {
        let limits = Limits::AtMost(Volts::new(2.0));
        let mut few = measured(0.0, 1.0, 2.0);
        let many = decide(&few, &limits, Calibration::InForce).probability.get();
        few.degrees_of_freedom = DegreesOfFreedom::new(2.0).unwrap();
        let got = decide(&few, &limits, Calibration::InForce).probability.get();
        // Closed form of t with ν = 2 at 2: 1/2 + 2/(2·√6).
        assert!((got - (0.5 + 1.0 / 6.0_f64.sqrt())).abs() < 1e-12 && got < many);
    }
}
