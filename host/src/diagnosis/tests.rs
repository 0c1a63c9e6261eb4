//! The rules held against patterns that rehearsals of known faults left (`cargo run -p proofstand-tests --bin patterns`).
//! That the first cause is the fault that was put in is held by the rehearsals of `tests/`; here, that the rules make of
//! the same results the same causes, in the same order.

use std::collections::{BTreeMap, BTreeSet};
use std::sync::LazyLock;

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
    fn all() -> &'static [Self] {
        static ALL: LazyLock<Vec<Recorded>> = LazyLock::new(Recorded::read);
        &ALL
    }

    fn read() -> Vec<Self> {
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
        static SHEETS: LazyLock<BTreeMap<String, AxisSheet>> = LazyLock::new(|| {
            let folder = std::path::Path::new(env!("CARGO_MANIFEST_DIR")).join("sheets");
            let names: BTreeSet<&str> = Recorded::all().iter().map(|r| r.sheet.as_str()).collect();
            let read = |name: &str| {
                let file = format!("{name}.toml");
                crate::sheet::parse(&file, &std::fs::read(folder.join(&file)).unwrap()).unwrap()
            };
            names.into_iter().map(|name| (name.to_owned(), read(name))).collect()
        });
        SHEETS[&self.sheet].clone()
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
fn every_line_of_evidence_names_a_result_of_the_run_or_a_check_and_what_it_said() {
    for recorded in Recorded::all() {
        let results = recorded.checks.iter().flat_map(|c| c.rows.iter().map(|row| &row.0));
        let names: Vec<&String> = results.chain(recorded.checks.iter().map(|c| &c.id)).collect();
        for line in recorded.diagnosed().iter().flat_map(|d| &d.evidence) {
            let (name, what) = line.split_once(": ").unwrap();
            assert!(names.iter().any(|n| *n == name) && !what.is_empty(), "{}: {line}", recorded.name());
        }
    }
}

#[test]
fn an_axis_with_nothing_wrong_has_no_cause_named() {
    let healthy: Vec<_> = Recorded::all().iter().filter(|r| r.fault.is_none()).collect();
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
fn most_causes_are_those_of_recorded_patterns() {
    let mut named: Vec<_> = Recorded::all().iter().flat_map(|r| &r.causes).map(|c| &c.0).collect();
    named.sort_unstable();
    named.dedup();
    assert!(named.len() >= 60, "{named:?}");
}

mod by_hand;
