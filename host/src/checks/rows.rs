//! Builds result rows: a target, a measurement with its budget, a verdict with its reason.

use crate::metrology::decision::{Reason, decide};
use crate::metrology::{Budget, Combined, Decision, DecisionRule, Interval, Judging, Limits, Quantity};
use crate::record::model::{
    ContributionRow, DecisionStatement, IntervalMethod, ResultRow, UncertaintyStatement, Verdict,
};

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
                statement: None,
                decision: None,
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

    /// The least that a number may be.
    pub(super) fn at_least(mut self, lower: f64) -> Self {
        self.row.lower_limit = Some(lower);
        self
    }

    /// Limits of a measured quantity, shown also where nothing was measured.
    pub(super) fn limits<Q: Quantity>(mut self, limits: &Limits<Q>) -> Self {
        let scale = self.scale::<Q>();
        self.row.lower_limit = limits.lower().map(|q| q.number() * scale);
        self.row.upper_limit = limits.upper().map(|q| q.number() * scale);
        self
    }

    /// Judges a measured quantity with its budget, by the sheet's decision rule (see `Context::by`).
    pub(super) fn judged<Q: Quantity>(
        self,
        budget: &Budget<Q>,
        limits: &Limits<Q>,
        by: impl Into<Judging>,
    ) -> ResultRow {
        let combined = budget.combined();
        let decision = decide(&combined, limits, by);
        let scale = self.scale::<Q>();
        let mut row = self.limits(limits).with_budget(budget, &combined).row;
        row.verdict = decision.conformity.into();
        row.sentence = in_words(&decision);
        row.decision = Some(DecisionStatement {
            rule: decision.rule.words(),
            guard_band: decision.guard_band.map(|w| w * scale),
            probability_of_conformity: decision.probability.get(),
        });
        row
    }

    /// A measured quantity with its budget, for a reader to see and for nothing to be judged by.
    pub(super) fn shown<Q: Quantity>(
        self,
        budget: &Budget<Q>,
        verdict: Verdict,
        sentence: &str,
    ) -> ResultRow {
        self.with_budget(budget, &budget.combined()).verdict(verdict, sentence)
    }

    fn with_budget<Q: Quantity>(mut self, budget: &Budget<Q>, combined: &Combined<Q>) -> Self {
        let scale = self.scale::<Q>();
        let row = &mut self.row;
        row.measured = Some(combined.value.number() * scale);
        row.expanded_uncertainty = Some(combined.expanded.number() * scale);
        row.coverage_factor = Some(combined.coverage_factor.get());
        row.budget = budget.rows();
        for contribution in &mut row.budget {
            contribution.standard_uncertainty *= scale;
            contribution.sensitivity = contribution.sensitivity.map(|c| c * scale);
        }
        row.statement = Some(UncertaintyStatement {
            standard_uncertainty: combined.standard_uncertainty.number() * scale,
            degrees_of_freedom: combined.degrees_of_freedom.finite(),
            coverage_percent: 100.0 * combined.level.share(),
            interval: match combined.interval {
                Interval::Gum => IntervalMethod::Gum,
                Interval::Distributions => IntervalMethod::Distributions,
            },
            sentence: most_of_it(&row.budget, combined.expanded.number() * scale, &row.unit, || {
                budget.without_largest().combined().expanded.number() * scale
            }),
        });
        self
    }

    /// A measured quantity with its budget that nothing is stated to compare with.
    pub(super) fn reported<Q: Quantity>(self, budget: &Budget<Q>, sentence: &str) -> ResultRow {
        self.with_budget(budget, &budget.combined()).verdict(Verdict::Accepted, sentence)
    }

    /// Times are shown in milliseconds or microseconds, small voltages in millivolts.
    fn scale<Q: Quantity>(&self) -> f64 {
        debug_assert!(
            self.row.unit == Q::SYMBOL
                || (Q::SYMBOL == "s" && matches!(self.row.unit.as_str(), "ms" | "µs"))
                || (Q::SYMBOL == "V" && self.row.unit == "mV"),
            "{}",
            self.row.id
        );
        match self.row.unit.as_str() {
            "ms" if Q::SYMBOL == "s" => 1e3,
            "mV" if Q::SYMBOL == "V" => 1e3,
            "µs" if Q::SYMBOL == "s" => 1e6,
            _ => 1.0,
        }
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

/// What most of an uncertainty is, and what would be gained without it: `rest` is the expanded uncertainty of all the others.
fn most_of_it(budget: &[ContributionRow], expanded: f64, unit: &str, rest: impl FnOnce() -> f64) -> String {
    let Some(largest) = budget.first().filter(|c| c.share_percent > 0.0) else {
        return "Nothing is uncertain about it.".to_owned();
    };
    let (name, share) = (&largest.name, largest.share_percent);
    let number = |value: f64| {
        // An inertia is no row of zeros.
        if value > 0.0 && value < 1e-4 {
            return format!("{} {unit}", power_of_ten(value)).trim_end().to_owned();
        }
        let digits = if value > 0.0 { (1.0 - value.log10().floor()).clamp(0.0, 9.0) as usize } else { 0 };
        format!("{value:.digits$} {unit}").trim_end().to_owned()
    };
    if budget.len() == 1 {
        return format!("All of it is: {name}.");
    }
    let how = if share >= 50.0 { "Most of it is" } else { "The largest part, among several, is" };
    let (without, whole) = (rest(), number(expanded));
    let gained = if without < expanded && number(without) != whole {
        format!("Without it U would be {} instead of {whole}.", number(without))
    } else {
        "Without it U would be no smaller to two digits.".to_owned()
    };
    format!("{how}: {name} ({share:.0} % of the variance). {gained}")
}

/// Two digits and a power of ten, as the tables beside it have them: 5.8 × 10⁻⁸.
fn power_of_ten(value: f64) -> String {
    let text = format!("{value:.1e}");
    let (factor, exponent) = text.split_once('e').unwrap_or((&text, "0"));
    let raised = exponent.chars().map(|c| match c {
        '-' => '⁻',
        '1' => '¹',
        '2' => '²',
        '3' => '³',
        digit => digit.to_digit(10).and_then(|d| char::from_u32(0x2070 + d)).unwrap_or(digit),
    });
    format!("{factor}\u{a0}×\u{a0}10{}", raised.collect::<String>())
}

fn in_words(decision: &Decision) -> String {
    let reason = match (decision.reason, decision.rule) {
        (Reason::InsideGuarded, DecisionRule::Guarded) => {
            "inside the limits by more than its uncertainty".to_owned()
        }
        (Reason::OutsideGuarded, DecisionRule::Guarded) => {
            "outside the limits by more than its uncertainty".to_owned()
        }
        (Reason::InsideWithinGuardBand, DecisionRule::Guarded) => {
            "inside the limits, but nearer to one than its uncertainty".to_owned()
        }
        (Reason::OutsideWithinGuardBand, DecisionRule::Guarded) => {
            "outside the limits, but by less than its uncertainty".to_owned()
        }
        (Reason::InsideGuarded, DecisionRule::Simple) => "inside the limits (simple acceptance)".to_owned(),
        (Reason::OutsideGuarded, DecisionRule::Simple) => "outside the limits (simple acceptance)".to_owned(),
        (Reason::InsideGuarded, DecisionRule::SpecificRisk(risk)) => {
            format!("outside the limits with a probability of at most {} %", risk.percent())
        }
        (Reason::OutsideGuarded, DecisionRule::SpecificRisk(risk)) => {
            format!("inside the limits with a probability of at most {} %", risk.percent())
        }
        (Reason::InsideWithinGuardBand, _) => {
            "inside the limits, but not surely enough for the risk agreed".to_owned()
        }
        (Reason::OutsideWithinGuardBand, _) => {
            "outside the limits, but not surely enough for the risk agreed".to_owned()
        }
        (Reason::NotCapable, _) => "not capable: the uncertainty is as large as the tolerance".to_owned(),
        (Reason::CalibrationMissing, _) => {
            "inside the limits, but the fixture's calibration is missing or out of date".to_owned()
        }
        (Reason::InputNotCalibrated, _) => {
            "inside the limits, but the fixture's calibration has no table for the input that reads this voltage".to_owned()
        }
        (Reason::NoNumber, _) => "no number could be had".to_owned(),
    };
    match &decision.largest_contribution {
        Some(name) => format!("{reason}; the largest contribution is: {name}"),
        None => reason,
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::metrology::{Calibration, Contribution, DegreesOfFreedom};
    use proofstand_units::{Seconds, Volts};

    #[test]
    fn a_judged_row_says_how_its_uncertainty_was_had_and_by_what_rule_it_was_decided() {
        // Worked by hand: u = √(3² + 4²) = 5 ms, U = 9.8 ms; without the larger part, 64 % of the variance, 0.6·U.
        let budget = Budget::new(Seconds::from_millis(20.0))
            .with(Contribution::normal("coupler", Seconds::from_millis(4.0)))
            .with(Contribution::normal("crossing", Seconds::from_millis(3.0)));
        let limits = Limits::AtMost(Seconds::from_millis(40.0));
        let row = Row::number("x.y", "Delay", "ms").judged(&budget, &limits, Calibration::InForce);
        let statement = row.statement.unwrap();
        assert!((statement.standard_uncertainty - 5.0).abs() < 1e-12);
        assert_eq!(statement.degrees_of_freedom, None);
        assert_eq!(
            statement.sentence,
            "Most of it is: coupler (64 % of the variance). Without it U would be 5.9 ms instead of 9.8 ms."
        );
        let decision = row.decision.unwrap();
        assert!((decision.guard_band.unwrap() - row.expanded_uncertainty.unwrap()).abs() < 1e-12);
        assert!(decision.probability_of_conformity > 0.99996);
        assert_eq!(row.budget[0].input_unit, "s");
        assert!(
            (row.budget[0].input_uncertainty.unwrap() * row.budget[0].sensitivity.unwrap() - 4.0).abs()
                < 1e-12
        );
    }

    #[test]
    fn the_rule_of_the_sheet_decides_and_its_name_stands_in_the_row() {
        let budget = Budget::new(Volts::new(9.9)).with(Contribution::normal("meter", Volts::new(0.2)));
        let limits = Limits::AtMost(Volts::new(10.0));
        let of = |rule| {
            let by = Judging { rule, calibration: Calibration::InForce };
            Row::number("x.y", "Level", "V").judged(&budget, &limits, by)
        };
        let (guarded, simple) = (of(DecisionRule::Guarded), of(DecisionRule::Simple));
        assert_eq!((guarded.verdict, simple.verdict), (Verdict::Undecided, Verdict::Accepted));
        assert!(guarded.sentence.contains("inside the limits, but nearer to one than its uncertainty"));
        assert!(simple.sentence.contains("inside the limits (simple acceptance)"));
        let chance = |row: &ResultRow| row.decision.as_ref().unwrap().probability_of_conformity;
        // Φ(0.5).
        assert!((chance(&simple) - 0.691_462_461).abs() < 1e-8 && chance(&simple) == chance(&guarded));
        assert!(simple.decision.unwrap().rule.contains("simple acceptance"));
    }

    /// Values, limits and uncertainties of a row: 20, 10 to 40, with u = 5 of its unit.
    fn in_own_unit<Q: Quantity>(unit: &str, one: f64) {
        let of = |number: f64| Q::from_number(number * one);
        let budget = Budget::new(of(20.0)).with(Contribution::normal("all", of(5.0)));
        let limits = Limits::between(of(10.0), of(40.0)).unwrap();
        let row = Row::number("x.y", "Thing", unit).judged(&budget, &limits, Calibration::InForce);
        let near = |got: Option<f64>, want: f64| {
            assert!((got.unwrap() / want - 1.0).abs() < 1e-9, "{unit}: {got:?}")
        };
        near(row.measured, 20.0);
        near(row.lower_limit, 10.0);
        near(row.upper_limit, 40.0);
        // 95 % of a normal distribution.
        near(row.expanded_uncertainty, 5.0 * 1.959_963_984_540_054);
        near(row.coverage_factor, 1.959_963_984_540_054);
        near(row.statement.as_ref().map(|s| s.standard_uncertainty), 5.0);
        near(row.statement.as_ref().map(|s| s.coverage_percent), 95.0);
        near(row.decision.as_ref().and_then(|d| d.guard_band), 5.0 * 1.959_963_984_540_054);
        near(Some(row.budget[0].standard_uncertainty), 5.0);
    }

    #[test]
    fn value_limits_and_uncertainty_of_a_row_are_all_in_its_own_unit() {
        in_own_unit::<Seconds>("s", 1.0);
        in_own_unit::<Seconds>("ms", 1e-3);
        in_own_unit::<Seconds>("µs", 1e-6);
        in_own_unit::<Volts>("V", 1.0);
        in_own_unit::<Volts>("mV", 1e-3);
    }

    #[test]
    fn a_row_without_a_measurement_shows_what_was_asked_and_why_there_is_none() {
        let row = Row::number("x.y", "Thing", "rpm").target(3.0).at_least(1.0).at_most(5.0);
        let row = row.without(Verdict::NotDone, "it stopped");
        assert_eq!((row.target, row.lower_limit, row.upper_limit), (Some(3.0), Some(1.0), Some(5.0)));
        assert_eq!((row.id.as_str(), row.name.as_str(), row.unit.as_str()), ("x.y", "Thing", "rpm"));
        assert_eq!(
            (row.measured, row.verdict, row.sentence.as_str()),
            (None, Verdict::NotDone, "it stopped")
        );
        let words = Row::text("x.z", "Way", "up").is("down", Verdict::Rejected, "the other way");
        assert_eq!(
            (words.target_text.as_deref(), words.measured_text.as_deref()),
            (Some("up"), Some("down"))
        );
        assert_eq!((words.verdict, words.sentence.as_str()), (Verdict::Rejected, "the other way"));
    }

    #[test]
    fn what_was_counted_is_exact_and_what_was_only_read_states_no_uncertainty() {
        let counted =
            Row::number("x.y", "Counts", "counts").exact().measured(8.0).verdict(Verdict::Accepted, "");
        assert_eq!((counted.measured, counted.expanded_uncertainty), (Some(8.0), Some(0.0)));
        let read = Row::number("x.y", "Speed", "rpm").measured(8.0).verdict(Verdict::Rejected, "");
        assert_eq!((read.measured, read.expanded_uncertainty), (Some(8.0), None));
    }

    #[test]
    fn what_is_shown_or_reported_has_its_uncertainty_and_is_decided_by_nothing() {
        let budget = Budget::new(Volts::new(2.0)).with(Contribution::normal("meter", Volts::new(0.5)));
        let shown = Row::number("x.y", "Level", "V").shown(&budget, Verdict::Undecided, "for the reader");
        let reported = Row::number("x.y", "Level", "V").reported(&budget, "nothing is asked");
        assert_eq!((shown.verdict, reported.verdict), (Verdict::Undecided, Verdict::Accepted));
        assert_eq!(
            (shown.sentence.as_str(), reported.sentence.as_str()),
            ("for the reader", "nothing is asked")
        );
        for row in [shown, reported] {
            assert!(
                row.measured == Some(2.0) && row.expanded_uncertainty > Some(0.97) && row.decision.is_none()
            );
        }
    }

    #[test]
    fn what_most_of_an_uncertainty_is_is_said_for_one_part_for_several_and_for_none() {
        let said = |parts: &[f64]| {
            let names = ["a", "b", "c"];
            let parts = names.iter().zip(parts).map(|(n, u)| Contribution::normal(n, Volts::new(*u)));
            let budget = Budget::new(Volts::ZERO).with_all(parts);
            Row::number("x.y", "Level", "V").reported(&budget, "").statement.unwrap().sentence
        };
        assert_eq!(said(&[]), "Nothing is uncertain about it.");
        assert_eq!(said(&[0.0]), "Nothing is uncertain about it.");
        assert_eq!(said(&[2.0]), "All of it is: a.");
        // U = 1.96·5e-6 and 1.96·3e-6.
        assert!(
            said(&[3e-6, 4e-6])
                .ends_with("Without it U would be 5.9\u{a0}×\u{a0}10⁻⁶ V instead of 9.8\u{a0}×\u{a0}10⁻⁶ V.")
        );
        // U = 1.96·√3 and 1.96·√2.
        assert_eq!(
            said(&[1.0, 1.0, 1.0]),
            "The largest part, among several, is: a (33 % of the variance). Without it U would be 2.8 V instead of 3.4 V."
        );
        assert_eq!(
            said(&[1.0, 1.0]),
            "Most of it is: a (50 % of the variance). Without it U would be 2.0 V instead of 2.8 V."
        );
        assert_eq!(
            said(&[1.0, 0.0]),
            "Most of it is: a (100 % of the variance). Without it U would be 0 V instead of 2.0 V."
        );
    }

    #[test]
    fn what_an_uncertainty_would_be_without_its_largest_part_is_had_from_the_parts_that_are_left() {
        let said = |meter: f64| {
            let few = DegreesOfFreedom::new(2.0).unwrap();
            let budget = Budget::new(Volts::ZERO)
                .with(Contribution::type_a("readings", Volts::new(1.0), few))
                .with(Contribution::normal("meter", Volts::new(meter)));
            Row::number("x.y", "Level", "V").reported(&budget, "").statement.unwrap().sentence
        };
        // U = 1.96·0.5 is left, where √(1 − 0.8) of the whole would be more; u = √1.25 and ν = 2·1.25² = 3: t = 3.18
        // (JCGM 100:2008, Table G.2), or what the distributions come to.
        let sentence = said(0.5);
        assert!(
            sentence.contains("readings (80 % of the variance). Without it U would be 0.98 V instead of "),
            "{sentence}"
        );
        // Two degrees of freedom are left: t = 4.30, where √(1 − 0.69) of the whole would be less than 3.
        let sentence = said(1.5);
        assert!(
            sentence.contains("meter (69 % of the variance). Without it U would be 4.3 V instead of "),
            "{sentence}"
        );
        // 1.96·√100 and 1.96·√99.
        let many = (0..100).map(|n| Contribution::normal(&format!("{n}"), Volts::new(1.0)));
        let many = Budget::new(Volts::ZERO).with_all(many);
        assert_eq!(
            Row::number("x.y", "Level", "V").reported(&many, "").statement.unwrap().sentence,
            "The largest part, among several, is: 0 (1 % of the variance). Without it U would be no smaller to two digits."
        );
    }
}
