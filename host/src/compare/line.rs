//! One result of two runs: its difference, what is uncertain about that, and what it says.

use proofstand_units::Percent;
use serde::Serialize;

use super::shared::{Part, Shared, contribution};
use crate::metrology::compare::{Agreement, Way, agreement, smallest_seen};
use crate::metrology::decision::{Reason, decide};
use crate::metrology::{
    Budget, Calibration, Conformity, Contribution, DecisionRule, Judging, Limits, Quantity,
};
use crate::record::model::{ContributionRow, ResultRow};

/// A number in the unit that both rows of a record state.
#[derive(Debug, Clone, Copy, PartialEq, PartialOrd)]
pub(super) struct InRowUnit(pub(super) f64);

impl Quantity for InRowUnit {
    const SYMBOL: &'static str = "";

    fn from_number(value: f64) -> Self {
        Self(value)
    }

    fn number(self) -> f64 {
        self.0
    }
}

/// What a comparison says.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum Finding {
    /// Not further apart than U; a scale: within the tolerance for retention, by the sheet's decision rule.
    Agrees,
    /// Beyond U, which chance does once in twenty times; a scale: not decided.
    Warning,
    /// Beyond three standard uncertainties, or another count or word; a scale: beyond the tolerance, by the same rule.
    Differs,
}

impl Finding {
    /// The word for it.
    #[must_use]
    pub const fn word(self) -> &'static str {
        match self {
            Self::Agrees => "AGREES",
            Self::Warning => "WARNING",
            Self::Differs => "DIFFERS",
        }
    }
}

/// One result of both runs. Numbers are in `unit`, as in the record.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Line {
    /// The result's name, `check.quantity`.
    pub id: String,
    /// Its name for a reader.
    pub name: String,
    /// Unit symbol.
    pub unit: String,
    /// What it was.
    pub before: String,
    /// What it is.
    pub after: String,
    /// After less before; none for words.
    pub difference: Option<f64>,
    /// Expanded uncertainty of the difference, 95 %; none for what was counted.
    pub expanded: Option<f64>,
    /// Its coverage factor.
    pub coverage_factor: Option<f64>,
    /// The smallest real difference that would be seen 19 times of 20.
    pub smallest_seen: Option<f64>,
    /// What the difference may be, where the sheet says so.
    pub tolerance: Option<f64>,
    /// Probability that it keeps to that (JCGM 106:2012, clause 7).
    pub probability_of_conformity: Option<f64>,
    /// What it says.
    pub finding: Finding,
    /// The same in a sentence.
    pub sentence: String,
    /// What makes the difference uncertain, largest first; what cancels has no share.
    pub budget: Vec<ContributionRow>,
}

/// What a sheet says of a scale that has changed.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Allowed {
    /// By so much of itself it may.
    pub(super) tolerance: Percent,
    /// How that is judged.
    pub(super) rule: DecisionRule,
}

/// Compares one result; none where it was not measured in both runs.
pub(super) fn line(before: &ResultRow, after: &ResultRow, shared: &Shared, allowed: Allowed) -> Option<Line> {
    if before.unit != after.unit {
        return None;
    }
    let stated = |row: &ResultRow| row.measured.is_some() && row.statement.is_some();
    if stated(before) && stated(after) {
        return Some(measured(before, after, shared, allowed));
    }
    let exact = |row: &ResultRow| row.measured.filter(|_| row.expanded_uncertainty == Some(0.0));
    if let (Some(was), Some(is)) = (exact(before), exact(after)) {
        let same = (is - was).abs() < 1e-9;
        return Some(Line {
            difference: Some(is - was),
            ..plain(
                before,
                after,
                [was.to_string(), is.to_string()],
                if same { Finding::Agrees } else { Finding::Differs },
            )
        });
    }
    let (was, is) = (before.measured_text.clone()?, after.measured_text.clone()?);
    // Other words of the same verdict are worth a look; another verdict is a difference.
    let finding = match (was == is, before.verdict == after.verdict) {
        (true, true) => Finding::Agrees,
        (false, true) => Finding::Warning,
        (_, false) => Finding::Differs,
    };
    Some(plain(before, after, [was, is], finding))
}

fn plain(before: &ResultRow, after: &ResultRow, [was, is]: [String; 2], finding: Finding) -> Line {
    let sentence = match finding {
        Finding::Agrees => "as it was",
        Finding::Warning => "not the same words, with the same verdict",
        Finding::Differs if before.verdict != after.verdict => "another verdict than before",
        Finding::Differs => "not what it was",
    };
    Line {
        id: after.id.clone(),
        name: after.name.clone(),
        unit: after.unit.clone(),
        before: was,
        after: is,
        difference: None,
        expanded: None,
        coverage_factor: None,
        smallest_seen: None,
        tolerance: None,
        probability_of_conformity: None,
        finding,
        sentence: sentence.to_owned(),
        budget: Vec::new(),
    }
}

fn measured(before: &ResultRow, after: &ResultRow, shared: &Shared, allowed: Allowed) -> Line {
    let budget = difference(before, after, shared);
    let combined = budget.combined();
    let (value, u) = (combined.value.0, combined.expanded.0);
    let seen = smallest_seen(&combined).0;
    let digits = if u > 0.0 { (1.0 - u.log10().floor()).clamp(0.0, 9.0) as usize } else { 9 };
    let number = |v: f64| format!("{v:.digits$}");
    let of = |row: &ResultRow| number(row.measured.unwrap_or(f64::NAN));
    let mut line = Line {
        difference: Some(value),
        expanded: Some(u),
        coverage_factor: Some(combined.coverage_factor.get()),
        smallest_seen: Some(seen),
        budget: budget.rows(),
        ..plain(before, after, [of(before), of(after)], Finding::Agrees)
    };
    // The scale itself may change by what the sheet allows for retention; other ways to it only tell how well they agree.
    let half = before.measured.unwrap_or(0.0).abs() * allowed.tolerance.get() / 100.0;
    let is_scale = after.id.ends_with(".gain") && matches!(after.unit.as_str(), "%/V" | "rpm/V");
    let limits = Limits::around(InRowUnit(0.0), InRowUnit(half)).ok().filter(|_| is_scale);
    let (finding, why) = if let Some(limits) = limits {
        let calibration =
            if shared.in_force { Calibration::InForce } else { Calibration::MissingOrOutOfDate };
        let decision = decide(&combined, &limits, Judging { rule: allowed.rule, calibration });
        line.tolerance = Some(half);
        line.probability_of_conformity = Some(decision.probability.get());
        let (finding, why) = in_words(decision.conformity, decision.reason, allowed.rule);
        (finding, format!("{why}; rule: {}", allowed.rule.words()))
    } else {
        match agreement(&combined) {
            Agreement::Agree => (Finding::Agrees, "within U".to_owned()),
            Agreement::Warning => {
                (Finding::Warning, "beyond U, which chance does once in twenty times".to_owned())
            }
            Agreement::Doubtful | Agreement::Disagree => {
                (Finding::Differs, "beyond three standard uncertainties".to_owned())
            }
        }
    };
    line.finding = finding;
    line.sentence = format!(
        "{why}; the smallest difference that would be seen is {} {} (19 times of 20)",
        number(seen),
        after.unit
    );
    line
}

/// What a decision about a scale says. Only a guard band of U makes it sure.
fn in_words(conformity: Conformity, reason: Reason, rule: DecisionRule) -> (Finding, &'static str) {
    let sure = rule == DecisionRule::Guarded;
    match (conformity, reason) {
        (Conformity::Accepted, _) if sure => (Finding::Agrees, "surely within the tolerance for retention"),
        (Conformity::Accepted, _) => (Finding::Agrees, "within the tolerance for retention"),
        (Conformity::Rejected, _) if sure => (Finding::Differs, "surely beyond the tolerance for retention"),
        (Conformity::Rejected, _) => (Finding::Differs, "beyond the tolerance for retention"),
        (Conformity::Undecided, Reason::CalibrationMissing) => {
            (Finding::Warning, "a calibration is missing or out of date: not decided")
        }
        (Conformity::Undecided, Reason::NotCapable) => {
            (Finding::Warning, "U is as large as the tolerance for retention: not decided")
        }
        (Conformity::Undecided, _) => {
            (Finding::Warning, "too near to the tolerance for retention for the rule: not decided")
        }
    }
}

/// After less before, with what both have in common.
fn difference(before: &ResultRow, after: &ResultRow, shared: &Shared) -> Budget<InRowUnit> {
    let way = |name, row: &ResultRow| {
        let (mut own, mut common): (Vec<Contribution>, Vec<Contribution>) = (Vec::new(), Vec::new());
        for c in &row.budget {
            match shared.part(c, row) {
                Part::Own => own.push(contribution(c)),
                Part::Common(_) => common.push(contribution(c)),
            }
        }
        Way { name, value: InRowUnit(row.measured.unwrap_or(f64::NAN)), own, shared: common }
    };
    let left = after.budget.iter().filter_map(|c| match shared.part(c, after) {
        Part::Common(left) => left,
        Part::Own => None,
    });
    way("after", after).less(&way("before", before)).with_all(left).with_all(shared.temperature(after))
}
