//! Two runs compared: what the simulated change was, what cancels, and what may not be compared.

#![allow(clippy::unwrap_used, clippy::panic)] // Only tests are built with this file.

use proofstand::compare::{CompareError, Comparison, Finding, Line, compare};
use proofstand::record::model::{FollowWhy, Follows, Run, RunKind, TakenOver, Verdict};
use proofstand_tests::bench::{Plan, row};
use proofstand_units::Celsius;

const SAME_TEMPERATURE: Celsius = Celsius::new(0.0);

fn run(name: &str, plan: &Plan) -> Run {
    let mut run = plan.clone().only("command-scale").run().unwrap();
    run.id = name.to_owned();
    run
}

fn film_winder(name: &str, faults: &[&str]) -> Run {
    run(name, &faults.iter().fold(Plan::film_winder(), |plan, fault| plan.fault(fault)))
}

fn line<'a>(found: &'a Comparison, id: &str) -> &'a Line {
    found.lines.iter().find(|line| line.id == id).unwrap_or_else(|| panic!("{id}: {:?}", found.left_out))
}

#[test]
fn a_change_of_the_scale_is_found_within_an_uncertainty_far_below_the_scale_s_own() {
    // The plant's torque constant is what was simulated: 3 % less of it is 3 % less scale, whatever the inertia really is.
    let (before, after) = (film_winder("a", &[]), film_winder("b", &["torque-constant-less=3"]));
    let found = compare(&before, &after, SAME_TEMPERATURE).unwrap();
    let gain = line(&found, "command-scale.gain");
    let was = row(&before, "command-scale.gain").unwrap();
    let (value, own) = (was.measured.unwrap(), was.expanded_uncertainty.unwrap());
    let (difference, u) = (gain.difference.unwrap(), gain.expanded.unwrap());
    assert!((difference + 0.03 * value).abs() <= u, "{gain:#?}");
    assert!(u < own / 4.0, "the inertia does not cancel: {u} {own}");
    assert!(u > 1e-4 * value, "nothing is that sure: {u}");
    // Beyond the tolerance for retention, 1 %.
    assert_eq!((gain.finding, found.verdict()), (Finding::Differs, Verdict::Rejected), "{gain:#?}");
    assert!(gain.probability_of_conformity.unwrap() < 1e-3);
    // U + 1.645·u (one-sided 95 %; closed form), printed.
    let seen = u * (1.0 + 1.644_854 / gain.coverage_factor.unwrap());
    assert!((gain.smallest_seen.unwrap() / seen - 1.0).abs() < 1e-6);
    assert!(gain.sentence.contains("19 times of 20"), "{}", gain.sentence);
    assert_eq!(found.kind, "REHEARSAL");
    // What did not change agrees: the offset, by its own uncertainty.
    assert_eq!(line(&found, "command-scale.offset").finding, Finding::Agrees);
}

#[test]
fn nothing_changed_agrees_and_another_unit_s_inertia_does_not_cancel() {
    let (a, b) = (film_winder("a", &[]), film_winder("b", &[]));
    let found = compare(&a, &b, SAME_TEMPERATURE).unwrap();
    assert_eq!(found.verdict(), Verdict::Accepted, "{found:#?}");
    let other = run("c", &Plan::film_winder().seed(2));
    let apart = compare(&a, &other, SAME_TEMPERATURE).unwrap();
    assert!(apart.notes.iter().any(|n| n.contains("does not cancel")), "{:?}", apart.notes);
    let own = |run: &Run| row(run, "command-scale.gain").unwrap().expanded_uncertainty.unwrap();
    let u = |found: &Comparison| line(found, "command-scale.gain").expanded.unwrap();
    // By hand: two runs that share next to nothing are as uncertain as both in quadrature.
    assert!((u(&apart) / own(&a).hypot(own(&other)) - 1.0).abs() < 0.1, "{} {}", u(&apart), own(&a));
    assert!(u(&found) < u(&apart) / 5.0);
    // A motor that may have been 10 K warmer is wider by 0.2 % a kelvin, evenly.
    let warmer = compare(&a, &b, Celsius::new(10.0)).unwrap();
    let share = line(&warmer, "command-scale.gain").budget.first().unwrap().clone();
    let want = 0.02 * row(&b, "command-scale.gain").unwrap().measured.unwrap() / 3.0_f64.sqrt();
    assert!(share.name.contains("temperature of the motor"), "{share:?}");
    assert!((share.standard_uncertainty / want - 1.0).abs() < 1e-9, "{share:?}");
}

#[test]
fn what_both_runs_of_one_unit_share_cancels_in_how_far_the_ways_are_apart_too() {
    let (a, b) = (film_winder("a", &[]), film_winder("b", &[]));
    let found = compare(&a, &b, SAME_TEMPERATURE).unwrap();
    // A display's steps and a person's readings are each run's own: there only the inertia cancels.
    for (ways, most) in [("reversal-less-read-out", 0.5), ("reversal-less-display", 0.9)] {
        let id = format!("command-scale.{ways}");
        let own = row(&b, &id).unwrap().expanded_uncertainty.unwrap();
        let less = line(&found, &id);
        assert!(less.expanded.unwrap() < most * own, "{own} {less:#?}");
        let inertia = less.budget.iter().filter(|c| c.name.contains("inertia"));
        assert!(
            inertia.clone().count() == 1 && inertia.map(|c| c.share_percent).sum::<f64>() < 0.1,
            "{less:#?}"
        );
    }
    // What the clock may change by between is some of its own, not of the small difference: 70 % of 2 x 50 ppm of the scale.
    let clock = |found: &Comparison, id: &str| {
        let budget = &line(found, id).budget;
        let clock = budget.iter().find(|c| c.name.starts_with("clock of the fixture between"));
        clock.unwrap_or_else(|| panic!("{id}: {budget:#?}")).standard_uncertainty
    };
    let want = 0.7 * 1e-4 * row(&b, "command-scale.gain").unwrap().measured.unwrap() / 3.0_f64.sqrt();
    let less = clock(&found, "command-scale.reversal-less-read-out");
    assert!((less / want - 1.0).abs() < 1e-6, "{less} {want}");
    // A warmer motor makes less torque by the same current, and the read-out does not see that.
    let warmer = compare(&a, &b, Celsius::new(10.0)).unwrap();
    let u = |found: &Comparison| line(found, "command-scale.reversal-less-read-out").expanded.unwrap();
    assert!(u(&warmer) > 2.0 * u(&found), "{} {}", u(&warmer), u(&found));
    // Of another unit nothing cancels.
    let apart = compare(&a, &run("c", &Plan::film_winder().seed(2)), SAME_TEMPERATURE).unwrap();
    let own = row(&b, "command-scale.reversal-less-read-out").unwrap().expanded_uncertainty.unwrap();
    assert!(u(&apart) > 1.3 * own, "{} {own}", u(&apart));
}

#[test]
fn a_scale_is_judged_by_the_rule_that_the_sheet_agrees_on() {
    // 0.8 % less with 1 % allowed: inside, and nearer to the limit than U with a motor that may have been 2 K warmer.
    let (before, after) = (film_winder("a", &[]), film_winder("b", &["torque-constant-less=0.8"]));
    let gain = |after: &Run| {
        let found = compare(&before, after, Celsius::new(2.0)).unwrap();
        (line(&found, "command-scale.gain").clone(), found.notes.join("\n"))
    };
    let (guarded, notes) = gain(&after);
    assert!(guarded.difference.unwrap().abs() < guarded.tolerance.unwrap(), "{guarded:#?}");
    assert_eq!(guarded.finding, Finding::Warning, "{guarded:#?}");
    assert!(guarded.sentence.contains("rule: guard band w = U"), "{}", guarded.sentence);
    assert!(notes.contains("by the later run's sheet: guard band w = U"), "{notes}");
    let agreed = |rule: &str| {
        let mut run = after.clone();
        run.axis.sheet_text += &format!("\n[decision]\n{rule}\n");
        gain(&run)
    };
    let (simple, notes) = agreed("rule = \"simple\"");
    assert_eq!(simple.finding, Finding::Agrees, "{simple:#?}");
    assert!(simple.sentence.contains("rule: simple acceptance"), "{}", simple.sentence);
    assert!(!simple.sentence.contains("surely"), "{}", simple.sentence);
    assert!(notes.contains("The sheet of a has another: guard band"), "{notes}");
    let (risk, _) = agreed("rule = \"specific_risk\"\nrisk_percent = 1.0");
    assert_eq!(risk.finding, Finding::Warning, "{risk:#?}");
    assert!(risk.sentence.contains("specific risk of at most 1 %"), "{}", risk.sentence);
}

#[test]
fn another_calibration_does_not_cancel_and_one_out_of_date_decides_nothing() {
    let (a, mut b) = (film_winder("a", &[]), film_winder("b", &[]));
    let u = |b: &Run| {
        let found = compare(&a, b, SAME_TEMPERATURE).unwrap();
        let gain = line(&found, "command-scale.gain");
        let of = |what: &str| {
            gain.budget
                .iter()
                .filter(|c| c.name.contains(what))
                .map(|c| c.standard_uncertainty.powi(2))
                .sum::<f64>()
        };
        (of(": gain "), gain.finding)
    };
    let (alike, agrees) = u(&b);
    b.provenance.calibration = "another one".to_owned();
    assert!(u(&b).0 > 4.0 * alike && agrees == Finding::Agrees, "{alike} {:?}", u(&b));
    b.provenance.calibration_valid = false;
    assert_eq!(u(&b).1, Finding::Warning);
}

#[test]
fn runs_that_do_not_belong_together_are_refused_and_what_was_measured_once_is_left_out() {
    let (a, b) = (film_winder("a", &[]), film_winder("b", &[]));
    let refused = |before: &Run, after: &Run| match compare(before, after, SAME_TEMPERATURE) {
        Err(CompareError::Apart { why, .. }) => why,
        other => panic!("{other:?}"),
    };
    let real = Run { kind: RunKind::Acceptance, ..b.clone() };
    assert!(refused(&a, &real).contains("rehearsal") && refused(&real, &a).contains("rehearsal"));
    assert!(refused(&a, &a).contains("same run"));
    let mut auger = run("c", &Plan::batch_auger());
    assert!(refused(&a, &auger).contains("different motors or commands"));
    auger.axis.sheet_text = "nonsense".to_owned();
    assert!(matches!(compare(&a, &auger, SAME_TEMPERATURE), Err(CompareError::Sheet { .. })));
    let mut follows = b;
    follows.follows = Some(Follows {
        run: "a".to_owned(),
        why: FollowWhy::Again,
        same_unit: String::new(),
        taken_over: vec![TakenOver {
            check: "command-scale".to_owned(),
            run: "a".to_owned(),
            rests_on: Vec::new(),
            measured_with: None,
        }],
        superseded: Vec::new(),
    });
    let found = compare(&a, &follows, SAME_TEMPERATURE).unwrap();
    assert!(found.lines.iter().all(|line| !line.id.starts_with("command-scale")));
    assert!(found.left_out.iter().any(|what| what.contains("measured once only")), "{:?}", found.left_out);
}

#[test]
fn counts_and_words_are_compared_as_they_are() {
    let (a, mut b) = (film_winder("a", &[]), film_winder("b", &[]));
    let found = compare(&a, &b, SAME_TEMPERATURE).unwrap();
    let flag = found.lines.iter().find(|line| line.difference.is_none()).unwrap().id.clone();
    let rows = |b: &mut Run, id: &str, change: fn(&mut proofstand::record::model::ResultRow)| {
        b.checks.iter_mut().flat_map(|c| &mut c.results).filter(|r| r.id == id).for_each(change);
    };
    rows(&mut b, &flag, |r| r.measured_text = Some("something else".to_owned()));
    assert_eq!(line(&compare(&a, &b, SAME_TEMPERATURE).unwrap(), &flag).finding, Finding::Warning);
    rows(&mut b, &flag, |r| r.verdict = Verdict::Rejected);
    assert_eq!(line(&compare(&a, &b, SAME_TEMPERATURE).unwrap(), &flag).finding, Finding::Differs);
    let counted = found.lines.iter().find(|l| l.difference.is_some() && l.expanded.is_none()).unwrap();
    assert_eq!(counted.finding, Finding::Agrees);
    let id = counted.id.clone();
    rows(&mut b, &id, |r| r.measured = r.measured.map(|v| v + 1.0));
    let found = compare(&a, &b, SAME_TEMPERATURE).unwrap();
    assert_eq!((line(&found, &id).finding, line(&found, &id).difference), (Finding::Differs, Some(1.0)));
}
