//! Decisions against JCGM 106, ILAC-G8, closed forms and drawn values.

use super::*;
use crate::metrology::Interval;
use crate::metrology::budget::Budget;
use crate::metrology::contribution::{Contribution, DegreesOfFreedom};
use crate::metrology::monte_carlo::{Random, trial};
use crate::metrology::reference::{number, rows, toml};
use crate::metrology::student::{CoverageFactor, Level};
use proofstand_units::Volts;

fn measured(value: f64, u: f64, k: f64) -> Combined<Volts> {
    let normal = Contribution::normal("x", Volts::new(u));
    let combined = Budget::new(Volts::new(value)).with(normal).combined_at(Level::TWO_SIGMA);
    Combined {
        coverage_factor: CoverageFactor::new(k),
        expanded: Volts::new(k * u),
        largest: None,
        ..combined
    }
}

fn verdict(value: f64, u: f64, limits: &Limits<Volts>) -> Conformity {
    decide(&measured(value, u, 2.0), limits, Calibration::InForce).conformity
}

#[test]
fn what_lies_exactly_on_a_limit_moved_or_not_falls_as_the_rule_is_written() {
    // Source: ILAC-G8:09/2019, 4.2: a limit belongs to what is inside it. Numbers that are exact in binary: U = 1.
    let limits = Limits::between(Volts::ZERO, Volts::new(10.0)).unwrap();
    let at = |value: f64| decide(&measured(value, 0.5, 2.0), &limits, Calibration::InForce).reason;
    for (value, reason) in [
        (1.0, Reason::InsideGuarded),
        (9.0, Reason::InsideGuarded),
        (0.0, Reason::InsideWithinGuardBand),
        (10.0, Reason::InsideWithinGuardBand),
        (-1.0, Reason::OutsideWithinGuardBand),
        (11.0, Reason::OutsideWithinGuardBand),
        (-1.125, Reason::OutsideGuarded),
        (11.125, Reason::OutsideGuarded),
    ] {
        assert_eq!(at(value), reason, "{value}");
    }
    // With a risk that is far from met at the limit itself.
    let limits = Limits::between(Volts::new(1.0), Volts::new(11.0)).unwrap();
    let rule = DecisionRule::SpecificRisk(super::super::rule::Risk::new(0.25).unwrap());
    let by = Judging { rule, calibration: Calibration::InForce };
    let at = |value: f64| decide(&measured(value, 0.5, 2.0), &limits, by).reason;
    assert_eq!((at(1.0), at(11.0)), (Reason::InsideWithinGuardBand, Reason::InsideWithinGuardBand));
    assert_eq!((at(0.875), at(11.125)), (Reason::OutsideWithinGuardBand, Reason::OutsideWithinGuardBand));
}

#[test]
fn an_uncertainty_of_half_the_tolerance_is_not_capable_where_the_limits_are_near_and_no_uncertainty_always_is()
 {
    let limits = Limits::around(Volts::new(5.0), Volts::new(1.0)).unwrap();
    assert_eq!(limits.half_width(), Some(1.0));
    let of = |value: f64, u: f64, rule| {
        decide(&measured(value, u, 2.0), &limits, Judging { rule, calibration: Calibration::InForce })
    };
    for rule in [DecisionRule::Guarded, DecisionRule::Simple] {
        assert_eq!(of(5.25, 0.5, rule).reason, Reason::NotCapable, "{rule:?}");
        assert_eq!(of(5.5, 0.0, rule).conformity, Conformity::Accepted, "{rule:?}");
        assert_eq!(of(6.5, 0.0, rule).conformity, Conformity::Rejected, "{rule:?}");
    }
    // Just less than half: what is near a limit is undecided for its nearness.
    assert_eq!(of(5.25, 0.49, DecisionRule::Guarded).reason, Reason::InsideWithinGuardBand);
    assert_eq!(of(5.25, 0.49, DecisionRule::Simple).reason, Reason::InsideGuarded);
    assert!(Limits::around(Volts::new(5.0), Volts::ZERO).is_err(), "no tolerance is no limits");
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
        assert!((got.probability.get() - number(&row["pc"])).abs() < 1e-10, "{row} {:?}", got.probability);
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
fn an_input_without_a_table_is_named_rather_than_the_uncertainty_that_it_leads_to() {
    // U is all of the tolerance, since the input is known by its stated accuracy only.
    let limits = Limits::around(Volts::new(5.0), Volts::new(1.0)).unwrap();
    let of = |value: f64, calibration| decide(&measured(value, 0.6, 2.0), &limits, calibration).reason;
    assert_eq!(of(5.25, Calibration::InputWithout), Reason::InputNotCalibrated);
    assert_eq!(of(5.25, Calibration::InForce), Reason::NotCapable);
    assert_eq!(of(5.25, Calibration::MissingOrOutOfDate), Reason::NotCapable);
    // Outside of the limits a table would make no acceptance of it.
    assert_eq!(of(6.5, Calibration::InputWithout), Reason::OutsideWithinGuardBand);
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
        assert_eq!((got.conformity, got.reason), (Conformity::Undecided, Reason::NoNumber), "{value} {u}");
    }
}

#[test]
fn few_degrees_of_freedom_make_the_same_margin_less_probable() {
    let limits = Limits::AtMost(Volts::new(2.0));
    let of = |nu: DegreesOfFreedom| {
        let scatter = Contribution::type_a("scatter", Volts::new(1.0), nu);
        let got = Budget::new(Volts::ZERO).with(scatter).combined();
        decide(&got, &limits, Calibration::InForce).probability.get()
    };
    let got = of(DegreesOfFreedom::new(2.0).unwrap());
    // Closed form of t with ν = 2 at 2: 1/2 + 2/(2·√6).
    assert!((got - (0.5 + 1.0 / 6.0_f64.sqrt())).abs() < 1e-12);
    assert!(got < of(DegreesOfFreedom::INFINITE));
}

/// A calibration's rectangular bound beside a small scatter, few readings beside a bound, and a bound alone: the
/// scaled t of the GUM is none of their distributions.
fn far_from_normal() -> Vec<Budget<Volts>> {
    let v = Volts::new;
    let few = |u: f64, nu: f64| Contribution::type_a("scatter", v(u), DegreesOfFreedom::new(nu).unwrap());
    let of = |all: Vec<Contribution>| Budget::new(v(3.0)).with_all(all);
    vec![
        of(vec![Contribution::rectangular("bound", v(1.0)), Contribution::normal("scatter", v(0.1))]),
        of(vec![Contribution::rectangular("bound", v(0.8)), few(0.5, 3.0)]),
        of(vec![Contribution::u_shaped("swing", v(1.0)), few(0.1, 9.0)]),
        of(vec![Contribution::rectangular("bound", v(1.0))]),
    ]
}

#[test]
fn u_and_the_probability_of_conformity_are_of_one_distribution() {
    // Source: JCGM 106:2012, 7.1 and 7.3; ILAC-G8:09/2019, 4.2.3: with w = U the specific risk at one limit is at most
    // 2.5 %, and U of 95 % leaves just that whatever the distribution.
    for budget in far_from_normal() {
        let got = budget.combined();
        assert_eq!(got.interval, Interval::Distributions, "{got:?}");
        let limit = Volts::new((got.value + got.expanded).get() * (1.0 + 1e-12));
        let decision = decide(&got, &Limits::AtMost(limit), Calibration::InForce);
        let outside = 1.0 - decision.probability.get();
        assert!((outside - 0.025).abs() < 2e-5, "{outside}");
        assert_eq!(decision.conformity, Conformity::Accepted);
        let both = Limits::around(got.value, got.expanded).unwrap();
        let inside = decide(&got, &both, Calibration::InForce).probability.get();
        assert!((inside - 0.95).abs() < 2e-5, "{inside}");
        // A specific risk of 2.5 % at one limit asks for just U.
        let rule = DecisionRule::SpecificRisk(super::super::Risk::new(0.025).unwrap());
        let by = Judging { rule, calibration: Calibration::InForce };
        let band = decide(&got, &Limits::AtMost(limit), by).guard_band.unwrap();
        assert!((band / got.expanded.get() - 1.0).abs() < 1e-6, "{band} {got:?}");
    }
}

#[test]
fn a_bound_alone_conforms_by_its_closed_form_where_a_normal_one_would_not() {
    // Closed form: evenly distributed 1 V either side of 3 V, at most 3.9 V allowed: 0.95; surely not above 4 V, though
    // the normal distribution of the same u would leave 4.2 % there.
    let bound = far_from_normal().pop().unwrap().combined();
    let of = |limit: f64| {
        decide(&bound, &Limits::AtMost(Volts::new(limit)), Calibration::InForce).probability.get()
    };
    assert!((of(3.9) - 0.95).abs() < 1e-3 && (of(4.05) - 1.0).abs() < 1e-3, "{} {}", of(3.9), of(4.05));
    assert!((of(2.9) - 0.45).abs() < 1e-3, "{}", of(2.9));
}

#[test]
fn a_million_draws_keep_to_a_limit_as_often_as_the_decision_says() {
    // Source: JCGM 101:2008, 7.5 to 7.7: the share of a million trials that lies inside, beside JCGM 106:2012, 7.
    const TRIALS: u32 = 1_000_000;
    for (i, budget) in far_from_normal().iter().enumerate() {
        let got = budget.combined();
        let mut random = Random::new(41 + i as u64);
        let draws: Vec<f64> = (0..TRIALS).map(|_| got.value.get() + trial(budget, &mut random)).collect();
        for (from, to) in [(-0.4, 0.9), (-1.5, 0.3), (-9.0, 0.95), (0.5, 9.0)] {
            let limits =
                Limits::between(Volts::new(got.value.get() + from), Volts::new(got.value.get() + to));
            let limits = limits.unwrap();
            let inside = draws.iter().filter(|y| limits.inside_by(**y) >= 0.0).count() as f64;
            let share = inside / f64::from(TRIALS);
            let said = decide(&got, &limits, Calibration::InForce).probability.get();
            let within = 4.0 * (share * (1.0 - share) / f64::from(TRIALS)).sqrt() + 1e-3;
            assert!((share - said).abs() < within, "case {i}, {from} to {to}: {share} {said}");
        }
    }
}
