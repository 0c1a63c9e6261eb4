//! Two ways to the same quantity, compared with what they have in common.
//!
//! Ways that share a sensor or a calibration are wrong together by part of it: that part cancels in their difference
//! (JCGM 100:2008, 5.2, F.1.2.3). The difference is held against a warning limit at U (95 %) and an action limit at 3 u, as
//! a control chart has them (Shewhart; common practice). Over many axes chance passes the action limit too: it calls for
//! another measurement, and only what chance does not do in a hundred thousand says that one of the two is wrong.

use serde::{Deserialize, Serialize};

use super::budget::{Budget, Combined};
use super::contribution::{Contribution, Sensitivity};
use super::group::Group;
use super::quantity::Quantity;
use crate::record::model::{WAYS_DOUBTFUL, WAYS_IMPOSSIBLE};

/// One-sided normal quantile of 95 %: a real difference of U plus so many u is seen 95 times in a hundred.
const POWER: f64 = 1.644_853_626_951_472_7;

/// A way to a quantity: its value, what is uncertain about it alone, and what it shares with other ways.
#[derive(Debug, Clone, PartialEq)]
pub struct Way<Q> {
    /// What it is called.
    pub name: &'static str,
    /// The value.
    pub value: Q,
    /// What is uncertain about this way alone.
    pub own: Vec<Contribution>,
    /// What other ways may be wrong by together with it: matched by name, with the sensitivity and its sign.
    pub shared: Vec<Contribution>,
}

impl<Q: Quantity> Way<Q> {
    /// The budget of the value by itself, where what is shared is a contribution as any other.
    #[must_use]
    pub fn budget(&self) -> Budget<Q> {
        Budget::new(self.value).with_all(self.own.iter().cloned()).with_all(self.shared.iter().cloned())
    }

    /// The budget of this way's value less another's.
    #[must_use]
    pub fn less(&self, other: &Self) -> Budget<Q> {
        let difference = Q::from_number(self.value.number() - other.value.number());
        let minus = |c: &Contribution| {
            let turned = Sensitivity::new(-c.sensitivity().get());
            c.clone().with_sensitivity(turned)
        };
        let mut budget = Budget::new(difference)
            .with_all(self.own.iter().map(|c| named(c, self.name)))
            .with_all(other.own.iter().map(|c| named(&minus(c), other.name)));
        for mine in &self.shared {
            budget = match other.shared.iter().find(|c| c.name == mine.name) {
                Some(theirs) => {
                    let both = vec![named(mine, self.name), named(&minus(theirs), other.name)];
                    budget.with_group(Group::together(&mine.name, both))
                }
                None => budget.with(named(mine, self.name)),
            };
        }
        let alone = |c: &&Contribution| self.shared.iter().all(|mine| mine.name != c.name);
        budget.with_all(other.shared.iter().filter(alone).map(|c| named(&minus(c), other.name)))
    }
}

/// A contribution with the way it comes from.
fn named(c: &Contribution, way: &str) -> Contribution {
    let mut named = c.clone();
    named.name = format!("{way}: {}", c.name);
    named
}

/// What a difference says.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Agreement {
    /// No more than its uncertainty.
    Agree,
    /// More than its uncertainty, which chance does once in twenty times: a warning.
    Warning,
    /// More than three standard uncertainties, which chance does three times in a thousand: to be measured again.
    Doubtful,
    /// More than 4.5 standard uncertainties: the two can't both be right as stated.
    Disagree,
}

/// What a difference says.
#[must_use]
pub fn agreement<Q: Quantity>(difference: &Combined<Q>) -> Agreement {
    let (value, u) = (difference.value.number().abs(), difference.expanded.number());
    let limit = |times: f64| (times * difference.standard_uncertainty.number()).max(u);
    if value <= u {
        Agreement::Agree
    } else if value <= limit(WAYS_DOUBTFUL) {
        Agreement::Warning
    } else if value <= limit(WAYS_IMPOSSIBLE) {
        Agreement::Doubtful
    } else {
        Agreement::Disagree
    }
}

/// The smallest real difference that would be seen beyond the warning limit 95 times in a hundred: U + 1.645·u.
#[must_use]
pub fn smallest_seen<Q: Quantity>(difference: &Combined<Q>) -> Q {
    Q::from_number(difference.expanded.number() + POWER * difference.standard_uncertainty.number())
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::metrology::{CoverageFactor, DegreesOfFreedom};
    use proofstand_units::Volts;

    fn way(name: &'static str, value: f64, own: f64, shared: f64) -> Way<Volts> {
        Way {
            name,
            value: Volts::new(value),
            own: vec![Contribution::normal("scatter", Volts::new(own))],
            shared: vec![
                Contribution::normal("calibration", Volts::new(1.0))
                    .with_sensitivity(Sensitivity::new(shared)),
            ],
        }
    }

    #[test]
    fn what_two_ways_share_cancels_in_their_difference_and_not_in_the_ways() {
        // JCGM 100:2008, equation 16 with r = 1, worked by hand: u(a)² = 3² + 5², u(a − b)² = 3² + 4² + (5 − 5)².
        let (a, b) = (way("a", 10.0, 3.0, 5.0), way("b", 7.0, 4.0, 5.0));
        let u = |budget: &Budget<Volts>| budget.combined().standard_uncertainty.get();
        assert!((u(&a.budget()) - 34.0_f64.sqrt()).abs() < 1e-12);
        let difference = a.less(&b);
        assert!((u(&difference) - 5.0).abs() < 1e-12);
        assert!((difference.combined().value.get() - 3.0).abs() < 1e-12);
        // With other sensitivities the rest of it stays: (5 − 2)² more.
        assert!((u(&a.less(&way("c", 7.0, 4.0, 2.0))) - 34.0_f64.sqrt()).abs() < 1e-12);
    }

    #[test]
    fn what_only_one_way_has_stays() {
        let mut b = way("b", 0.0, 4.0, 5.0);
        b.shared[0].name = "another calibration".to_owned();
        let u = way("a", 0.0, 3.0, 5.0).less(&b).combined().standard_uncertainty.get();
        assert!((u - 75.0_f64.sqrt()).abs() < 1e-12, "{u}");
    }

    #[test]
    fn a_difference_warns_beyond_u_is_doubtful_beyond_three_standard_uncertainties_and_impossible_beyond_more()
     {
        let of = |value: f64| {
            let budget = Budget::new(Volts::new(value)).with(Contribution::normal("u", Volts::new(1.0)));
            agreement(&budget.combined())
        };
        assert_eq!((of(1.9), of(-2.1), of(2.9)), (Agreement::Agree, Agreement::Warning, Agreement::Warning));
        assert_eq!((of(3.1), of(-4.4)), (Agreement::Doubtful, Agreement::Doubtful));
        assert_eq!((of(4.6), of(-4.6)), (Agreement::Disagree, Agreement::Disagree));
        // Few degrees of freedom widen U beyond 3 u: then U alone counts.
        let nu = DegreesOfFreedom::new(2.0).unwrap();
        let few = Budget::new(Volts::new(4.0)).with(Contribution::type_a("u", Volts::new(1.0), nu));
        assert!(CoverageFactor::student(crate::metrology::Level::P95, nu).get() > 4.0);
        assert_eq!(agreement(&few.combined()), Agreement::Agree);
    }

    #[test]
    fn a_difference_of_the_smallest_that_is_seen_is_seen_nineteen_times_of_twenty() {
        // Closed form: P(|D + z| > 1.96) with D = 1.96 + 1.645 is 0.95 and next to nothing from the other side.
        let budget = Budget::new(Volts::ZERO).with(Contribution::normal("u", Volts::new(0.1)));
        let seen = smallest_seen(&budget.combined()).get() / 0.1;
        assert!((seen - 3.604_817_6).abs() < 1e-6, "{seen}");
    }
}
