//! The rules held against patterns that rehearsals of known faults left (`cargo run -p proofstand-tests --bin patterns`).
//! That the first cause is the fault that was put in is held by the rehearsals of `tests/`; here, that the rules make of
//! the same results the same causes, in the same order.

use serde::Deserialize;

use super::*;
use crate::record::model::{NotDone, StepRecord, Took};

/// Target, measured value, expanded uncertainty.
type Numbers = (Option<f64>, Option<f64>, Option<f64>);

#[derive(Deserialize)]
struct Seen {
    id: String,
    not_done: Option<String>,
    ended: Vec<String>,
    /// Results that are accepted, and are the healthy axis's.
    right: Vec<String>,
    rows: Vec<Row>,
}

/// Id, verdict, unit, numbers, target and finding in words, reason.
type Row = (String, Verdict, String, Numbers, Option<String>, Option<String>, String);

#[derive(Deserialize)]
struct Recorded {
    sheet: String,
    fault: Option<String>,
    /// Id, title, lines of evidence, what is not told apart.
    causes: Vec<(String, String, usize, Vec<String>)>,
    checks: Vec<Seen>,
}

impl Recorded {
    fn all() -> Vec<Self> {
        let lines = include_str!("patterns.jsonl").lines();
        let mut all: Vec<Self> = lines.map(|line| serde_json::from_str(line).unwrap()).collect();
        let healthy: Vec<(String, Row)> = all
            .iter()
            .filter(|recorded| recorded.fault.is_none())
            .flat_map(|r| r.checks.iter().flat_map(|c| &c.rows).map(|row| (r.sheet.clone(), row.clone())))
            .collect();
        for recorded in &mut all {
            let of =
                |id: &String| healthy.iter().find(|(sheet, row)| *sheet == recorded.sheet && row.0 == *id);
            for check in &mut recorded.checks {
                check.rows.extend(check.right.iter().map(|id| of(id).unwrap().1.clone()));
            }
        }
        all
    }

    fn name(&self) -> String {
        format!("{} with {}", self.sheet, self.fault.as_deref().unwrap_or("nothing wrong"))
    }

    fn axis(&self) -> AxisSheet {
        let file = format!("{}.toml", self.sheet);
        let path = std::path::Path::new(env!("CARGO_MANIFEST_DIR")).join("sheets").join(&file);
        crate::sheet::parse(&file, &std::fs::read(path).unwrap()).unwrap()
    }

    fn records(&self) -> Vec<CheckRecord> {
        self.checks.iter().map(Seen::record).collect()
    }

    fn diagnosed(&self) -> Vec<Diagnosis> {
        diagnose(&self.axis(), &self.records())
    }
}

impl Seen {
    fn record(&self) -> CheckRecord {
        let step = |ended: &String| StepRecord {
            what: String::new(),
            ended: ended.clone(),
            start_seconds: 0.0,
            duration_seconds: 0.0,
            first_sample: 0,
            last_sample: 0,
            samples_lost: 0,
            bursts: Vec::new(),
        };
        CheckRecord {
            id: self.id.clone(),
            title: self.id.clone(),
            shows: String::new(),
            // No rule looks at it.
            verdict: Verdict::NotDone,
            not_done: self.not_done.clone().map(|why| NotDone { why, ..NotDone::default() }),
            results: self.rows.iter().map(row).collect(),
            plots: Vec::new(),
            steps: self.ended.iter().map(step).collect(),
            notes: Vec::new(),
            took: Took::default(),
        }
    }
}

fn row(seen: &Row) -> ResultRow {
    let (id, verdict, unit, numbers, target_text, measured_text, sentence) = seen;
    let (target, measured, expanded_uncertainty) = numbers;
    ResultRow {
        id: id.clone(),
        name: id.clone(),
        unit: unit.clone(),
        target: *target,
        measured: *measured,
        measured_text: measured_text.clone(),
        target_text: target_text.clone(),
        expanded_uncertainty: *expanded_uncertainty,
        coverage_factor: None,
        lower_limit: None,
        upper_limit: None,
        verdict: *verdict,
        sentence: sentence.clone(),
        budget: Vec::new(),
        statement: None,
        decision: None,
    }
}

#[test]
fn results_that_a_known_fault_left_lead_to_the_same_causes_in_the_same_order() {
    let all = Recorded::all();
    assert!(all.len() > 60, "{} patterns", all.len());
    for recorded in all {
        let found = recorded.diagnosed();
        let got: Vec<_> = found
            .iter()
            .map(|d| (d.id.clone(), d.title.clone(), d.evidence.len(), d.not_told_apart.clone()))
            .collect();
        assert_eq!(got, recorded.causes, "{}", recorded.name());
        assert!(found.iter().all(|d| !d.evidence.is_empty() && !d.remedy.is_empty()), "{}", recorded.name());
        assert!((1..).zip(&found).all(|(rank, d)| d.rank == rank), "{}", recorded.name());
    }
}

#[test]
fn an_axis_with_nothing_wrong_has_no_cause_named() {
    let healthy: Vec<_> = Recorded::all().into_iter().filter(|r| r.fault.is_none()).collect();
    assert_eq!(healthy.len(), 5);
    for recorded in healthy {
        assert!(recorded.diagnosed().is_empty(), "{}", recorded.name());
    }
}

#[test]
fn where_nothing_was_measured_no_cause_is_named() {
    for recorded in Recorded::all() {
        assert!(diagnose(&recorded.axis(), &[]).is_empty());
    }
}

#[test]
fn every_rule_is_the_cause_of_one_of_the_patterns() {
    let mut named: Vec<_> = Recorded::all().iter().flat_map(|r| r.causes.clone()).map(|c| c.0).collect();
    named.sort_unstable();
    named.dedup();
    assert!(named.len() >= 40, "{named:?}");
}

/// A result with a number: what it was to be, and what it is.
fn measured(id: &str, verdict: Verdict, target: f64, value: f64, expanded: Option<f64>) -> Row {
    let numbers = (Some(target), Some(value), expanded);
    (id.to_owned(), verdict, String::new(), numbers, None, None, String::new())
}

/// What is found on the film winder, whose command is of torque, where these are all the results.
fn found(rows: Vec<Row>) -> Vec<Diagnosis> {
    let sheet = "film-winder".to_owned();
    let check = Seen { id: "check".to_owned(), not_done: None, ended: Vec::new(), right: Vec::new(), rows };
    Recorded { sheet, fault: None, causes: Vec::new(), checks: vec![check] }.diagnosed()
}

#[test]
fn evidence_names_the_result_what_was_measured_and_its_verdict() {
    let offset = measured("command-scale.offset", Verdict::Rejected, 0.0, 0.251_26, Some(0.01));
    let plain = row(&offset);
    assert_eq!(cite(&plain), "command-scale.offset: 0.2513 (rejected)");
    let in_unit = ResultRow { unit: "V".to_owned(), verdict: Verdict::Undecided, ..plain.clone() };
    assert_eq!(cite(&in_unit), "command-scale.offset: 0.2513 V (undecided)");
    let words = ResultRow { measured_text: Some("the other way".to_owned()), ..plain.clone() };
    assert_eq!(cite(&words), "command-scale.offset: the other way (rejected)");
    assert_eq!(
        cite(&ResultRow { measured: None, ..plain }),
        "command-scale.offset: nothing measured (rejected)"
    );
}

#[test]
fn a_cap_that_nothing_held_in_both_directions_is_not_one_that_may_miss_in_one() {
    let tripped = |id| measured(id, Verdict::Rejected, 2000.0, 2300.0, None);
    let forward = tripped("speed-cap.forward.held");
    let one = found(vec![forward.clone()]);
    assert_eq!((one[0].id.as_str(), one[0].not_told_apart.len()), ("cap-not-set", 1));
    let both = found(vec![forward, tripped("speed-cap.reverse.held")]);
    assert_eq!((both[0].id.as_str(), both[0].not_told_apart.len()), ("cap-not-set", 0));
}

#[test]
fn a_cap_passed_in_both_directions_and_held_once_is_no_cap_of_one_direction() {
    let held = |id, verdict, rpm| measured(id, verdict, 2000.0, rpm, Some(2.0));
    let right = held("speed-cap.forward.low.held", Verdict::Accepted, 2000.0);
    let wrong = ["speed-cap.forward.high.held", "speed-cap.reverse.high.held"];
    let mut rows: Vec<_> = wrong.map(|id| held(id, Verdict::Rejected, 2100.0)).into();
    rows.push(right);
    assert!(found(rows.clone()).iter().all(|d| d.id != "cap-one-direction"));
    // Passed in one direction only, and held in the other.
    rows.remove(0);
    assert_eq!(found(rows)[0].id, "cap-one-direction");
}
