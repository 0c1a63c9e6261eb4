//! Builds result rows: a target, a measurement with its budget, a verdict with its reason.

use crate::metrology::decision::{Reason, decide};
use crate::metrology::{Budget, Calibration, Decision, Limits, Quantity};
use crate::record::model::{ResultRow, Verdict};

/// A row under construction.
pub(super) struct Row {
    row: ResultRow,
    exact: bool,
}

impl Row {
    /// A row whose target is a word.
    pub(super) fn text(id: &str, name: &str, target: &str) -> Self {
        let mut row = Self::number(id, name, "");
        row.row.target_text = Some(target.to_owned());
        row
    }

    /// A row whose target is a number.
    pub(super) fn number(id: &str, name: &str, unit: &str) -> Self {
        Self {
            row: ResultRow {
                id: id.to_owned(),
                name: name.to_owned(),
                unit: unit.to_owned(),
                target: None,
                measured: None,
                measured_text: None,
                target_text: None,
                expanded_uncertainty: None,
                coverage_factor: None,
                lower_limit: None,
                upper_limit: None,
                verdict: Verdict::NotDone,
                sentence: String::new(),
                budget: Vec::new(),
            },
            exact: false,
        }
    }

    pub(super) fn target(mut self, target: f64) -> Self {
        self.row.target = Some(target);
        self
    }

    /// The most that a counted number may be.
    pub(super) fn at_most(mut self, upper: f64) -> Self {
        self.row.upper_limit = Some(upper);
        self
    }

    /// Limits of a measured quantity, shown also where nothing was measured.
    pub(super) fn limits<Q: Quantity>(mut self, limits: &Limits<Q>) -> Self {
        let scale = self.scale::<Q>();
        self.row.lower_limit = limits.lower().map(|q| q.number() * scale);
        self.row.upper_limit = limits.upper().map(|q| q.number() * scale);
        self
    }

    /// Judges a measured quantity with its budget, guard band w = U.
    pub(super) fn judged<Q: Quantity>(
        self,
        budget: &Budget<Q>,
        limits: &Limits<Q>,
        calibration: Calibration,
    ) -> ResultRow {
        let combined = budget.combined();
        let decision = decide(&combined, limits, calibration);
        let scale = self.scale::<Q>();
        let mut row = self.limits(limits).row;
        row.measured = Some(combined.value.number() * scale);
        row.expanded_uncertainty = Some(combined.expanded.number() * scale);
        row.coverage_factor = Some(combined.coverage_factor.get());
        row.budget = budget.rows();
        for contribution in &mut row.budget {
            contribution.standard_uncertainty *= scale;
        }
        row.verdict = decision.conformity.into();
        row.sentence = in_words(&decision);
        row
    }

    /// Times are shown in milliseconds.
    fn scale<Q: Quantity>(&self) -> f64 {
        debug_assert!(
            self.row.unit == Q::SYMBOL || (Q::SYMBOL == "s" && self.row.unit == "ms"),
            "{}",
            self.row.id
        );
        if Q::SYMBOL == "s" && self.row.unit == "ms" { 1e3 } else { 1.0 }
    }

    /// Counted, not measured: it has no uncertainty.
    pub(super) fn exact(mut self) -> Self {
        self.exact = true;
        self
    }

    pub(super) fn measured(mut self, value: f64) -> Self {
        self.row.measured = Some(value);
        if self.exact {
            self.row.expanded_uncertainty = Some(0.0);
        }
        self
    }

    /// A word was found.
    pub(super) fn is(mut self, found: &str, verdict: Verdict, sentence: &str) -> ResultRow {
        self.row.measured_text = Some(found.to_owned());
        self.verdict(verdict, sentence)
    }

    /// Nothing could be measured.
    pub(super) fn without(self, verdict: Verdict, why: &str) -> ResultRow {
        self.verdict(verdict, why)
    }

    pub(super) fn verdict(mut self, verdict: Verdict, sentence: &str) -> ResultRow {
        self.row.verdict = verdict;
        sentence.clone_into(&mut self.row.sentence);
        self.row
    }
}

fn in_words(decision: &Decision) -> String {
    let reason = match decision.reason {
        Reason::InsideGuarded => "inside the limits by more than its uncertainty",
        Reason::InsideWithinGuardBand => "inside the limits, but nearer to one than its uncertainty",
        Reason::OutsideWithinGuardBand => "outside the limits, but by less than its uncertainty",
        Reason::OutsideGuarded => "outside the limits by more than its uncertainty",
        Reason::CalibrationMissing => {
            "inside the limits, but the fixture's calibration is missing or out of date"
        }
        Reason::NoNumber => "no number could be had",
    };
    match &decision.largest_contribution {
        Some(name) => format!("{reason}; the largest contribution is: {name}"),
        None => reason.to_owned(),
    }
}
