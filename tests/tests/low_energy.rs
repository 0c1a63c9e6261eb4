//! The checks before any full level, on axes of their own: a holding brake, end switches that are obeyed, little friction,
//! no flag that follows enable.

#![allow(clippy::unwrap_used)] // Only tests are built with this file.

use std::path::PathBuf;

use proofstand::record::model::{Run, Verdict};
use proofstand::record::{SAMPLES, read_samples};
use proofstand_tests::bench::{Plan, check, demo, row};

fn plan(sheet: PathBuf) -> Plan {
    Plan { sheet, ..Plan::film_winder() }
}

fn accepted(run: &Run) {
    assert_eq!(run.outcome.verdict, Verdict::Accepted, "{:#?} {:#?}", run.outcome, run.diagnoses);
    assert!(run.diagnoses.is_empty(), "{:#?}", run.diagnoses);
}

fn caught(run: &Run, by: &str, named: &str) {
    assert_eq!(check(run, by).unwrap().verdict, Verdict::Rejected, "{:#?}", check(run, by));
    let first = run.diagnoses.first().map(|d| d.id.as_str());
    assert_eq!(first, Some(named), "{:#?}", run.diagnoses);
}

/// The film winder's sheet with some of its text changed.
fn changed(folder: &tempfile::TempDir, changes: &[(&str, &str)]) -> PathBuf {
    let mut text = std::fs::read_to_string(demo("film-winder.toml")).unwrap();
    for (from, to) in changes {
        assert!(text.contains(from), "{from}");
        text = text.replace(from, to);
    }
    let sheet = folder.path().join("sheet.toml");
    std::fs::write(&sheet, text).unwrap();
    sheet
}

const TORQUE_ON: &str = "[[flag]]\nrole = \"torque_on\"\nterminal = \"G5\"\ncommon_terminal = \"G6\"\nfixture_input = 2\nactive = \"conducting\"\n";

#[test]
fn an_axis_with_a_holding_brake_is_accepted_and_its_brakes_timing_is_judged() {
    for seed in [1, 2] {
        let run = plan(demo("tilt-table.toml")).seed(seed).run().unwrap();
        accepted(&run);
        for judged in ["enable-off-rest.brake-release.on", "enable-off-rest.brake-release.off"] {
            assert!(row(&run, judged).unwrap().measured.is_some(), "{judged}");
        }
        assert_eq!(row(&run, "enable-off-turning.forward.brake").unwrap().verdict, Verdict::Accepted);
        // It has no end switches, so nothing is said of any.
        assert!(check(&run, "end-switches").is_none());
    }
}

#[test]
fn a_brake_that_stays_closed_is_named_where_torque_and_its_flag_came() {
    let run = plan(demo("tilt-table.toml")).fault("brake-closed").run().unwrap();
    caught(&run, "nudge", "brake-closed");
}

#[test]
fn a_brake_that_is_released_late_is_named_by_its_flag() {
    for size in ["0.2", "0.5"] {
        let run = plan(demo("tilt-table.toml")).fault(&format!("brake-late={size}")).run().unwrap();
        caught(&run, "enable-off-rest", "brake-late");
    }
}

/// A brake that closes on the contact stops the shaft whether or not torque is gone: only the flag of torque on, or the
/// moment before the brake engages, says that it is.
#[test]
fn a_brake_that_closes_is_never_taken_for_torque_that_is_gone() {
    let folder = tempfile::tempdir().unwrap();
    let text = std::fs::read_to_string(demo("tilt-table.toml")).unwrap();
    let flag = "[[flag]]\nrole = \"torque_on\"\nterminal = \"45\"\ncommon_terminal = \"46\"\nfixture_input = 2\nactive = \"conducting\"\n";
    assert!(text.contains(flag));
    let flagless = folder.path().join("flagless.toml");
    std::fs::write(&flagless, text.replace(flag, "")).unwrap();
    for sheet in [demo("tilt-table.toml"), flagless] {
        for fault in ["enable-always", "enable-always-braked"] {
            for seed in [1, 2, 3] {
                let run = plan(sheet.clone()).seed(seed).fault(fault).run().unwrap();
                let gate = row(&run, "enable-off-turning.gate").map(|r| r.verdict);
                assert_ne!(gate, Some(Verdict::Accepted), "{fault}, seed {seed}: {sheet:?}");
                assert_ne!(run.outcome.verdict, Verdict::Accepted, "{fault}, seed {seed}: {sheet:?}");
                for held_back in ["speed-cap", "command-scale", "line-count-fast"] {
                    assert_eq!(check(&run, held_back).unwrap().verdict, Verdict::NotDone, "{held_back}");
                }
            }
        }
    }
    for fault in ["enable-always", "enable-always-braked"] {
        let run = plan(demo("tilt-table.toml")).fault(fault).run().unwrap();
        assert_eq!(run.outcome.verdict, Verdict::Rejected, "{fault}");
    }
}

#[test]
fn switches_that_are_obeyed_and_not_connected_hold_the_shaft() {
    let run = plan(demo("cross-slide.toml")).fault("end-switches-unwired").run().unwrap();
    caught(&run, "nudge", "never-moves");
}

#[test]
fn an_axis_that_obeys_its_end_switches_and_brakes_is_accepted() {
    for seed in [1, 2] {
        let run = plan(demo("cross-slide.toml")).seed(seed).run().unwrap();
        accepted(&run);
        for (result, does) in [
            ("end-switches.forward.ahead", "stops"),
            ("end-switches.forward.behind", "goes on"),
            ("end-switches.reverse.ahead", "stops"),
            ("end-switches.forward.back", "goes on"),
        ] {
            assert_eq!(row(&run, result).unwrap().measured_text.as_deref(), Some(does), "{result}");
        }
    }
}

/// The cross slide's sheet with the negative end switch handled otherwise, or not there.
fn negative_end(folder: &tempfile::TempDir, handled: Option<&str>) -> PathBuf {
    let text = std::fs::read_to_string(demo("cross-slide.toml")).unwrap();
    let from = text.find("[[input]]\nrole = \"end_switch_negative\"").unwrap();
    let until = text.find("[enable]").unwrap();
    let own =
        handled.map_or_else(String::new, |h| text[from..until].replace("\"obeyed\"", &format!("\"{h}\"")));
    let sheet = folder.path().join("sheet.toml");
    std::fs::write(&sheet, format!("{}{own}{}", &text[..from], &text[until..])).unwrap();
    sheet
}

#[test]
fn an_axis_that_obeys_one_end_switch_and_ignores_the_other_or_has_none_there_is_accepted() {
    for handled in [Some("ignored"), None] {
        let folder = tempfile::tempdir().unwrap();
        let run = plan(negative_end(&folder, handled)).run().unwrap();
        accepted(&run);
        let does =
            |id: &str| row(&run, &format!("end-switches.{id}")).and_then(|r| r.measured_text.as_deref());
        let there = handled.map(|_| "goes on");
        for (result, wanted) in [
            ("forward.ahead", Some("stops")),
            ("forward.behind", there),
            ("forward.both", handled.map(|_| "stops")),
            ("forward.back", Some("goes on")),
            ("reverse.ahead", there),
            ("reverse.behind", Some("goes on")),
            ("reverse.both", there),
            ("reverse.neither", Some("goes on")),
            ("reverse.back", None),
        ] {
            assert_eq!(does(result), wanted, "{result}, the other {handled:?}");
        }
    }
}

#[test]
fn an_amplifier_that_obeys_both_end_switches_or_none_where_it_is_to_obey_one_is_caught() {
    let folder = tempfile::tempdir().unwrap();
    let sheet = negative_end(&folder, Some("ignored"));
    caught(
        &plan(sheet.clone()).fault("end-switches-obeyed").run().unwrap(),
        "end-switches",
        "end-switches-obeyed",
    );
    caught(
        &plan(sheet.clone()).fault("end-switches-ignored").run().unwrap(),
        "end-switches",
        "end-switches-ignored",
    );
    caught(&plan(sheet).fault("end-switches-swapped").run().unwrap(), "end-switches", "end-switches-swapped");
}

#[test]
fn end_switches_that_are_swapped_or_ignored_are_told_apart() {
    let with = |fault: &str| plan(demo("cross-slide.toml")).fault(fault).run().unwrap();
    caught(&with("end-switches-swapped"), "end-switches", "end-switches-swapped");
    caught(&with("end-switches-ignored"), "end-switches", "end-switches-ignored");
}

/// The switches are wired, and the amplifier should ignore them: it moves until one is tripped.
#[test]
fn an_amplifier_that_obeys_wired_switches_that_it_should_ignore_is_caught_while_turning() {
    let folder = tempfile::tempdir().unwrap();
    let wired = changed(&folder, &[("delivered_unwired = true\n", "")]);
    accepted(&plan(wired.clone()).run().unwrap());
    caught(&plan(wired).fault("end-switches-obeyed").run().unwrap(), "end-switches", "end-switches-obeyed");
}

#[test]
fn an_amplifier_that_ignores_enable_is_caught_also_with_little_friction_and_without_a_flag() {
    let folder = tempfile::tempdir().unwrap();
    let slippery = [
        ("breakaway_percent_of_rated_torque = 3.0", "breakaway_percent_of_rated_torque = 0.6"),
        ("running_friction_percent_of_rated_torque = 2.0", "running_friction_percent_of_rated_torque = 0.2"),
        (TORQUE_ON, ""),
    ];
    let sheet = changed(&folder, &slippery);
    for seed in [1, 2] {
        let only = |plan: Plan| plan.seed(seed).only("enable-off-turning");
        let run = only(plan(sheet.clone())).run().unwrap();
        assert_eq!(row(&run, "enable-off-turning.gate").unwrap().verdict, Verdict::Accepted, "{run:#?}");
        let run = only(plan(sheet.clone())).fault("enable-always").run().unwrap();
        caught(&run, "enable-off-turning", "enable-always");
    }
}

#[test]
fn nothing_runs_at_a_full_level_while_enable_is_not_known_to_be_obeyed() {
    let folder = tempfile::tempdir().unwrap();
    let (run, path) = Plan::film_winder().fault("enable-always").run_in(folder.path()).unwrap();
    for held_back in ["speed-cap", "command-scale", "line-count-fast"] {
        assert_eq!(check(&run, held_back).unwrap().verdict, Verdict::NotDone, "{held_back}");
    }
    let read = read_samples(std::fs::File::open(path.join(SAMPLES)).unwrap()).unwrap();
    // A tenth of rated torque is what the speed hold may use: 0.8 V here.
    let largest = read.samples.iter().map(|s| s.command.0.abs()).max().unwrap();
    assert!((100_000..=810_000).contains(&largest), "{largest}");
}

#[test]
fn the_moment_of_a_lost_torque_agrees_with_the_flag_that_tells_it() {
    for seed in 1..=4 {
        let run = Plan::film_winder().seed(seed).only("enable-off-turning").run().unwrap();
        for way in ["forward", "reverse"] {
            let value = |what: &str| {
                let row = row(&run, &format!("enable-off-turning.{way}.{what}")).unwrap();
                (row.measured.unwrap(), row.expanded_uncertainty.unwrap())
            };
            let ((torque, u_torque), (flag, u_flag)) = (value("delay"), value("torque-on.off"));
            // Each within its own stated uncertainty of the same event.
            assert!(
                (torque - flag).abs() <= u_torque.hypot(u_flag),
                "seed {seed}, {way}: {torque} ± {u_torque}, {flag}"
            );
        }
    }
}

/// Openings of enable in both directions, by the steps that were made.
fn openings(run: &Run) -> usize {
    check(run, "enable-off-turning").unwrap().steps.len()
}

#[test]
fn a_bare_rotor_is_released_until_the_moment_is_known_to_half_of_what_is_allowed_and_a_heavier_one_once() {
    let folder = tempfile::tempdir().unwrap();
    let text = std::fs::read_to_string(demo("film-winder.toml")).unwrap();
    let (from, to) = (text.find("[disc]").unwrap(), text.find("[encoder]").unwrap());
    let bare = changed(&folder, &[(&text[from..to], "")]);
    for seed in [1, 2] {
        let only = |sheet: PathBuf| plan(sheet).seed(seed).only("enable-off-turning");
        let once = only(demo("film-winder.toml")).run().unwrap();
        assert_eq!(openings(&once), 2, "seed {seed}");
        let run = only(bare.clone()).run().unwrap();
        assert!((3..=8).contains(&openings(&run)), "seed {seed}: {}", openings(&run));
        assert_eq!(row(&run, "enable-off-turning.gate").unwrap().verdict, Verdict::Accepted, "seed {seed}");
        for way in ["forward", "reverse"] {
            let of = |what: &str| row(&run, &format!("enable-off-turning.{way}.{what}")).unwrap();
            let (torque, flag) = (of("delay"), of("torque-on.off"));
            let expanded = torque.expanded_uncertainty.unwrap();
            assert!(expanded <= 0.5 * torque.upper_limit.unwrap(), "seed {seed}, {way}: {expanded}");
            // The flag tells the same event.
            let apart = torque.measured.unwrap() - flag.measured.unwrap();
            assert!(apart.abs() <= expanded, "seed {seed}, {way}: {apart} ± {expanded}");
        }
        // Each opening is drawn.
        assert_eq!(check(&run, "enable-off-turning").unwrap().plots.len(), openings(&run));
        // What ignores enable is not tried again and again.
        let run = only(bare.clone()).fault("enable-always").run().unwrap();
        caught(&run, "enable-off-turning", "enable-always");
        assert!(openings(&run) <= 2, "seed {seed}: {}", openings(&run));
    }
}
