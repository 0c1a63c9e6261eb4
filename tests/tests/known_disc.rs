//! A rotor's inertia by a known disc, from three rehearsals, against the inertia that was simulated.

#![allow(clippy::unwrap_used)] // Only tests are built with this file.

use proofstand::inertia::{InertiaError, Mounting, from_runs};
use proofstand::record::model::{Run, RunKind, Verdict};
use proofstand_tests::bench::{Plan, demo};
use proofstand_units::{KilogramSquareMetres, Metres};

const MOUNTING: Mounting = Mounting {
    centring: Metres::new(1e-4),
    hub: KilogramSquareMetres::new(0.0),
    hub_expanded: KilogramSquareMetres::new(0.0),
};

/// Without, with, without: the film winder, its disc taken off and put on.
fn three(seed: u64, faults: &[&str]) -> [Run; 3] {
    let folder = tempfile::tempdir().unwrap();
    let text = std::fs::read_to_string(demo("film-winder.toml")).unwrap();
    let (from, to) = (text.find("[disc]").unwrap(), text.find("[encoder]").unwrap());
    let bare = folder.path().join("bare.toml");
    std::fs::write(&bare, format!("{}{}", &text[..from], &text[to..])).unwrap();
    let run = |sheet: std::path::PathBuf| {
        let mut plan = Plan { sheet, ..Plan::film_winder() }.seed(seed).only("rotor-swing");
        for fault in faults {
            plan = plan.fault(fault);
        }
        let run = plan.run().unwrap();
        std::thread::sleep(std::time::Duration::from_millis(5));
        run
    };
    [run(bare.clone()), run(demo("film-winder.toml")), run(bare)]
}

#[test]
fn the_rotor_s_inertia_is_found_within_its_uncertainty_and_the_sheet_takes_it() {
    // A bare rotor stops so quickly that not every axis shows that enable was obeyed; this one does.
    let runs = three(1, &[]);
    for run in &runs {
        let swing = run.checks.iter().find(|c| c.id == "rotor-swing").unwrap();
        assert_eq!(swing.verdict, Verdict::Accepted, "{swing:#?}");
    }
    let found = from_runs([&runs[0], &runs[1], &runs[2]], &MOUNTING).unwrap();
    let combined = found.rotor.budget.combined();
    // The simulated rotor is drawn within the catalogue's 4 % (k = 2); the disc is known to 1 %.
    let off = (combined.value.get() / 1.9e-4 - 1.0).abs();
    assert!(off < 0.08, "{combined:?}");
    assert!(combined.expanded.get() / combined.value.get() < 0.03, "{combined:?}");
    assert!(!found.catalogue_contradicts && found.rotor.ratio > 5.0 && found.rotor.advice.is_none());
    let section = found.section();
    assert!(found.rehearsal && section.contains("REHEARSAL"), "{section}");

    // The sheet with the section has the measured inertia, and says where it comes from.
    let text = std::fs::read_to_string(demo("film-winder.toml")).unwrap();
    let sheet = proofstand::sheet::parse("x.toml", format!("{text}\n{section}").as_bytes()).unwrap();
    assert!((sheet.motor.rotor_inertia.get() / combined.value.get() - 1.0).abs() < 1e-3);
    assert_eq!(sheet.motor.catalogue_inertia.unwrap().value.get(), 1.9e-4);
    assert!(sheet.measured_inertia.unwrap().contains("known disc"));
}

#[test]
fn a_catalogue_that_is_wrong_by_a_third_is_found_out() {
    let runs = three(3, &["inertia-more=33"]);
    let found = from_runs([&runs[0], &runs[1], &runs[2]], &MOUNTING).unwrap();
    assert!(found.catalogue_contradicts);
    let ratio = found.rotor.budget.value.get() / 1.9e-4;
    assert!((ratio / 1.33 - 1.0).abs() < 0.06, "{ratio}");
}

#[test]
fn runs_that_don_t_belong_together_are_refused() {
    let [before, with, after] = three(1, &[]);
    let apart = |runs: [&Run; 3]| matches!(from_runs(runs, &MOUNTING), Err(InertiaError::Apart(_)));
    assert!(apart([&with, &before, &after]));
    assert!(apart([&before, &after, &after]));
    let mut real = before.clone();
    real.kind = RunKind::Acceptance;
    assert!(apart([&real, &with, &after]));
    let mut empty = before.clone();
    empty.checks.clear();
    assert!(matches!(from_runs([&empty, &with, &after], &MOUNTING), Err(InertiaError::NoLevel)));
}
