//! A value after the power cycle over the value before: what both share cancels.

use proofstand_units::{Percent, Volts};

use crate::checks::Context;
use crate::checks::rows::Row;
use crate::metrology::compare::{Way, smallest_seen};
use crate::metrology::{Budget, Contribution, DegreesOfFreedom, KnownVoltage, Limits, Sensitivity};
use crate::record::model::{ResultRow, Verdict};

/// One measurement of two: how it scatters, relative to its value.
#[derive(Clone, Copy)]
pub(super) struct Side {
    pub(super) relative: f64,
    pub(super) nu: DegreesOfFreedom,
}

impl Side {
    fn own(self, ratio: f64) -> Contribution {
        Contribution::type_a("scatter", Percent::new(100.0 * ratio * self.relative), self.nu)
    }
}

/// A value after over the value before.
pub(super) struct Change {
    pub(super) ratio: f64,
    pub(super) before: Side,
    pub(super) after: Side,
    /// What both are wrong by together, in percent of the value.
    pub(super) shared: Vec<Contribution>,
    /// What may have changed meanwhile and is no setting.
    pub(super) meanwhile: Option<Contribution>,
}

impl Change {
    /// The change in percent of the value before. What both measurements share cancels as far as they are alike.
    fn budget(&self) -> Budget<Percent> {
        let way = |name, ratio: f64, side: Side| Way {
            name,
            value: Percent::new(100.0 * ratio),
            own: vec![side.own(ratio)],
            shared: self.shared.iter().map(|c| c.clone().with_sensitivity(Sensitivity::new(ratio))).collect(),
        };
        let difference = way("after", self.ratio, self.after).less(&way("before", 1.0, self.before));
        difference.with_all(self.meanwhile.clone())
    }

    /// Against the sheet's tolerance for retention, with the smallest change that would be seen.
    pub(super) fn row(&self, context: &Context<'_>, id: &str, name: &str) -> ResultRow {
        let row = Row::number(id, name, "%").target(0.0);
        let budget = self.budget();
        let Ok(limits) = Limits::around(Percent::ZERO, context.sheet.tolerances.retention_gain.value) else {
            return row.without(Verdict::Undecided, "the tolerance leaves no room");
        };
        let mut row = row.judged(&budget, &limits, context.by());
        let seen = smallest_seen(&budget.combined());
        row.sentence = format!(
            "{}; the smallest change that would be seen is {:.2} % (19 times of 20)",
            row.sentence,
            seen.get()
        );
        row
    }
}

/// The clock's share of a quantity that goes with this power of time.
pub(super) fn clock(context: &Context<'_>, power: f64) -> Contribution {
    Contribution::rectangular(
        "clock of the fixture",
        Percent::new(1e-4 * power * context.equipment.clock.get()),
    )
}

/// A voltage's share of a scale that rests on it at one level.
pub(super) fn voltage(what: &str, of: &KnownVoltage, level: Volts) -> Contribution {
    Contribution::normal(what, Percent::new(100.0 * (of.standard(level) / level).abs()))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::checks::tests::with_film_winder;

    fn change(ratio: f64, inertia: f64) -> Change {
        let side = |relative| Side { relative, nu: DegreesOfFreedom::INFINITE };
        Change {
            ratio,
            before: side(3e-4),
            after: side(4e-4),
            shared: vec![Contribution::normal("inertia", Percent::new(inertia))],
            meanwhile: None,
        }
    }

    #[test]
    fn what_both_measurements_share_cancels_and_the_smallest_change_is_printed() {
        // By hand: 0.03 % and 0.04 % make 0.05 %; an inertia known to 5 % changes nothing where nothing has changed.
        let u = |c: &Change| c.budget().combined().standard_uncertainty.get();
        assert!((u(&change(1.0, 5.0)) - 0.05).abs() < 1e-12, "{}", u(&change(1.0, 5.0)));
        // Of a change by 2 % it makes 2 % of itself: 0.1 %.
        let moved = change(1.02, 5.0);
        let want = (0.03_f64.powi(2) + (0.04 * 1.02_f64).powi(2) + 0.1_f64.powi(2)).sqrt();
        assert!((u(&moved) - want).abs() < 1e-12, "{}", u(&moved));
        assert!((moved.budget().combined().value.get() - 2.0).abs() < 1e-9);
        with_film_winder(|context| {
            let row = change(1.0, 5.0).row(context, "retention.gain", "Change");
            // U + 1.645·u = (1.960 + 1.645)·0.05 %.
            assert!(row.sentence.contains("0.18 % (19 times of 20)"), "{}", row.sentence);
            assert_eq!(row.verdict, Verdict::Accepted);
            assert!(row.budget.iter().any(|c| c.name.starts_with("inertia") && c.share_percent < 1e-9));
        });
    }
}
