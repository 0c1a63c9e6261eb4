//! Makes the patterns that the rules of diagnosis are held against: rehearsals of every fault on the sheets of the
//! demonstrations, of each the results as the rules see them and the causes that were named. Run it where checks or rules
//! were changed on purpose, and read the difference.

use std::collections::HashSet;
use std::fmt::Write;

use proofstand::diagnosis::diagnose;
use proofstand::record::model::{CheckRecord, Diagnosis, ResultRow, Run, Verdict};
use proofstand::sheet::AxisSheet;
use proofstand_tests::bench::{Failure, Plan, demo};
use proofstand_tests::campaign::faults::FAULTS;
use serde_json::{Value, json};

const SHEETS: [&str; 5] = ["film-winder", "batch-auger", "tilt-table", "cross-slide", "bare-rotor"];

/// Six digits: more says nothing of a pattern.
fn short(value: Option<f64>) -> Option<f64> {
    value.map(|v| format!("{v:.5e}").parse().unwrap_or(v))
}

/// The same result of an axis with nothing wrong, where both are accepted.
fn as_healthy<'a>(row: &ResultRow, healthy: &'a [CheckRecord]) -> Option<&'a ResultRow> {
    let accepted = |r: &ResultRow| r.verdict == Verdict::Accepted;
    let same = |r: &&ResultRow| r.id == row.id && accepted(r) && r.target == row.target;
    healthy.iter().flat_map(|c| &c.results).find(same).filter(|_| accepted(row))
}

/// A check as the rules see it. Accepted results that are `right` are named only: they are the healthy axis's. Of others
/// that are accepted the sentence is left out.
fn seen(check: &CheckRecord, healthy: &[CheckRecord]) -> Value {
    let mut ended: Vec<&str> = check.steps.iter().map(|s| s.ended.as_str()).collect();
    ended.sort_unstable();
    ended.dedup();
    let (right, rest): (Vec<_>, Vec<_>) =
        check.results.iter().partition(|r| as_healthy(r, healthy).is_some());
    let rows = rest.iter().map(|r| {
        let sentence = if r.verdict == Verdict::Accepted { "" } else { &r.sentence };
        let numbers = (short(r.target), short(r.measured), short(r.expanded_uncertainty));
        json!([r.id, r.verdict, r.unit, numbers, r.target_text, r.measured_text, sentence])
    });
    json!({
        "id": check.id,
        "not_done": check.not_done.as_ref().map(|n| &n.why),
        "ended": ended,
        "right": right.iter().map(|r| &r.id).collect::<Vec<_>>(),
        "rows": rows.collect::<Vec<_>>(),
    })
}

fn pattern(sheet: &str, fault: Option<&str>, run: &Run, healthy: &[CheckRecord]) -> Value {
    let causes: Vec<_> =
        run.diagnoses.iter().map(|d| json!([d.id, d.title, d.evidence.len(), d.not_told_apart])).collect();
    json!({
        "sheet": sheet,
        "fault": fault,
        "causes": causes,
        "checks": run.checks.iter().map(|c| seen(c, healthy)).collect::<Vec<_>>(),
    })
}

/// Whether the rules say the same with the healthy axis's accepted results put in.
fn says_the_same(run: &Run, healthy: &[CheckRecord], axis: &AxisSheet) -> bool {
    let mut checks = run.checks.clone();
    for row in checks.iter_mut().flat_map(|c| &mut c.results) {
        if let Some(right) = as_healthy(row, healthy) {
            *row = right.clone();
        }
    }
    let told = |d: &Diagnosis| (d.id.clone(), d.title.clone(), d.evidence.len(), d.not_told_apart.clone());
    let again = diagnose(axis, &checks);
    again.iter().map(told).eq(run.diagnoses.iter().map(told))
}

fn main() -> Result<(), Failure> {
    let mut lines = String::new();
    let mut known = HashSet::new();
    for sheet in SHEETS {
        let plan = Plan { sheet: demo(&format!("{sheet}.toml")), ..Plan::film_winder() };
        let axis = proofstand::sheet::read(&plan.sheet)?.sheet;
        let healthy = plan.clone().run()?;
        writeln!(lines, "{}", pattern(sheet, None, &healthy, &[]))?;
        for (spec, _) in FAULTS.iter().flat_map(|row| row.specs()) {
            // What this axis can't have is no pattern of it.
            let Ok(run) = plan.clone().fault(&spec).run() else { continue };
            // One of each kind is enough: a cause that was first or was not, for such a command, with what looks alike.
            let mut new = false;
            for (at, cause) in run.diagnoses.iter().enumerate() {
                let kind =
                    (axis.command.pair.is_torque(), cause.id.clone(), at == 0, cause.not_told_apart.len());
                new |= known.insert(kind);
            }
            if new {
                let same = says_the_same(&run, &healthy.checks, &axis);
                eprintln!("{sheet} {spec}{}", if same { "" } else { ", in full" });
                let healthy = if same { healthy.checks.as_slice() } else { &[] };
                writeln!(lines, "{}", pattern(sheet, Some(&spec), &run, healthy))?;
            }
        }
    }
    let at = concat!(env!("CARGO_MANIFEST_DIR"), "/../host/src/diagnosis/patterns.jsonl");
    Ok(std::fs::write(at, lines)?)
}
