//! A rotor's inertia by a known disc, from three rehearsals, against the inertia that was simulated.

#![allow(clippy::unwrap_used, clippy::panic)] // Only tests are built with this file.

use proofstand::inertia::record::{InertiaKind, InertiaRecord};
use proofstand::inertia::{InertiaError, Measured, Mounting, from_runs};
use proofstand::record::model::{NotDone, Run, RunKind, Verdict};
use proofstand::rehearsal::rehearsed_axis;
use proofstand_tests::bench::{Plan, demo};
use proofstand_units::{KilogramSquareMetres, Metres};
use statrs::distribution::{Binomial, DiscreteCDF};

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

/// Three runs, and their seed.
fn measured() -> (u64, [Run; 3]) {
    let (seed, runs) = (1, three(1, &[]));
    let swings =
        |run: &Run| run.checks.iter().any(|c| c.id == "rotor-swing" && c.verdict == Verdict::Accepted);
    assert!(runs.iter().all(swings), "a bare rotor's swings were not made");
    (seed, runs)
}

/// How far what was found lies from the rotor that was simulated, in stated expanded uncertainties.
fn off_in_u(seed: u64, found: &Measured) -> f64 {
    let sheet = proofstand::sheet::read(&demo("film-winder.toml")).unwrap().sheet;
    let truth = rehearsed_axis(&sheet, &[], seed).unwrap().motor.rotor_inertia;
    let combined = found.rotor.budget.combined();
    (combined.value - truth).get() / combined.expanded.get()
}

#[test]
fn the_simulated_rotor_lies_inside_the_stated_interval_for_nineteen_seeds_of_twenty_but_for_chance() {
    // Rotor, disc, friction, board and clock are drawn anew for each seed. Each axis can be measured.
    const SEEDS: u64 = 24;
    let off: Vec<f64> = (300..300 + SEEDS)
        .map(|seed| {
            let [a, b, c] = three(seed, &[]);
            let found = from_runs([&a, &b, &c], &MOUNTING).unwrap_or_else(|why| panic!("seed {seed}: {why}"));
            off_in_u(seed, &found)
        })
        .collect();
    // Of so many intervals that hold 95 %, fewer than this hold the truth not once in a thousand times (exact binomial): 19 of 24.
    let by_chance = Binomial::new(0.95, SEEDS).unwrap();
    let least = (0..=SEEDS).take_while(|inside| by_chance.cdf(*inside) < 1e-3).count() as u64;
    assert_eq!(least, 19);
    let inside = off.iter().filter(|off| off.abs() <= 1.0).count() as u64;
    assert!(inside >= least, "{inside} of {SEEDS}: {off:?}");
    // Nor is U so wide that it says nothing.
    assert!(off.iter().any(|off| off.abs() > 0.25), "{off:?}");
}

#[test]
fn the_rotor_s_inertia_is_found_within_its_uncertainty_and_the_sheet_takes_it() {
    let (seed, runs) = measured();
    let found = from_runs([&runs[0], &runs[1], &runs[2]], &MOUNTING).unwrap();
    let combined = found.rotor.budget.combined();
    assert!(off_in_u(seed, &found).abs() < 1.5, "{combined:?}");
    assert!(combined.expanded.get() / combined.value.get() < 0.03, "{combined:?}");
    assert!(!found.catalogue_contradicts && found.rotor.ratio > 5.0 && found.rotor.advice.is_none());
    let section = found.section();
    assert!(found.rehearsal && section.contains("REHEARSAL"), "{section}");

    // What is still building up: twice e⁻⁵ of the torque, for the lag's share of the quickest swing: some 0.02 %, by hand.
    let rows = found.rotor.budget.rows();
    let missing = rows.iter().find(|r| r.name.starts_with("torque still building up")).unwrap();
    let share = missing.standard_uncertainty * 3.0_f64.sqrt() / combined.value.get();
    assert!((3e-5..1e-3).contains(&share), "{share}");

    // The sheet with the section has the measured inertia, and says where it comes from.
    let text = std::fs::read_to_string(demo("film-winder.toml")).unwrap();
    let sheet = proofstand::sheet::parse("x.toml", format!("{text}\n{section}").as_bytes()).unwrap();
    assert!((sheet.motor.rotor_inertia.get() / combined.value.get() - 1.0).abs() < 1e-3);
    assert_eq!(sheet.motor.catalogue_inertia.unwrap().value.get(), 1.9e-4);
    assert!(sheet.measured_inertia.as_ref().unwrap().contains("known disc"));
    // Rotor and disc are off the same way: by hand, both expanded uncertainties added.
    let rotor = sheet.motor.rotor_inertia.get() * sheet.motor.rotor_inertia_uncertainty.get() / 100.0;
    let disc = sheet.disc.unwrap();
    let added = rotor + disc.inertia.get() * disc.uncertainty.get() / 100.0;
    assert!((sheet.inertia().expanded.get() / added - 1.0).abs() < 1e-12);
}

#[test]
fn a_measured_inertia_leaves_a_record_and_a_page_with_its_runs_its_budget_and_its_mark() {
    let (_, runs) = measured();
    let found = from_runs([&runs[0], &runs[1], &runs[2]], &MOUNTING).unwrap();
    let record = found.record("rotor-rehearsal-1".to_owned());
    assert_eq!(record.runs.len(), 3);
    let back: InertiaRecord = serde_json::from_str(&record.to_json().unwrap()).unwrap();
    assert_eq!((back.kind, back.runs.clone()), (InertiaKind::Rehearsal, record.runs.clone()));

    let page = proofstand::report::inertia(&record);
    for run in &runs {
        assert!(page.contains(&run.id) && page.contains(&run.axis.sheet_crc32), "{}", run.id);
    }
    for part in &record.result.budget {
        assert!(
            page.contains(&part.name.replace('\'', "&#39;")) || page.contains(&part.name),
            "{}",
            part.name
        );
    }
    for said in [
        "u<sub>c</sub> = ",
        "\u{3bd}<sub>eff</sub>",
        "none, every value was simulated",
        "The motor's temperature was not measured",
    ] {
        assert!(page.contains(said), "{said}");
    }
    // Each heading, and each line that the sheet takes.
    let headings: Vec<&str> = page.split("<h2 ").skip(1).map(|h| h.split("</h2>").next().unwrap()).collect();
    assert!(headings.len() >= 5 && headings.iter().all(|h| h.contains("REHEARSAL")), "{headings:?}");
    assert!(record.section.lines().all(|line| line.contains("REHEARSAL")), "{}", record.section);

    // The same of a fixture is not marked.
    let mut real = runs;
    for run in &mut real {
        run.kind = RunKind::Acceptance;
        run.provenance.simulated = false;
        run.provenance.calibration = "of 2026-01-12, due 2027-01-12".to_owned();
    }
    let record = from_runs([&real[0], &real[1], &real[2]], &MOUNTING).unwrap().record("rotor-1".to_owned());
    let said = proofstand::report::inertia(&record) + &record.section + &record.to_json().unwrap();
    assert!(!said.to_lowercase().contains("rehears"), "{said}");
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
    // Another calibration of the same fixture does not cancel.
    let mut other = after.clone();
    other.provenance.calibration = "of another day".to_owned();
    assert!(apart([&before, &with, &other]));
    assert!(apart([&real, &with, &after]));
    let mut empty = before.clone();
    empty.checks.clear();
    let Err(why @ InertiaError::NoLevel { .. }) = from_runs([&empty, &with, &after], &MOUNTING) else {
        panic!("without swings there is no inertia")
    };
    assert!(why.to_string().contains(&format!("run {}: rotor-swing was not asked for", empty.id)), "{why}");
    // What kept the swings from being made is said, not only that there are none.
    let mut refused = before.clone();
    let swings = refused.checks.iter_mut().find(|c| c.id == "rotor-swing").unwrap();
    swings.results.clear();
    swings.not_done = Some(NotDone {
        why: "enable was not seen to be obeyed".to_owned(),
        would_allow: "more inertia".to_owned(),
        ..NotDone::default()
    });
    let why = from_runs([&refused, &with, &after], &MOUNTING).unwrap_err().to_string();
    for part in
        ["the swings were not made: enable was not seen to be obeyed", "What would allow it: more inertia"]
    {
        assert!(why.contains(part), "{why}");
    }
}
