//! A budget without what makes most of its uncertainty: what would be gained if that were known exactly.

use super::budget::Budget;
use super::quantity::Quantity;

impl<Q: Quantity> Budget<Q> {
    /// The budget without its largest contribution or group, the first of [`rows`](Self::rows). Its degrees of freedom,
    /// coverage factor and distribution are its own.
    #[must_use]
    pub fn without_largest(&self) -> Self {
        let alone = self.independent().iter().map(|c| c.signed().powi(2));
        let variances: Vec<f64> = alone.chain(self.groups().iter().map(|g| g.variance())).collect();
        let largest = variances.iter().copied().fold(f64::NEG_INFINITY, f64::max);
        let first = variances.iter().position(|v| *v == largest);
        let count = self.independent().len();
        let kept = self.independent().iter().enumerate().filter(|(n, _)| Some(*n) != first);
        let groups = self.groups().iter().enumerate().filter(|(n, _)| Some(count + n) != first);
        groups.fold(Self::new(self.value).with_all(kept.map(|(_, c)| c.clone())), |budget, (_, group)| {
            budget.with_group(group.clone())
        })
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::metrology::{Contribution, DegreesOfFreedom, Group, Interval};
    use proofstand_units::Volts;

    #[test]
    fn what_is_left_of_a_budget_has_its_own_degrees_of_freedom_and_coverage_factor() {
        // JCGM 100:2008, Table G.2: t at 95 % is 2.31 for 8 degrees of freedom and 4.30 for 2. ν = 4/(1/2) = 8 for both together.
        let few = Contribution::type_a("few readings", Volts::new(1.0), DegreesOfFreedom::new(2.0).unwrap());
        let budget =
            Budget::new(Volts::ZERO).with(few.clone()).with(Contribution::normal("meter", Volts::new(1.0)));
        let (all, rest) = (budget.combined_at(crate::metrology::Level::P95), budget.without_largest());
        assert_eq!(format!("{:.2}", all.coverage_factor.get()), "2.31");
        assert_eq!(rest.rows().iter().map(|r| r.name.as_str()).collect::<Vec<_>>(), ["meter"]);
        assert!((rest.combined().expanded.get() - 1.959_964).abs() < 1e-6);
        // The other way round two degrees of freedom are left.
        let budget = Budget::new(Volts::ZERO).with(few).with(Contribution::normal("meter", Volts::new(1.1)));
        assert_eq!(format!("{:.2}", budget.without_largest().combined().expanded.get()), "4.30");
    }

    #[test]
    fn what_is_left_of_a_budget_has_its_own_distribution() {
        // A bound alone holds 95 % within 0.95 of its half-width, which is 1.65·u (JCGM 100:2008, G.1.3, Table G.1 for 95 %).
        let budget = Budget::new(Volts::ZERO)
            .with(Contribution::rectangular("resolution", Volts::new(1.0)))
            .with(Contribution::normal("meter", Volts::new(2.0)));
        let rest = budget.without_largest().combined();
        assert!((rest.expanded.get() - 0.95).abs() < 2e-3, "{rest:?}");
        assert_eq!(rest.interval, Interval::Distributions);
    }

    #[test]
    fn a_group_goes_as_a_whole_and_of_equal_ones_the_first() {
        let v = |name: &str, u: f64| Contribution::normal(name, Volts::new(u));
        let budget = Budget::new(Volts::ZERO)
            .with_all([v("a", 1.0), v("b", 1.0)])
            .with_group(Group::together("both", vec![v("c", 1.0), v("d", 1.0)]));
        let names = |b: &Budget<Volts>| b.rows().into_iter().map(|r| r.name).collect::<Vec<_>>();
        let rest = budget.without_largest();
        assert_eq!(
            (budget.rows()[0].name.as_str(), names(&rest)),
            ("both (c, d)", vec!["a".into(), "b".into()])
        );
        assert_eq!(names(&rest.without_largest()), ["b"]);
        assert_eq!(names(&Budget::new(Volts::ZERO).without_largest()), [""; 0]);
    }
}
