//! From a measured value with its uncertainty to a verdict.
//!
//! By the rule that is agreed ([`DecisionRule`]); unless told guarded both ways with w = U (ILAC-G8:09/2019, 4.2.3;
//! JCGM 106:2012): accepted inside the limits by at least U, rejected outside by more than U, undecided between.

use serde::{Deserialize, Serialize};

use super::budget::Combined;
use super::error::MetrologyError;
use super::quantity::Quantity;
use super::rule::{DecisionRule, Judging};
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
    /// Probability that the true value keeps to the limits, given the measurement (JCGM 106:2012, clause 7): by the
    /// distributions of the contributions, which the expanded uncertainty is held against.
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
    let real = value.is_finite() && expanded.is_finite() && expanded >= 0.0;
    let probability = if real { conformance(measured, limits) } else { 0.0 };
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
            // What lies outside by more than U is outside, however wide U is.
            DecisionRule::Simple
                if limits.half_width().is_some_and(|half| expanded >= half)
                    && guarded(value, expanded, limits) != Reason::OutsideGuarded =>
            {
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

/// By the distribution that U is held against (JCGM 106:2012, 7.1: the distribution that describes what is known of the value).
fn conformance<Q: Quantity>(measured: &Combined<Q>, limits: &Limits<Q>) -> f64 {
    let value = measured.value.number();
    // The distribution is symmetric: below the lower limit lies what would lie above by the same distance.
    let above = limits.upper().map_or(0.0, |upper| measured.distribution.beyond(upper.number() - value));
    let below = limits.lower().map_or(0.0, |lower| measured.distribution.beyond(value - lower.number()));
    (1.0 - above - below).clamp(0.0, 1.0)
}

#[cfg(test)]
mod tests;
