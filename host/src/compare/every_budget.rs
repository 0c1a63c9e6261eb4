//! Each kind of budget that runs leave in their records, against Monte Carlo runs (JCGM 101:2008, clause 8).

use std::collections::BTreeMap;

use super::line::InRowUnit;
use super::shared::contribution;
use crate::acceptance::{Job, Setting};
use crate::checks;
use crate::fixture::Client;
use crate::metrology::Budget;
use crate::metrology::monte_carlo::assert_interval;
use crate::record::RunFolder;
use crate::record::model::{ResultRow, Run, RunKind};
use crate::rehearsal::Rehearsal;
use crate::sequence::Quiet;

const TODAY: u32 = 20_000;

fn rehearsed(sheet: &str) -> Run {
    let path = std::path::Path::new(env!("CARGO_MANIFEST_DIR")).join("sheets").join(sheet);
    let read = crate::sheet::read(&path).unwrap();
    let job = Job::new(read.file, read.text, read.sheet);
    let rehearsal = Rehearsal::new(&job.sheet, &[], 1, TODAY).unwrap();
    let place = tempfile::tempdir().unwrap();
    let mut folder = RunFolder::create(place.path(), "run", true).unwrap();
    let mut client = Client::connect(rehearsal.link(), &mut folder).unwrap();
    let mut operator = rehearsal.operator(true);
    let setting = Setting { seed: Some(1), today: TODAY, ..Setting::default() };
    let kind = RunKind::Rehearsal;
    job.run(kind, checks::ALL, &setting, &mut client, &mut folder, &mut operator, &mut Quiet)
}

/// The budget as it stands in the record. A correlated group is one normal contribution, as it is in the budget itself.
fn budget(row: &ResultRow) -> Budget<InRowUnit> {
    Budget::new(InRowUnit(row.measured.unwrap())).with_all(row.budget.iter().map(contribution))
}

#[test]
fn every_kind_of_budget_in_the_records_of_two_axes_holds_against_monte_carlo() {
    // One of each kind: the same contributions, by name, distribution and whether their degrees of freedom are few.
    let mut kinds: BTreeMap<String, ResultRow> = BTreeMap::new();
    for sheet in ["film-winder.toml", "batch-auger.toml"] {
        for check in rehearsed(sheet).checks {
            let stated = |row: &ResultRow| row.statement.is_some() && row.expanded_uncertainty > Some(0.0);
            for row in check.results.into_iter().filter(stated) {
                let mut parts: Vec<String> = row
                    .budget
                    .iter()
                    .filter(|c| c.share_percent > 0.1)
                    .map(|c| format!("{} {} {}", c.name, c.distribution, c.degrees_of_freedom.is_some()))
                    .collect();
                parts.sort();
                kinds.entry(format!("{} {}", check.id, parts.join(", "))).or_insert(row);
            }
        }
    }
    for (seed, (kind, row)) in kinds.iter().enumerate() {
        let budget = budget(row);
        let (ours, recorded) = (budget.combined().expanded.0, row.expanded_uncertainty.unwrap());
        assert!((ours / recorded - 1.0).abs() < 1e-3, "{kind}: {ours} {recorded} {row:#?}");
        assert_interval(&row.id, &budget, 100 + seed as u64);
    }
    let part = |id: &str, name: &str| {
        let row = kinds.values().find(|row| row.id == id && row.budget.iter().any(|c| c.name == name));
        let row = row.unwrap_or_else(|| panic!("{id}, {name}: {:#?}", kinds.keys()));
        (row.clone(), row.budget.iter().find(|c| c.name == name).unwrap().clone())
    };
    // What a fit over the record says is type A, with as many degrees of freedom as the record has.
    for (id, name) in [
        ("enable-off-turning.forward.follows", "fit with enable open"),
        ("enable-off-turning.forward.delay", "moment of the change of acceleration"),
    ] {
        let (row, c) = part(id, name);
        assert!(c.kind == "A" && c.degrees_of_freedom.is_some(), "{row:#?}");
    }
    // 95 % of ± 4 ms, anywhere alike, is ± 3.8 ms.
    let (row, c) = part("enable-off-rest.torque-on.on", "moment at which the contact closed");
    assert!(c.distribution == "rectangular" && row.expanded_uncertainty.unwrap() < 3.82, "{row:#?}");
    for check in [
        "fixture-self-check",
        "command-scale",
        "speed-scale",
        "step-response",
        "speed-step",
        "line-count-fast",
        "speed-cap",
        "cap-flag",
        "retention",
    ] {
        assert!(kinds.keys().any(|kind| kind.starts_with(check)), "{check}: {:#?}", kinds.keys());
    }
    for id in ["command-scale.linearity", "retention.gain"] {
        assert!(kinds.values().any(|row| row.id == id), "{id}");
    }
}
